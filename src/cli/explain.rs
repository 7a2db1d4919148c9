//! `gridbeat explain SCENE --photosite X,Y`: one photosite in words and numbers.

use super::{REFUSED, check, unknowns};
use crate::render::Run;
use crate::render::explain::{BlurPart, Explained, explain};
use crate::render::rays::RaySettings;
use crate::render::rays::photosite::Seen;
use crate::scene::{Edit, Scene};
use crate::shoot::{Engine, Shot};
use crate::units;
use crate::wall::COLOURS;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;

/// What stands below the options.
const AFTER_HELP: &str = "\
Example:
  gridbeat explain scenes/05-scan-bands.yaml --photosite 1920,1080

The electrons are those of the fast engine; where they come from is found by tracing rays, as the slow check does";

/// Arguments of `gridbeat explain`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The scene file (YAML)
    pub scene: PathBuf,
    /// The photosite: column and row on the whole sensor, counted from 0 at the top left
    #[arg(long, value_name = "X,Y")]
    pub photosite: Photosite,
    /// The frame, from 0
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u32).range(..=999_999))]
    pub frame: u32,
    /// Set a key of the scene, such as lens.focal_mm=50; may be given several times
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<Edit>,
    /// Numbers for values that are not known
    #[command(flatten)]
    pub choice: unknowns::Choosing,
    /// How many of the emitters to list, the strongest first
    #[arg(long, value_name = "N", default_value_t = 10)]
    pub most: usize,
    /// Rays to trace
    #[arg(long, value_name = "N", default_value_t = 1_048_576, value_parser = clap::value_parser!(u32).range(1..=16_777_216))]
    pub rays: u32,
    /// Print everything as JSON, for programs
    #[arg(long)]
    pub json: bool,
}

/// A place on the sensor as given on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Photosite(pub [u32; 2]);

