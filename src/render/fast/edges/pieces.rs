//! The pupil and the photosite cut into pieces, each of which sees a part of the foreground and of the wall for itself.
//!
//! A ray through the pupil point q (−1 to 1) of a photosite at x passes the foreground where a point in focus at x + q·a/2 is
//! seen, and meets the wall at x + q·b/2, with their blur discs a and b in photosites. Pieces of the pupil are squares of a
//! lattice. Where one of the discs is a few photosites at most, photosites are cut into 2 × 2 as well, and what comes in through
//! the spots of low-pass filters is told apart.

use crate::optics::blur::Blur;
use crate::optics::{Iris, polygon};
use glam::DVec2;

/// Discs below so many photosites move nothing that counts: the pupil stays whole.
const NO_DISC: f64 = 0.05;

/// Where the narrower disc is below so many photosites, photosites are cut too.
const NARROW: f64 = 8.0;

/// Points across and down a photosite that is cut: as many as the foreground's opacity has steps.
const POINTS: usize = 3;

/// Pieces of the pupil across for each photosite of the narrower disc, and the fewest and the most of them.
const PER_PHOTOSITE: f64 = 5.0;
const FEWEST: f64 = 8.0;
const MOST: f64 = 14.0;

/// σ over the distance of points from which on points make a Gaussian up.
const GAUSSIAN: f64 = 0.75;

/// A piece of the pupil: its shifts across, on the wall in points and on the foreground in photosites, and its share of the
/// pupil.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    pub wall: i32,
    pub before: f64,
    pub share: f32,
}

/// Pieces of the pupil beside each other, and their shift down, alike.
#[derive(Debug)]
pub(super) struct PieceRow {
    pub wall: i32,
    pub before: f64,
    pub pieces: Vec<Piece>,
}

/// What one piece sees of the wall: sizes in photosites.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PieceView {
    /// The photosite is cut, and the spots of low-pass filters are told apart.
    pub is_cut: bool,
    /// Side of the piece's square; 0 for all of the pupil.
    pub square: f64,
    /// σ of the aberration's blur that is in what the piece sees.
    pub sigma: f64,
}

/// How pupil and photosite are cut for a blur disc of the wall and one of the foreground.
#[derive(Debug)]
pub(super) struct Pieces {
    /// Points across and down a photosite.
    pub points: usize,
    /// Points across and down that a photosite sees, counted from its first, and their shares.
    pub sensor: [Vec<(i32, f32)>; 2],
    pub rows: Vec<PieceRow>,
    pub view: PieceView,
    /// What the foreground is softened by for a piece, across and down: shifts in photosites and their shares.
    pub softened: [Vec<(f64, f64)>; 2],
    /// The pupil's image on the foreground, where the wall is the same for all of the pupil; else none.
    pub whole: Vec<Chord>,
}

/// A stretch of the pupil's image across: shift down, from and to, photosites, and its share.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chord {
    pub down: f64,
    pub from: f64,
    pub to: f64,
    pub share: f64,
}

impl Pieces {
    pub(super) fn new(blur: &Blur, iris: Iris, softness: f64, wall: f64, before: f64) -> Self {
        let narrower = wall.abs().min(before.abs());
        let is_cut = narrower < NARROW;
        let points = if is_cut { POINTS } else { 1 };
        let spots = |axis: usize| {
            let apart = [blur.low_pass[axis] / 2.0, blur.front_low_pass[axis] / 2.0];
            apart.into_iter().fold(vec![(0.0, 1.0)], |all, half| both_sides(&all, half))
        };
        // A Gaussian on the points, where it is wide enough for them.
        let in_sight = if softness * points as f64 >= GAUSSIAN { softness } else { 0.0 };
        let sensor = [0, 1].map(|axis| match is_cut {
            true => {
                let third = blur.aperture / 3.0;
                let thirds = |(p, w): &(f64, f64)| [-third, 0.0, third].map(|t| (p + t, w / 3.0));
                let seen: Vec<(f64, f64)> = spots(axis).iter().flat_map(thirds).collect();
                on_points(&spread(&seen, in_sight, 1.0 / points as f64), points)
            }
            false => vec![(0, 1.0)],
        });
        let is_whole = narrower < NO_DISC;
        // A piece is a square of so many points on the wall, or of a part of one.
        let wanted = (PER_PHOTOSITE * narrower).clamp(FEWEST, MOST);
        let side = wall.abs() * points as f64 / wanted;
        // Parts of a point in a few sizes, so that places alike share tables.
        let part = |side: f64| libm::exp2((2.0 * libm::log2(side)).floor() / 2.0);
        let side = if side < 0.75 { part(side) } else { side.round() };
        let square = if is_whole { 0.0 } else { side / points as f64 };
        let aspect = DVec2::new(blur.aspect(), 1.0);
        let softened = [0, 1].map(|axis| {
            let size = if is_whole { 0.0 } else { square * (before / wall).abs() };
            let steps = (4.0 * size).ceil().max(1.0) as usize;
            let inside: Vec<(f64, f64)> = (0..steps)
                .map(|k| (((k as f64 + 0.5) / steps as f64 - 0.5) * size, 1.0 / steps as f64))
                .collect();
            if is_cut {
                return if in_sight == 0.0 { spread(&inside, softness, 0.25) } else { inside };
            }
            let quarters = [-3.0, -1.0, 1.0, 3.0].map(|k| k * blur.aperture / 8.0);
            let seen = spots(axis).into_iter();
            let seen: Vec<(f64, f64)> =
                seen.flat_map(|(s, w)| quarters.map(|q| (s + q, w / 4.0))).collect();
            let seen = spread(&seen, softness, 0.25);
            let all =
                seen.iter().flat_map(|(s, w)| inside.iter().map(move |(i, v)| (s + i, w * v)));
            all.collect()
        });
        let own = if is_cut && in_sight > 0.0 { 0.0 } else { softness };
        let shape = Shape::new(iris);
        let whole = match is_whole && before.abs() >= NO_DISC {
            true => shape.chords(aspect * (before / 2.0), (1.5 * before.abs()).clamp(8.0, 24.0)),
            false => Vec::new(),
        };
        Self {
            points,
            sensor,
            rows: match is_whole {
                true => vec![PieceRow {
                    wall: 0,
                    before: 0.0,
                    pieces: vec![Piece { wall: 0, before: 0.0, share: 1.0 }],
                }],
                false => shape.squares(
                    side,
                    aspect * (wall / 2.0 * points as f64),
                    before / wall / points as f64,
                ),
            },
            view: PieceView { is_cut, square, sigma: own },
            softened,
            whole,
        }
    }

