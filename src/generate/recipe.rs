//! A recipe, read: which scenes are drawn, and what is written of each.

use super::condition::{Condition, KEYS};
use super::degrade::{Degradation, degradations};
use super::draw::Draw;
use super::split::{HeldOut, Split};
use crate::artefact::Degree;
use crate::diag::{Diagnostic, Place};
use crate::scene::Edit;
use crate::scene::written::by_hand::{edits, entries, list, refuse, text, unknown_key};
use crate::scene::written::{Node, Value, parse};

/// One choice of a group of keys that go together.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// Its name.
    pub name: String,
    /// How often it is taken, against the others.
    pub weight: f64,
    /// What it sets.
    pub set: Vec<Edit>,
}

/// Keys that go together.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// The choices.
    pub choices: Vec<Choice>,
}

/// What is written of a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The frame as recorded.
    Captured,
    /// Neither lattice nor drive.
    Ideal,
    /// The real emitters, held steady.
    Lattice,
    /// M: what the lattice adds.
    Moire,
    /// B: what the drive adds.
    Bands,
    /// Where what is.
    Masks,
}

/// A stage of development.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// The camera's integers.
    Raw,
    /// Linear light, BT.709 primaries, bilinear demosaic.
    Linear,
    /// ACEScct.
    Log,
    /// The scene's first delivery.
    Delivered,
}

impl Stage {
    /// As files name it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Linear => "linear",
            Self::Log => "log",
            Self::Delivered => "delivered",
        }
    }
}

/// Where artefacts are measured for the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measured {
    /// Not at all.
    Nowhere,
    /// The strongest wave of each map around the picture's middle.
    Middle,
    /// The strongest waves of each map wherever they are; takes as long as all the rest.
    Everywhere,
}

/// Kind of picture files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// PNG, 16 bits.
    Png16,
    /// TIFF: 16 bits, raw levels.
    Tiff16,
    /// OpenEXR, 32-bit floats.
    Exr,
}

/// What is written, and how.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// Which parts.
    pub parts: Vec<Part>,
    /// At which stages.
    pub stages: Vec<Stage>,
    /// Frames with noise.
    pub with_noise: bool,
    /// Frames without noise.
    pub without_noise: bool,
    /// Pictures.
    pub pictures: FileKind,
    /// Maps of signed numbers.
    pub maps: FileKind,
    /// Raw mosaics as DNG beside what `pictures` says.
    pub dng: bool,
    /// Delivered pictures of a sample as one Y4M file and not one by one.
    pub y4m: bool,
    /// Where artefacts are measured for the truth.
    pub measured: Measured,
    /// What is done to delivered pictures, captured and twins alike.
    pub degrade: Vec<Degradation>,
}

impl Default for Written {
    fn default() -> Self {
        Self {
            parts: vec![
                Part::Captured,
                Part::Ideal,
                Part::Lattice,
                Part::Moire,
                Part::Bands,
                Part::Masks,
            ],
            stages: vec![Stage::Linear],
            with_noise: true,
            without_noise: true,
            pictures: FileKind::Png16,
            maps: FileKind::Png16,
            dng: false,
            y4m: false,
            measured: Measured::Middle,
            degrade: Vec::new(),
        }
    }
}

/// A key that varies, and where it stands.
pub type Varied = (String, Draw, Option<Place>);

/// A recipe.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Its name; the file's, if it says none.
    pub name: String,
    /// What it is for, in words.
    pub about: String,
    /// The licence of what is made.
    pub licence: String,
    /// The base scene's file, from the recipe's folder.
    pub scene: String,
    /// How many samples.
    pub count: u64,
    /// Seed of all that is drawn.
    pub seed: u64,
    /// Frames of each sample.
    pub frames: u32,
    /// Columns and rows that are recorded; `None` for the scene's own.
    pub size_px: Option<[u32; 2]>,
    /// The recorded part lies anywhere on the sensor, not in its middle.
    pub anywhere: bool,
    /// Keys that are the same for all.
    pub set: Vec<Edit>,
    /// Keys that vary.
    pub vary: Vec<Varied>,
    /// Keys that vary together.
    pub together: Vec<Group>,
    /// What must hold of each.
    pub conditions: Vec<Condition>,
    /// Degrees that come in turn; empty for as they come.
    pub balance: Vec<Degree>,
    /// Most draws for one sample.
    pub tries: u32,
    /// What is written.
    pub write: Written,
    /// How samples are split.
    pub split: Split,
}

