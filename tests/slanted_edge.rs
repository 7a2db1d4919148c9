//! The slanted-edge spatial frequency response of ISO 12233, as an independent measure of blur.

use gridbeat::frame::Plane;
use std::f64::consts::PI;

/// Bins per photosite.
const BINS: usize = 4;

/// A near-vertical edge: x = at + slope·y, in photosites; (0, 0) is the top left corner, photosite
/// centres lie at halves.
#[derive(Debug, Clone, Copy)]
pub struct Edge {
    /// Where the edge meets the top.
    pub at: f64,
    /// Photosites to the right per row down.
    pub slope: f64,
}

impl Edge {
    /// Angle to the vertical, radians; positive when the edge runs to the right on its way down.
    pub fn angle_rad(&self) -> f64 {
        self.slope.atan()
    }

    fn x(&self, row: usize) -> f64 {
        self.at + self.slope * (row as f64 + 0.5)
    }
}

/// Finds the edge: per row the centroid of the derivative under a Hamming window, a line through
/// the centroids, and again with the windows centred on that line. `None` without an edge.
pub fn find_edge(plane: &Plane) -> Option<Edge> {
    let width = plane.width as f64;
    let mut centre: Vec<f64> = vec![0.5 * width; plane.height];
    let mut edge = None;
    for pass in 0..3 {
        let (mut n, mut sy, mut sx, mut syy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (y, &middle) in centre.iter().enumerate() {
            let row = plane.row(y);
            let half = if pass == 0 { width } else { 0.25 * width };
            let (mut sum, mut moment) = (0.0, 0.0);
            for x in 1..plane.width {
                // The difference of two neighbours sits on their border, at x.
                let off = (x as f64 - middle) / half;
                if off.abs() <= 1.0 {
                    let window = 0.54 + 0.46 * (PI * off).cos();
                    let slope = window * f64::from(row[x] - row[x - 1]);
                    sum += slope;
                    moment += slope * x as f64;
                }
            }
            if sum != 0.0 {
                let (at, down) = (moment / sum, y as f64 + 0.5);
                n += 1.0;
                sy += down;
                sx += at;
                syy += down * down;
                sxy += down * at;
            }
        }
        let spread = n * syy - sy * sy;
        if spread <= 0.0 {
            return None;
        }
        let slope = (n * sxy - sy * sx) / spread;
        let found = Edge { at: (sx - slope * sy) / n, slope };
        for (y, centre) in centre.iter_mut().enumerate() {
            *centre = found.x(y);
        }
        edge = Some(found);
    }
    edge
}

/// Spatial frequency response of the near-vertical edge in a plane: (cycles per photosite along the
/// row, response), 0 to 0.5; empty without a usable edge.
///
/// ISO 12233:2014 §6.2.4–6.2.5: rows projected along the edge into quarter-photosite bins over a
/// whole number of phase rotations, derivative [−½, 0, ½], Hamming window, DFT, division by the
/// derivative's response sin(πf/2)/(πf/2). Then also by sinc(f/4), the averaging within the bins,
/// which the standard leaves in. Along the edge's normal the frequency is f/cos(angle).
pub fn slanted_edge_sfr(plane: &Plane) -> Vec<(f64, f64)> {
    response(plane, true)
}

fn response(plane: &Plane, correct_bins: bool) -> Vec<(f64, f64)> {
    let Some(edge) = find_edge(plane) else { return Vec::new() };
    let rotations = (plane.height as f64 * edge.slope.abs()).floor();
    let rows = if rotations >= 1.0 {
        ((rotations / edge.slope.abs()).round() as usize).min(plane.height)
    } else {
        plane.height
    };
    // As far from the edge as every row reaches, so that each bin holds data from all phases.
    let reach = (0..rows)
        .map(|y| edge.x(y).min(plane.width as f64 - edge.x(y)))
        .fold(f64::INFINITY, f64::min)
        .floor();
    if reach < 4.0 {
        return Vec::new();
    }
    let half = reach as usize * BINS;
    let mut sums = vec![(0.0, 0.0); 2 * half];
    for y in 0..rows {
        for (x, &value) in plane.row(y).iter().enumerate() {
            let bin = ((x as f64 + 0.5 - edge.x(y)) * BINS as f64).floor() + half as f64;
            if bin >= 0.0 && bin < sums.len() as f64 {
                let (sum, count) = &mut sums[bin as usize];
                *sum += f64::from(value);
                *count += 1.0;
            }
        }
    }
    if sums.iter().any(|&(_, count)| count == 0.0) {
        return Vec::new();
    }
    let profile: Vec<f64> = sums.iter().map(|(sum, count)| sum / count).collect();
    let n = profile.len();
    let line: Vec<f64> = (0..n)
        .map(|i| {
            let slope =
                if i == 0 || i == n - 1 { 0.0 } else { 0.5 * (profile[i + 1] - profile[i - 1]) };
            // Bin centres lie half a bin off the edge, so the window's centre is between two bins.
            let off = (i as f64 + 0.5 - half as f64) / half as f64;
            slope * (0.54 + 0.46 * (PI * off).cos())
        })
        .collect();
    let total: f64 = line.iter().sum();
    (0..=n / (2 * BINS))
        .map(|k| {
            let turn = 2.0 * PI * k as f64 / n as f64;
            let (mut re, mut im) = (0.0, 0.0);
            for (i, value) in line.iter().enumerate() {
                re += value * (turn * i as f64).cos();
                im += value * (turn * i as f64).sin();
            }
            let f = k as f64 * BINS as f64 / n as f64;
            let ratio = |x: f64| if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
            let bins = if correct_bins { ratio(f / BINS as f64) } else { 1.0 };
            (f, re.hypot(im) / total.abs() / ratio(0.5 * f) / bins)
        })
        .collect()
}

/// An ideal edge under a Gaussian of `sigma` photosites, each photosite the mean over its square.
fn synthetic(size: usize, angle_deg: f64, sigma: f64, flip: bool) -> Plane {
    const SUB: usize = 16;
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    let middle = 0.5 * size as f64 + 0.137;
    let mut plane = Plane::filled(size, size, 0.0);
    for y in 0..size {
        for x in 0..size {
            let mut sum = 0.0;
            for j in 0..SUB {
                for i in 0..SUB {
                    let at = |k: usize, part: usize| k as f64 + (part as f64 + 0.5) / SUB as f64;
                    let off = (at(x, i) - middle) * cos - (at(y, j) - middle) * sin;
                    sum += 0.5 * libm::erfc(-off / (sigma * std::f64::consts::SQRT_2));
                }
            }
            let value = sum / (SUB * SUB) as f64;
            let value = if flip { 1.0 - value } else { value };
            plane.data[y * size + x] = (100.0 + 800.0 * value) as f32;
        }
    }
    plane
}

/// Largest difference between a response and the product of the transfer functions, 0 < f ≤ 0.5.
fn worst(points: &[(f64, f64)], angle_deg: f64, sigma: f64) -> f64 {
    assert!(points.len() > 20);
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    points.iter().skip(1).fold(0.0_f64, |worst, &(f, value)| {
        let normal = f / cos;
        let expected = gridbeat::optics::transfer::aperture(normal * cos, normal * sin, 1.0)
            * gridbeat::optics::transfer::gaussian(normal, sigma);
        worst.max((value - expected).abs())
    })
}

#[test]
fn finds_the_angle() {
    for (angle, flip) in [(5.0, false), (-5.0, true), (3.0, true), (7.0, false)] {
        let edge = find_edge(&synthetic(96, angle, 0.5, flip)).unwrap();
        let found = edge.angle_rad().to_degrees();
        assert!((found - angle).abs() < 0.01, "{found} for {angle}");
    }
}

#[test]
fn agrees_with_the_product_of_transfer_functions() {
    // Handbook §12: with the bin correction ≤ 0.004 on such an edge, and 0.01 by the standard.
    for (angle, sigma) in [(4.3, 0.3), (5.0, 0.3), (5.0, 0.5), (5.0, 1.0), (7.0, 0.3), (-5.0, 0.4)]
    {
        let plane = synthetic(96, angle, sigma, angle < 0.0);
        let found = worst(&slanted_edge_sfr(&plane), angle, sigma);
        assert!(found < 0.004, "{found} at {angle}° and σ {sigma}");
    }
    // At 3° a phase rotation takes almost exactly 19 rows, so that the same few phases return and
    // fill the bins unevenly; the standard warns of such slopes.
    let found = worst(&slanted_edge_sfr(&synthetic(96, 3.0, 0.3, false)), 3.0, 0.3);
    assert!(found < 0.01, "{found} at 3°");
    // The bin correction matters: without it, sinc(f/4) alone takes off 0.0104 at 0.5 here.
    let standard = worst(&response(&synthetic(96, 5.0, 0.3, false), false), 5.0, 0.3);
    assert!(standard > 0.006, "{standard}");
}

#[test]
fn without_an_edge_there_is_no_response() {
    assert!(slanted_edge_sfr(&Plane::filled(64, 64, 5.0)).is_empty());
    assert!(slanted_edge_sfr(&Plane::filled(0, 0, 0.0)).is_empty());
    let mut one = Plane::filled(3, 3, 0.0);
    one.data[4] = f32::NAN;
    assert!(slanted_edge_sfr(&one).is_empty());
}
