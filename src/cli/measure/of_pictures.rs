//! Pictures from files: against the ideal of a scene, or alone, against their own shading.

use super::Args;
use super::kind::Fringes;
use super::of_scene::{clockwork, delivery};
use super::report::{Frame, Line, Readout, Report, order};
use crate::artefact::Kind;
use crate::cli::render::progress::{Progress, stop_on_ctrl_c};
use crate::cli::{check, unknowns};
use crate::develop::{ColourSpace, DeliveryTransfer, mix, to_bt709, to_linear};
use crate::frame::{Electrons, Picture, Plane, RawFrame, Window};
use crate::input::{Numbers, Rendered, rendered, scene_text};
use crate::measure::{
    Clockwork, Field, Found, LEAST_PERIODS, Settings, Track, Trio, again, alone, row_bands, waves,
};
use crate::scene::curve_words;
use crate::shoot::{Shot, TwinShots, Twins};
use anyhow::{Context, anyhow};
use serde_json::{Value, json};
use std::path::Path;

/// Waves that are followed and told, of a picture.
const MOST: usize = 8;
/// Waves of the first picture that are followed through a sequence.
const FOLLOWED: usize = 3;

/// Measures pictures; `None` for a scene that was refused, its problems printed.
pub(super) fn report(args: &Args) -> anyhow::Result<Option<Report>> {
    match &args.scene {
        Some(scene) => against_scene(args, scene),
        None => alone_report(args).map(Some),
    }
}

fn ending(path: &Path) -> String {
    path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default()
}

fn names(args: &Args) -> Vec<String> {
    args.inputs.iter().map(|p| p.display().to_string()).collect()
}

/// The curve to undo, and what says so.
fn curve(args: &Args, path: &Path, read: &Rendered) -> (DeliveryTransfer, &'static str) {
    if let Some(transfer) = args.transfer {
        return (transfer.into(), "as --transfer says");
    }
    match read.numbers {
        Numbers::Float => (DeliveryTransfer::Linear, "as such files are"),
        Numbers::Levels(_) if read.planes.len() == 1 && ending(path).starts_with("tif") => {
            (DeliveryTransfer::Linear, "as raw levels are, black taken as 0")
        }
        Numbers::Levels(_) => (DeliveryTransfer::Srgb, "assumed: say otherwise with --transfer"),
    }
}

/// Linear light of a picture, or the part of it that is looked at, as three planes.
fn light(
    args: &Args,
    path: &Path,
    notes: &mut Vec<String>,
) -> anyhow::Result<([Plane; 3], (usize, usize))> {
    let read = rendered(path)?;
    let (transfer, why) = curve(args, path, &read);
    let note = format!("light read as {} ({why})", curve_words(transfer));
    if !notes.contains(&note) {
        notes.push(note);
    }
    let (top, clips) = match read.numbers {
        Numbers::Levels(top) => (f64::from(top), true),
        Numbers::Float => (1.0, false),
    };
    let mut planes = read.planes;
    let whole = (planes[0].width, planes[0].height);
    if let Some(patch) = args.patch {
        let w = patch.0;
        let inside = |start: u32, length: u32, all: usize| {
            length > 0 && u64::from(start) + u64::from(length) <= all as u64
        };
        if !inside(w.x, w.width, whole.0) || !inside(w.y, w.height, whole.1) {
            return Err(anyhow!(
                "the patch {},{},{},{} is not inside '{}', which has {} × {} pixels",
                w.x,
                w.y,
                w.width,
                w.height,
                path.display(),
                whole.0,
                whole.1
            ));
        }
        planes = planes.iter().map(|p| cut(p, w)).collect();
    }
    to_linear(&mut planes, transfer, top, clips);
    let planes = match <[Plane; 3]>::try_from(planes) {
        Ok(three) => three,
        Err(one) => [0; 3].map(|_| one[0].clone()),
    };
    Ok((planes, whole))
}

fn cut(plane: &Plane, w: Window) -> Plane {
    let (x, width) = (w.x as usize, w.width as usize);
    let rows = (w.y..w.y + w.height).flat_map(|y| &plane.row(y as usize)[x..x + width]);
    Plane { width, height: w.height as usize, data: rows.copied().collect() }
}