/// Keys of a recipe.
const ALL_KEYS: [&str; 17] = [
    "name",
    "about",
    "licence",
    "scene",
    "count",
    "seed",
    "frames",
    "size_px",
    "part",
    "set",
    "vary",
    "together",
    "conditions",
    "balance",
    "tries",
    "write",
    "split",
];

/// Most samples of one recipe.
const MOST: u64 = 100_000_000;

impl Recipe {
    /// Reads a recipe; `name` is that of the file.
    ///
    /// # Errors
    /// What stands against it, with its place.
    pub fn read(written: &str, name: &str) -> Result<Self, Diagnostic> {
        let root = parse(written)?;
        let mut recipe = Self {
            name: name.to_owned(),
            about: String::new(),
            licence: "not said: ask whoever made it".into(),
            scene: String::new(),
            count: 0,
            seed: 1,
            frames: 1,
            size_px: None,
            anywhere: false,
            set: Vec::new(),
            vary: Vec::new(),
            together: Vec::new(),
            conditions: Vec::new(),
            balance: Vec::new(),
            tries: 200,
            write: Written::default(),
            split: Split::default(),
        };
        for (key, node) in entries("", &root)? {
            recipe.key(key, node)?;
        }
        let missing = |key: &str, what: &str, hint: &str| {
            Err(Diagnostic::error(key, format!("missing: {what}")).hint(hint))
        };
        if recipe.scene.is_empty() {
            return missing("scene", "which scene file is it made from?", "add `scene: FILE.yaml`");
        }
        if recipe.count == 0 {
            return missing("count", "how many samples?", "add `count: 100`");
        }
        recipe.check_names(&root)?;
        Ok(recipe)
    }

    /// The degree that sample `i` is to have, if degrees come in turn.
    pub fn wanted(&self, i: u64) -> Option<Degree> {
        let turn = i.checked_rem(self.balance.len() as u64)?;
        self.balance.get(turn as usize).copied()
    }

    fn key(&mut self, key: &str, node: &Node) -> Result<(), Diagnostic> {
        match key {
            "name" => {
                self.name = text(key, node)?;
                let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
                if !self.name.chars().all(plain) || self.name.len() > 60 {
                    let message = format!(
                        "'{}' found; allowed: up to 60 of a-z, A-Z, 0-9, - and _",
                        self.name
                    );
                    return Err(refuse(key, node, message, "it becomes part of file names"));
                }
            }
            "about" => self.about = text(key, node)?,
            "licence" => self.licence = text(key, node)?,
            "scene" => self.scene = text(key, node)?,
            "count" => self.count = whole(key, node, 1, MOST)?,
            "seed" => self.seed = whole(key, node, 0, 1 << 53)?,
            "frames" => self.frames = whole(key, node, 1, 10_000)? as u32,
            "tries" => self.tries = whole(key, node, 1, 100_000)? as u32,
            "size_px" => {
                let [columns, rows] = pair(key, node)?;
                let ok = |n: f64| n.fract() == 0.0 && (16.0..=16384.0).contains(&n);
                if !ok(columns) || !ok(rows) {
                    let message = format!("{columns} × {rows} found; allowed: 16 to 16384, whole");
                    return Err(refuse(key, node, message, "write `[512, 512]`: columns, rows"));
                }
                self.size_px = Some([columns as u32, rows as u32]);
            }
            "part" => self.anywhere = word(key, node, &["middle", "anywhere"])? == 1,
            "set" => self.set = edits(key, node)?,
            "vary" => {
                for (name, node) in entries(key, node)? {
                    let draw = draw(&format!("vary.{name}"), node)?;
                    self.vary.push((name.to_owned(), draw, node.place.clone()));
                }
            }
            "together" => {
                for (name, node) in entries(key, node)? {
                    self.together.push(group(name, node)?);
                }
            }
            "conditions" => {
                for (name, node) in entries(key, node)? {
                    self.conditions.push(condition(name, node)?);
                }
            }
            "balance" => self.balance = degrees(key, node)?,
            "write" => write(&mut self.write, node)?,
            "split" => self.split = split(node)?,
            _ => return Err(unknown_key(key, node, &ALL_KEYS)),
        }
        Ok(())
    }

