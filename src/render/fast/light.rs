//! Light of wall rows during the exposure of a camera row.
//!
//! Neighbouring camera rows mostly see the same whole pulses of a wall row, so a row of light is
//! kept with what it was made from ([`Lit`]) and made anew only when that changes.

mod moving;
mod ramps;

use crate::scene::Scene;
use crate::wall::drive::{DriveKind, Edge, SplitOrder, Timing, extra_before, grey_clocks};
use std::ops::Range;
use std::sync::Arc;

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
    /// Grey clocks of each code, in every refresh and left over (split drives only).
    clocks: Vec<[u32; 2]>,
    /// `extra[m·refreshes + rem]`: refreshes before `m` that get one clock more of a remainder; empty
    /// where there are more than [`TABLED`] of them.
    extra: Vec<u32>,
    /// Seconds of full light → share of the exposure's steady full light.
    per_second: f64,
    slots: usize,
    made: Arc<MadeFrom>,
    /// The pictures of a wall that shows more than one.
    pictures: Option<moving::Pictures>,
}

/// Pixels of a row, as light is made from them: the same for all frames that show the same picture.
#[derive(Default)]
pub(super) struct Pixels {
    /// Their codes.
    pub codes: Vec<u16>,
    /// Level of each, and of split drives the grey clocks.
    levels: Vec<f32>,
    clocks: Vec<[u32; 2]>,
}

/// What a frame's light is made from: frames of the same scene for which it is equal have the same light in every pixel.
#[derive(Debug, PartialEq)]
pub(super) struct MadeFrom {
    /// Camera rows.
    rows: Range<u32>,
    /// One entry per (row, slot, colour), row-major; empty for steady light.
    lit: Vec<Lit>,
    /// Of a wall that shows more than one picture.
    lists: moving::Lists,
}

impl MadeFrom {
    /// Bytes that it takes.
    pub(super) fn bytes(&self) -> usize {
        self.lit.len() * size_of::<Lit>()
    }
}

impl Lighting {
    /// Light of a frame for the camera rows of `rows`, of a drive that runs `clock_s` late.
    pub(super) fn new(scene: &Scene, frame: u32, rows: Range<u32>, clock_s: f64) -> Self {
        let timing = scene.drive.timing();
        let steady = scene.drive.is_steady();
        let levels = scene.wall.levels();
        let (mut clocks, mut extra) = (Vec::new(), Vec::new());
        if let DriveKind::Split { bits, order } = scene.drive.kind {
            let n = timing.refreshes;
            let of = |level: f64| grey_clocks(level * scene.drive.pulse_share, bits);
            clocks = levels.iter().map(|&l| [of(l) / n, of(l) % n]).collect();
            if timing.refreshes <= TABLED {
                extra = extra_table(order, timing.refreshes);
            }
        }
        let levels = levels.iter().map(|&l| scene.drive.mean_level(l) as f32).collect();
        let wall_s = scene.camera.exposure_s * (1.0 + scene.drive.clock.drift);
        let slots = scene.drive.scan as usize;
        let made = MadeFrom { rows: rows.clone(), lit: Vec::new(), lists: Default::default() };
        let mut lighting = Self {
            timing: timing.clone(),
            steady,
            levels,
            clocks,
            extra,
            per_second: 1.0 / (wall_s * timing.top_duty()),
            slots,
            made: Arc::new(made),
            pictures: None,
        };
        lighting.pictures = moving::Pictures::of(scene, &lighting, frame, clock_s);
        let mut lit = Vec::new();
        let mut lists = moving::Lists::of(lighting.pictures.as_ref(), slots);
        if !steady || lighting.moves() {
            lit.reserve(rows.len() * slots * 3);
            let phase_s = phase_s(scene, &timing, frame) - clock_s;
            let rate = 1.0 + scene.drive.clock.drift;
            for row in rows.clone() {
                let start_s = scene.camera.row_start_s(0, row);
                let from_s = phase_s + start_s * rate;
                let to_s = phase_s + (start_s + scene.camera.exposure_s) * rate;
                for slot in 0..slots as u32 {
                    for colour in 0..3 {
                        let one = if let Some(pictures) = &lighting.pictures {
                            let list = lighting.list(pictures, (from_s, to_s), slot, colour);
                            lists.lit(list, slot as usize * 3 + colour)
                        } else {
                            let from = timing.edge(from_s, slot, colour);
                            let to = timing.edge(to_s, slot, colour);
                            lighting.lit_between(&from, &to)
                        };
                        lit.push(one);
                    }
                }
            }
        }
        lighting.made = Arc::new(MadeFrom { rows, lit, lists });
        lighting
    }

    /// Whether the wall shows more than one picture.
    pub(super) fn moves(&self) -> bool {
        self.pictures.is_some()
    }