fn alone_report(args: &Args) -> anyhow::Result<Report> {
    let mut notes = Vec::new();
    let title = match args.inputs.as_slice() {
        [one] => one.display().to_string(),
        many => format!("{} pictures from {}", many.len(), many[0].display()),
    };
    let mut report = Report {
        title,
        source: json!({ "pictures": names(args), "patch": args.patch.map(|p| {
            json!([p.0.x, p.0.y, p.0.width, p.0.height])
        }) }),
        against: "shading",
        size: (0, 0),
        noise: true,
        clock: Clockwork {
            lines_per_row: 1.0,
            lines: 0.0,
            fps: args.fps,
            readout_s: args.readout_ms.map(|ms| ms / 1e3),
        },
        frames: Vec::new(),
        tracks: Vec::new(),
        shown: None,
        readout: None,
        notes: Vec::new(),
    };
    let settings = Settings { most: MOST, trend: Some(1), least_periods: LEAST_PERIODS };
    let mut first_light: Option<[f64; 3]> = None;
    let mut strongest = -1.0;
    for (number, path) in args.inputs.iter().enumerate() {
        let number = number as u32;
        let (planes, whole) = light(args, path, &mut notes)?;
        let size = (planes[0].width, planes[0].height);
        if number > 0 && size != report.size {
            return Err(anyhow!(
                "'{}' has {} × {} pixels and the first picture {} × {}: a sequence has one size",
                path.display(),
                size.0,
                size.1,
                report.size.0,
                report.size.1
            ));
        }
        report.size = size;
        report.clock.lines = whole.1 as f64;
        if number == 0 && (args.lamp_hz.is_some() || args.readout_ms.is_some()) {
            report.readout = readout(args, &planes, whole.1, &mut notes)?;
        }
        let measured = alone(&planes, MOST).ok_or_else(|| {
            anyhow!(
                "'{}' cannot be measured: it needs 24 × 24 pixels or more with light, at most half of them clipped; \
                 name a flat patch with --patch X,Y,WIDTH,HEIGHT",
                path.display()
            )
        })?;
        let light = measured.mean;
        let base = *first_light.get_or_insert(light);
        let luma: f64 = base.iter().zip(crate::artefact::LUMA).map(|(v, share)| v * share).sum();
        let mut lines: Vec<Line> =
            measured.waves.found.iter().map(|f| Line { kind: None, found: *f }).collect();
        if ending(path).starts_with("jp") {
            drop_blocks(&mut lines, &mut notes);
        }
        order(&mut lines);
        for track in &mut report.tracks {
            track.follow(number, &measured.field, &settings);
        }
        if number == 0 {
            let counted = lines.iter().filter(|l| !l.found.below_noise()).take(FOLLOWED);
            report.tracks = counted.map(|l| Track::new(0, l.found)).collect();
        }
        let most = lines.iter().map(|l| l.found.contrast()).fold(0.0, f64::max);
        if most > strongest {
            strongest = most;
            report.shown = Some((number, measured.field.clone()));
        }
        report.frames.push(Frame {
            number,
            file: Some(path.display().to_string()),
            lines,
            mean: [0, 1, 2].map(|c: usize| (light[c] - base[c]) / luma),
            luma_floor: measured.waves.luma_floor,
            chroma_floor: measured.waves.chroma_floor,
            given: measured.field.given_share(),
        });
    }
    notes.push(format!(
        "waves of fewer than {LEAST_PERIODS} periods across the picture are taken for shading"
    ));
    report.notes = notes;
    Ok(report)
}

/// Takes out what the squares of 8 × 8 pixels of a JPEG may be.
fn drop_blocks(lines: &mut Vec<Line>, notes: &mut Vec<String>) {
    let eighths = |f: &Found| {
        let away = (f.wave.frequency * 8.0 - (f.wave.frequency * 8.0).round()) / 8.0;
        away.abs().max_element() < 1.0 / f.window_px.min_element()
    };
    let before = lines.len();
    lines.retain(|l| !eighths(&l.found));
    if lines.len() < before {
        notes.push(
            "waves that fit the squares of 8 × 8 pixels of JPEG compression are left out".into(),
        );
    }
}