    /// Names in `split` must be groups or keys that vary.
    fn check_names(&self, root: &Node) -> Result<(), Diagnostic> {
        let known: Vec<&str> = self
            .together
            .iter()
            .map(|g| g.name.as_str())
            .chain(self.vary.iter().map(|v| v.0.as_str()))
            .chain(
                self.together
                    .iter()
                    .flat_map(|g| &g.choices)
                    .flat_map(|c| &c.set)
                    .map(|e| e.key.as_str()),
            )
            .collect();
        let whole = self.split.whole.iter().map(|name| ("split.whole", name));
        let held = self.split.held_out.iter().map(|(name, _)| ("split.held_out", name));
        for (key, name) in whole.chain(held) {
            if !known.contains(&name.as_str()) {
                let message = format!("'{name}' does not vary; what does: {}", known.join(", "));
                let hint = "name a group under `together`, or a key under `vary`";
                return Err(refuse(key, root, message, hint));
            }
        }
        Ok(())
    }
}

fn number(key: &str, node: &Node) -> Result<f64, Diagnostic> {
    match &node.value {
        Value::Number(n) if n.is_finite() => Ok(*n),
        other => {
            let message = format!("{} found; allowed: a number", other.found());
            Err(refuse(key, node, message, "write a number alone, in the unit of the key"))
        }
    }
}

fn whole(key: &str, node: &Node, low: u64, high: u64) -> Result<u64, Diagnostic> {
    let value = number(key, node)?;
    if value.fract() == 0.0 && value >= low as f64 && value <= high as f64 {
        return Ok(value as u64);
    }
    let message = format!("{value} found; allowed: whole numbers from {low} to {high}");
    Err(refuse(key, node, message, "write a whole number"))
}

fn pair(key: &str, node: &Node) -> Result<[f64; 2], Diagnostic> {
    match list(key, node)? {
        [a, b] => Ok([number(key, a)?, number(key, b)?]),
        other => {
            let message = format!("a list of {} found; allowed: two numbers", other.len());
            Err(refuse(key, node, message, "write `[low, high]`"))
        }
    }
}

/// Two numbers, the first not above the second.
pub(super) fn range(key: &str, node: &Node) -> Result<[f64; 2], Diagnostic> {
    let [low, high] = pair(key, node)?;
    if low <= high {
        return Ok([low, high]);
    }
    let message = format!("[{low}, {high}] found; allowed: the lower number first");
    Err(refuse(key, node, message, "turn the two around"))
}

/// The number of a word among those that are allowed.
fn word(key: &str, node: &Node, allowed: &[&str]) -> Result<usize, Diagnostic> {
    let found = match &node.value {
        Value::Text(text) => allowed.iter().position(|word| word == text),
        _ => None,
    };
    found.ok_or_else(|| {
        let message = format!("{} found; allowed: {}", node.value.found(), allowed.join(", "));
        refuse(key, node, message, "write one of these words")
    })
}

/// One word or a list of them, as numbers among those that are allowed.
fn words(key: &str, node: &Node, allowed: &[&str]) -> Result<Vec<usize>, Diagnostic> {
    match &node.value {
        Value::List(_) => list(key, node)?.iter().map(|n| word(key, n, allowed)).collect(),
        _ => Ok(vec![word(key, node, allowed)?]),
    }
}

