//! Holds the tree of a scene file against the schema: gathers every unknown key, wrong type and
//! value out of range, and reads what is left into [`SceneFile`].

use super::SceneFile;
use super::schema::{schema, unit_of};
use super::yaml::{Key, Node, Value, shortened};
use crate::diag::{Diagnostic, Place, closest};
use crate::units;
use serde_json::{Map, Value as Json, json};
use std::collections::{BTreeMap, BTreeSet};

/// Longest list of groups.
const MOST_ITEMS: usize = 16;

/// A scene file as far as it could be read.
#[derive(Debug)]
pub struct Read {
    /// The values; faulty ones are left at their defaults.
    pub file: SceneFile,
    /// What is wrong.
    pub problems: Vec<Diagnostic>,
    /// The keys that are given, and where each value stands: `None` for one from an edit.
    pub given: BTreeMap<String, Option<Place>>,
    /// Keys whose value is not to be trusted; the empty key stands for the whole file.
    pub bad: BTreeSet<String>,
}

impl Read {
    /// The place of a key, or of the nearest group around it that is given; `None` for a key from
    /// an edit.
    pub fn place(&self, key: &str) -> Option<Place> {
        let mut key = key;
        loop {
            if let Some(place) = self.given.get(key) {
                return place.clone();
            }
            key = &key[..key.rfind(['.', '['])?];
        }
    }

    /// Whether a key, a group around it or a key in it is faulty.
    pub fn is_bad(&self, key: &str) -> bool {
        let within = |inner: &str, outer: &str| {
            inner.strip_prefix(outer).is_some_and(|r| r.is_empty() || r.starts_with(['.', '[']))
        };
        self.bad.iter().any(|bad| bad.is_empty() || within(key, bad) || within(bad, key))
    }

    /// Whether a key is given, in the file or by an edit.
    pub fn is_given(&self, key: &str) -> bool {
        self.given.contains_key(key)
    }
}

/// Reads a tree. Never fails: what is wrong stands in `problems`.
pub fn read(root: &Node) -> Read {
    let mut walk = Walk { problems: Vec::new(), given: BTreeMap::new(), bad: BTreeSet::new() };
    let json = match &root.value {
        Value::Null => {
            walk.problem(
                "",
                &root.place,
                "the scene is empty".into(),
                Some("start with wall, lens and placement".into()),
            );
            None
        }
        _ => walk.node(root, schema(), ""),
    };
    let file = match serde_json::from_value(json.unwrap_or_else(|| json!({}))) {
        Ok(file) => file,
        // The schema and the structs come from the same source, so this cannot happen; if it
        // does, a person must see it and not a scene of defaults.
        Err(e) => {
            walk.problem("", &None, format!("the scene cannot be read: {e}"), None);
            SceneFile::default()
        }
    };
    Read { file, problems: walk.problems, given: walk.given, bad: walk.bad }
}

/// What a key accepts, in a few words: `0.1 to 100 mm`, `on or off`, `steady, pwm, …`.
pub fn allowed(schema: &Json, key: &str) -> String {
    match schema["format"].as_str() {
        Some("switch") => return "on or off".into(),
        Some("length") => return "a length with its unit, such as 3.2 m or 10 ft 6 in".into(),
        Some("shutter") => return "a fraction of a second such as 1/50, or 20 ms".into(),
        _ => {}
    }
    if let Some(options) = schema["oneOf"].as_array() {
        let words: Vec<&str> = options.iter().filter_map(option_word).collect();
        return words.join(", ");
    }
    let unit = unit_of(key);
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    match (schema["type"].as_str(), number(&schema["minimum"]), number(&schema["maximum"])) {
        (Some("array"), ..) => {
            let items = plural(&schema["items"], key);
            match list_lengths(schema) {
                (low, high) if low == high => format!("a list of {low} {items}"),
                (low, high) => format!("a list of {low} to {high} {items}"),
            }
        }
        (Some("integer"), Some(low), Some(high)) => format!("a whole number from {low} to {high}"),
        (_, Some(low), Some(high)) => format!("{low} to {high}{unit}"),
        (Some("object"), ..) => {
            let keys: Vec<&str> =
                schema["properties"].as_object().into_iter().flatten().map(|(k, _)| &**k).collect();
            keys.join(", ")
        }
        _ => String::new(),
    }
}

