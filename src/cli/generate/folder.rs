//! The folder of samples: each a folder of its own, whole or not there; the manifest; checking it.

use super::super::FAILED;
use super::{card, check_is_folder, not_of_this};
use crate::generate::{Content, Drawn, PHYSICS, Recipe, Sample};
use crate::output::{
    self, Coding, Depth, DngCamera, DngLevels, ExrMap, ExrPicture, Format, JsonSidecar, Notes,
    PngCodes, PngLevels, PngMask, PngPicture, Recorded, Text, TiffLevels, TiffPicture, Waiting,
    WaitingFolder, Y4mSequence,
};
use crate::scene::Scene;
use anyhow::{Context, bail};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Samples in one folder, so that none has too many.
const TOGETHER: u64 = 1000;

/// Line of a sample in the manifest, in the sample's own folder.
const ENTRY: &str = "entry.json";
/// What the folder is made from.
const RECIPE: &str = "recipe.json";
const MANIFEST: &str = "manifest.jsonl";

/// A folder of samples.
pub(super) struct Folder {
    out: PathBuf,
}

/// Name of a sample's folder, from the folder of all.
fn place_of(number: u64) -> PathBuf {
    Path::new("samples").join(format!("{:05}", number / TOGETHER)).join(format!("{number:08}"))
}

