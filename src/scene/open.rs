//! Open values: numbers of a scene that are given as a range `[low, high]`, or as `unknown` with a typical range.
//!
//! A scene with open values is no scene yet: [`super::parse`] refuses it, since nothing may be a silent midpoint. [`OpenScene`]
//! holds it with its ranges, and [`OpenScene::at`] makes the scene of one choice of numbers.

use super::written::{Node, Value, Walkable, schema, typical, unit_of, whom_to_ask};
use super::{ContentPictures, Edit, Scene, edit, written};
use crate::diag::{Diagnostic, Place};
use crate::units;
use serde_json::Value as Json;

/// A value that is open.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenValue {
    /// Path of the key, as an edit names it: `drive.refresh_hz`, `other_light[2].frequency_hz`.
    pub key: String,
    /// Where it stands; `None` for one from an edit.
    pub place: Option<Place>,
    /// Lower end, in the key's unit (metres for a length with its unit, seconds for a shutter speed).
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Its unit as people write it; empty for none.
    pub unit: &'static str,
    /// Written as `unknown`: the range is the typical one.
    pub is_unknown: bool,
    /// Whole numbers only.
    pub is_whole: bool,
    /// The first sentence of the key's help.
    pub help: String,
    /// Who can be asked, as an errand.
    pub ask: &'static str,
    form: Form,
}

/// How the value is written.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Form {
    Number,
    Length,
    Rate,
    Shutter,
}

/// From this ratio of its ends on, a range is gone through in even ratios and not in even steps.
const WIDE: f64 = 4.0;

impl OpenValue {
    /// The middle of the range; of whole numbers the lower of two.
    pub fn middle(&self) -> f64 {
        let middle = self.low + (self.high - self.low) / 2.0;
        if self.is_whole { middle.floor() } else { middle }
    }

    /// The value at a share of the way from low to high: 0 is low, 1 is high. Wide ranges of positive numbers go in even ratios.
    /// Whole numbers are rounded, others kept to five digits.
    pub fn at(&self, share: f64) -> f64 {
        if share <= 0.0 {
            return self.low;
        }
        if share >= 1.0 {
            return self.high;
        }
        let value = if self.low > 0.0 && self.high >= WIDE * self.low {
            self.low * libm::pow(self.high / self.low, share)
        } else {
            self.low + share * (self.high - self.low)
        };
        let value = if self.is_whole {
            value.round()
        } else {
            format!("{value:.4e}").parse().unwrap_or(value)
        };
        value.clamp(self.low, self.high)
    }

    /// The share at which [`Self::at`] gives a value.
    pub fn share(&self, value: f64) -> f64 {
        let share = if self.low > 0.0 && self.high >= WIDE * self.low {
            libm::log(value / self.low) / libm::log(self.high / self.low)
        } else {
            (value - self.low) / (self.high - self.low)
        };
        share.clamp(0.0, 1.0)
    }

    /// Values from low to high, both among them, no two alike: `count` of them, of whole numbers all where there are few, and the
    /// powers of two, which scans and clocks are made of.
    pub fn spread(&self, count: usize) -> Vec<f64> {
        let last = count.max(2) - 1;
        let mut all: Vec<f64> = if self.is_whole && self.high - self.low <= 2.0 * last as f64 {
            (0..=(self.high - self.low) as usize).map(|i| self.low + i as f64).collect()
        } else {
            (0..=last).map(|i| self.at(i as f64 / last as f64)).collect()
        };
        if self.is_whole {
            let powers = (0..53).map(|i| (1_u64 << i) as f64);
            all.extend(powers.filter(|p| (self.low..=self.high).contains(p)));
        }
        all.sort_by(f64::total_cmp);
        all.dedup();
        all
    }

    /// The edit that sets it.
    pub fn edit(&self, value: f64) -> Edit {
        let value = match self.form {
            Form::Number | Form::Rate => format!("{value}"),
            Form::Length => format!("{value} m"),
            Form::Shutter => format!("{value} s"),
        };
        Edit { key: self.key.clone(), value }
    }