/// How many items a list may have.
fn list_lengths(schema: &Json) -> (usize, usize) {
    let low = schema["minItems"].as_u64().unwrap_or(0) as usize;
    (low, schema["maxItems"].as_u64().map_or(low, |high| high as usize))
}

/// What the items of a list accept.
fn plural(items: &Json, key: &str) -> String {
    let one = allowed(items, key);
    match items["type"].as_str() {
        Some("array") => one.replacen("a list", "lists", 1),
        Some("integer") => one.replacen("a whole number", "whole numbers", 1),
        Some("object") => format!("groups of keys ({one})"),
        Some("string") => items["x-plural"].as_str().unwrap_or(&one).to_string(),
        _ => format!("numbers from {one}"),
    }
}

fn number(value: &Json) -> Option<f64> {
    value.as_f64()
}

/// The word or the single key of an option of a choice.
fn option_word(option: &Json) -> Option<&str> {
    option["const"].as_str().or_else(|| option_key(option).map(|(key, _)| key))
}

fn option_key(option: &Json) -> Option<(&str, &Json)> {
    option["properties"].as_object()?.iter().next().map(|(k, v)| (k.as_str(), v))
}

/// Whether a group can be left empty.
fn may_be_empty(schema: &Json) -> bool {
    schema["properties"].is_object() && schema["required"].is_null()
}

struct Walk {
    problems: Vec<Diagnostic>,
    given: BTreeMap<String, Option<Place>>,
    bad: BTreeSet<String>,
}

impl Walk {
    fn problem(&mut self, key: &str, place: &Option<Place>, message: String, hint: Option<String>) {
        let mut diagnostic = Diagnostic::error(key, message).at(place.clone());
        diagnostic.hint = hint;
        self.problems.push(diagnostic);
        self.bad.insert(key.into());
    }

    /// The value as the structs expect it; `None` if absent or faulty.
    fn node(&mut self, node: &Node, schema: &Json, path: &str) -> Option<Json> {
        if matches!(node.value, Value::Null) {
            return None;
        }
        self.given.insert(path.into(), node.place.clone());
        if schema["oneOf"].is_array() {
            return self.choice(node, schema, path);
        }
        if schema["x-or-list"] == true {
            return self.one_or_list(node, schema, path);
        }
        match schema["format"].as_str() {
            Some("switch") => return self.switch(node, path),
            Some("length") => return self.length(node, path),
            Some("rate") => return self.rate(node, schema, path),
            Some("shutter") => return self.shutter(node, path),
            _ => {}
        }
        match schema["type"].as_str() {
            Some("object") => self.group(node, schema, path),
            Some("array") => self.list(node, schema, path),
            Some("number") => self.number(node, schema, path, false),
            Some("integer") => self.number(node, schema, path, true),
            _ => match &node.value {
                Value::Text(text) => Some(json!(text)),
                // Text without quotes may look like something else.
                Value::Number(n) => Some(json!(n.to_string())),
                Value::Bool(b) => Some(json!(b.to_string())),
                other => {
                    let message = format!("{} found; allowed: text", other.found());
                    self.problem(path, &node.place, message, None);
                    None
                }
            },
        }
    }

    fn group(&mut self, node: &Node, schema: &Json, path: &str) -> Option<Json> {
        let properties = schema["properties"].as_object()?;
        let Value::Map(entries) = &node.value else {
            let message = format!("{} found; allowed: a group of keys", node.value.found());
            let hint = match schema["properties"].as_object() {
                Some(_) => format!("keys that fit here: {}", allowed(schema, "")),
                None => String::new(),
            };
            self.problem(path, &node.place, message, Some(hint));
            return None;
        };
        let mut out = Map::new();
        // Keys that are there, or that a slip of the fingers was meant to be.
        let mut seen = BTreeSet::new();
        for (key, value) in entries {
            let inner = join(path, &key.name);
            seen.insert(key.name.as_str());
            match properties.get(&key.name) {
                Some(schema) => {
                    if let Some(json) = self.node(value, schema, &inner) {
                        out.insert(key.name.clone(), json);
                    } else if matches!(value.value, Value::Null) {
                        seen.remove(key.name.as_str());
                    }
                }
                None => seen.extend(self.unknown_key(key, schema, path)),
            }
        }
        for name in schema["required"].as_array().into_iter().flatten().filter_map(Json::as_str) {
            if !seen.contains(name) {
                let what = match allowed(&properties[name], name) {
                    text if text.is_empty() => String::new(),
                    text if properties[name]["type"] == "object" => format!("; its keys: {text}"),
                    text => format!("; allowed: {text}"),
                };
                self.problem(
                    &join(path, name),
                    &node.place,
                    format!("missing{what}"),
                    Some(format!("add `{name}:`{}", within(path))),
                );
            }
        }
        Some(Json::Object(out))
    }

