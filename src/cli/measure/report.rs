//! What was measured, ready to be told: frames, waves, what moves between frames.

use super::Args;
use super::numbers::line_json;
use super::of_pictures::readout_json;
use crate::artefact::Kind;
use crate::develop::{ColourSpace, DeliveryTransfer, deviation_picture, scale_end};
use crate::measure::{Clockwork, Field, Flicker, Found, Track, flicker};
use crate::output::{self, Coding, Depth, Notes, PngPicture};
use anyhow::Context;
use serde_json::{Value, json};
use std::path::Path;

/// A wave and what kind of artefact it is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    /// `None` where that cannot be known: of a picture alone.
    pub(super) kind: Option<Kind>,
    pub(super) found: Found,
}

/// One frame's numbers.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    pub(super) number: u32,
    /// The picture's file, if it is one.
    pub(super) file: Option<String>,
    /// Bands first, then moiré, then pixel structure; each the strongest first.
    pub(super) lines: Vec<Line>,
    /// Even part of each plane over the ideal's luma.
    pub(super) mean: [f64; 3],
    /// Luma contrast that noise alone could pretend.
    pub(super) luma_floor: f64,
    /// The same of colour.
    pub(super) chroma_floor: f64,
    /// Share of the pixels that could be compared.
    pub(super) given: f64,
}

/// Bands counted to tell the readout, or the light's rate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Readout {
    /// Bands in the whole picture's height, and the standard error of that.
    pub(super) bands: f64,
    pub(super) bands_error: f64,
    pub(super) contrast: f64,
    pub(super) floor: f64,
    /// Rows of the whole picture.
    pub(super) rows: usize,
    /// Rate of the light, if that is known.
    pub(super) lamp_hz: Option<f64>,
    /// Readout, if that is known.
    pub(super) readout_s: Option<f64>,
}

impl Readout {
    /// The readout that the lamp's rate gives.
    pub(super) fn fitted_readout_s(&self) -> Option<f64> {
        self.lamp_hz.map(|hz| self.bands / hz)
    }

    /// The light's rate that the readout gives.
    pub(super) fn light_hz(&self) -> Option<f64> {
        self.readout_s.map(|t| self.bands / t)
    }

    /// Standard error of either, as a share.
    pub(super) fn relative_error(&self) -> f64 {
        self.bands_error / self.bands
    }
}

/// Everything measured.
#[derive(Debug)]
pub(super) struct Report {
    pub(super) title: String,
    /// Where it came from, for JSON.
    pub(super) source: Value,
    /// What the deviations are from, in words.
    pub(super) against: &'static str,
    pub(super) size: (usize, usize),
    /// Whether the frames have noise.
    pub(super) noise: bool,
    /// Whether lines and bands per frame mean something: for a frame of a rolling shutter.
    pub(super) clock: Clockwork,
    pub(super) frames: Vec<Frame>,
    pub(super) tracks: Vec<Track>,
    /// The frame with the strongest wave, and its deviations.
    pub(super) shown: Option<(u32, Field)>,
    pub(super) readout: Option<Readout>,
    /// Things a person should know.
    pub(super) notes: Vec<String>,
}

impl Report {
    /// The worst line of all frames of some kinds, above its noise.
    pub(super) fn worst(&self, wanted: impl Fn(Option<Kind>) -> bool) -> Option<(&Frame, Line)> {
        let all = self.frames.iter().flat_map(|f| f.lines.iter().map(move |l| (f, *l)));
        let counts = |l: &Line| wanted(l.kind) && !(self.noise && l.found.below_noise());
        all.filter(|(_, l)| counts(l))
            .max_by(|a, b| a.1.found.contrast().total_cmp(&b.1.found.contrast()))
    }

    pub(super) fn flicker(&self) -> Option<Flicker> {
        let means: Vec<(u32, [f64; 3])> = self.frames.iter().map(|f| (f.number, f.mean)).collect();
        flicker(&means)
    }

    /// The track of a wave, if it was followed.
    pub(super) fn track_of(&self, line: &Line) -> Option<&Track> {
        let near = |t: &&Track| {
            let bin = 1.0 / line.found.window_px.min_element();
            t.seen.len() > 1 && line.found.away_from(t.first.wave.frequency) < bin
        };
        self.tracks.iter().find(near)
    }

