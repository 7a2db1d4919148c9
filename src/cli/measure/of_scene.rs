//! Frames of a scene, rendered on the spot with their twins.

use super::Args;
use super::kind::Fringes;
use super::report::{Frame, Line, Report, order};
use crate::artefact::Kind;
use crate::cli::render::Frames;
use crate::cli::render::progress::{Progress, stop_on_ctrl_c};
use crate::cli::{check, unknowns};
use crate::input::scene_text;
use crate::measure::{Clockwork, Settings, Track, Trio, Waves, waves};
use crate::scene::Scene;
use crate::sensor::Readout;
use crate::shoot::{ShootError, Twins};
use anyhow::anyhow;
use serde_json::json;
use std::sync::Arc;

/// Waves of the first frame that are followed through a sequence.
const FOLLOWED: usize = 3;

/// Measures a scene's frames; `None` for a scene that was refused, its problems printed.
pub(super) fn report(args: &Args) -> anyhow::Result<Option<Report>> {
    let source = scene_text(&args.inputs[0])?;
    let settled = unknowns::settle(&source, &args.set, args.choice);
    let Ok((chosen, mut edits)) = settled else { return Ok(None) };
    let set: Vec<String> = edits.iter().map(|e| format!("{}={}", e.key, e.value)).collect();
    edits.extend(args.crop.iter().flat_map(|crop| crop.edits()));
    let Ok(scene) = check::checked(&source, &edits) else { return Ok(None) };
    let delivery = delivery(&scene, args.delivery.as_deref())?;
    let frame = args.frame.unwrap_or(0);
    let frames = args.frames.unwrap_or(Frames { first: frame, last: frame });
    let scene = if args.with_noise { scene } else { without_noise(scene) };
    let twins = Twins::new(scene);
    let mut made = Made::new(&twins, args);
    let mut shots = twins.shots(frames.count() as u32, delivery)?;
    let mut progress = Progress::new(frames.count(), args.quiet, stop_on_ctrl_c()?);
    for number in frames.all() {
        let run = progress.run(format!("frame {number}"));
        let frame = shots.frame(number, args.with_noise, &run)?;
        made.add(number, &frame)?;
        progress.next();
        if progress.is_stopped() {
            return Err(ShootError::from(crate::render::Cancelled).into());
        }
    }
    let mut report = made.report;
    report.notes.extend(chosen.lines());
    report.source = json!({ "scene": source.file, "set": set, "delivery": args.delivery, "unknowns": chosen.as_json() });
    Ok(Some(report))
}

fn without_noise(mut scene: Scene) -> Scene {
    scene.camera.noise = false;
    scene
}

/// The number of the delivery of a name.
pub(super) fn delivery(scene: &Scene, name: Option<&str>) -> anyhow::Result<usize> {
    let Some(name) = name else { return Ok(0) };
    let names: Vec<&str> = scene.deliveries.iter().filter_map(|d| d.name.as_deref()).collect();
    let found = scene.deliveries.iter().position(|d| d.name.as_deref() == Some(name));
    found.ok_or_else(|| match names.as_slice() {
        [] => anyhow!("the scene's one delivery has no name; leave --delivery out"),
        names => anyhow!("the scene has no delivery '{name}'; it has: {}", names.join(", ")),
    })
}

/// Lines and frames of a scene's picture.
pub(super) fn clockwork(scene: &Scene, lines_per_row: f64) -> Clockwork {
    let camera = &scene.camera;
    let readout_s = match camera.readout {
        Readout::Global => None,
        Readout::Rolling { readout_s, .. } => Some(readout_s),
    };
    let lines = f64::from(camera.recorded_size()[1]);
    Clockwork { lines_per_row, lines, fps: Some(camera.fps), readout_s }
}

/// Frames measured so far.
struct Made<'a> {
    twins: &'a Twins,
    args: &'a Args,
    report: Report,
    settings: Settings,
    /// Fringes of the frame before, and the twins that they are of: a still camera's are the same again.
    fringes: Option<(Arc<crate::frame::Picture>, Waves, Vec<Line>)>,
    strongest: f64,
}

impl<'a> Made<'a> {
    fn new(twins: &'a Twins, args: &'a Args) -> Self {
        let scene = twins.scene();
        let report = Report {
            title: scene.name.clone(),
            source: json!(null),
            against: "ideal",
            size: (0, 0),
            noise: args.with_noise,
            clock: clockwork(scene, 1.0),
            frames: Vec::new(),
            tracks: Vec::new(),
            shown: None,
            readout: None,
            notes: Vec::new(),
        };
        let settings = Settings::default();
        Self { twins, args, report, settings, fringes: None, strongest: -1.0 }
    }

    fn add(&mut self, number: u32, frame: &crate::shoot::TwinFrame) -> anyhow::Result<()> {
        let trio = Trio {
            captured: &frame.captured.planes,
            lattice: &frame.lattice.planes,
            ideal: &frame.ideal.planes,
            given: &frame.given,
            white: frame.white,
        };
        let size = (frame.captured.width(), frame.captured.height());
        let report = &mut self.report;
        report.size = size;
        report.clock.lines_per_row = frame.lines_per_row;
        let [moire, bands] = trio.fields()?;
        let given = moire.given_share();
        let same = self.fringes.take().filter(|(ideal, ..)| Arc::ptr_eq(ideal, &frame.ideal));
        let (_, fringes, mut lines) = match same {
            Some(same) => same,
            None => {
                let found = waves(&moire, &self.settings);
                let scene = self.twins.scene().at_frame(number);
                let kinds = Fringes::new(&scene, size);
                let line = |f| Line { kind: Some(kinds.kind(&f)), found: f };
                let lines = found.found.iter().map(|f| line(*f)).collect();
                (frame.ideal.clone(), found, lines)
            }
        };
        self.fringes = Some((frame.ideal.clone(), fringes.clone(), lines.clone()));
        let steady = self.twins.scene().drive.is_steady() && !self.args.with_noise;
        let found = if steady { None } else { Some(waves(&bands, &self.settings)) };
        let mut mean = fringes.mean;
        let (mut luma_floor, mut chroma_floor) = (fringes.luma_floor, fringes.chroma_floor);
        if let Some(found) = &found {
            for (m, b) in mean.iter_mut().zip(found.mean) {
                *m += b;
            }
            (luma_floor, chroma_floor) = (found.luma_floor, found.chroma_floor);
            for track in &mut report.tracks {
                track.follow(number, &bands, &self.settings);
            }
            if report.frames.is_empty() {
                let first = found.found.iter().take(FOLLOWED);
                report.tracks = first.map(|f| Track::new(number, *f)).collect();
            }
            let bands = found.found.iter().map(|f| Line { kind: Some(Kind::Bands), found: *f });
            lines.extend(bands);
        }
        order(&mut lines);
        let strongest = lines.iter().map(|l| l.found.contrast()).fold(0.0, f64::max);
        if self.args.picture.is_some() && strongest > self.strongest {
            self.strongest = strongest;
            report.shown = Some((number, trio.ratio_field()?));
        }
        report.frames.push(Frame {
            number,
            file: None,
            lines,
            mean,
            luma_floor,
            chroma_floor,
            given,
        });
        Ok(())
    }
}