impl Folder {
    /// Opens a folder for a recipe, or makes it.
    ///
    /// # Errors
    /// It cannot be written in, or holds samples of another recipe, scene or physics.
    pub(super) fn open(
        out: &Path,
        recipe: &Recipe,
        text: &str,
        scene: &str,
    ) -> anyhow::Result<Self> {
        check_is_folder(out)?;
        let own = json!({
            "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION"), "physics": PHYSICS },
            "name": recipe.name,
            "recipe": text,
            "scene": scene,
        });
        let file = out.join(RECIPE);
        if !file.exists() {
            output::prepare_folder(out)?;
            let others =
                fs::read_dir(out).with_context(|| format!("cannot read {}", out.display()))?;
            for other in others.flatten() {
                let name = other.file_name();
                // Parts of one run may begin together.
                if name != RECIPE
                    && name != "samples"
                    && !name.to_string_lossy().starts_with(".gridbeat-")
                {
                    bail!(
                        "{} holds other things ('{}'), and no samples: give an empty folder with --out",
                        out.display(),
                        name.to_string_lossy()
                    );
                }
            }
            match output::write(&file, false, &JsonSidecar { value: &own }) {
                Ok(()) | Err(output::OutputError::Exists(_)) => {}
                Err(error) => return Err(error.into()),
            }
        }
        let there =
            fs::read_to_string(&file).with_context(|| format!("cannot read {}", file.display()))?;
        let there: Value = serde_json::from_str(&there).with_context(|| {
            format!(
                "{} is damaged; if the folder is yours to replace, move it away",
                file.display()
            )
        })?;
        for (key, what) in [
            ("program", "version of the program"),
            ("recipe", "recipe"),
            ("scene", "base scene"),
            ("name", "name"),
        ] {
            if there[key] != own[key] {
                return Err(not_of_this(out, what));
            }
        }
        Ok(Self { out: out.to_owned() })
    }

    /// Those of some samples that are not there yet.
    pub(super) fn missing(&self, all: impl Iterator<Item = u64>) -> Vec<u64> {
        all.filter(|number| !self.out.join(place_of(*number)).join(ENTRY).is_file()).collect()
    }

    /// Takes away what a stopped run left under way.
    pub(super) fn sweep_up(&self) -> anyhow::Result<()> {
        output::sweep_up(&self.out)?;
        let samples = self.out.join("samples");
        if !samples.is_dir() {
            return Ok(());
        }
        let inner =
            fs::read_dir(&samples).with_context(|| format!("cannot read {}", samples.display()))?;
        for folder in inner.flatten().filter(|f| f.path().is_dir()) {
            output::sweep_up(&folder.path())?;
        }
        Ok(())
    }

    /// Puts a sample in its place.
    pub(super) fn add(
        &self,
        recipe: &Recipe,
        sample: &Sample,
        drawn: &Drawn,
    ) -> anyhow::Result<()> {
        let place = place_of(sample.number);
        let mut waiting = WaitingFolder::new(&self.out.join(&place))?;
        for piece in &sample.pieces {
            let notes = Notes::new(&sample.scene.name).with("Shows", &piece.name);
            let name = format!("{}.{}", piece.name, recipe.write.ending(&piece.content));
            add_piece(&mut waiting, &name, (&piece.content, &sample.scene), &notes)?;
        }
        waiting.add("truth.json", &Text(&format!("{}\n", sample.truth)))?;
        let files: Vec<Value> = waiting.files().iter().map(recorded).collect();
        let entry = json!({
            "sample": sample.number,
            "folder": place.to_string_lossy().replace('\\', "/"),
            "split": sample.split.words(),
            "group": sample.group,
            "verdict": drawn.foreseen.degree,
            "files": files,
        });
        waiting.add(ENTRY, &Text(&format!("{entry}\n")))?;
        waiting.keep()?;
        Ok(())
    }

    /// Notes that a sample could not be drawn.
    pub(super) fn skip(&self, number: u64, reason: &str) -> anyhow::Result<()> {
        let place = place_of(number);
        let mut waiting = WaitingFolder::new(&self.out.join(&place))?;
        let entry = json!({
            "sample": number,
            "folder": place.to_string_lossy().replace('\\', "/"),
            "skipped": reason,
        });
        waiting.add(ENTRY, &Text(&format!("{entry}\n")))?;
        waiting.keep()?;
        Ok(())
    }

    /// Joins all samples to a manifest, with a data card and a program that reads them beside it; what there is, in words.
    pub(super) fn join(&self, recipe: &Recipe) -> anyhow::Result<String> {
        let missing = self.missing(0..recipe.count);
        if let Some(first) = missing.first() {
            bail!(
                "{} of {} samples are not there yet (the first: {first}); run the parts that make them, then --join again",
                missing.len(),
                recipe.count
            );
        }
        let mut lines = String::new();
        let mut counts = card::Counts::default();
        for number in 0..recipe.count {
            let file = self.out.join(place_of(number)).join(ENTRY);
            let line = fs::read_to_string(&file)
                .with_context(|| format!("cannot read {}", file.display()))?;
            let entry: Value = serde_json::from_str(&line).with_context(|| {
                format!(
                    "{} is damaged: take its folder away and make the samples again",
                    file.display()
                )
            })?;
            counts.add(&entry);
            lines.push_str(line.trim_end());
            lines.push('\n');
        }
        let card = card::card(recipe, &counts);
        let all = [
            Waiting::new(&self.out.join(MANIFEST), true, &Text(&lines))?,
            Waiting::new(&self.out.join("DATA_CARD.md"), true, &Text(&card))?,
            Waiting::new(&self.out.join("read_samples.py"), true, &Text(card::PROGRAM))?,
        ];
        for waiting in all {
            waiting.keep()?;
        }
        Ok(format!("{}wrote {}\n", counts.words(), self.out.join(MANIFEST).display()))
    }
}

fn recorded(file: &Recorded) -> Value {
    json!({ "name": file.name, "bytes": file.bytes, "sha256": file.sha256 })
}

fn add_piece(
    waiting: &mut WaitingFolder,
    name: &str,
    (content, scene): (&Content, &Scene),
    notes: &Notes,
) -> anyhow::Result<()> {
    let mut put = |contents: &dyn Format| -> anyhow::Result<()> {
        waiting.add(name, contents)?;
        Ok(())
    };
    match content {
        Content::Picture(picture, space, transfer) => {
            let coding = Coding { space: *space, transfer: *transfer };
            if name.ends_with(".exr") {
                put(&ExrPicture { picture, coding, notes })
            } else if name.ends_with(".tiff") {
                put(&TiffPicture { picture, notes })
            } else {
                put(&PngPicture { picture, depth: Depth::Sixteen, coding, notes })
            }
        }
        Content::Raw(raw) if name.ends_with(".tiff") => put(&TiffLevels { raw, notes }),
        Content::Raw(raw) => put(&PngLevels { raw, notes }),
        Content::RawFile(raw) => put(&DngLevels { raw, camera: &DngCamera::of(scene)?, notes }),
        Content::Video(pictures, space) => {
            put(&Y4mSequence { pictures, space: *space, fps: scene.camera.fps })
        }
        Content::Signed(channels, planes) => put(&ExrMap { planes, channels, notes }),
        Content::Coded { planes, offset, scale } => {
            put(&PngCodes { planes, offset: *offset, scale: *scale, notes })
        }
        Content::Mask(plane) => put(&PngMask { plane, notes }),
    }
}