/// Readout from the light's rate, or the light's rate from the readout.
fn readout(
    args: &Args,
    planes: &[Plane; 3],
    rows: usize,
    notes: &mut Vec<String>,
) -> anyhow::Result<Option<Readout>> {
    let bands = match row_bands(planes) {
        Ok(bands) => bands,
        // Without a lamp the rate is a bonus.
        Err(why) if args.lamp_hz.is_none() => {
            notes.push(format!("rate of the light: {why}"));
            return Ok(None);
        }
        Err(why) => return Err(anyhow!("the readout cannot be told: {why}")),
    };
    // Bands are counted over the patch; the readout is that of the whole picture.
    let whole = rows as f64 / planes[0].height.max(1) as f64;
    notes.push(
        "the picture's height is taken for the whole readout: crop nothing away above or below"
            .into(),
    );
    Ok(Some(Readout {
        bands: bands.bands * whole,
        bands_error: bands.standard_error * whole,
        contrast: bands.contrast,
        floor: bands.floor,
        rows,
        lamp_hz: args.lamp_hz,
        readout_s: args.readout_ms.map(|ms| ms / 1e3),
    }))
}

fn against_scene(args: &Args, scene_file: &Path) -> anyhow::Result<Option<Report>> {
    let source = scene_text(scene_file)?;
    let settled = unknowns::settle(&source, &args.set, args.choice);
    let Ok((chosen, mut edits)) = settled else { return Ok(None) };
    edits.extend(args.crop.iter().flat_map(|crop| crop.edits()));
    let Ok(scene) = check::checked(&source, &edits) else { return Ok(None) };
    let number = delivery(&scene, args.delivery.as_deref())?;
    let twins = Twins::new(scene);
    let count = args.inputs.len() as u32;
    let mut shots = twins.shots(count, number)?;
    let first = args.frames.map_or(args.frame.unwrap_or(0), |f| f.first);
    let mut report = Report {
        title: match args.inputs.as_slice() {
            [one] => one.display().to_string(),
            many => format!("{} pictures from {}", many.len(), many[0].display()),
        },
        source: json!({ "pictures": names(args), "scene": source.file, "delivery": args.delivery, "unknowns": chosen.as_json() }),
        against: "ideal",
        size: (0, 0),
        noise: true,
        clock: clockwork(twins.scene(), 1.0),
        frames: Vec::new(),
        tracks: Vec::new(),
        shown: None,
        readout: None,
        notes: chosen.lines(),
    };
    let settings = Settings { most: MOST, ..Settings::default() };
    let mut progress = Progress::new(args.inputs.len(), args.quiet, stop_on_ctrl_c()?);
    let mut strongest = -1.0;
    for (i, path) in args.inputs.iter().enumerate() {
        let frame_number = first + i as u32;
        let run = progress.run(format!("twins of frame {frame_number}"));
        let captured = captured(args, path, &shots, number, &mut report.notes)?;
        let frame = shots.beside(frame_number, captured, &run).map_err(anyhow::Error::from)?;
        progress.next();
        let size = (frame.captured.width(), frame.captured.height());
        let whole = (frame.ideal.width(), frame.ideal.height());
        if size != whole {
            return Err(anyhow!(
                "'{}' has {} × {} pixels and the scene's frame {} × {}: give the --crop and --delivery that it was rendered with",
                path.display(),
                size.0,
                size.1,
                whole.0,
                whole.1
            ));
        }
        let trio = Trio {
            captured: &frame.captured.planes,
            lattice: &frame.lattice.planes,
            ideal: &frame.ideal.planes,
            given: &frame.given,
            white: frame.white,
        };
        report.size = size;
        report.clock.lines_per_row = frame.lines_per_row;
        let field = trio.whole_field()?;
        let [moire, _] = trio.fields()?;
        let found = waves(&field, &settings);
        let here = twins.scene().at_frame(frame_number);
        let kinds = Fringes::new(&here, size);
        let mut lines: Vec<Line> = found
            .found
            .iter()
            .map(|f| Line { kind: Some(kind(f, &moire, &kinds, &settings)), found: *f })
            .collect();
        order(&mut lines);
        for track in &mut report.tracks {
            track.follow(frame_number, &field, &settings);
        }
        if i == 0 {
            let bands = lines.iter().filter(|l| l.kind == Some(Kind::Bands)).take(FOLLOWED);
            report.tracks = bands.map(|l| Track::new(frame_number, l.found)).collect();
        }
        let most = lines.iter().map(|l| l.found.contrast()).fold(0.0, f64::max);
        if most > strongest {
            strongest = most;
            report.shown = Some((frame_number, trio.ratio_field()?));
        }
        report.frames.push(Frame {
            number: frame_number,
            file: Some(path.display().to_string()),
            lines,
            mean: found.mean,
            luma_floor: found.luma_floor,
            chroma_floor: found.chroma_floor,
            given: field.given_share(),
        });
    }
    Ok(Some(report))
}

