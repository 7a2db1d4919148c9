//! The sidecar: every input as resolved, every number that follows, and what was measured.

use super::Args;
use super::files::{Files, Take};
use crate::cli::unknowns::Chosen;
use crate::diag::{Diagnostic, summary};
use crate::input::SceneText;
use crate::output::{self, JsonSidecar, OutputError};
use crate::scene::derived::Derived;
use crate::scene::{Edit, Scene, resolved};
use crate::sensor::Readout;
use crate::shoot::{Engine, Levels};
use serde_json::{Map, Value, json};
use std::path::PathBuf;

/// A complete frame.
#[derive(Debug)]
pub(super) struct FrameRecord {
    /// Its number, from 0.
    pub frame: u32,
    /// Its files.
    pub files: Vec<PathBuf>,
    /// What was measured on each take's raw levels.
    pub levels: Vec<(Take, Levels)>,
}

/// What a render was made of.
#[derive(Debug, Clone, Copy)]
pub(super) struct Made<'a> {
    pub args: &'a Args,
    pub source: &'a SceneText,
    pub edits: &'a [Edit],
    pub scene: &'a Scene,
    pub inputs: &'a Value,
    pub files: &'a Files,
    pub chosen: &'a Chosen,
}

impl Made<'_> {
    /// Writes the sidecar of the frames that are complete.
    pub(super) fn write_sidecar(
        &self,
        records: &[FrameRecord],
        derived: &Derived,
    ) -> Result<(), OutputError> {
        let value = self.sidecar(records, derived);
        output::write(&self.files.sidecar(), self.args.overwrite, &JsonSidecar { value: &value })
    }

    fn sidecar(&self, records: &[FrameRecord], derived: &Derived) -> Value {
        let edits: Vec<String> =
            self.edits.iter().map(|e| format!("{}={}", e.key, e.value)).collect();
        json!({
            "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION") },
            "scene": {
                "name": self.scene.name,
                "set": edits,
                "text": self.source.text,
            },
            "unknowns": self.chosen.as_json(),
            "engine": engine(self.args.engine()),
            "frames": records.iter().map(|r| self.frame(r)).collect::<Vec<_>>(),
            "derived": derived,
            "notes": self.scene.notes.iter().map(note).collect::<Vec<_>>(),
            "inputs": self.inputs,
            "resolved": resolved(self.scene),
        })
    }

    fn frame(&self, record: &FrameRecord) -> Value {
        let camera = &self.scene.camera;
        let crop = camera.crop;
        let rows = [crop.y, crop.y + crop.height - 1].map(|row| camera.sensor_row(row));
        let starts = rows.map(|row| camera.row_start_s(record.frame, row));
        let names: Vec<String> = record
            .files
            .iter()
            .filter_map(|f| f.file_name().map(|n| n.to_string_lossy().into_owned()))
            .collect();
        let mut measured = Map::new();
        for (take, levels) in &record.levels {
            let key = take.words().replace([' ', '-'], "_");
            measured.insert(key, level_numbers(levels));
        }
        // Where a camera that moves is in this frame.
        let moved = self.scene.moves.as_ref().map(|_| {
            let mut inputs = resolved(&self.scene.at_frame(record.frame));
            json!({ "lens": inputs["lens"].take(), "placement": inputs["placement"].take() })
        });
        // Which of the files shows which delivery, where they have names.
        let mut deliveries = Map::new();
        for (i, delivered) in self.scene.deliveries.iter().enumerate() {
            let Some(name) = &delivered.name else { continue };
            let own: Vec<String> = self
                .files
                .of_frame(record.frame)
                .filter(|(piece, _)| piece.delivery == Some(i))
                .filter_map(|(_, path)| path.file_name().map(|n| n.to_string_lossy().into_owned()))
                .collect();
            deliveries.insert(name.clone(), json!(own));
        }
        json!({
            "frame": record.frame,
            "frame_start_s": f64::from(record.frame) / camera.fps,
            "top_row_exposed_from_s": starts[0],
            "bottom_row_exposed_from_s": starts[1],
            "each_row_exposed_for_s": camera.exposure_s,
            "moved_to": moved,
            "rolling": matches!(camera.readout, Readout::Rolling { .. }),
            "files": names,
            "deliveries": deliveries,
            "measured": measured,
        })
    }
}

fn engine(engine: Engine) -> Value {
    match engine {
        Engine::Fast => json!({ "name": "fast" }),
        Engine::SlowCheck(rays) => json!({
            "name": "slow check",
            "rays_per_photosite": rays.samples,
            "ray_seed": rays.seed,
        }),
    }
}

fn level_numbers(levels: &Levels) -> Value {
    let mut by_colour = Map::new();
    for ((name, mean), clipped) in
        levels.colours.iter().zip(&levels.mean_level).zip(&levels.clipped_share)
    {
        let numbers = json!({ "mean_raw_level": mean, "clipped_share": clipped });
        by_colour.insert((*name).to_owned(), numbers);
    }
    json!({ "clipped_share": levels.clipped_share_of_all, "photosites": by_colour })
}

fn note(note: &Diagnostic) -> Value {
    json!({ "key": note.key, "text": note.message, "hint": note.hint, "line": summary(note) })
}