/// Checks a folder against its manifest: every file of every sample, by size and checksum, and that nothing else is there.
pub(super) fn verify(out: &Path, quiet: bool) -> anyhow::Result<ExitCode> {
    let manifest = out.join(MANIFEST);
    let text = fs::read_to_string(&manifest).with_context(|| {
        format!("cannot read {}; a folder has one once its samples are joined", manifest.display())
    })?;
    let (mut problems, mut files, mut samples) = (Vec::new(), 0_u64, 0_u64);
    for (i, line) in text.lines().enumerate() {
        let broken = |what: &str| format!("{}:{}: {what}", manifest.display(), i + 1);
        let Ok(entry) = serde_json::from_str::<Value>(line) else {
            problems.push(broken("not a line of JSON"));
            continue;
        };
        let Some(folder) = entry["folder"].as_str().filter(|f| is_inside(f)) else {
            problems.push(broken("names no folder of samples"));
            continue;
        };
        samples += 1;
        let folder = out.join(folder);
        let mut known: BTreeSet<String> = BTreeSet::from([ENTRY.to_owned()]);
        let empty = Vec::new();
        for file in entry["files"].as_array().unwrap_or(&empty) {
            let Some(name) = file["name"].as_str().filter(|n| is_inside(n)) else {
                problems.push(broken("a file has no name"));
                continue;
            };
            known.insert(name.to_owned());
            files += 1;
            let path = folder.join(name);
            match output::sha256_of(&path) {
                Err(e) => problems.push(format!("{}: {}", path.display(), e.kind())),
                Ok((_, bytes)) if Some(bytes) != file["bytes"].as_u64() => problems.push(format!(
                    "{}: holds {bytes} bytes, not {}",
                    path.display(),
                    file["bytes"]
                )),
                Ok((sum, _)) if Some(sum.as_str()) != file["sha256"].as_str() => {
                    problems.push(format!("{}: its contents have changed", path.display()));
                }
                Ok(_) => {}
            }
        }
        let entry_file = folder.join(ENTRY);
        match fs::read_to_string(&entry_file) {
            Err(e) => problems.push(format!("{}: {}", entry_file.display(), e.kind())),
            Ok(own) if own.trim_end() != line => problems.push(format!(
                "{}: is not the manifest's line {}",
                entry_file.display(),
                i + 1
            )),
            Ok(_) => {}
        }
        for other in fs::read_dir(&folder).into_iter().flatten().flatten() {
            if !known.contains(other.file_name().to_string_lossy().as_ref()) {
                problems.push(format!("{}: is not in the manifest", other.path().display()));
            }
        }
    }
    if problems.is_empty() {
        if !quiet {
            println!("{samples} samples, {files} files: all as in the manifest");
        }
        return Ok(ExitCode::SUCCESS);
    }
    let mut words = String::new();
    for problem in problems.iter().take(20) {
        // Writing to a string does not fail.
        let _ = writeln!(words, "{problem}");
    }
    if problems.len() > 20 {
        let _ = writeln!(words, "… and {} more", problems.len() - 20);
    }
    eprint!("{words}");
    eprintln!(
        "{} problems in {}: take the folders of those samples away and run the recipe again, which makes them anew",
        problems.len(),
        out.display()
    );
    Ok(ExitCode::from(FAILED))
}

/// A path that stays inside.
fn is_inside(path: &str) -> bool {
    !path.is_empty()
        && Path::new(path).components().all(|c| matches!(c, std::path::Component::Normal(_)))
}