    /// Whether one piece is all of the pupil.
    pub(super) fn is_whole(&self) -> bool {
        self.view.square == 0.0
    }

    /// How far the pieces reach on the wall and on the foreground from a photosite's middle, photosites.
    pub(super) fn reach(&self) -> [DVec2; 2] {
        let sensor = DVec2::from([0, 1].map(|axis| {
            let ends = [self.sensor[axis].first(), self.sensor[axis].last()];
            let far = |end: Option<&(i32, f32)>| end.map_or(0.0, |e| f64::from(e.0).abs() + 1.0);
            ends.into_iter().map(far).fold(0.0, f64::max) / self.points as f64
        }));
        let (mut wall, mut before) = (DVec2::ZERO, DVec2::ZERO);
        let points = self.points as f64;
        for row in &self.rows {
            wall.y = wall.y.max(f64::from(row.wall.abs()) / points);
            before.y = before.y.max(row.before.abs());
            for piece in &row.pieces {
                wall.x = wall.x.max(f64::from(piece.wall.abs()) / points);
                before.x = before.x.max(piece.before.abs());
            }
        }
        [wall + sensor, before + sensor]
    }
}

/// The four points around a place and what a cubic through them gives each.
fn neighbours(at: f64) -> [(i32, f64); 4] {
    let (first, t) = (at.floor(), at - at.floor());
    let (a, b, c) = (t + 1.0, t - 1.0, t - 2.0);
    let cubic = [-t * b * c / 6.0, a * b * c / 2.0, -a * t * c / 2.0, a * t * b / 6.0];
    [0, 1, 2, 3].map(|k| (first as i32 - 1 + k as i32, cubic[k]))
}

/// Every place a step to both sides; places have shares.
fn both_sides(places: &[(f64, f64)], half: f64) -> Vec<(f64, f64)> {
    if half == 0.0 {
        return places.to_vec();
    }
    places.iter().flat_map(|(p, w)| [(p - half, w / 2.0), (p + half, w / 2.0)]).collect()
}

/// Every place as a Gaussian on a grid of `step`, at least as fine as σ; or as three points with its first moments, where it
/// is finer.
fn spread(places: &[(f64, f64)], sigma: f64, step: f64) -> Vec<(f64, f64)> {
    if sigma < 1e-3 {
        return places.to_vec();
    }
    let bell: Vec<(f64, f64)> = if sigma < 0.75 * step {
        let far = 3.0_f64.sqrt() * sigma;
        vec![(-far, 1.0 / 6.0), (0.0, 2.0 / 3.0), (far, 1.0 / 6.0)]
    } else {
        let most = (2.7 * sigma / step).ceil() as i32;
        let at = |k: i32| f64::from(k) * step;
        let bell =
            (-most..=most).map(|k| (at(k), libm::exp(-0.5 * (at(k) / sigma) * (at(k) / sigma))));
        let bell: Vec<(f64, f64)> = bell.collect();
        let all: f64 = bell.iter().map(|b| b.1).sum();
        bell.into_iter().map(|(at, w)| (at, w / all)).collect()
    };
    places.iter().flat_map(|(p, w)| bell.iter().map(move |(b, v)| (p + b, w * v))).collect()
}

