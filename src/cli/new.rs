//! `gridbeat new`: what a crew knows, asked one by one; a commented scene, four lines and a crop at 1:1.

mod answers;

use super::{FAILED, REFUSED, check, unknowns};
use crate::artefact::{Degree, Kind};
use crate::input::{PictureFiles, scene_text};
use crate::output::{self, Coding, Depth, Notes, PngPicture, Text};
use crate::plan::verify::part;
use crate::predict::focus::nearest_focus;
use crate::predict::shutters::shutters;
use crate::predict::unknowns::{KINDS, severity, unknowns as over_ranges};
use crate::predict::{Prediction, Settings, predict};
use crate::render::Run;
use crate::scene::{OpenScene, Scene};
use crate::shoot::{Engine, Shot};
use crate::units::length;
use answers::{Answers, Asked};
use glam::DVec2;
use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Without options it asks. An empty line, ? or \"don't know\" is an answer: the scene then holds the range that is usual, and the answer
says which of the things that are not known decide, and whom to ask. Every question is also an option; --yes asks nothing and takes
what is not given as not known.

Example:
  gridbeat new --pitch-mm 1.9 --refresh-hz 3840 --wall-m 5.5 --focus-m 3.2 --focal-mm 50 --stop 4 --yes corridor.yaml

Walls can flicker in ways that harm people who are sensitive to it, whatever the picture shows: that is another question.";

/// Arguments of `gridbeat new`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene file to write
    #[arg(default_value = "scene.yaml")]
    pub file: PathBuf,
    /// Answers
    #[command(flatten)]
    pub asked: Asked,
    /// Ask nothing: what is not given is not known
    #[arg(long)]
    pub yes: bool,
    /// Replace files that are there already
    #[arg(long)]
    pub overwrite: bool,
}

/// Size of the crop, delivered pixels.
const CROP: [u32; 2] = [640, 400];

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let crop_file = crop_file(&args.file);
    for file in [&args.file, &crop_file] {
        output::check_free(file, args.overwrite)?;
    }
    let mut answers = Answers::of(&args.asked);
    if !answers.wrong.is_empty() {
        for why in &answers.wrong {
            eprintln!("error: {why}");
        }
        return Ok(ExitCode::from(FAILED));
    }
    if !args.yes {
        let stdin = std::io::stdin();
        let told = stdin.is_terminal();
        ask(&mut answers, &mut stdin.lock(), &mut std::io::stderr().lock(), told)?;
    }
    if let Some(folder) = args.file.parent().filter(|f| !f.as_os_str().is_empty()) {
        output::prepare_folder(folder)?;
    }
    output::write(&args.file, args.overwrite, &Text(&answers.scene()))?;
    let mut out = std::io::stdout().lock();
    writeln!(out, "wrote {}", args.file.display())?;
    let source = scene_text(&args.file)?;
    let pictures = PictureFiles::in_folder(&source.folder);
    let open = unknowns::open(&source, &[]);
    let (scene, lines) = match open {
        None => {
            let Ok(scene) = check::checked(&source, &[]) else {
                return Ok(ExitCode::from(REFUSED));
            };
            let found = predict(&scene, &Settings::full());
            let lines = [
                verdict(&found, &[Kind::Flicker, Kind::Bands]),
                verdict(&found, &[Kind::Moire, Kind::PixelStructure]),
                why(&scene, &found),
                remedy(&scene, &found),
            ];
            (scene, lines)
        }
        Some(open) => match of_ranges(&open, &pictures) {
            Ok(found) => found,
            Err(problems) => {
                check::refuse(&problems, &source);
                return Ok(ExitCode::from(REFUSED));
            }
        },
    };
    for (name, line) in ["flicker", "moiré", "why", "change or ask"].into_iter().zip(lines) {
        writeln!(out, "{name:<14} {line}")?;
    }
    crop(&scene, &crop_file, args.overwrite)?;
    writeln!(out, "wrote {}: a part of the picture, look at it at 1:1", crop_file.display())?;
    let file = args.file.display();
    writeln!(out, "more: gridbeat predict {file}, gridbeat advise {file}")?;
    Ok(ExitCode::SUCCESS)
}