    /// A value in words: `3840 Hz`, `1/50 s`.
    pub fn words(&self, value: f64) -> String {
        match self.form {
            Form::Shutter => units::shutter(value),
            Form::Length => units::length(value),
            _ if self.unit.is_empty() => units::number(value),
            _ => format!("{} {}", units::number(value), self.unit),
        }
    }

    /// The range in words: `960 to 7680 Hz`.
    pub fn range_words(&self) -> String {
        match self.form {
            Form::Shutter | Form::Length => {
                format!("{} to {}", self.words(self.low), self.words(self.high))
            }
            _ => format!("{} to {}", units::number(self.low), self.words(self.high)),
        }
    }

    /// Why a scene with it cannot be used as it is.
    fn refusal(&self) -> Diagnostic {
        let message = match self.is_unknown {
            true => format!("not known: `unknown` stands for {}", self.range_words()),
            false => format!("not known: {}", self.range_words()),
        };
        let hint = format!(
            "choose with `--unknowns worst`, `best` or `middle`, or write a number (`--set {}=…`); \
             `gridbeat predict` says what it decides",
            self.key
        );
        Diagnostic::error(self.key.clone(), message).hint(hint).at(self.place.clone())
    }
}

/// What is open in a tree, and the ranges that are none.
#[derive(Debug, Default)]
pub(super) struct Found {
    pub(super) values: Vec<OpenValue>,
    pub(super) problems: Vec<Diagnostic>,
}

impl Found {
    /// Looks a tree through.
    pub(super) fn of(root: &Node) -> Self {
        let mut found = Self::default();
        found.node(root, schema(), "");
        found
    }

    /// Whether every value is a plain one.
    pub(super) fn is_nothing(&self) -> bool {
        self.values.is_empty() && self.problems.is_empty()
    }

    /// What stands against a scene with these, beside the `others`, in the order of the file.
    pub(super) fn refusals(&self, others: Vec<Diagnostic>) -> Vec<Diagnostic> {
        let is_said = |d: &Diagnostic| {
            let same = |key: &str| {
                d.key.strip_prefix(key).is_some_and(|r| r.is_empty() || r.starts_with('['))
            };
            self.problems.iter().any(|p| same(&p.key)) || self.values.iter().any(|v| same(&v.key))
        };
        let mut all: Vec<Diagnostic> = others.into_iter().filter(|d| !is_said(d)).collect();
        all.extend(self.problems.iter().cloned());
        all.extend(self.values.iter().map(OpenValue::refusal));
        all.sort_by_key(|d| d.place.as_ref().map_or((0, 0), |p| (p.line, p.column)));
        all
    }

    fn node(&mut self, node: &Node, schema: &Json, path: &str) {
        match written::kind_of(schema) {
            Walkable::Choice(options) => {
                let Value::Map(entries) = &node.value else { return };
                for (key, inner) in entries {
                    let option = options.iter().find_map(|o| o["properties"].get(&key.name));
                    if let Some(option) = option {
                        self.node(inner, option, &join(path, &key.name));
                    }
                }
            }
            Walkable::Group(properties) => match &node.value {
                Value::Map(entries) => {
                    for (key, inner) in entries {
                        if let Some(property) = properties.get(&key.name) {
                            self.node(inner, property, &join(path, &key.name));
                        }
                    }
                }
                Value::List(items) if schema["x-or-list"] == true => {
                    for (i, item) in items.iter().enumerate() {
                        self.node(item, schema, &format!("{path}[{}]", i + 1));
                    }
                }
                _ => {}
            },
            Walkable::List(of) => {
                let Value::List(items) = &node.value else { return };
                for (i, item) in items.iter().enumerate() {
                    self.node(item, of, &format!("{path}[{}]", i + 1));
                }
            }
            Walkable::Number => self.number(node, schema, path),
            Walkable::Other => {}
        }
    }