/// Places from a photosite's middle as shares of points: what a cubic through the four points around each gives.
fn on_points(places: &[(f64, f64)], points: usize) -> Vec<(i32, f32)> {
    let index = |place: f64| (place + 0.5) * points as f64 - 0.5;
    let low = places.iter().map(|p| index(p.0).floor() as i32).min().unwrap_or(0) - 1;
    let high = places.iter().map(|p| index(p.0).floor() as i32).max().unwrap_or(0) + 2;
    let mut shares = vec![0.0_f64; (high - low + 1) as usize];
    for (place, share) in places {
        for (point, part) in neighbours(index(*place)) {
            shares[(point - low) as usize] += part * share;
        }
    }
    let shares = (low..).zip(shares).filter(|(_, share)| share.abs() > 1e-4);
    shares.map(|(at, share)| (at, share as f32)).collect()
}

/// The pupil as a photosite sees it: right and down, in the unit circle.
enum Shape {
    Round,
    Polygon(Vec<polygon::Corner>),
}

impl Shape {
    fn new(iris: Iris) -> Self {
        match iris {
            Iris::Round => Self::Round,
            // A photosite sees a point spread mirrored, and polygons have y up.
            Iris::Bladed { blades, rotation_rad } => Self::Polygon(
                polygon::regular(blades, rotation_rad).into_iter().map(|(x, y)| (-x, y)).collect(),
            ),
        }
    }

    /// Its stretch across at a place down, −1 to 1.
    fn chord(&self, y: f64) -> Option<(f64, f64)> {
        match self {
            Self::Round => {
                let half = (1.0 - y * y).max(0.0).sqrt();
                (half > 0.0).then_some((-half, half))
            }
            Self::Polygon(corners) => {
                let next = corners.iter().cycle().skip(1);
                let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
                for (a, b) in corners.iter().zip(next) {
                    if (a.1 - y) * (b.1 - y) > 0.0 || a.1 == b.1 {
                        continue;
                    }
                    let x = a.0 + (b.0 - a.0) * (y - a.1) / (b.1 - a.1);
                    low = low.min(x);
                    high = high.max(x);
                }
                (high > low).then_some((low, high))
            }
        }
    }

    /// Pieces on a lattice of squares of `side` points on the wall; `half` is half the image of the pupil there, points, signed,
    /// and `before` what a point there is on the foreground, photosites. A piece between points is shared among its neighbours.
    fn squares(&self, side: f64, half: DVec2, before: f64) -> Vec<PieceRow> {
        const LINES: usize = 16;
        let n = (half.abs() / side + 0.5 - 1e-9).floor();
        let (across, down) = (n.x as i32, n.y as i32);
        let mut rows = Vec::new();
        for j in -down..=down {
            let mut shares = vec![0.0; 2 * across as usize + 1];
            for line in 0..LINES {
                let inside = (line as f64 + 0.5) / LINES as f64 - 0.5;
                let y = (f64::from(j) + inside) * side / half.y;
                let Some((from, to)) = self.chord(y) else { continue };
                let (from, to) = (from * half.x / side, to * half.x / side);
                for (i, share) in (-across..=across).zip(&mut shares) {
                    let i = f64::from(i);
                    *share += (to.max(from).min(i + 0.5) - from.min(to).max(i - 0.5)).max(0.0);
                }
            }
            rows.push((j, shares));
        }
        let all: f64 = rows.iter().flat_map(|(_, shares)| shares).sum();
        let mut made = Vec::new();
        for (j, shares) in rows {
            for (wall, part) in neighbours(f64::from(j) * side) {
                let mut pieces = Vec::new();
                for (i, share) in (-across..=across).zip(&shares).filter(|(_, s)| **s > 0.0) {
                    let at = f64::from(i) * side;
                    pieces.extend(neighbours(at).map(|(wall, own)| Piece {
                        wall,
                        before: at * before,
                        share: (share / all * part * own) as f32,
                    }));
                }
                pieces.retain(|piece| piece.share.abs() > 1e-7);
                if !pieces.is_empty() {
                    made.push(PieceRow { wall, before: f64::from(j) * side * before, pieces });
                }
            }
        }
        made
    }

    /// The pupil as `lines` stretches across; `half` is half its image, signed.
    fn chords(&self, half: DVec2, lines: f64) -> Vec<Chord> {
        let n = lines.ceil() as usize;
        let at = |k: usize| (2.0 * k as f64 + 1.0) / n as f64 - 1.0;
        let chords = (0..n).filter_map(|k| self.chord(at(k)).map(|(from, to)| (at(k), from, to)));
        let all: f64 = chords.clone().map(|(_, from, to)| to - from).sum();
        let chord = |(y, from, to): (f64, f64, f64)| Chord {
            down: y * half.y,
            from: (from * half.x).min(to * half.x),
            to: (from * half.x).max(to * half.x),
            share: (to - from) / all,
        };
        chords.map(chord).collect()
    }
}