/// A distribution: a value, or a group with one of the keys that say how it is drawn.
pub(super) fn draw(key: &str, node: &Node) -> Result<Draw, Diagnostic> {
    const KINDS: [&str; 5] = ["uniform", "log_uniform", "normal", "choice", "follows"];
    let Value::Map(all) = &node.value else { return Ok(Draw::Always(node.value.in_one_line())) };
    let kind = all.iter().find(|(k, _)| KINDS.contains(&k.name.as_str()));
    let Some((kind, inner)) = kind else {
        // Not a distribution but a group of the scene, as it would stand there.
        return Ok(Draw::Always(node.value.in_one_line()));
    };
    let other = |name: &str| all.iter().find(|(k, _)| k.name == name).map(|(_, node)| node);
    let allowed: &[&str] = match kind.name.as_str() {
        "uniform" | "log_uniform" => &["whole"],
        "normal" => &["within"],
        "choice" => &["weights"],
        _ => &["times", "plus"],
    };
    for (found, node) in all {
        if found.name != kind.name && !allowed.contains(&found.name.as_str()) {
            return Err(unknown_key(&format!("{key}.{}", found.name), node, allowed));
        }
    }
    let path = format!("{key}.{}", kind.name);
    let is_whole = match other("whole").map(|n| &n.value) {
        None => false,
        Some(Value::Bool(whole)) => *whole,
        Some(found) => {
            let message = format!("{} found; allowed: true or false", found.found());
            return Err(refuse(&format!("{key}.whole"), node, message, "write true or false"));
        }
    };
    match kind.name.as_str() {
        "uniform" => {
            let [low, high] = range(&path, inner)?;
            if is_whole && (low.fract() != 0.0 || high.fract() != 0.0) {
                let message = format!("[{low}, {high}] found; allowed: whole numbers");
                return Err(refuse(&path, inner, message, "or leave `whole` out"));
            }
            Ok(Draw::Uniform { low, high, whole: is_whole })
        }
        "log_uniform" => {
            let [low, high] = range(&path, inner)?;
            if low <= 0.0 {
                let message = format!("[{low}, {high}] found; allowed: numbers above 0");
                return Err(refuse(&path, inner, message, "even ratios cannot begin at 0"));
            }
            Ok(Draw::LogUniform { low, high, whole: is_whole })
        }
        "normal" => {
            let [mean, sd] = pair(&path, inner)?;
            if sd <= 0.0 {
                let message = format!("a deviation of {sd} found; allowed: above 0");
                return Err(refuse(&path, inner, message, "write `[mean, standard deviation]`"));
            }
            let [low, high] = match other("within") {
                Some(node) => range(&format!("{key}.within"), node)?,
                None => [mean - 4.0 * sd, mean + 4.0 * sd],
            };
            if low > mean + 5.0 * sd || high < mean - 5.0 * sd {
                let message = "lies more than five deviations from the mean".to_owned();
                return Err(refuse(&format!("{key}.within"), node, message, "widen it"));
            }
            Ok(Draw::Normal { mean, sd, low, high })
        }
        "choice" => {
            let values = list(&path, inner)?;
            let weights = match other("weights") {
                None => vec![1.0; values.len()],
                Some(node) => {
                    let key = format!("{key}.weights");
                    let weights: Vec<f64> = list(&key, node)?
                        .iter()
                        .map(|n| number(&key, n))
                        .collect::<Result<_, _>>()?;
                    let sum: f64 = weights.iter().sum();
                    if weights.len() != values.len()
                        || weights.iter().any(|w| *w < 0.0)
                        || sum <= 0.0
                    {
                        let message = format!(
                            "{} weights for {} values; allowed: one for each, from 0, not all 0",
                            weights.len(),
                            values.len()
                        );
                        return Err(refuse(&key, node, message, "give each value its weight"));
                    }
                    weights
                }
            };
            let values = values.iter().map(|n| n.value.in_one_line()).zip(weights).collect();
            Ok(Draw::Choice(values))
        }
        _ => {
            let part = |name: &str, usual: &str| match other(name) {
                Some(node) => draw(&format!("{key}.{name}"), node),
                None => Ok(Draw::Always(usual.into())),
            };
            Ok(Draw::Follows {
                key: text(&path, inner)?,
                times: Box::new(part("times", "1")?),
                plus: Box::new(part("plus", "0")?),
            })
        }
    }
}

