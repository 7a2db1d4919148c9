//! `gridbeat presets`: generic kit to start from, with every value.

use crate::scene::presets::presets;
use crate::scene::written::unit_of;
use serde_json::{Map, json};
use std::io::Write;
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
A scene chooses a preset with a key, and what it writes itself wins:

  wall: {preset: stage, pixel_pitch_mm: 2.9}
  camera: {preset: large_sensor, frame_rate_fps: 25}
  filters: {low_pass: strong}

The values are typical ones of invented kit, not a product's. Where the result depends on them, ask for the papers of
the kit you hire";

/// Arguments of `gridbeat presets`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// Print them as JSON, for programs
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let mut out = std::io::stdout().lock();
    if args.json {
        let all: Vec<_> = presets()
            .iter()
            .map(|p| {
                let values: Map<_, _> =
                    p.values().into_iter().map(|(key, value)| (key, json!(value))).collect();
                json!({ "key": format!("{}.preset", p.group), "name": p.name, "about": p.about, "gives": values })
            })
            .collect();
        serde_json::to_writer_pretty(&mut out, &all)?;
        writeln!(out)?;
        return Ok(ExitCode::SUCCESS);
    }
    writeln!(
        out,
        "Generic kit, invented: typical values, not a product. Keys that a scene writes win."
    )?;
    for preset in presets() {
        writeln!(out, "\n{}.preset: {}\n  {}", preset.group, preset.name, preset.about)?;
        for (key, value) in preset.values() {
            let unit = unit_of(&key);
            writeln!(out, "{}", format!("    {key:<38} {value} {unit}").trim_end())?;
        }
    }
    Ok(ExitCode::SUCCESS)
}