impl FromStr for Photosite {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers: Option<Vec<u32>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
        match numbers.as_deref() {
            Some(&[x, y]) => Ok(Self([x, y])),
            _ => Err("write two whole numbers, such as 1920,1080: column, row".into()),
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let Ok((scene, chosen)) = check::load_chosen(&args.scene, &args.set, args.choice)? else {
        return Ok(ExitCode::from(REFUSED));
    };
    // What cannot be rendered is refused here in the same words.
    Shot::new(&scene, Engine::Fast)?;
    let settings = RaySettings { samples: args.rays, seed: 1 };
    let found = explain(&scene, args.frame, args.photosite.0, &settings, &Run::default())?;
    let mut out = std::io::stdout().lock();
    if args.json {
        let mut all = numbers(&found);
        if chosen.choice.is_some() {
            all["unknowns"] = chosen.as_json();
        }
        serde_json::to_writer_pretty(&mut out, &all)?;
        writeln!(out)?;
    } else {
        out.write_all(words(args, &scene, &found).as_bytes())?;
        for line in chosen.lines() {
            writeln!(out, "not known: {line}")?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn words(args: &Args, scene: &Scene, found: &Explained) -> String {
    let mut out = String::new();
    let [x, y] = found.photosite;
    let colour = found.colour.map_or("", |c| COLOURS[usize::from(c).min(2)]);
    // Writing to a string does not fail.
    let _ = writeln!(
        out,
        "{}, frame {}: {} photosite at column {x}, row {y}",
        scene.name,
        args.frame,
        if colour.is_empty() { "the" } else { colour }
    );
    let _ = writeln!(
        out,
        "\nexposure\n  for {}, from {} after the start of frame 0",
        units::shutter(scene.camera.exposure_s),
        units::time(found.exposed_from_s)
    );
    match &found.look {
        None => {
            let place = if found.in_seam { "into a gap of the wall" } else { "beside the wall" };
            let _ = writeln!(out, "\nit looks\n  {place}{}", covered(found));
        }
        Some(look) => {
            let _ = writeln!(
                out,
                "\nit looks\n  at wall pixel column {}, row {}, {} away, {} off the wall's normal\n  where wall pixels lie {} photosites \
                 apart across and {} upright, and the blur disc is {} photosites{}",
                look.pixel[0],
                look.pixel[1],
                units::length(look.depth_m),
                units::angle(look.off_normal_rad),
                units::number(look.pitch_photosites[0]),
                units::number(look.pitch_photosites[1]),
                units::number(look.blur_disc_photosites.abs()),
                covered(found)
            );
            let _ = writeln!(
                out,
                "\ncontrast of the wall's pixels, one cycle a pixel: what each blur leaves"
            );
            let _ = writeln!(
                out,
                "  {:<18}{:>14}{:>14}{:>12}{:>12}",
                "", "photosites", "wall pixels", "columns", "rows"
            );
            for blur in &found.blurs {
                let _ = writeln!(out, "{}", blur_line(blur));
            }
        }
    }
    emitters(&mut out, args, found);
    sensor(&mut out, scene, found);
    out
}

/// What of the view the foreground takes, in a line of its own.
fn covered(found: &Explained) -> String {
    match found.traced.covered {
        share if share <= 0.0 => String::new(),
        share if share >= 1.0 => "\n  the foreground covers all of it".into(),
        share => format!("\n  the foreground covers {:.1} % of it", share * 100.0),
    }
}

fn blur_line(blur: &BlurPart) -> String {
    // Not −0.0 for a nothing below zero.
    let percent = |share: f64| format!("{:.1} %", (share * 1000.0).round() / 10.0 + 0.0);
    format!(
        "  {:<18}{:>14}{:>14}{:>12}{:>12}",
        blur.what,
        units::number(blur.width_photosites),
        units::number(blur.width_pixels),
        percent(blur.columns_left),
        percent(blur.rows_left)
    )
}

fn emitters(out: &mut String, args: &Args, found: &Explained) {
    let traced = &found.traced;
    let lit = traced.emitters.iter().filter(|e| e.electrons > 0.0).count();
    let by_colour = [0, 1, 2].map(|c| -> f64 {
        traced.emitters.iter().filter(|e| e.colour == c).map(|e| e.electrons).sum()
    });
    let share = |electrons: f64| match traced.electrons > 0.0 {
        // Not −0.00 for a sum of none.
        true => format!("{:.2} %", electrons / traced.electrons * 100.0 + 0.0),
        false => "0 %".into(),
    };
    let _ = writeln!(
        out,
        "\nlight\n  {lit} emitters light it: red {}, green {}, blue {}",
        share(by_colour[0]),
        share(by_colour[1]),
        share(by_colour[2])
    );
    if traced.reflected_e > 0.0 {
        let _ =
            writeln!(out, "  room light on the wall's face gives {}", share(traced.reflected_e));
    }
    if traced.in_front_e > 0.0 {
        let _ = writeln!(out, "  the foreground gives {}", share(traced.in_front_e));
    }
    for seen in traced.emitters.iter().filter(|e| e.electrons > 0.0).take(args.most) {
        let _ = writeln!(
            out,
            "  {:>9}  {:<5} of column {}, row {}: {}",
            share(seen.electrons),
            COLOURS[seen.colour],
            seen.pixel[0],
            seen.pixel[1],
            when(seen)
        );
    }
    if lit > args.most {
        let rest: f64 = traced
            .emitters
            .iter()
            .filter(|e| e.electrons > 0.0)
            .skip(args.most)
            .map(|e| e.electrons)
            .sum();
        let _ = writeln!(out, "  {:>9}  the other {}", share(rest), lit - args.most);
    }
}

/// When an emitter was lit during the exposure.
fn when(seen: &Seen) -> String {
    let level = format!("level {}", units::percent(seen.level));
    let Some([first, last]) = seen.lit_between_s else { return format!("{level}, dark") };
    match seen.pulses {
        0 => format!("{level}, lit steadily"),
        1 => format!(
            "{level}, one flash, from {} to {}, {} of full light",
            units::time(first),
            units::time(last),
            units::time(seen.lit_s)
        ),
        n => format!(
            "{level}, {n} flashes between {} and {}, {} of full light in all",
            units::time(first),
            units::time(last),
            units::time(seen.lit_s)
        ),
    }
}

fn sensor(out: &mut String, scene: &Scene, found: &Explained) {
    let camera = &scene.camera;
    let _ = writeln!(out, "\nsensor");
    let _ = writeln!(
        out,
        "  {} electrons (it holds {})",
        units::number(found.electrons),
        units::number(camera.full_well_e)
    );
    let off =
        if found.electrons > 0.0 { found.traced.electrons / found.electrons - 1.0 } else { 0.0 };
    let _ = writeln!(
        out,
        "  {} electrons by the {} rays traced, {:+.2} %{}",
        units::number(found.traced.electrons),
        found.traced.rays,
        off * 100.0,
        if found.wave_left_out { " (with diffraction convolved, not as a wave)" } else { "" }
    );
    if found.wave_left_out {
        out.push_str(
            "  rays know no waves: they, and the shares of emitters above, take `convolved` where the scene has `wave`\n",
        );
    }
    if camera.noise {
        let [shot, read, spread] = found.noise_e;
        let all = (shot * shot + read * read + spread * spread).sqrt();
        let _ = writeln!(
            out,
            "  noise {} electrons: {} of the light, {} of the readout, {} of this photosite against others",
            units::number(all),
            units::number(shot),
            units::number(read),
            units::number(spread)
        );
    }
    let clipped = found.level >= f64::from(found.white_level);
    let _ = writeln!(
        out,
        "  raw level {:.1}: black {}, and {} levels an electron{}",
        found.level.min(f64::from(found.white_level)),
        camera.black_level,
        units::number(found.gain_levels_per_electron),
        if clipped { "; clipped" } else { "" }
    );
}

fn numbers(found: &Explained) -> Value {
    let emitters: Vec<Value> = found
        .traced
        .emitters
        .iter()
        .map(|e| {
            json!({
                "colour": COLOURS[e.colour],
                "column_px": e.pixel[0],
                "row_px": e.pixel[1],
                "electrons": e.electrons,
                "level": e.level,
                "slot": e.slot,
                "pulses": e.pulses,
                "lit_between_s": e.lit_between_s,
                "full_light_s": e.lit_s,
            })
        })
        .collect();
    let blurs: Vec<Value> = found
        .blurs
        .iter()
        .map(|b| {
            json!({
                "what": b.what,
                "width_photosites": b.width_photosites,
                "width_px": b.width_pixels,
                "contrast_of_columns": b.columns_left,
                "contrast_of_rows": b.rows_left,
            })
        })
        .collect();
    json!({
        "photosite": found.photosite,
        "colour": found.colour.map(|c| COLOURS[usize::from(c).min(2)]),
        "exposed_from_s": found.exposed_from_s,
        "looks_at": found.look.map(|l| json!({
            "column_px": l.pixel[0],
            "row_px": l.pixel[1],
            "depth_m": l.depth_m,
            "off_normal_deg": l.off_normal_rad.to_degrees(),
            "pitch_photosites": l.pitch_photosites,
            "blur_disc_photosites": l.blur_disc_photosites,
        })),
        "looks_into_a_gap": found.in_seam,
        "blurs": blurs,
        "emitters": emitters,
        "reflected_electrons": found.traced.reflected_e,
        "foreground_electrons": found.traced.in_front_e,
        "foreground_covers": found.traced.covered,
        "traced_electrons": found.traced.electrons,
        "rays": found.traced.rays,
        "traced_with_diffraction_convolved_for_wave": found.wave_left_out,
        "electrons": found.electrons,
        "noise_electrons": { "shot": found.noise_e[0], "read": found.noise_e[1], "spread": found.noise_e[2] },
        "raw_level": found.level,
        "white_level": found.white_level,
    })
}