fn group(name: &str, node: &Node) -> Result<Group, Diagnostic> {
    const KEYS: [&str; 3] = ["name", "weight", "set"];
    let path = format!("together.{name}");
    let mut choices = Vec::new();
    for (i, one) in list(&path, node)?.iter().enumerate() {
        let path = format!("{path}[{}]", i + 1);
        let mut choice = Choice { name: String::new(), weight: 1.0, set: Vec::new() };
        for (key, value) in entries(&path, one)? {
            let path = format!("{path}.{key}");
            match key {
                "name" => choice.name = text(&path, value)?,
                "weight" => {
                    choice.weight = number(&path, value)?;
                    if choice.weight < 0.0 {
                        let message = format!("{} found; allowed: from 0", choice.weight);
                        return Err(refuse(
                            &path,
                            value,
                            message,
                            "0 is never, 2 is twice as often as 1",
                        ));
                    }
                }
                "set" => choice.set = edits(&path, value)?,
                _ => return Err(unknown_key(&path, value, &KEYS)),
            }
        }
        if choice.name.is_empty() {
            let message = "missing: what is it called?".to_owned();
            return Err(refuse(&format!("{path}.name"), one, message, "add `name:`"));
        }
        choices.push(choice);
    }
    if choices.iter().all(|c| c.weight == 0.0) {
        let message = "every weight is 0; allowed: at least one above".to_owned();
        return Err(refuse(&path, node, message, "leave `weight` out for even chances"));
    }
    Ok(Group { name: name.to_owned(), choices })
}

/// Degrees by the words of their keys.
fn degrees(key: &str, node: &Node) -> Result<Vec<Degree>, Diagnostic> {
    const DEGREES: [Degree; 3] = [Degree::Clean, Degree::Noticeable, Degree::Spoils];
    let found = words(key, node, &["clean", "noticeable", "spoils"])?;
    Ok(found.into_iter().map(|i| DEGREES[i]).collect())
}

fn condition(name: &str, node: &Node) -> Result<Condition, Diagnostic> {
    let path = format!("conditions.{name}");
    if name == "verdict" {
        return Ok(Condition::Verdict(degrees(&path, node)?));
    }
    let Some(kind) = KEYS.iter().position(|key| *key == name) else {
        return Err(unknown_key(&path, node, &[&KEYS[..], &["verdict"]].concat()));
    };
    let [low, high] = range(&path, node)?;
    Ok(Condition::Contrast(kind, low / 100.0, high / 100.0))
}