fn crop_file(scene: &Path) -> PathBuf {
    let stem = scene.file_stem().map_or_else(|| "scene".into(), |s| s.to_string_lossy());
    scene.with_file_name(format!("{stem}_crop.png"))
}

/// Asks what is not answered yet; `told` says what to do first.
fn ask(
    answers: &mut Answers,
    from: &mut impl BufRead,
    to: &mut impl Write,
    told: bool,
) -> anyhow::Result<()> {
    if told && answers.open().next().is_some() {
        writeln!(to, "An empty line means that you don't know.")?;
    }
    let open: Vec<usize> = answers.open().collect();
    for number in open {
        loop {
            write!(to, "{} ", answers.question(number))?;
            to.flush()?;
            let mut line = String::new();
            if from.read_line(&mut line)? == 0 {
                writeln!(to)?;
                return Ok(());
            }
            match answers.answer(number, line.trim()) {
                Ok(()) => break,
                Err(why) => writeln!(to, "  {why}")?,
            }
        }
    }
    Ok(())
}

fn degree_of(found: &Prediction, kinds: &[Kind]) -> (Degree, Kind) {
    let all = kinds.iter().map(|k| (found.degree(*k, false), *k));
    all.max_by_key(|(d, k)| (severity(*d), std::cmp::Reverse(*k)))
        .unwrap_or((Degree::CannotSay, Kind::Flicker))
}

fn verdict(found: &Prediction, kinds: &[Kind]) -> String {
    let (degree, kind) = degree_of(found, kinds);
    match degree {
        Degree::Clean | Degree::CannotSay => degree.words().into(),
        _ => format!("{} ({})", degree.words(), kind.words()),
    }
}

/// The worst that is seen, in numbers that a crew can check.
fn why(scene: &Scene, found: &Prediction) -> String {
    let worst = found.worst.iter().find(|f| f.worst.degree > Degree::Clean);
    let Some(worst) = worst else {
        return "nothing that the model knows of is seen, at worst within tape and lens markings"
            .into();
    };
    let wall_m = scene.wall.met(scene.pose.lens_m, -scene.pose.turn.z_axis).map(|(far, _)| far);
    match worst.kind {
        Kind::Flicker | Kind::Bands => {
            let refreshes = scene.camera.exposure_s * scene.drive.refresh_hz;
            if (refreshes - refreshes.round()).abs() < 0.02 {
                return format!(
                    "{} % grey pulses slower than the wall refreshes: the exposure holds a whole number of refreshes, and not of those",
                    crate::units::number(100.0 * worst.level)
                );
            }
            format!("the exposure holds {refreshes:.2} refreshes of the wall, not a whole number")
        }
        Kind::Moire | Kind::PixelStructure => match wall_m {
            Some(wall_m) => {
                let pitch =
                    scene.wall.pitch_m * scene.lens.focal_m / wall_m / scene.camera.photosite_m;
                format!(
                    "the wall's pixels land {pitch:.2} photosites apart, with {} of blur from focus",
                    blur(scene, wall_m)
                )
            }
            None => "the wall's pixels and the photosites interfere".into(),
        },
    }
}

fn blur(scene: &Scene, wall_m: f64) -> String {
    let disc = crate::optics::transfer::blur_disc_m(&scene.lens, wall_m).abs();
    format!("{:.1} photosites", disc / scene.camera.photosite_m)
}