    fn number(&mut self, node: &Node, schema: &Json, path: &str) {
        let form = match schema["format"].as_str() {
            Some("length") => Form::Length,
            Some("rate") => Form::Rate,
            Some("shutter") => Form::Shutter,
            _ => Form::Number,
        };
        let (low, high, is_unknown) = match &node.value {
            Value::Text(word) if word == "unknown" => match typical(path) {
                Some([low, high]) => (low, high, true),
                None => {
                    let message = format!(
                        "'unknown' has no typical range here; allowed: {}, or a range of it",
                        written::allowed(schema, path)
                    );
                    let hint = format!("write what it may be: `{}: [low, high]`", last(path));
                    self.problem(path, node, message, hint);
                    return;
                }
            },
            Value::List(items) => match items.as_slice() {
                [low, high] => match self.ends(path, node, schema, form, [low, high]) {
                    Some([low, high]) => (low, high, false),
                    None => return,
                },
                // The reader says what is allowed.
                _ => return,
            },
            _ => return,
        };
        let help = schema["description"].as_str().unwrap_or_default();
        let help = help.split_whitespace().collect::<Vec<_>>().join(" ");
        self.values.push(OpenValue {
            key: path.into(),
            place: node.place.clone(),
            low,
            high,
            unit: match form {
                Form::Length => "m",
                Form::Shutter => "s",
                _ => unit_of(path),
            },
            is_unknown,
            is_whole: schema["type"] == "integer",
            help: help.split(". ").next().unwrap_or_default().trim_end_matches('.').into(),
            ask: whom_to_ask(path),
            form,
        });
    }

    /// The ends of a range, checked.
    fn ends(
        &mut self,
        path: &str,
        node: &Node,
        schema: &Json,
        form: Form,
        written: [&Node; 2],
    ) -> Option<[f64; 2]> {
        let allowed = written::allowed(schema, path);
        let mut ends = [0.0; 2];
        for (end, item) in ends.iter_mut().zip(written) {
            let value = match (&item.value, form) {
                (Value::Number(n), Form::Number) => Some(*n),
                (Value::Number(n), Form::Rate) => Some(units::exact_rate(*n)),
                (Value::Text(text), Form::Rate) => units::parse_rate(text),
                (Value::Text(text), Form::Length) => units::parse_length_m(text).ok(),
                (Value::Text(text), Form::Shutter) => units::parse_shutter_s(text),
                _ => None,
            };
            let whole = schema["type"] == "integer";
            let bound = |name: &str| schema[name].as_f64();
            let fault = match value {
                None => "cannot be an end of the range",
                Some(v) if !v.is_finite() => "is not a usable number",
                Some(v) if whole && v.fract() != 0.0 => "is not a whole number",
                Some(v) if bound("minimum").is_some_and(|low| v < low) => "is too small",
                Some(v) if bound("maximum").is_some_and(|high| v > high) => "is too large",
                Some(v) => {
                    *end = v;
                    continue;
                }
            };
            let message = format!("{} {fault}; allowed: {allowed}", item.value.found());
            self.problem(path, item, message, "a range is `[low, high]`".into());
            return None;
        }
        let [low, high] = ends;
        if low < high {
            return Some(ends);
        }
        let [first, second] = written.map(|item| item.value.found().replace('\'', ""));
        let (fault, hint) = if low == high {
            ("both ends are the same", format!("write `{}: {first}`", last(path)))
        } else {
            ("it runs from high to low", format!("write `[{second}, {first}]`"))
        };
        let message = format!(
            "[{first}, {second}] is no range: {fault}; allowed: low before high, {allowed}"
        );
        self.problem(path, node, message, hint);
        None
    }

    fn problem(&mut self, path: &str, node: &Node, message: String, hint: String) {
        self.problems.push(Diagnostic::error(path, message).hint(hint).at(node.place.clone()));
    }
}

fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.into() } else { format!("{path}.{key}") }
}

fn last(path: &str) -> &str {
    path.rsplit('.').next().unwrap_or(path)
}

/// Beginnings of the keys that the code values of the wall's pixels follow from.
const PAINTS: [&str; 7] = [
    "content.",
    "wall.size_px",
    "wall.cabinet",
    "wall.transfer",
    "wall.bits",
    "wall.seed",
    "wall.dead_emitters",
];