fn write(written: &mut Written, node: &Node) -> Result<(), Diagnostic> {
    const KEYS: [&str; 9] =
        ["parts", "stages", "noise", "pictures", "maps", "dng", "y4m", "measured", "degrade"];
    const PARTS: [Part; 6] =
        [Part::Captured, Part::Ideal, Part::Lattice, Part::Moire, Part::Bands, Part::Masks];
    const STAGES: [Stage; 4] = [Stage::Raw, Stage::Linear, Stage::Log, Stage::Delivered];
    const FILES: [FileKind; 3] = [FileKind::Png16, FileKind::Tiff16, FileKind::Exr];
    for (key, node) in entries("write", node)? {
        let path = format!("write.{key}");
        let truth = || match &node.value {
            Value::Bool(value) => Ok(*value),
            other => {
                let message = format!("{} found; allowed: true or false", other.found());
                Err(refuse(&path, node, message, "write true or false"))
            }
        };
        match key {
            "parts" => {
                let names = ["captured", "ideal", "lattice", "moire", "bands", "masks"];
                written.parts = words(&path, node, &names)?.into_iter().map(|i| PARTS[i]).collect();
            }
            "stages" => {
                let names = ["raw", "linear", "log", "delivered"];
                written.stages =
                    words(&path, node, &names)?.into_iter().map(|i| STAGES[i]).collect();
            }
            "noise" => {
                let found = words(&path, node, &["with", "without"])?;
                written.with_noise = found.contains(&0);
                written.without_noise = found.contains(&1);
            }
            "pictures" => written.pictures = FILES[word(&path, node, &["png16", "tiff16", "exr"])?],
            "maps" => {
                written.maps =
                    [FileKind::Png16, FileKind::Exr][word(&path, node, &["png16", "exr"])?];
            }
            "dng" => written.dng = truth()?,
            "y4m" => written.y4m = truth()?,
            "measured" => {
                written.measured = [Measured::Nowhere, Measured::Middle, Measured::Everywhere]
                    [word(&path, node, &["nowhere", "middle", "everywhere"])?];
            }
            "degrade" => {
                written.degrade = degradations(node)?;
            }
            _ => return Err(unknown_key(&path, node, &KEYS)),
        }
    }
    let is_delivered = written.stages.contains(&Stage::Delivered);
    if written.dng && !written.stages.contains(&Stage::Raw) {
        let message = "camera raw files are of the raw stage, and `stages` has none".to_owned();
        return Err(refuse("write.dng", node, message, "add `raw` to `stages`"));
    }
    if written.y4m && !is_delivered {
        let message = "Y4M files hold delivered pictures, and `stages` has none".to_owned();
        return Err(refuse("write.y4m", node, message, "add `delivered` to `stages`"));
    }
    if !written.degrade.is_empty() && !is_delivered {
        let message = "degraded are delivered pictures, and `stages` has none".to_owned();
        return Err(refuse("write.degrade", node, message, "add `delivered` to `stages`"));
    }
    Ok(())
}

fn split(node: &Node) -> Result<Split, Diagnostic> {
    let mut split = Split::default();
    for (key, node) in entries("split", node)? {
        let path = format!("split.{key}");
        match key {
            "shares" => {
                split.shares = [0.0; 3];
                let names = ["train", "validation", "test"];
                for (name, node) in entries(&path, node)? {
                    let path = format!("{path}.{name}");
                    let Some(i) = names.iter().position(|n| *n == name) else {
                        return Err(unknown_key(&path, node, &names));
                    };
                    split.shares[i] = number(&path, node)?;
                    if split.shares[i] < 0.0 {
                        let message = format!("{} found; allowed: from 0", split.shares[i]);
                        return Err(refuse(&path, node, message, "write a share, such as 0.8"));
                    }
                }
                if split.shares.iter().sum::<f64>() <= 0.0 {
                    let message = "all shares are 0; allowed: one above at least".to_owned();
                    return Err(refuse(
                        &path,
                        node,
                        message,
                        "write `{train: 0.8, validation: 0.1, test: 0.1}`",
                    ));
                }
            }
            "whole" => {
                split.whole = match &node.value {
                    Value::List(_) => list(&path, node)?
                        .iter()
                        .map(|n| text(&path, n))
                        .collect::<Result<_, _>>()?,
                    _ => vec![text(&path, node)?],
                };
            }
            "held_out" => {
                for (name, node) in entries(&path, node)? {
                    let path = format!("{path}.{name}");
                    let values = list(&path, node)?;
                    let numbers: Option<Vec<f64>> = values
                        .iter()
                        .map(|n| match n.value {
                            Value::Number(n) => Some(n),
                            _ => None,
                        })
                        .collect();
                    let held = match numbers.as_deref() {
                        Some([low, high]) if low <= high => HeldOut::Between(*low, *high),
                        _ => HeldOut::These(
                            values.iter().map(|n| text(&path, n)).collect::<Result<_, _>>()?,
                        ),
                    };
                    split.held_out.push((name.to_owned(), held));
                }
            }
            _ => return Err(unknown_key(&path, node, &["shares", "whole", "held_out"])),
        }
    }
    Ok(split)
}