/// Whether a wave is the lattice's, as rendered, or the drive's.
fn kind(found: &Found, moire: &Field, kinds: &Fringes<'_>, settings: &Settings) -> Kind {
    let of_lattice = again(moire, found, settings).filter(|f| {
        let bin = 1.0 / found.window_px.min_element();
        f.away_from(found.wave.frequency) < bin
    });
    match of_lattice {
        Some(f) if f.contrast() > 0.5 * found.contrast() => kinds.kind(found),
        _ => Kind::Bands,
    }
}

/// A file's picture in the light that measuring works in.
fn captured(
    args: &Args,
    path: &Path,
    shots: &TwinShots<'_>,
    number: usize,
    notes: &mut Vec<String>,
) -> anyhow::Result<Picture> {
    let read = rendered(path)?;
    let shot = shots.captured();
    let window = shot.window();
    let size = (read.planes[0].width, read.planes[0].height);
    let recorded = size == (window.width as usize, window.height as usize);
    let mosaic = shot.scene().camera.mosaic.planes();
    let raw_like = read.planes.len() == mosaic && ending(path).starts_with("tif") && recorded;
    match read.numbers {
        Numbers::Float if raw_like => {
            let electrons = Electrons { window, planes: read.planes };
            return of_recorded(shot, &electrons, number);
        }
        Numbers::Levels(65_535) if raw_like && mosaic == 1 => {
            let levels = read.planes[0].data.iter().map(|v| *v as u16).collect();
            let raw = RawFrame { window, planes: vec![levels] };
            return Ok(shot.light_of_raw(&raw, number)?);
        }
        _ => {}
    }
    let delivery = &shot.scene().deliveries[number].delivery;
    let (transfer, top, clips) = match (args.transfer, read.numbers) {
        (Some(t), Numbers::Levels(top)) => (t.into(), f64::from(top), true),
        (None, Numbers::Levels(top)) => (delivery.transfer, f64::from(top), true),
        (Some(t), Numbers::Float) => (t.into(), 1.0, false),
        (None, Numbers::Float) => (DeliveryTransfer::Linear, 1.0, false),
    };
    let note = format!(
        "light read as {}, developed as the scene says; demosaic and scaling are the file's, the ideal's are bilinear and in linear light",
        curve_words(transfer)
    );
    if !notes.contains(&note) {
        notes.push(note);
    }
    let mut planes = <[Plane; 3]>::try_from(read.planes).map_err(|_| {
        anyhow!("'{}' is neither a raw frame of this scene nor a picture", path.display())
    })?;
    to_linear(&mut planes, transfer, top, clips);
    let push = libm::exp2(-delivery.push_stops);
    let matrix = match delivery.colour_space {
        ColourSpace::CameraRgb => {
            crate::scene::derived::colour_transform(shot.scene(), ColourSpace::Bt709)
                .context("the scene's colours cannot be told")?
                .matrix
        }
        space => to_bt709(space).unwrap_or(crate::math::matrix3::IDENTITY),
    };
    mix(&mut planes, &matrix.map(|row| row.map(|v| v * push)));
    Ok(Picture { planes })
}

/// Light of electrons of recorded photosites.
fn of_recorded(shot: &Shot<'_>, electrons: &Electrons, number: usize) -> anyhow::Result<Picture> {
    if shot.scene().camera.bins() {
        return Err(anyhow!(
            "electrons of joined photosites cannot be measured; give the raw frame"
        ));
    }
    Ok(shot.light_of(electrons, number)?)
}

/// JSON of a readout.
pub(super) fn readout_json(readout: &Readout) -> Value {
    json!({
        "bands_in_frame": readout.bands,
        "bands_in_frame_standard_error": readout.bands_error,
        "contrast": readout.contrast,
        "contrast_floor": readout.floor,
        "rows": readout.rows,
        "lamp_hz": readout.lamp_hz,
        "readout_s": readout.fitted_readout_s(),
        "readout_standard_error_s": readout.fitted_readout_s().map(|t| t * readout.relative_error()),
        "line_s": readout.fitted_readout_s().map(|t| t / readout.rows as f64),
        "known_readout_s": readout.readout_s,
        "light_hz": readout.light_hz(),
        "light_standard_error_hz": readout.light_hz().map(|f| f * readout.relative_error()),
    })
}