/// A scene with its open values; without any it is a scene like another.
#[derive(Debug, Clone)]
pub struct OpenScene {
    /// Short name, from the file's name.
    pub name: String,
    /// The open values, in the order of the file.
    pub values: Vec<OpenValue>,
    root: Node,
}

impl OpenScene {
    /// Reads a scene as far as its open values. The error is that of the YAML, of an edit, or of ranges that are none.
    pub fn read(text: &str, name: &str, edits: &[Edit]) -> Result<Self, Vec<Diagnostic>> {
        let mut root = written::parse(text).map_err(|problem| vec![problem])?;
        edit::apply(&mut root, edits).map_err(|problem| vec![problem])?;
        let found = Found::of(&root);
        if !found.problems.is_empty() {
            return Err(found.problems);
        }
        Ok(Self { name: name.into(), values: found.values, root })
    }

    /// The edits that set every open value, in their order.
    pub fn edits(&self, values: &[f64]) -> Vec<Edit> {
        self.values.iter().zip(values).map(|(open, value)| open.edit(*value)).collect()
    }

    /// The scene with its open values at these, one for each; or what stands against it.
    pub fn at(
        &self,
        values: &[f64],
        pictures: &dyn ContentPictures,
    ) -> Result<Scene, Vec<Diagnostic>> {
        self.scene(values, pictures, None)
    }

    /// [`Self::at`], but for notes on what the wall shows, and quicker: that is taken over from the scene of other values, where no
    /// open value changes it.
    pub fn at_showing(
        &self,
        values: &[f64],
        pictures: &dyn ContentPictures,
        shows_as: &Scene,
    ) -> Result<Scene, Vec<Diagnostic>> {
        let paints = |v: &OpenValue| PAINTS.iter().any(|key| v.key.starts_with(key));
        let same = shows_as.moving.is_none() && !self.values.iter().any(paints);
        self.scene(values, pictures, same.then_some(shows_as))
    }

    /// The scene with more keys set, if no value is open; it shows what `shows_as` does, where no edit changes that.
    pub fn edited(
        &self,
        edits: &[Edit],
        pictures: &dyn ContentPictures,
        shows_as: Option<&Scene>,
    ) -> Result<Scene, Vec<Diagnostic>> {
        let paints = |e: &Edit| PAINTS.iter().any(|key| format!("{}.", e.key).starts_with(key));
        let same = !edits.iter().any(paints);
        let shows_as = shows_as.filter(|scene| same && scene.moving.is_none());
        let mut root = self.root.clone();
        edit::apply(&mut root, edits).map_err(|problem| vec![problem])?;
        super::of_tree(root, &self.name, pictures, shows_as).map(|(scene, ..)| scene)
    }

    /// The number that is written at a key, in the key's unit; `None` where there is none.
    pub fn number(&self, key: &str) -> Option<f64> {
        match self.written(key)? {
            Value::Number(number) => Some(*number),
            _ => None,
        }
    }

    /// The text that is written at a key.
    pub fn text(&self, key: &str) -> Option<&str> {
        match self.written(key)? {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    /// Whether anything is written at a key.
    pub fn is_written(&self, key: &str) -> bool {
        self.written(key).is_some()
    }

    fn written(&self, key: &str) -> Option<&Value> {
        key.split('.').try_fold(&self.root.value, |value, part| {
            let Value::Map(entries) = value else { return None };
            entries.iter().find(|(key, _)| key.name == part).map(|(_, node)| &node.value)
        })
    }

    fn scene(
        &self,
        values: &[f64],
        pictures: &dyn ContentPictures,
        shows_as: Option<&Scene>,
    ) -> Result<Scene, Vec<Diagnostic>> {
        let mut root = self.root.clone();
        edit::apply(&mut root, &self.edits(values)).map_err(|problem| vec![problem])?;
        super::of_tree(root, &self.name, pictures, shows_as).map(|(scene, ..)| scene)
    }
}
