//! Light of wall rows during the exposure of a camera row.
//!
//! Neighbouring camera rows mostly see the same whole pulses of a wall row, so a row of light is
//! kept with what it was made from ([`Lit`]) and made anew only when that changes.

mod moving;

use crate::scene::Scene;
use crate::wall::drive::{DriveKind, Edge, SplitOrder, Timing, extra_before, grey_clocks};

/// What a wall row's light during an exposure is made from. Equal values mean equal light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lit {
    /// Whole repeats, and the pulses of the repeat at start and end; for drives whose pulses are
    /// all alike only the difference is kept, in `frames`.
    frames: i64,
    from: u32,
    to: u32,
    /// Ages of pulses cut by the start and by the end of the exposure.
    cut: [Option<f64>; 2],
    /// Ages of pulses whose fall reaches into the exposure's start or end.
    tail: [Option<f64>; 2],
}

/// Up to so many refreshes a video frame the order of a split drive is kept as a table, at most 4 MiB.
const TABLED: u32 = 1024;

/// Turns codes into light for one frame of one scene.
pub(super) struct Lighting {
    timing: Timing,
    steady: bool,
    /// Level of each code, as a share of full light.
    levels: Vec<f32>,
    /// Grey clocks of each code (split drives only).
    clocks: Vec<u32>,
    /// `extra[m·refreshes + rem]`: refreshes before `m` that get one clock more of a remainder; empty
    /// where there are more than [`TABLED`] of them.
    extra: Vec<u32>,
    /// Seconds of full light → share of the exposure's steady full light.
    per_second: f64,
    /// One entry per (row, slot, colour), row-major; empty for steady light.
    lit: Vec<Lit>,
    slots: usize,
    rows: std::ops::Range<u32>,
    /// The pictures of a wall that shows more than one.
    pictures: Option<moving::Pictures>,
}

impl Lighting {
    /// Light of a frame for the camera rows of `rows`, of a drive that runs `clock_s` late.
    pub(super) fn new(scene: &Scene, frame: u32, rows: std::ops::Range<u32>, clock_s: f64) -> Self {
        let timing = scene.drive.timing();
        let steady = scene.drive.is_steady();
        let levels = scene.wall.levels();
        let (mut clocks, mut extra) = (Vec::new(), Vec::new());
        if let DriveKind::Split { bits, order } = scene.drive.kind {
            clocks =
                levels.iter().map(|&l| grey_clocks(l * scene.drive.pulse_share, bits)).collect();
            if timing.refreshes <= TABLED {
                extra = extra_table(order, timing.refreshes);
            }
        }
        let levels = levels.iter().map(|&l| scene.drive.mean_level(l) as f32).collect();
        let wall_s = scene.camera.exposure_s * (1.0 + scene.drive.clock.drift);
        let slots = scene.drive.scan as usize;
        let mut lighting = Self {
            timing: timing.clone(),
            steady,
            levels,
            clocks,
            extra,
            per_second: 1.0 / (wall_s * timing.top_duty()),
            lit: Vec::new(),
            slots,
            rows: rows.clone(),
            pictures: None,
        };
        let mut pictures = moving::Pictures::of(scene, &lighting, frame, clock_s);
        if !steady || pictures.is_some() {
            lighting.lit.reserve(rows.len() * slots * 3);
            let phase_s = phase_s(scene, &timing, frame) - clock_s;
            let rate = 1.0 + scene.drive.clock.drift;
            for row in rows {
                let start_s = scene.camera.row_start_s(0, row);
                let from_s = phase_s + start_s * rate;
                let to_s = phase_s + (start_s + scene.camera.exposure_s) * rate;
                for slot in 0..slots as u32 {
                    for colour in 0..3 {
                        let lit = if let Some(pictures) = &mut pictures {
                            lighting.lit_by_pictures(pictures, (from_s, to_s), slot, colour)
                        } else {
                            let from = timing.edge(from_s, slot, colour);
                            let to = timing.edge(to_s, slot, colour);
                            lighting.lit_between(&from, &to)
                        };
                        lighting.lit.push(lit);
                    }
                }
            }
        }
        lighting.pictures = pictures;
        lighting
    }

    /// Whether every pixel has the same light as in another frame of the same scene.
    pub(super) fn is_same(&self, other: &Self) -> bool {
        let same_pictures = match (&self.pictures, &other.pictures) {
            (Some(a), Some(b)) => a.is_same(b),
            (a, b) => a.is_none() && b.is_none(),
        };
        self.rows == other.rows && self.lit == other.lit && same_pictures
    }

    /// Bytes that it takes.
    pub(super) fn bytes(&self) -> usize {
        self.lit.len() * size_of::<Lit>()
    }

    fn lit_between(&self, from: &Edge, to: &Edge) -> Lit {
        let cut = [from.cut_s, to.cut_s];
        let tail = [from.tail_s, to.tail_s];
        let frames = to.frames - from.frames;
        if self.clocks.is_empty() {
            let refreshes = i64::from(self.timing.refreshes);
            let pulses = frames * refreshes + i64::from(to.pulses) - i64::from(from.pulses);
            Lit { frames: pulses, from: 0, to: 0, cut, tail }
        } else {
            Lit { frames, from: from.pulses, to: to.pulses, cut, tail }
        }
    }

    /// What the light of a row of a face and colour is made from during a camera row's exposure; the scan starts again after
    /// every `panel_rows`.
    #[inline]
    pub(super) fn lit(
        &self,
        camera_row: u32,
        wall_row: u32,
        panel_rows: u32,
        colour: usize,
    ) -> Option<Lit> {
        if self.steady && self.pictures.is_none() {
            return None;
        }
        let slot = self.timing.slot_of_row(wall_row, panel_rows) as usize;
        let row = (camera_row - self.rows.start) as usize;
        Some(self.lit[(row * self.slots + slot) * 3 + colour])
    }

