//! A camera that moves: at which frames it is judged, and how fast fringes crawl there.
//!
//! A scene is judged at each keyframe, half-way between them, and where the wall is sharpest. Between two such frames a fringe's frequency
//! runs from one to the other, so that each stands for the half of the way to its neighbours. A fringe of harmonic h crawls by h·Δu
//! cycles a frame, Δu being what a photosite's place on the wall moves by, in pixels.

use super::eye::EyeTable;
use super::place::{Place, Sights};
use super::sampled::Seen;
use crate::artefact::Seeing;
use crate::optics::view::on_sensor;
use crate::scene::Scene;
use glam::DVec2;

/// Frames of a shot that are judged, at most.
const MOST: usize = 9;
/// Share of what is seen from which on *clean* is not said of a move: between the frames that are judged it may be so much worse.
pub(super) const NEARLY: f64 = 0.8;
/// Frames that are looked through for the sharpest wall, at most, in each of two rounds.
const LOOKED_AT: u32 = 48;
/// A gentle move is at most so much faster than on the mean between two keyframes: 3s² − 2s³ has a slope of 1.5 half-way, and curves
/// through several keyframes somewhat more.
const FASTER: f64 = 2.0;
/// Rates of change for which the eye is tabulated, Hz.
const RATES_HZ: [f64; 9] = [0.5, 1.0, 2.0, 4.0, 5.7, 8.0, 11.3, 16.0, 30.0];

/// The frames at which a shot is judged, in order; only the first where nothing moves.
pub(super) fn moments(scene: &Scene) -> Vec<u32> {
    let Some(moves) = &scene.moves else { return vec![0] };
    let mut keys = moves.key_frames();
    keys.push(0);
    keys.sort_unstable();
    keys.dedup();
    let mut frames = keys.clone();
    frames.extend(keys.windows(2).map(|pair| pair[0] + (pair[1] - pair[0]) / 2));
    frames.sort_unstable();
    frames.dedup();
    // Few enough, evenly, the ends among them.
    let count = frames.len();
    if count > MOST - 1 {
        frames = (0..MOST - 1).map(|i| frames[i * (count - 1) / (MOST - 2)]).collect();
    }
    frames.extend(sharpest(scene, keys[keys.len() - 1]));
    frames.sort_unstable();
    frames.dedup();
    // What blur leaves goes up and down on the way: the widest gaps are halved.
    while frames.len() < MOST {
        let gap = |i: &usize| frames[i + 1] - frames[*i];
        let widest = (0..frames.len() - 1).rev().max_by_key(gap);
        let Some(i) = widest.filter(|i| gap(i) > 1) else { break };
        frames.insert(i + 1, frames[i] + gap(&i) / 2);
    }
    frames
}

/// The frame, up to `last`, in whose middle the wall is sharpest: the smallest disc, in pitches as the sensor sees them.
fn sharpest(scene: &Scene, last: u32) -> Option<u32> {
    let blur = |frame: u32| {
        let at = scene.at_frame(frame);
        let sights = Sights::new(&at);
        middle(&at).and_then(|point| sights.at(point)).map(|place| place.disc_pitches())
    };
    let search = |from: u32, to: u32| {
        let step = ((to - from) / LOOKED_AT).max(1);
        let found = (from..=to).step_by(step as usize).filter_map(|f| Some((blur(f)?, f)));
        found.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, frame)| (frame, step))
    };
    let (frame, step) = search(0, last)?;
    search(frame.saturating_sub(step), (frame + step).min(last)).map(|(frame, _)| frame)
}

/// The middle of the recorded frame, photosites.
fn middle(scene: &Scene) -> Option<DVec2> {
    points(scene).into_iter().next()
}

/// The middle of the recorded frame and places near its corners, photosites.
fn points(scene: &Scene) -> Vec<DVec2> {
    let window = scene.camera.sensor_window();
    let at = |x: f64, y: f64| {
        let (width, height) = (f64::from(window.width), f64::from(window.height));
        DVec2::new(f64::from(window.x) + x * width, f64::from(window.y) + y * height)
    };
    vec![at(0.5, 0.5), at(0.1, 0.1), at(0.9, 0.1), at(0.1, 0.9), at(0.9, 0.9)]
}

