//! Seeded random points: a low-discrepancy sequence under a random shift, and the ways to turn
//! numbers from 0 to 1 into points of a pupil, of a Gaussian and of an Airy pattern.

use crate::optics::Iris;
use glam::DVec2;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

/// Most dimensions a photosite needs: aperture, pupil, aberration, diffraction and diffuser, two each, and one for a
/// spot of the filter in front of the lens.
pub const DIMENSIONS: usize = 11;

/// Direction numbers of the Sobol' sequence (Joe, Kuo 2008: polynomial degree, inner
/// coefficients, first odd numbers); the first dimension is van der Corput's. From memory: the
/// unit test checks that each is a proper sequence.
const SOBOL: [(u32, u32, &[u32]); DIMENSIONS - 1] = [
    (1, 0, &[1]),
    (2, 1, &[1, 3]),
    (3, 1, &[1, 3, 1]),
    (3, 2, &[1, 1, 1]),
    (4, 1, &[1, 1, 3, 3]),
    (4, 4, &[1, 3, 5, 13]),
    (5, 2, &[1, 1, 5, 5, 17]),
    (5, 4, &[1, 1, 5, 5, 5]),
    (5, 7, &[1, 1, 7, 11, 19]),
    (5, 11, &[1, 1, 5, 1, 1]),
];

/// The direction numbers, written out for 32 bits.
pub struct Directions([[u32; DIMENSIONS]; 32]);

impl Directions {
    /// Writes out the tables.
    pub fn new() -> Self {
        let mut table = [[0; DIMENSIONS]; 32];
        for (i, row) in table.iter_mut().enumerate() {
            row[0] = 1 << (31 - i);
        }
        for (d, &(degree, inner, first)) in SOBOL.iter().enumerate() {
            let s = degree as usize;
            let mut v = [0_u32; 32];
            for i in 0..32 {
                v[i] = if i < s {
                    first[i] << (31 - i)
                } else {
                    let mut x = v[i - s] ^ (v[i - s] >> s);
                    for k in 1..s {
                        if inner >> (s - 1 - k) & 1 == 1 {
                            x ^= v[i - k];
                        }
                    }
                    x
                };
                table[i][d + 1] = v[i];
            }
        }
        Self(table)
    }
}

/// A Sobol' sequence whose digits are flipped by a random mask for each dimension: every point is
/// uniform, and two masks give independent estimates.
pub struct Sequence<'a> {
    directions: &'a Directions,
    state: [u32; DIMENSIONS],
    index: u32,
}

impl<'a> Sequence<'a> {
    /// The sequence of a key; the masks are a pure function of the key and the dimension.
    pub fn new(directions: &'a Directions, key: u64) -> Self {
        let mut state = [0; DIMENSIONS];
        for (d, s) in state.iter_mut().enumerate() {
            *s = (mix(key ^ mix(d as u64 + 1)) >> 32) as u32;
        }
        Self { directions, state, index: 0 }
    }

    /// The next point, every coordinate inside (0, 1).
    pub fn point(&mut self) -> [f64; DIMENSIONS] {
        const STEP: f64 = 1.0 / 4_294_967_296.0;
        let point = self.state.map(|s| (f64::from(s) + 0.5) * STEP);
        // Gray-code order (Antonov, Saleev 1979): one exclusive-or a step.
        let flips = &self.directions.0[(self.index.trailing_ones() as usize).min(31)];
        for (s, f) in self.state.iter_mut().zip(flips) {
            *s ^= f;
        }
        self.index = self.index.wrapping_add(1);
        point
    }
}