    /// One group, or a list of such; always a list to the structs.
    fn one_or_list(&mut self, node: &Node, schema: &Json, path: &str) -> Option<Json> {
        let Value::List(items) = &node.value else {
            return self.group(node, schema, path).map(|one| json!([one]));
        };
        if items.is_empty() || items.len() > MOST_ITEMS {
            let message = format!("a list of {} found; allowed: 1 to {MOST_ITEMS}", items.len());
            self.problem(path, &node.place, message, None);
            return None;
        }
        let mut out = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let inner = format!("{path}[{}]", i + 1);
            self.given.insert(inner.clone(), item.place.clone());
            if matches!(item.value, Value::Null) {
                out.push(json!({}));
                continue;
            }
            out.extend(self.group(item, schema, &inner));
        }
        (out.len() == items.len()).then_some(Json::Array(out))
    }

    /// Returns the key that was probably meant, if it is one of this group.
    fn unknown_key<'s>(&mut self, key: &Key, schema: &'s Json, path: &str) -> Option<&'s str> {
        let known: Vec<&str> =
            schema["properties"].as_object().into_iter().flatten().map(|(k, _)| &**k).collect();
        let near = closest(&key.name, known.iter().copied());
        let hint = match near {
            Some(near) => format!("did you mean `{near}`?"),
            None => elsewhere(&key.name, path)
                .unwrap_or_else(|| format!("keys that fit here: {}", known.join(", "))),
        };
        self.problem(&join(path, &key.name), &key.place, "unknown key".into(), Some(hint));
        // What was meant is not missing, and its value is not known.
        self.bad.extend(near.map(|near| join(path, near)));
        near
    }

    fn list(&mut self, node: &Node, schema: &Json, path: &str) -> Option<Json> {
        let (low, high) = list_lengths(schema);
        let Value::List(items) = &node.value else {
            let message =
                format!("{} found; allowed: {}", node.value.found(), allowed(schema, path));
            self.problem(path, &node.place, message, Some(example_of(path, low)));
            return None;
        };
        if !(low..=high).contains(&items.len()) {
            let message =
                format!("{} found; allowed: {}", node.value.found(), allowed(schema, path));
            self.problem(path, &node.place, message, Some(example_of(path, low)));
            return None;
        }
        let mut out = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let inner = format!("{path}[{}]", i + 1);
            if matches!(item.value, Value::Null) {
                let message =
                    format!("nothing found; allowed: {}", allowed(&schema["items"], path));
                self.problem(&inner, &item.place, message, None);
                continue;
            }
            out.extend(self.node(item, &schema["items"], &inner));
        }
        (out.len() == items.len()).then_some(Json::Array(out))
    }

    fn number(&mut self, node: &Node, schema: &Json, path: &str, whole: bool) -> Option<Json> {
        let allowed = allowed(schema, path);
        let value = match &node.value {
            Value::Number(value) => *value,
            other => {
                let hint = match other {
                    Value::Text(text) => unit_hint(text, path),
                    _ => None,
                };
                let message = format!("{} is not a number; allowed: {allowed}", other.found());
                self.problem(path, &node.place, message, hint);
                return None;
            }
        };
        let fault = if !value.is_finite() {
            "is not a usable number"
        } else if whole && value.fract() != 0.0 {
            "is not a whole number"
        } else if number(&schema["minimum"]).is_some_and(|low| value < low) {
            "is too small"
        } else if number(&schema["maximum"]).is_some_and(|high| value > high) {
            "is too large"
        } else {
            return Some(if whole { json!(value as u64) } else { json!(value) });
        };
        self.problem(path, &node.place, format!("{value} {fault}; allowed: {allowed}"), None);
        None
    }

    fn choice(&mut self, node: &Node, schema: &Json, path: &str) -> Option<Json> {
        let options = schema["oneOf"].as_array()?;
        let words: Vec<&str> = options.iter().filter_map(option_word).collect();
        let keyed = |word: &str| options.iter().filter_map(option_key).find(|(k, _)| *k == word);
        let is_word = |word: &str| options.iter().any(|o| o["const"] == word);
        let allowed = words.join(", ");
        let unknown = |walk: &mut Self, word: &str, place: &Option<Place>| {
            let hint = match word {
                "unknown" => Some(
                    "`unknown` stands for numbers only: choose one, and try the others too".into(),
                ),
                _ => closest(word, words.iter().copied()).map(|w| format!("did you mean `{w}`?")),
            };
            walk.problem(
                path,
                place,
                format!("'{}' is not known; allowed: {allowed}", shortened(word)),
                hint,
            );
            None
        };
        match &node.value {
            Value::Text(word) if is_word(word) => Some(json!(word)),
            Value::Bool(false) if is_word("off") => Some(json!("off")),
            Value::Text(word) => match keyed(word) {
                Some((key, inner)) if may_be_empty(inner) => Some(json!({ key: {} })),
                Some((key, inner)) => {
                    let what = super::shape::allowed(inner, key);
                    let message = format!("'{key}' needs more than the word; allowed: {what}");
                    let hint = if inner["properties"].is_object() {
                        format!("write `{key}:` with its keys on the lines below it")
                    } else {
                        format!("write `{{{key}: …}}`")
                    };
                    self.problem(path, &node.place, message, Some(hint));
                    None
                }
                None => unknown(self, word, &node.place),
            },
            Value::Map(entries) => {
                let [(key, value)] = entries.as_slice() else {
                    let message = match entries.len() {
                        0 => format!("nothing chosen; allowed: one of {allowed}"),
                        n => format!("{n} keys found; allowed: one of {allowed}"),
                    };
                    self.problem(path, &node.place, message, Some("keep one".into()));
                    return None;
                };
                let inner_path = join(path, &key.name);
                match keyed(&key.name) {
                    Some((name, inner)) => {
                        if matches!(value.value, Value::Null) && may_be_empty(inner) {
                            return Some(json!({ name: {} }));
                        }
                        if matches!(value.value, Value::Null) {
                            let what = super::shape::allowed(inner, name);
                            let message = format!("nothing found; allowed: {what}");
                            self.problem(&inner_path, &key.place, message, None);
                            return None;
                        }
                        let json = self.node(value, inner, &inner_path)?;
                        Some(json!({ name: json }))
                    }
                    None if is_word(&key.name) => {
                        let message = format!("'{}' takes no keys", key.name);
                        let hint = format!("write the word alone: `{}`", key.name);
                        self.problem(path, &key.place, message, Some(hint));
                        None
                    }
                    None => unknown(self, &key.name, &key.place),
                }
            }
            other => {
                let message = format!("{} found; allowed: {allowed}", other.found());
                self.problem(path, &node.place, message, None);
                None
            }
        }
    }

    fn switch(&mut self, node: &Node, path: &str) -> Option<Json> {
        match &node.value {
            Value::Bool(on) => return Some(json!(on)),
            Value::Text(word) if word == "on" => return Some(json!(true)),
            Value::Text(word) if word == "off" => return Some(json!(false)),
            _ => {}
        }
        let message = format!("{} found; allowed: on or off", node.value.found());
        self.problem(path, &node.place, message, None);
        None
    }

    fn length(&mut self, node: &Node, path: &str) -> Option<Json> {
        let example = "3.2 m, 3200 mm or 10 ft 6 in";
        let (message, hint) = match &node.value {
            Value::Text(text) => match units::parse_length_m(text) {
                Ok(metres) => return Some(json!(metres)),
                Err(e) => (format!("'{}': {e}; allowed: {example}", shortened(text)), None),
            },
            Value::Number(n) => (
                format!("{n}: a length needs its unit; allowed: {example}"),
                Some(format!("write `{}_m: {n}` if it is in metres", last(path))),
            ),
            other => (format!("{} found; allowed: {example}", other.found()), None),
        };
        self.problem(path, &node.place, message, hint);
        None
    }

    fn rate(&mut self, node: &Node, schema: &Json, path: &str) -> Option<Json> {
        let allowed = allowed(schema, path);
        let value = match &node.value {
            Value::Number(n) => units::exact_rate(*n),
            Value::Text(text) => match units::parse_rate(text) {
                Some(value) => value,
                None => {
                    let message =
                        format!("'{}' is not a rate; allowed: {allowed}", shortened(text));
                    let hint = "write a number, or a fraction such as 24000/1001".to_string();
                    self.problem(path, &node.place, message, Some(hint));
                    return None;
                }
            },
            other => {
                let message = format!("{} is not a rate; allowed: {allowed}", other.found());
                self.problem(path, &node.place, message, None);
                return None;
            }
        };
        let plain = Node { place: node.place.clone(), value: Value::Number(value) };
        self.number(&plain, schema, path, false)
    }

    fn shutter(&mut self, node: &Node, path: &str) -> Option<Json> {
        let (message, hint) = match &node.value {
            Value::Text(text) => match units::parse_shutter_s(text) {
                Some(seconds) => return Some(json!(seconds)),
                None => (
                    format!("'{}' is not a shutter speed; allowed: 1/50 or 20 ms", shortened(text)),
                    None,
                ),
            },
            Value::Number(n) => (
                format!("{n} is not clear as a shutter speed; allowed: 1/50 or 20 ms"),
                Some(format!("write `shutter_speed: 1/{n}` if that is meant")),
            ),
            other => (format!("{} found; allowed: 1/50 or 20 ms", other.found()), None),
        };
        self.problem(path, &node.place, message, hint);
        None
    }
}

fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.into() } else { format!("{path}.{key}") }
}

fn last(path: &str) -> &str {
    path.rsplit('.').next().unwrap_or(path)
}

fn within(path: &str) -> String {
    if path.is_empty() { " at the left margin".into() } else { format!(" under `{path}`") }
}

fn example_of(path: &str, count: usize) -> String {
    let list = format!("[{}]", vec!["…"; count].join(", "));
    if path.ends_with(']') {
        format!("write `{list}`")
    } else {
        format!("write `{}: {list}`", last(path))
    }
}

/// `35 mm` where a plain number belongs.
fn unit_hint(text: &str, path: &str) -> Option<String> {
    let unit = unit_of(last(path));
    let starts = text.trim_start().starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c));
    if !starts || unit.is_empty() {
        return None;
    }
    Some(format!("the unit is in the key's name: write a plain number, in {unit}"))
}

/// A hint for a key that is known in another group, or nearly.
fn elsewhere(name: &str, path: &str) -> Option<String> {
    if name.starts_with(|c: char| c.is_ascii_digit()) {
        // `distance_m: 3,5` in braces is two keys to YAML.
        return Some(
            "keys do not begin with a digit; write decimals with a point, such as 3.5".into(),
        );
    }
    fn search(schema: &Json, path: &str, found: &mut Vec<(String, String)>) {
        for (key, inner) in schema["properties"].as_object().into_iter().flatten() {
            if !path.is_empty() {
                found.push((key.clone(), path.into()));
            }
            search(inner, &join(path, key), found);
        }
        for option in schema["oneOf"].as_array().into_iter().flatten() {
            search(option, path, found);
        }
    }
    let mut all = Vec::new();
    search(schema(), "", &mut all);
    // Inside the group first: `readout_ms` under `camera` is meant for `camera.readout.rolling`.
    let inside = format!("{path}.");
    let within: Vec<&(String, String)> =
        all.iter().filter(|(_, home)| home.starts_with(&inside)).collect();
    for keys in [within, all.iter().collect()] {
        let Some(near) = closest(name, keys.iter().map(|(key, _)| key.as_str())) else { continue };
        let mut homes: Vec<&str> =
            keys.iter().filter(|(key, _)| key == near).map(|(_, home)| home.as_str()).collect();
        homes.dedup();
        // Limits of advice have the names of what they limit: the scene's own key is meant.
        if homes.len() > 1 {
            homes.retain(|home| !home.starts_with("limits"));
        }
        match homes.as_slice() {
            [home] if near == name => return Some(format!("`{name}` belongs under `{home}`")),
            [home] => return Some(format!("did you mean `{home}.{near}`?")),
            // Few homes inside the group, such as the two ways of `drive.genlock`.
            [a, b] if near == name && a.starts_with(&inside) => {
                return Some(format!("`{name}` belongs under `{a}` or `{b}`"));
            }
            [a, b] if a.starts_with(&inside) => {
                return Some(format!("did you mean `{a}.{near}` or `{b}.{near}`?"));
            }
            // A common word such as `direction` says nothing about where it belongs.
            _ => {}
        }
    }
    None
}