    /// The document of `--json`.
    pub(super) fn as_json(&self) -> Value {
        let worst = |wanted: fn(Option<Kind>) -> bool| {
            self.worst(wanted).map(|(frame, line)| {
                let mut value = line_json(self, &line);
                if let Value::Object(map) = &mut value {
                    map.insert("frame".into(), json!(frame.number));
                }
                value
            })
        };
        let frames = self.frames.iter().map(|f| {
            json!({
                "frame": f.number,
                "file": f.file,
                "compared_share": f.given,
                "mean_deviation_red_green_blue": f.mean.map(finite),
                "luma_floor": f.luma_floor,
                "chroma_floor": f.chroma_floor,
                "waves": f.lines.iter().map(|l| line_json(self, l)).collect::<Vec<_>>(),
            })
        });
        json!({
            "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
            "source": self.source,
            "against": self.against,
            "columns_px": self.size.0,
            "rows_px": self.size.1,
            "with_noise": self.noise,
            "lines": self.clock.lines,
            "lines_per_row": self.clock.lines_per_row,
            "frame_rate_fps": self.clock.fps,
            "readout_s": self.clock.readout_s,
            "worst": {
                "bands": worst(|k| k == Some(Kind::Bands)),
                "moire": worst(|k| k == Some(Kind::Moire)),
                "pixel_structure": worst(|k| k == Some(Kind::PixelStructure)),
                "wave": worst(|k| k.is_none()),
            },
            "flicker": self.flicker().map(|f| json!({
                "amplitude": f.amplitude,
                "largest_step": f.largest_step,
                "largest_step_at_frame": f.step_at,
                "largest_step_of_a_colour": f.largest_step_of_a_colour,
                "luma_over_mean": f.luma.iter().map(|(n, v)| json!([n, v])).collect::<Vec<_>>(),
            })),
            "over_time": self.tracks.iter().filter(|t| t.seen.len() > 1).map(|t| self.track_json(t))
                .collect::<Vec<_>>(),
            "readout": self.readout.as_ref().map(readout_json),
            "frames": frames.collect::<Vec<_>>(),
            "notes": self.notes,
        })
    }

    fn track_json(&self, track: &Track) -> Value {
        let roll = track.roll(&self.clock);
        let (low, high) = track.luma_range();
        let seen = track.seen.iter().map(|(n, f)| match f {
            Some(f) => json!([n, f.wave.luma(), f.wave.chroma()]),
            None => json!([n, null, null]),
        });
        json!({
            "frequency_cycles_per_px": track.first.wave.frequency.to_array(),
            "luma_contrast_lowest": low,
            "luma_contrast_highest": high,
            "roll_periods_per_frame": roll.map(|r| r.periods_per_frame),
            "roll_lines_per_frame": roll.and_then(|r| r.lines_per_frame),
            "roll_hz": roll.and_then(|r| r.hz),
            "frame_luma_chroma": seen.collect::<Vec<_>>(),
        })
    }

    /// Writes the picture of the worst frame's artefacts.
    pub(super) fn write_picture(&self, out: &Path, args: &Args) -> anyhow::Result<()> {
        let Some((frame, field)) = &self.shown else { return Ok(()) };
        let end = args.scale.unwrap_or_else(|| scale_end(&field.planes));
        let words = format!("CAPTURED / {}  FRAME {frame}", self.against.to_uppercase());
        let picture = deviation_picture(&field.planes, end, &words)
            .context("the artefacts cannot be shown")?;
        let about = format!(
            "captured over {}, frame {frame}: mid-grey is no deviation, white {} % and more",
            self.against,
            end * 100.0
        );
        let notes = Notes::new(&self.title).with("Shows", &about);
        let coding = Coding { space: ColourSpace::Bt709, transfer: DeliveryTransfer::Srgb };
        let contents = PngPicture { picture: &picture, depth: Depth::Eight, coding, notes: &notes };
        output::write(out, args.overwrite, &contents)?;
        Ok(())
    }
}

/// A number for JSON: null where it is none.
pub(super) fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Puts lines in the order in which they are told.
pub(super) fn order(lines: &mut [Line]) {
    lines.sort_by(|a, b| {
        a.kind.cmp(&b.kind).then(b.found.contrast().total_cmp(&a.found.contrast()))
    });
}
