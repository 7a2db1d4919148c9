//! Light of a wall whose pictures change during an exposure: the sum over the pictures of the light of each while it is shown.

use super::{Lighting, Lit};
use crate::scene::Scene;
use crate::scene::moving::Shown;
use crate::wall::WallImage;
use crate::wall::drive::{DriveKind, Edge};

/// The pictures around a frame, and what the light of each row, slot and colour is made from.
pub(super) struct Pictures {
    shown: Vec<Shown>,
    video_hz: f64,
    /// Each list is one exposure's; [`Lit::frames`] is then the number of a list.
    parts: Vec<Vec<(usize, Part)>>,
    /// The latest list of each slot and colour.
    latest: Vec<usize>,
}

/// What one picture gives to an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
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
        let starts = [light.rows.start, light.rows.end.max(1) - 1]
            .map(|row| light.timing.wall_time_s(camera.row_start_s(frame, row)) - clock_s);
        let exposure_s = camera.exposure_s * (1.0 + scene.drive.clock.drift);
        let from_s = starts[0].min(starts[1]);
        let to_s = starts[0].max(starts[1]) + exposure_s;
        let shown = moving.shown(from_s, to_s).ok()?;
        let places = light.slots * 3;
        let video_hz = moving.video_hz;
        Some(Self { shown, video_hz, parts: Vec::new(), latest: vec![usize::MAX; places] })
    }

    /// Whether every row has the same light of the same pictures.
    pub(super) fn is_same(&self, other: &Self) -> bool {
        let numbers = |p: &Self| p.shown.iter().map(|s| s.picture).collect::<Vec<_>>();
        self.parts == other.parts && numbers(self) == numbers(other)
    }
}

impl Lighting {
    /// What an exposure from one wall time to another is made from, for emitters of a slot and colour.
    pub(super) fn lit_by_pictures(
        &self,
        pictures: &mut Pictures,
        (from_s, to_s): (f64, f64),
        slot: u32,
        colour: usize,
    ) -> Lit {
        let list: Vec<(usize, Part)> = (0..pictures.shown.len())
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
            .collect();
        let place = slot as usize * 3 + colour;
        let latest = pictures.latest[place];
        let number = if pictures.parts.get(latest) == Some(&list) {
            latest
        } else {
            pictures.parts.push(list);
            pictures.parts.len() - 1
        };
        pictures.latest[place] = number;
        Lit { frames: number as i64, from: 0, to: 0, cut: [None; 2], tail: [None; 2] }
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

    /// Fills `out` with the light of a row; `read` copies the codes of the row from a picture.
    pub(in crate::render::fast) fn show(
        &self,
        lit: Option<&Lit>,
        still: &WallImage,
        read: impl Fn(&WallImage, &mut Vec<u16>),
        codes: &mut Vec<u16>,
        out: &mut [f32],
    ) {
        let (Some(pictures), Some(lit)) = (&self.pictures, lit) else {
            read(still, codes);
            self.fill(lit, codes, out);
            return;
        };
        out.fill(0.0);
        let mut one = vec![0.0_f32; out.len()];
        for (number, part) in &pictures.parts[lit.frames as usize] {
            read(&pictures.shown[*number].image, codes);
            match part {
                Part::Share(share) => {
                    let share = *share as f32;
                    for (o, &c) in out.iter_mut().zip(codes.iter()) {
                        *o += share * self.levels[usize::from(c)];
                    }
                }
                Part::Lit(lit) => {
                    self.fill(Some(lit), codes, &mut one);
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