    /// What the light is made from, to compare it with another frame's. Without the pictures: those are large.
    pub(super) fn made_from(&self) -> &Arc<MadeFrom> {
        &self.made
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
        if self.steady && !self.moves() {
            return None;
        }
        let slot = self.timing.slot_of_row(wall_row, panel_rows) as usize;
        let row = (camera_row - self.made.rows.start) as usize;
        Some(self.made.lit[(row * self.slots + slot) * 3 + colour])
    }

    /// Looks up what light is made from, from the codes of pixels: levels in any case, which a steady light of the same pixels needs.
    pub(super) fn look_up(&self, pixels: &mut Pixels) {
        let Pixels { codes, levels, clocks } = pixels;
        levels.clear();
        levels.extend(codes.iter().map(|&c| self.levels[usize::from(c)]));
        if !self.clocks.is_empty() {
            clocks.clear();
            clocks.extend(codes.iter().map(|&c| self.clocks[usize::from(c)]));
        }
    }

    /// Fills `out` with the light of pixels that are looked up, 1 being steady full light.
    #[inline(never)]
    fn fill(&self, lit: Option<&Lit>, pixels: &Pixels, out: &mut [f32]) {
        let levels = &pixels.levels;
        let Some(lit) = lit else {
            out.copy_from_slice(levels);
            return;
        };
        if !self.clocks.is_empty() {
            self.fill_split(lit, &pixels.clocks, out);
            return;
        }
        let drive = &self.timing.drive;
        if let DriveKind::Waveform(wave) = &drive.kind {
            let within_s = |cut: Option<f64>| cut.map_or(0.0, |age| wave.integral_s(age));
            let lit_s =
                lit.frames as f64 * wave.period_s() + within_s(lit.cut[1]) - within_s(lit.cut[0]);
            let light = (lit_s * self.per_second) as f32;
            for (o, &level) in out.iter_mut().zip(levels) {
                *o = light * level;
            }
            return;
        }
        let whole = (lit.frames as f64 * self.timing.top_pulse_s() * self.per_second) as f32;
        if lit.cut == [None; 2] && lit.tail == [None; 2] {
            for (o, &level) in out.iter_mut().zip(levels) {
                *o = whole * level;
            }
        } else if drive.rise_s + drive.fall_s == 0.0 {
            // Square pulses: the cut ones give the shorter of their length and their age.
            let scale = (self.timing.top_pulse_s() * self.per_second) as f32;
            let age = |a: Option<f64>| (a.unwrap_or(0.0) * self.per_second) as f32;
            let (start, end) = (age(lit.cut[0]), age(lit.cut[1]));
            for (o, &level) in out.iter_mut().zip(levels) {
                let on = scale * level;
                *o = whole * level + on.min(end) - on.min(start);
            }
        } else {
            self.ramps().fill(
                (lit, self.per_second),
                (self.timing.top_pulse_s() * self.per_second) as f32,
                levels,
                out,
            );
        }
    }

    fn ramps(&self) -> ramps::Ramps {
        ramps::Ramps::new(&self.timing.drive, self.per_second)
    }

    /// Light of pixels of a split drive.
    fn fill_split(&self, lit: &Lit, clocks: &[[u32; 2]], out: &mut [f32]) {
        if self.extra.is_empty() || lit.cut != [None; 2] || lit.tail != [None; 2] {
            for (o, &clocks) in out.iter_mut().zip(clocks) {
                *o = (self.split_s(lit, clocks) * self.per_second) as f32;
            }
            return;
        }
        let n = self.timing.refreshes as usize;
        let [from, to] = [lit.from, lit.to].map(|m| &self.extra[m as usize * n..][..n]);
        let refreshes = lit.frames * n as i64 + i64::from(lit.to) - i64::from(lit.from);
        for (o, &[base, rem]) in out.iter_mut().zip(clocks) {
            let extra = i64::from(to[rem as usize]) - i64::from(from[rem as usize]);
            let whole = refreshes * i64::from(base) + lit.frames * i64::from(rem) + extra;
            *o = (whole as f64 * self.timing.clock_s * self.per_second) as f32;
        }
    }

    /// Seconds of full light of so many grey clocks a frame.
    fn split_s(&self, lit: &Lit, [base, rem]: [u32; 2]) -> f64 {
        let n = self.timing.refreshes;
        let extra = |m: u32| match self.timing.drive.kind {
            DriveKind::Split { order, .. } if self.extra.is_empty() => {
                extra_before(order, n, rem, m)
            }
            _ => self.extra[(m * n + rem) as usize],
        };
        let whole = lit.frames * (i64::from(base) * i64::from(n) + i64::from(rem))
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
pub(super) fn phase_s(scene: &Scene, timing: &Timing, frame: u32) -> f64 {
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
