//! A scene as understood: every input in the words and units of the file, and where it comes from.

mod settled;

use super::check::ALTERNATIVES;
use super::written::{Read, schema, unit_of};
use super::{ContentPictures, Edit, Scene, presets::Filled};
use crate::diag::Diagnostic;
use serde_json::{Value as Json, json};
use std::fmt::Write;

/// Where the value of a key comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// Written in the file, on this line.
    Written(usize),
    /// Set on top of the file, as `--set` does.
    Set,
    /// Filled in from a preset, such as `wall.preset: stage`.
    Preset(String),
    /// Left out: the documented default.
    Default,
}

impl Origin {
    /// In a few words.
    pub fn words(&self) -> String {
        match self {
            Self::Written(line) => format!("line {line}"),
            Self::Set => "set".into(),
            Self::Preset(name) => format!("from {name}"),
            Self::Default => "default".into(),
        }
    }
}

/// One key of the scene.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// Its path, such as `camera.readout.rolling.readout_ms`.
    pub key: String,
    /// Its value in the key's unit (lengths in metres, shutter speeds in seconds); null where it is left out and its
    /// default depends on other keys.
    pub value: Json,
    /// The value as it would stand in a scene file; empty for null.
    pub text: String,
    /// The unit, as people write it; empty for none.
    pub unit: &'static str,
    /// Where the value comes from.
    pub from: Origin,
    /// For a key that is left out: its default in words, if it has one.
    pub default: Option<String>,
    /// For a key that is left out: the value that the scene has in its place, in the key's unit, where that is one.
    pub in_its_place: Option<Json>,
}

/// A scene and each of its inputs.
#[derive(Debug, Clone)]
pub struct Understood {
    /// The scene.
    pub scene: Scene,
    /// Every key that applies to it, in the order of the key reference.
    pub inputs: Vec<Input>,
}

/// [`super::parse_edited`], and where every value came from.
pub fn understood(
    text: &str,
    name: &str,
    edits: &[Edit],
    pictures: &dyn ContentPictures,
) -> Result<Understood, Vec<Diagnostic>> {
    let (scene, read, filled) = super::parsed(text, name, edits, pictures)?;
    let file = serde_json::to_value(&read.file).unwrap_or_default();
    let mut walk = Walk { scene: &scene, read: &read, filled: &filled, inputs: Vec::new() };
    walk.group("", schema(), &file);
    let inputs = walk.inputs;
    Ok(Understood { scene, inputs })
}

struct Walk<'a> {
    scene: &'a Scene,
    read: &'a Read,
    filled: &'a Filled,
    inputs: Vec<Input>,
}

impl Walk<'_> {
    fn group(&mut self, path: &str, schema: &Json, value: &Json) {
        for (name, property) in schema["properties"].as_object().into_iter().flatten() {
            let key = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
            self.key(&key, property, &value[name]);
        }
    }

    fn key(&mut self, key: &str, schema: &Json, value: &Json) {
        if let (Some(options), Json::Object(choice)) = (schema["oneOf"].as_array(), value) {
            for (word, details) in choice {
                let option = options.iter().find_map(|o| o["properties"].get(word));
                let key = format!("{key}.{word}");
                self.key(&key, option.unwrap_or(&Json::Null), details);
            }
            return;
        }
        match value {
            Json::Object(_) if schema["properties"].is_object() => self.group(key, schema, value),
            // A list of groups.
            Json::Array(items) if items.iter().any(Json::is_object) => {
                let of = if schema["properties"].is_object() { schema } else { &schema["items"] };
                let alone =
                    matches!(items.as_slice(), [_]) && !self.read.is_given(&format!("{key}[1]"));
                for (i, item) in items.iter().enumerate() {
                    let key = if alone { key.to_owned() } else { format!("{key}[{}]", i + 1) };
                    self.group(&key, of, item);
                }
            }
            _ => self.leaf(key, schema, value),
        }
    }

    fn leaf(&mut self, key: &str, schema: &Json, value: &Json) {
        let left_out = value.is_null();
        self.inputs.push(Input {
            key: key.into(),
            text: if left_out { String::new() } else { text(schema, value) },
            value: value.clone(),
            unit: match schema["format"].as_str() {
                Some("length") => "m",
                Some("shutter") => "s",
                _ => unit_of(key),
            },
            from: self.origin(key),
            default: (left_out && !self.is_said_otherwise(key))
                .then(|| schema["x-default"].as_str().map(str::to_owned))
                .flatten(),
            in_its_place: left_out.then(|| settled::settled(self.scene, key)).flatten(),
        });
    }

    /// Whether another key that is given says what this one would say.
    fn is_said_otherwise(&self, key: &str) -> bool {
        let groups = ALTERNATIVES.iter().filter(|group| group.contains(&key));
        groups.flat_map(|group| group.iter()).any(|other| self.read.is_given(other))
    }

    /// A detail of a choice that is made by its word alone is a default.
    fn origin(&self, key: &str) -> Origin {
        let Some(place) = self.read.given.get(key) else { return Origin::Default };
        if let Some(preset) = self.filled.by_key.get(key) {
            return Origin::Preset(preset.clone());
        }
        place.as_ref().map_or(Origin::Set, |place| Origin::Written(place.line))
    }
}