/// Scrambles 64 bits (the finaliser of Steele, Lea, Flood 2014).
pub fn mix(key: u64) -> u64 {
    let mut z = key.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A point of a Gaussian of σ = 1 on both axes (Box, Muller 1958).
pub fn gaussian(u: f64, v: f64) -> DVec2 {
    let r = (-2.0 * libm::log(u)).sqrt();
    let (sin, cos) = libm::sincos(TAU * v);
    DVec2::new(r * cos, r * sin)
}

/// The opening of the iris, from which points are drawn uniformly.
pub enum Pupil {
    /// Only the centre: no defocus.
    Centre,
    /// A disc of this radius, metres.
    Disc(f64),
    /// A polygon: its corners, metres, anticlockwise seen from behind the camera.
    Polygon(Vec<DVec2>),
}

impl Pupil {
    /// The pupil of an iris of this radius, metres.
    pub fn new(iris: Iris, radius_m: f64) -> Self {
        match iris {
            Iris::Round => Self::Disc(radius_m),
            Iris::Bladed { blades, rotation_rad } => Self::Polygon(
                (0..blades.max(3))
                    .map(|b| {
                        let turn = rotation_rad + TAU * f64::from(b) / f64::from(blades.max(3));
                        DVec2::new(radius_m * libm::cos(turn), radius_m * libm::sin(turn))
                    })
                    .collect(),
            ),
        }
    }

    /// A point, camera axes (x right, y up), metres.
    pub fn point(&self, u: f64, v: f64) -> DVec2 {
        match self {
            Self::Centre => DVec2::ZERO,
            Self::Disc(radius) => {
                // Squares onto rings (Shirley, Chiu 1997): neighbours stay neighbours.
                let (a, b) = (2.0 * u - 1.0, 2.0 * v - 1.0);
                let (r, turn) = if a.abs() > b.abs() {
                    (a, FRAC_PI_4 * (b / a))
                } else if b != 0.0 {
                    (b, FRAC_PI_2 - FRAC_PI_4 * (a / b))
                } else {
                    return DVec2::ZERO;
                };
                let (sin, cos) = libm::sincos(turn);
                DVec2::new(radius * r * cos, radius * r * sin)
            }
            Self::Polygon(corners) => {
                // One triangle for each side, all of the same area.
                let n = corners.len();
                let scaled = u * n as f64;
                let side = (scaled as usize).min(n - 1);
                let out = (scaled - side as f64).sqrt();
                (corners[side] * (1.0 - v) + corners[(side + 1) % n] * v) * out
            }
        }
    }
}

/// Radii of an Airy pattern, from the inverse of its encircled energy 1 − J₀²(x) − J₁²(x)
/// (Rayleigh 1881; Born, Wolf, *Principles of Optics*, § 8.5.2), x = π·radius/(wavelength·f-number).
pub struct Airy {
    /// Encircled energy at x = i·[`Airy::STEP`].
    energy: Vec<f64>,
    /// For each bucket of the guess, the table place to start the search from.
    start: Vec<u32>,
}

impl Airy {
    /// Step of the table in x: linear interpolation inside it is within 2e-6 of the energy.
    const STEP: f64 = 0.005;
    /// Last x of the table; 0.06 % of the light lies beyond it.
    const LAST: f64 = 1000.0;
    /// Buckets of the guess for each unit of x.
    const BUCKETS: f64 = 8.0;

    /// Tabulates the pattern.
    pub fn new() -> Self {
        let n = (Self::LAST / Self::STEP) as usize;
        let mut energy = Vec::with_capacity(n + 1);
        for i in 0..=n {
            let x = i as f64 * Self::STEP;
            let (a, b) = (libm::j0(x), libm::j1(x));
            energy.push(1.0 - a * a - b * b);
        }
        let buckets = (Self::guess(energy[n]) * Self::BUCKETS) as usize + 1;
        let mut start = Vec::with_capacity(buckets);
        let mut place = 0;
        for bucket in 0..buckets {
            let from = 1.0 - 1.0 / (1.0 + bucket as f64 / Self::BUCKETS * FRAC_PI_2);
            while place < n && energy[place + 1] <= from {
                place += 1;
            }
            start.push(place as u32);
        }
        Self { energy, start }
    }

    /// A monotone guess of x, right in the tail, where the light beyond x is 2/(πx).
    fn guess(u: f64) -> f64 {
        (1.0 / (1.0 - u) - 1.0) / FRAC_PI_2
    }

    /// x of an encircled energy `u` in (0, 1).
    pub fn radius(&self, u: f64) -> f64 {
        let n = self.energy.len() - 1;
        if u >= self.energy[n] {
            // Beyond the table the rings are averaged over: 1 − u = 2/(πx).
            return 2.0 / (PI * (1.0 - u));
        }
        let bucket = (Self::guess(u) * Self::BUCKETS) as usize;
        let mut i = self.start[bucket.min(self.start.len() - 1)] as usize;
        while i + 1 < n && self.energy[i + 1] <= u {
            i += 1;
        }
        let (a, b) = (self.energy[i], self.energy[i + 1]);
        let part = if b > a { ((u - a) / (b - a)).clamp(0.0, 1.0) } else { 0.0 };
        (i as f64 + part) * Self::STEP
    }

    /// A point of the pattern in units of x; metres on the sensor are wavelength·f-number/π times it.
    pub fn point(&self, u: f64, v: f64) -> DVec2 {
        let x = self.radius(u);
        let (sin, cos) = libm::sincos(TAU * v);
        DVec2::new(x * cos, x * sin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_dimension_of_the_sequence_fills_every_interval_once() {
        let directions = Directions::new();
        let mut sequence = Sequence::new(&directions, 7);
        let n = 1024;
        let points: Vec<_> = (0..n).map(|_| sequence.point()).collect();
        for d in 0..DIMENSIONS {
            let mut seen = vec![0; n];
            points.iter().for_each(|p| seen[(p[d] * n as f64) as usize] += 1);
            assert!(seen.iter().all(|&s| s == 1), "dimension {d}");
        }
        // Pairs of dimensions: in 32 × 32 cells, no cell is far from its one point.
        for a in 0..DIMENSIONS {
            for b in 0..a {
                let mut seen = vec![0; n];
                points
                    .iter()
                    .for_each(|p| seen[(p[a] * 32.0) as usize * 32 + (p[b] * 32.0) as usize] += 1);
                assert!(seen.iter().all(|&s| s <= 16), "dimensions {a}, {b}");
            }
        }
    }

    #[test]
    fn airy_radii_follow_the_encircled_energy() {
        let airy = Airy::new();
        for x in [0.1, 1.0, 3.0, 3.8317, 5.0, 7.0156, 20.3, 333.3, 999.0] {
            let (a, b) = (libm::j0(x), libm::j1(x));
            let u = 1.0 - a * a - b * b;
            let back = airy.radius(u);
            let (c, d) = (libm::j0(back), libm::j1(back));
            let again = 1.0 - c * c - d * d;
            assert!((again - u).abs() < 3e-6, "x {x}: {back}");
        }
        // 83.8 % and 91.0 % inside the first two dark rings, x = 3.8317 and 7.0156 (Born, Wolf, table 8.2).
        for (x, inside) in [(3.8317, 0.838), (7.0156, 0.910)] {
            assert!((airy.energy[(x / Airy::STEP) as usize] - inside).abs() < 5e-4);
        }
        assert!((airy.radius(0.9999) - 2.0 / (PI * 1e-4)).abs() < 1e-6);
    }

    #[test]
    fn pupils_have_the_second_moment_of_their_shape() {
        let directions = Directions::new();
        // Disc: ⟨x²⟩ = R²/4. Regular n-gon of corner radius R: ⟨x²⟩ = R²(2 + cos 2π/n)/12.
        let hexagon = Iris::Bladed { blades: 6, rotation_rad: 0.3 };
        for (iris, expected) in [(Iris::Round, 0.25), (hexagon, 2.5 / 12.0)] {
            let pupil = Pupil::new(iris, 2.0);
            let mut sequence = Sequence::new(&directions, 3);
            let n = 65536;
            let mut sum = DVec2::ZERO;
            for _ in 0..n {
                let p = sequence.point();
                let q = pupil.point(p[2], p[3]);
                sum += q * q;
            }
            let mean = sum / f64::from(n) / 4.0;
            assert!((mean.x - expected).abs() < 2e-4 && (mean.y - expected).abs() < 2e-4, "{mean}");
        }
    }
}