/// One thing to change.
fn remedy(scene: &Scene, found: &Prediction) -> String {
    if severity(degree_of(found, &[Kind::Flicker, Kind::Bands]).0) > 0 {
        let table = shutters(scene).table;
        let mut clean: Vec<_> = table.iter().filter(|s| s.all_clean && !s.present).collect();
        clean.sort_by(|a, b| a.stops.abs().total_cmp(&b.stops.abs()));
        // The table looks at three greys, the verdict at darker ones too.
        let holds = clean.iter().find(|s| {
            let mut other = scene.clone();
            other.camera.exposure_s = s.exposure_s;
            let found = predict(&other, &Settings::full());
            degree_of(&found, &[Kind::Flicker, Kind::Bands]).0 == Degree::Clean
        });
        if let Some(s) = holds {
            return format!("shutter {}: clean at every grey from 1 % up", s.written);
        }
        return match clean.first() {
            Some(s) => format!(
                "shutter {} is clean from 2 % grey up; darker plates still show bands: keep them lighter, or ask for another wall",
                s.written
            ),
            None => {
                "no near shutter is clean: another frame rate, or another wall; ask for its refresh"
                    .into()
            }
        };
    }
    if severity(degree_of(found, &[Kind::Moire, Kind::PixelStructure]).0) > 0 {
        let now = nearest_focus(scene)
            .and_then(|n| n.stops.into_iter().find(|s| s.present))
            .and_then(|s| s.before_wall.safe);
        return match now {
            Some(stop) => format!(
                "keep the focus {} from the wall or more, {} from the sensor mark",
                length(stop.from_wall_m),
                length(stop.from_mark_m)
            ),
            None => {
                "no focus is clean at this stop: a low-pass filter, a diffuser, or another distance"
                    .into()
            }
        };
    }
    "nothing; a test shot with this wall and this camera before the day is still due".into()
}

/// The worst of a scene that is not all known, and the lines about it.
fn of_ranges(
    open: &OpenScene,
    pictures: &PictureFiles,
) -> Result<(Scene, [String; 4]), Vec<crate::diag::Diagnostic>> {
    let found = over_ranges(open, pictures)?;
    let scene = open.at(found.point(true), pictures)?;
    let over = |kinds: [Kind; 2]| {
        let of = found.kinds.iter().filter(|k| kinds.contains(&k.kind));
        let worst = of.max_by_key(|k| (severity(k.degree()), severity(k.worst.degree)));
        worst.map_or_else(
            || Degree::CannotSay.words().to_owned(),
            |k| match k.degree() {
                Degree::CannotSay => format!(
                    "can't say yet: {} at best, {} at worst ({})",
                    k.best.degree.words(),
                    k.worst.degree.words(),
                    k.kind.words()
                ),
                Degree::Clean => Degree::Clean.words().to_owned(),
                degree => format!("{} ({})", degree.words(), k.kind.words()),
            },
        )
    };
    let prediction = predict(&scene, &Settings::full());
    let ask = found.influences.iter().find(|i| i.matters()).map(|i| {
        let value = &open.values[i.value];
        format!("{}, for {} ({})", value.ask, value.key, value.range_words())
    });
    let lines = [
        over([KINDS[0], KINDS[1]]),
        over([KINDS[2], KINDS[3]]),
        format!("at worst {}", why(&scene, &prediction)),
        ask.unwrap_or_else(|| remedy(&scene, &prediction)),
    ];
    Ok((scene, lines))
}

/// Renders the part of the picture where moiré or pixels are worst.
fn crop(scene: &Scene, file: &Path, overwrite: bool) -> anyhow::Result<()> {
    let found = predict(scene, &Settings::quick());
    let window = scene.camera.sensor_window();
    let corner = DVec2::new(f64::from(window.x), f64::from(window.y));
    let size = DVec2::new(f64::from(window.width), f64::from(window.height));
    let worst = found.of(Kind::Moire).or(found.of(Kind::PixelStructure));
    let place = worst.map_or(DVec2::splat(0.5), |f| (f.point - corner) / size);
    let part = part(scene, place, CROP);
    let shot = Shot::new(&part, Engine::Fast)?;
    let run = Run::default();
    let raw = shot.raw(&shot.electrons(0, &run)?, 0);
    let picture = shot.picture_of(&raw, 0)?;
    let delivery = &part.deliveries[0].delivery;
    let coding = Coding { space: delivery.colour_space, transfer: delivery.transfer };
    let notes = Notes::new(&scene.name).with("Crop", "at 1:1");
    let contents = PngPicture { picture: &picture, depth: Depth::Eight, coding, notes: &notes };
    output::write(file, overwrite, &contents)?;
    Ok(())
}