    /// Fills `out` with the light of pixels of codes `codes`, 1 being steady full light.
    #[inline(never)]
    pub(super) fn fill(&self, lit: Option<&Lit>, codes: &[u16], out: &mut [f32]) {
        let Some(lit) = lit else {
            for (o, &c) in out.iter_mut().zip(codes) {
                *o = self.levels[usize::from(c)];
            }
            return;
        };
        if !self.clocks.is_empty() {
            for (o, &c) in out.iter_mut().zip(codes) {
                *o = (self.split_s(lit, self.clocks[usize::from(c)]) * self.per_second) as f32;
            }
            return;
        }
        let drive = &self.timing.drive;
        if let DriveKind::Waveform(wave) = &drive.kind {
            let within_s = |cut: Option<f64>| cut.map_or(0.0, |age| wave.integral_s(age));
            let lit_s =
                lit.frames as f64 * wave.period_s() + within_s(lit.cut[1]) - within_s(lit.cut[0]);
            let light = (lit_s * self.per_second) as f32;
            for (o, &c) in out.iter_mut().zip(codes) {
                *o = light * self.levels[usize::from(c)];
            }
            return;
        }
        let whole = (lit.frames as f64 * self.timing.top_pulse_s() * self.per_second) as f32;
        if lit.cut == [None; 2] && lit.tail == [None; 2] {
            for (o, &c) in out.iter_mut().zip(codes) {
                *o = whole * self.levels[usize::from(c)];
            }
        } else if drive.rise_s + drive.fall_s == 0.0 {
            // Square pulses: the cut ones give the shorter of their length and their age.
            let scale = (self.timing.top_pulse_s() * self.per_second) as f32;
            let age = |a: Option<f64>| (a.unwrap_or(0.0) * self.per_second) as f32;
            let (start, end) = (age(lit.cut[0]), age(lit.cut[1]));
            for (o, &c) in out.iter_mut().zip(codes) {
                let level = self.levels[usize::from(c)];
                let on = scale * level;
                *o = whole * level + on.min(end) - on.min(start);
            }
        } else {
            for (o, &c) in out.iter_mut().zip(codes) {
                let on_s = f64::from(self.levels[usize::from(c)]) * self.timing.top_pulse_s();
                let partial =
                    |age: Option<f64>| age.map_or(0.0, |a| self.timing.pulse_light_s(on_s, a));
                let missing = |age: Option<f64>| {
                    age.map_or(0.0, |a| on_s - self.timing.pulse_light_s(on_s, a))
                };
                let light_s = lit.frames as f64 * on_s + partial(lit.cut[1])
                    - partial(lit.cut[0])
                    - missing(lit.tail[1])
                    + missing(lit.tail[0]);
                *o = (light_s * self.per_second) as f32;
            }
        }
    }

    /// Seconds of full light of so many grey clocks a frame.
    fn split_s(&self, lit: &Lit, clocks: u32) -> f64 {
        let n = self.timing.refreshes;
        let (base, rem) = (clocks / n, clocks % n);
        let extra = |m: u32| match self.timing.drive.kind {
            DriveKind::Split { order, .. } if self.extra.is_empty() => {
                extra_before(order, n, rem, m)
            }
            _ => self.extra[(m * n + rem) as usize],
        };
        let whole = lit.frames * i64::from(clocks)
            + i64::from(base) * (i64::from(lit.to) - i64::from(lit.from))
            + i64::from(extra(lit.to))
            - i64::from(extra(lit.from));
        let length_s = |m: u32| self.timing.clock_s * f64::from(base + extra(m + 1) - extra(m));
        let mut sum = whole as f64 * self.timing.clock_s;
        for (sign, pulses, cut, tail) in
            [(1.0, lit.to, lit.cut[1], lit.tail[1]), (-1.0, lit.from, lit.cut[0], lit.tail[0])]
        {
            if let Some(age) = cut {
                sum += sign * self.timing.pulse_light_s(length_s(pulses), age);
            }
            if let Some(age) = tail {
                let on_s = length_s(if pulses > 0 { pulses - 1 } else { n - 1 });
                sum -= sign * (on_s - self.timing.pulse_light_s(on_s, age));
            }
        }
        sum
    }
}

/// Wall time of a frame's start since the last start of the pattern of pulses, to the 2³⁰th part of a refresh: frames that
/// start alike do so to the last bit.
fn phase_s(scene: &Scene, timing: &Timing, frame: u32) -> f64 {
    let is_own = matches!(scene.drive.kind, DriveKind::Split { .. } | DriveKind::Waveform(_));
    let every_refresh_is_alike = !is_own && scene.drive.dark_frame_s == 0.0;
    let period_s = if every_refresh_is_alike { timing.refresh_s } else { timing.frame_s };
    let grain_s = timing.refresh_s / f64::from(1_u32 << 30);
    let wall_s = timing.wall_time_s(f64::from(frame) / scene.camera.fps);
    if scene.moving.is_some() {
        return wall_s;
    }
    let phase_s = wall_s - (wall_s / period_s).floor() * period_s;
    let rounded_s = (phase_s / grain_s).round() * grain_s;
    if rounded_s >= period_s { 0.0 } else { rounded_s }
}

fn extra_table(order: SplitOrder, refreshes: u32) -> Vec<u32> {
    (0..=refreshes)
        .flat_map(|m| (0..refreshes).map(move |rem| extra_before(order, refreshes, rem, m)))
        .collect()
}
