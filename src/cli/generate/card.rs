//! The data card beside a manifest: what the samples are, how they were made, their licence, limits, and how to read them.

use crate::generate::{PHYSICS, Recipe, Stage};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// A short program that reads samples: Python, with numpy and an imaging library.
pub(super) const PROGRAM: &str = include_str!("read_samples.py");

/// How many there are of what.
#[derive(Debug, Default)]
pub(super) struct Counts {
    samples: u64,
    skipped: u64,
    by_split: BTreeMap<String, u64>,
    by_verdict: BTreeMap<String, u64>,
    bytes: u64,
}

impl Counts {
    /// Counts a line of the manifest.
    pub(super) fn add(&mut self, entry: &Value) {
        if !entry["skipped"].is_null() {
            self.skipped += 1;
            return;
        }
        self.samples += 1;
        let word = |key: &str| entry[key].as_str().unwrap_or("unknown").to_owned();
        *self.by_split.entry(word("split")).or_default() += 1;
        *self.by_verdict.entry(word("verdict")).or_default() += 1;
        let files = entry["files"].as_array().into_iter().flatten();
        self.bytes += files.filter_map(|f| f["bytes"].as_u64()).sum::<u64>();
    }

    /// In some lines.
    pub(super) fn words(&self) -> String {
        let list = |counts: &BTreeMap<String, u64>| {
            let all: Vec<String> = counts.iter().map(|(name, n)| format!("{n} {name}")).collect();
            all.join(", ")
        };
        let skipped = match self.skipped {
            0 => String::new(),
            n => format!(" ({n} more could not be drawn)"),
        };
        format!(
            "{} samples{skipped}, {:.1} MB\n  by split: {}\n  by predicted verdict: {}\n",
            self.samples,
            self.bytes as f64 / 1e6,
            list(&self.by_split),
            list(&self.by_verdict)
        )
    }
}

/// The card. Nothing in it depends on when or where it was written.
pub(super) fn card(recipe: &Recipe, counts: &Counts) -> String {
    let stages: Vec<&str> = recipe.write.stages.iter().map(|s| s.words()).collect();
    let about =
        if recipe.about.is_empty() { "Nothing is said of what it is for." } else { &recipe.about };
    let mut out = format!(
        "# {}

{about}

## What it is

Simulated captures of an LED video wall, with known truth. No camera, wall or person was recorded.

{}
Every sample is a folder under `samples/`, listed in `manifest.jsonl` (a line of JSON each: number, folder, split, group, predicted
verdict, files with size and SHA-256). Samples of one group are never in two splits.

| file | holds |
| --- | --- |
| `captured_*` | the frame as the camera records it |
| `lattice_*` | the same wall held steady at its mean light: moiré and emitters, no bands |
| `ideal_*` | the same without lattice and drive: what the frame should be |
| `moire` | M = (lattice − ideal) / ideal, signed, in linear light without noise |
| `bands` | B = (captured − lattice) / ideal, signed, likewise; 1 + M + B = captured / ideal |
| `mask_wall`, `mask_foreground`, `mask_valid`, `mask_clipped`, `mask_seams` | 0 to 1; M and B are given where `valid` is 1 |
| `truth.json` | every parameter, what was drawn, waves (h, k) with amplitude and phase, the light of each row, clock and pose of each \
frame, predicted and measured artefacts, noise |

Stages: {}. `_noise_free` files are the same frames without noise; frame and twins have the same noise seed. `_f0000` and so on
number the frames of a sequence.

",
        recipe.name,
        counts.words(),
        stages.join(", ")
    );
    if recipe.write.stages.contains(&Stage::Linear) {
        out.push_str(
            "Linear pictures have BT.709 primaries, the wall's white neutral, 1.0 being the light that fills a photosite; they are \
             demosaiced bilinearly. 1 + M + B is held against the noise-free ones. Files of 16-bit integers end at 0 and at 1.0: strong \
             moiré can have colours below and above, which OpenEXR files hold.\n\n",
        );
    }
    if !recipe.write.degrade.is_empty() {
        out.push_str(
            "Delivered pictures are degraded (scaled, denoised, sharpened, compressed), captured and twins alike; maps and masks \
             are of the picture before that.\n\n",
        );
    }
    // Writing to a string does not fail.
    let _ = write!(
        out,
        "## How it was made

gridbeat {} (physics {PHYSICS}), recipe `{}`, seed {}; `recipe.json` holds the recipe and the scene. Sample i is a pure function of
these and i.

## Licence

{}

## Limits

- The model's own limits apply: one flat or faceted wall, a thin lens, no flare, no colour fringes, a flat foreground that the
  wall does not light. What is not simulated cannot be learned here.
- Waves in the truth are those of an even grey; textured content hides and cuts them.
- The verdict is foreseen for the frame as it stands, watched as the scene says; it is no judgement of safety. Material that flickers
  or shows strong stripes may harm photosensitive people: say so to whoever looks at it.
- Skipped samples ({}) are listed with the reason; a condition that is hard to meet makes what is left unlike what was asked for.

## How to read it

```python
{}```
",
        env!("CARGO_PKG_VERSION"),
        recipe.name,
        recipe.seed,
        recipe.licence,
        counts.skipped,
        PROGRAM
    );
    out
}