/// A value as a scene file has it.
fn text(schema: &Json, value: &Json) -> String {
    match (schema["format"].as_str(), value) {
        (Some("switch"), Json::Bool(on)) => return if *on { "on" } else { "off" }.into(),
        (Some("length"), _) => return format!("{} m", plain(value)),
        (Some("shutter"), _) => return format!("{} s", plain(value)),
        _ => {}
    }
    plain(value)
}

/// Plain words stand without quotes, all other text with.
fn plain(value: &Json) -> String {
    match value {
        Json::String(text) => {
            let is_word = text.starts_with(|c: char| c.is_ascii_lowercase())
                && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
            let is_taken =
                ["true", "false", "null", "yes", "no", "y", "n"].contains(&text.as_str());
            if is_word && !is_taken { text.clone() } else { Json::String(text.clone()).to_string() }
        }
        Json::Array(items) => {
            format!("[{}]", items.iter().map(plain).collect::<Vec<_>>().join(", "))
        }
        Json::Number(n) if n.is_f64() => {
            n.as_f64().map_or_else(|| n.to_string(), |f| f.to_string())
        }
        other => other.to_string(),
    }
}

impl Understood {
    /// The whole scene as a scene file with a remark on each line: where the value comes from. Reading it gives the same
    /// scene. Keys that are left out stand as remarks, with their default.
    pub fn as_yaml(&self) -> String {
        let mut out = format!(
            "# {}, as understood: every input, and where it comes from - a line of the scene file, a key that was set \
             on top,\n# a preset (typical values, not a product), or the default.\n",
            self.scene.name
        );
        let mut open: Vec<&str> = Vec::new();
        for input in &self.inputs {
            if input.value.is_null() && input.default.is_none() && input.in_its_place.is_none() {
                continue;
            }
            let parts: Vec<&str> = input.key.split('.').collect();
            let (last, groups) = parts.split_last().unwrap_or((&"", &[]));
            let same = open.iter().zip(groups).take_while(|(a, b)| a == b).count();
            let mut dash = false;
            for (depth, group) in groups.iter().enumerate().skip(same) {
                let (name, number) = match group.split_once('[') {
                    Some((name, number)) => (name, Some(number.trim_end_matches(']'))),
                    None => (*group, None),
                };
                if number.is_none_or(|n| n == "1") {
                    let _ = writeln!(out, "{}{name}:", "  ".repeat(depth));
                }
                dash = number.is_some();
            }
            open = groups.to_vec();
            let indent = match (dash, groups.len()) {
                (true, depth) => "  ".repeat(depth - 1) + "- ",
                (false, depth) => "  ".repeat(depth),
            };
            let (set, remark) = if input.value.is_null() {
                let value =
                    input.in_its_place.as_ref().map_or(String::new(), |v| format!(" {}", plain(v)));
                let words = input.default.as_deref().unwrap_or("follows from other keys");
                (format!("{indent}# {last}:{value}"), format!("default: {words}"))
            } else {
                (format!("{indent}{last}: {}", input.text), input.from.words())
            };
            let line = format!("{set:<46} # {remark}");
            out.push_str(line.trim_end());
            out.push('\n');
        }
        out
    }

    /// The inputs as data: key, value, unit, and where each comes from.
    pub fn as_json(&self) -> Json {
        inputs_as_json(&self.inputs)
    }

    /// What each preset gave, as `wall.preset: stage gives pixel_pitch_mm, bits`, or nothing.
    pub fn from_presets(&self) -> Vec<String> {
        let mut lines: Vec<(String, Vec<&str>)> = Vec::new();
        for input in &self.inputs {
            let Origin::Preset(name) = &input.from else { continue };
            match lines.iter_mut().find(|(n, _)| n == name) {
                Some((_, keys)) => keys.push(&input.key),
                None => lines.push((name.clone(), vec![&input.key])),
            }
        }
        lines.iter().map(|(name, keys)| format!("{name} gives {}", keys.join(", "))).collect()
    }
}

/// Inputs as data.
fn inputs_as_json(inputs: &[Input]) -> Json {
    let rows = inputs.iter().map(|input| {
        let (from, detail) = match &input.from {
            Origin::Written(line) => ("written", json!(line)),
            Origin::Set => ("set", Json::Null),
            Origin::Preset(name) => ("preset", json!(name)),
            Origin::Default => ("default", Json::Null),
        };
        let mut row =
            json!({ "key": input.key, "value": input.value, "unit": input.unit, "from": from });
        match (&input.from, detail) {
            (Origin::Written(_), line) => row["line"] = line,
            (Origin::Preset(_), name) => row["preset"] = name,
            _ => {}
        }
        if let Some(words) = &input.default {
            row["default"] = json!(words);
        }
        if let Some(value) = &input.in_its_place {
            row["in_its_place"] = value.clone();
        }
        row
    });
    rows.collect()
}
