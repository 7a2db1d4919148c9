//! Light of a wall whose pictures change during an exposure: the sum over the pictures of the light of each while it is shown.

use super::{Lighting, Lit, Pixels};
use crate::scene::Scene;
use crate::scene::moving::Shown;
use crate::wall::WallImage;
use crate::wall::drive::{DriveKind, Edge};

/// The pictures around a frame.
pub(super) struct Pictures {
    shown: Vec<Shown>,
    video_hz: f64,
}

/// What the light of each row, slot and colour is made from; nothing for a still.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Lists {
    /// Numbers of the pictures.
    pictures: Vec<u32>,
    /// Each list is one exposure's; [`Lit::frames`] is then the number of a list.
    parts: Vec<Vec<(usize, Part)>>,
    /// The latest list of each slot and colour.
    latest: Vec<usize>,
}

impl Lists {
    /// No lists yet.
    pub(super) fn of(pictures: Option<&Pictures>, slots: usize) -> Self {
        let Some(pictures) = pictures else { return Self::default() };
        let numbers = pictures.shown.iter().map(|s| s.picture).collect();
        Self { pictures: numbers, parts: Vec::new(), latest: vec![usize::MAX; slots * 3] }
    }

    /// The list of an exposure of emitters of one place: of a slot and colour.
    pub(super) fn lit(&mut self, list: Vec<(usize, Part)>, place: usize) -> Lit {
        let latest = self.latest[place];
        let number = if self.parts.get(latest) == Some(&list) {
            latest
        } else {
            self.parts.push(list);
            self.parts.len() - 1
        };
        self.latest[place] = number;
        Lit { frames: number as i64, from: 0, to: 0, cut: [None; 2], tail: [None; 2] }
    }
}

/// What one picture gives to an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Part {
    /// Steady light for this share of the exposure.
    Share(f64),
    /// Pulses.
    Lit(Lit),
}

impl Pictures {
    /// The pictures around a frame, of a drive that runs `clock_s` late; `None` where the wall shows a still, or where
    /// pictures are gone since they were asked for ([`Moving::shown`]), which a shot does first.
    pub(super) fn of(scene: &Scene, light: &Lighting, frame: u32, clock_s: f64) -> Option<Self> {
        let moving = scene.moving.as_ref()?;
        let camera = &scene.camera;
        let rows = &light.made.rows;
        let starts = [rows.start, rows.end.max(1) - 1]
            .map(|row| light.timing.wall_time_s(camera.row_start_s(frame, row)) - clock_s);
        let exposure_s = camera.exposure_s * (1.0 + scene.drive.clock.drift);
        let from_s = starts[0].min(starts[1]);
        let to_s = starts[0].max(starts[1]) + exposure_s;
        let shown = moving.shown(from_s, to_s).ok()?;
        Some(Self { shown, video_hz: moving.video_hz })
    }
}

impl Lighting {
    /// What an exposure from one wall time to another is made from, for emitters of a slot and colour.
    pub(super) fn list(
        &self,
        pictures: &Pictures,
        (from_s, to_s): (f64, f64),
        slot: u32,
        colour: usize,
    ) -> Vec<(usize, Part)> {
        (0..pictures.shown.len())
            .filter_map(|n| {
                let part = match self.timing.drive.kind {
                    DriveKind::Steady | DriveKind::HeldMean { .. } => {
                        let (a, b) = pictures.within(n, from_s, to_s)?;
                        Part::Share((b - a) / (to_s - from_s))
                    }
                    DriveKind::Waveform(_) => {
                        let (a, b) = pictures.within(n, from_s, to_s)?;
                        let edges = [a, b].map(|t| self.timing.edge(t, slot, colour));
                        Part::Lit(self.lit_between(&edges[0], &edges[1]))
                    }
                    _ => {
                        let edges = [from_s, to_s].map(|t| self.timing.edge(t, slot, colour));
                        let [a, b] = edges.map(|e| self.inside(pictures, n, &e));
                        if a == b {
                            return None;
                        }
                        Part::Lit(self.lit_between(&a, &b))
                    }
                };
                Some((n, part))
            })
            .collect()
    }

    /// An edge brought to the pulses that start while a picture is shown: those before are not its own, those after are
    /// left out, and the fall of its last pulse goes with it.
    fn inside(&self, pictures: &Pictures, number: usize, edge: &Edge) -> Edge {
        let start = |video_frame: i64| {
            let frames = video_frame as f64 / (pictures.video_hz * self.timing.frame_s);
            Edge { frames: (frames - 1e-6).ceil() as i64, pulses: 0, cut_s: None, tail_s: None }
        };
        let shown = &pictures.shown[number];
        let is_first = number == 0;
        let is_last = number + 1 == pictures.shown.len();
        let (first, end) = (start(shown.first), start(shown.end));
        if !is_first && edge.frames < first.frames {
            return first;
        }
        let at_start = |of: &Edge| edge.frames == of.frames && edge.pulses == 0;
        if !is_last && edge.frames >= end.frames {
            let tail_s = edge.tail_s.filter(|_| at_start(&end));
            return Edge { tail_s, ..end };
        }
        let tail_s = edge.tail_s.filter(|_| is_first || !at_start(&first));
        Edge { tail_s, ..*edge }
    }

    /// Fills `out` with the light of a row; `read` makes its pixels those of a picture, looked up.
    pub(in crate::render::fast) fn show(
        &self,
        lit: Option<&Lit>,
        still: &WallImage,
        mut read: impl FnMut(&Self, &WallImage, &mut Pixels),
        pixels: &mut Pixels,
        out: &mut [f32],
    ) {
        let (Some(pictures), Some(lit)) = (&self.pictures, lit) else {
            read(self, still, pixels);
            self.fill(lit, pixels, out);
            return;
        };
        out.fill(0.0);
        let mut one = vec![0.0_f32; out.len()];
        for (number, part) in &self.made.lists.parts[lit.frames as usize] {
            read(self, &pictures.shown[*number].image, pixels);
            match part {
                Part::Share(share) => {
                    let share = *share as f32;
                    for (o, level) in out.iter_mut().zip(&pixels.levels) {
                        *o += share * level;
                    }
                }
                Part::Lit(lit) => {
                    self.fill(Some(lit), pixels, &mut one);
                    out.iter_mut().zip(&one).for_each(|(o, v)| *o += v);
                }
            }
        }
    }
}

impl Pictures {
    /// The stretch of an exposure in which a picture is shown; `None` if there is none.
    fn within(&self, number: usize, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        let shown = &self.shown[number];
        let is_last = number + 1 == self.shown.len();
        let a = if number == 0 { from_s } else { from_s.max(shown.first as f64 / self.video_hz) };
        let b = if is_last { to_s } else { to_s.min(shown.end as f64 / self.video_hz) };
        (b > a).then_some((a, b))
    }
}