/// What a moment of a move has before and after it.
pub(super) struct Around<'a> {
    now: Option<Sights<'a>>,
    /// The moments before and after, and how many frames off they are.
    others: Vec<(Sights<'a>, f64)>,
    fps: f64,
    /// Half of what the wall's frequencies on the sensor change by until the next moment, as a share.
    pub half: f64,
}

/// How far a photosite's place on the wall moves in a frame, at most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shift {
    /// Not at all.
    None,
    /// By these, pixels.
    By([DVec2; 2]),
    /// It is not on the wall all the way: by anything.
    Any,
}

impl<'a> Around<'a> {
    /// Nothing moves.
    pub fn nothing() -> Self {
        Self { now: None, others: Vec::new(), fps: 0.0, half: 0.0 }
    }

    /// Of a moment among others, by its number.
    pub fn of(moments: &'a [(u32, Scene)], number: usize) -> Self {
        let (frame, scene) = &moments[number];
        let before = number.checked_sub(1).and_then(|i| moments.get(i));
        let beside = before.into_iter().chain(moments.get(number + 1));
        let others: Vec<(Sights<'_>, f64)> = beside
            .map(|(other, scene)| (Sights::new(scene), f64::from(other.abs_diff(*frame).max(1))))
            .collect();
        let now = Sights::new(scene);
        let seen = |place: &Place| [DVec2::X, DVec2::Y].map(|g| on_sensor(&place.local.whole, g));
        let mut most = 0.0_f64;
        for point in points(scene) {
            let Some(here) = now.at(point) else { continue };
            for (other, _) in &others {
                let Some(there) = other.at(point) else { continue };
                for (a, b) in seen(&here).into_iter().zip(seen(&there)) {
                    most = most.max((a - b).length() / a.length());
                }
            }
        }
        Self { now: Some(now), others, fps: scene.camera.fps, half: most / 2.0 }
    }

    /// Whether anything moves.
    pub fn moves(&self) -> bool {
        !self.others.is_empty()
    }

    /// How far the wall moves under a sensor point in a frame.
    pub fn shift(&self, point: DVec2) -> Shift {
        let Some(now) = self.now.as_ref().filter(|_| self.moves()) else { return Shift::None };
        let Some(here) = now.at(point) else { return Shift::Any };
        let mut by = [DVec2::ZERO; 2];
        for (by, (other, frames)) in by.iter_mut().zip(&self.others) {
            match other.at(point) {
                Some(there) if there.face == here.face => {
                    *by = (there.wall - here.wall) * (FASTER / frames);
                }
                _ => return Shift::Any,
            }
        }
        Shift::By(by)
    }

    /// The fastest that a fringe changes at one place, Hz, at most half the frame rate: beyond, it seems slower again, so that any
    /// rate is possible.
    pub fn fastest_hz(&self, seen: &Seen, shift: Shift) -> f64 {
        let cycles = match shift {
            Shift::None => 0.0,
            Shift::Any => 0.5,
            Shift::By(by) => {
                let h = seen.origin.h.map(f64::from);
                by.map(|u| u.dot(DVec2::new(h[0], h[1])).abs()).into_iter().fold(0.0, f64::max)
            }
        };
        cycles.min(0.5) * self.fps
    }
}

/// The eye for fringes that stand, or that crawl at any rate up to a fastest.
pub(super) struct Eyes {
    still: EyeTable,
    crawling: Vec<(f64, EyeTable)>,
}

impl Eyes {
    /// Of a field; without `crawling` for fringes that stand only.
    pub fn new(seeing: &Seeing, lines: f64, crawling: bool) -> Self {
        let rates = RATES_HZ.iter().filter(|_| crawling);
        let crawling = rates.map(|&hz| (hz, EyeTable::new(seeing, lines, hz))).collect();
        Self { still: EyeTable::new(seeing, lines, 0.0), crawling }
    }

    /// The worst of a function of the tables for rates from 0 to the first that is no less than `hz`.
    fn worst(&self, hz: f64, of: impl Fn(&EyeTable) -> f64) -> f64 {
        let mut most = of(&self.still);
        let mut below = 0.0;
        for (rate, table) in &self.crawling {
            if hz <= below {
                break;
            }
            most = most.max(of(table));
            below = *rate;
        }
        most
    }

    /// Multiple of the threshold of contrasts of luma and colour, at a frequency and any rate up to `hz`.
    pub fn multiple(&self, luma: f64, chroma: f64, frequency: f64, hz: f64) -> f64 {
        self.worst(hz, |table| table.multiple(luma, chroma, frequency))
    }

    /// The largest over frequencies from `low` to `high`.
    pub fn most(&self, luma: f64, chroma: f64, (low, high): (f64, f64), hz: f64) -> f64 {
        self.worst(hz, |table| table.most(luma, chroma, low, high))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::artefact::Viewing;
    use crate::scene::{NoPictures, parse};

    fn scene(moves: &str) -> Scene {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.6, size_px: [800, 400]}}\nlens: {{focal_mm: 35, f_number: 2.8}}\n\
             placement: {{distance_m: 4}}\ncamera: {{photosites: [960, 540], photosite_pitch_um: 8, frame_rate_fps: 25}}\n{moves}\n"
        );
        parse(&text, "moves", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
    }

    #[test]
    fn keyframes_their_middles_and_the_sharpest_frame_are_judged() {
        assert_eq!(moments(&scene("")), [0]);
        let slide = scene(
            "moves: {between: linear, keyframes: [{at_frame: 0, lateral_m: 0}, {at_frame: 40, lateral_m: 0.4}]}",
        );
        let frames = moments(&slide);
        assert!([0, 20, 40].iter().all(|f| frames.contains(f)), "{frames:?}");
        // The focus runs from 1 m to 21 m in 100 frames: past the wall, at 4 m, at frame 15.
        let pull = scene(
            "moves: {between: linear, keyframes: [{at_frame: 0, focus_m: 1}, {at_frame: 100, focus_m: 21}]}",
        );
        assert!(moments(&pull).iter().any(|f| (14..=16).contains(f)), "{:?}", moments(&pull));
        let many: Vec<String> =
            (0..30).map(|i| format!("{{at_frame: {}, pan_deg: {}}}", 5 * i, i % 3)).collect();
        let shaking = moments(&scene(&format!("moves: {{keyframes: [{}]}}", many.join(", "))));
        assert!(shaking.len() <= MOST && shaking[0] == 0 && shaking.contains(&145), "{shaking:?}");
    }

    #[test]
    fn fringes_crawl_as_fast_as_the_wall_slides_by() {
        // 0.26 m in 40 frames: 100 pixels, 2.5 a frame, taken twice.
        let slide = scene(
            "moves: {between: linear, keyframes: [{at_frame: 0, lateral_m: 0}, {at_frame: 4000, lateral_m: 0.026}]}",
        );
        let stood: Vec<(u32, Scene)> =
            [0, 4000].map(|f| (f, slide.at_frame(f).into_owned())).into();
        let around = Around::of(&stood, 0);
        assert!(around.half < 1e-9);
        // 10 pixels in 4000 frames: 0.0025 a frame, for the pixel's own harmonic at 25 frames 0.0625 Hz, taken FASTER.
        let Shift::By([by, none]) = around.shift(DVec2::new(480.0, 270.0)) else {
            panic!("on the wall")
        };
        assert!((by.x.abs() - FASTER * 0.0025).abs() < 1e-9 && none == DVec2::ZERO, "{by}");
        // Nearer by a tenth: frequencies change by a tenth, of which each moment stands for half.
        let push = scene(
            "moves: {between: linear, keyframes: [{at_frame: 0, distance_m: 4}, {at_frame: 10, distance_m: 3.6}]}",
        );
        let stood: Vec<(u32, Scene)> = [0, 10].map(|f| (f, push.at_frame(f).into_owned())).into();
        let half = Around::of(&stood, 0).half;
        assert!((half - 0.05).abs() < 2e-3, "{half}");
    }

    #[test]
    fn what_crawls_is_seen_no_worse_than_what_stands() {
        let seeing = Viewing::default().seeing(1080.0, 1.0, 0.0);
        let eyes = Eyes::new(&seeing, 1080.0, true);
        let of = |f: f64, hz: f64| eyes.multiple(0.01, 0.0, f, hz);
        for f in [0.001, 0.01, 0.1] {
            assert!(of(f, 0.0) <= of(f, 3.0) && of(f, 3.0) <= of(f, 12.0), "{f}");
        }
        // Broad fringes that come by some times a second are seen far better (as flicker is).
        assert!(of(0.001, 8.0) > 1.5 * of(0.001, 0.0));
        assert_eq!(
            Eyes::new(&seeing, 1080.0, false).multiple(0.01, 0.0, 0.001, 8.0),
            of(0.001, 0.0)
        );
    }
}
