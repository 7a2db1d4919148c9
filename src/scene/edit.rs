//! Edits by key path: `lens.focal_mm=50`.

use super::check::ALTERNATIVES;
use super::written::{Key, Node, Value, parse, schema};
use crate::diag::Diagnostic;
use serde_json::Value as Json;

/// A key to set, and its value as YAML text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Edit {
    /// Path of the key, such as `lens.focal_mm`.
    pub key: String,
    /// The value as it would stand in the file, such as `50` or `{solid: {light_percent: 18}}`;
    /// empty or `null` takes the key out.
    pub value: String,
}

impl std::str::FromStr for Edit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (key, value) = text.split_once('=').ok_or_else(|| {
            format!("'{text}' has no '='; write KEY=VALUE, such as lens.focal_mm=50")
        })?;
        let key = key.trim();
        if key.is_empty() || key.split('.').any(|part| part.trim().is_empty()) {
            return Err(format!(
                "'{text}' names no key; write KEY=VALUE, such as lens.focal_mm=50"
            ));
        }
        Ok(Self { key: key.into(), value: value.trim().into() })
    }
}

/// Edits, and later ones that win: an earlier edit goes where a later one sets the same key, or one that says the same thing in another
/// way (shutter angle and speed).
pub fn overridden(first: &[Edit], later: &[Edit]) -> Vec<Edit> {
    let replaces = |a: &str, b: &str| {
        a == b || ALTERNATIVES.iter().any(|group| group.contains(&a) && group.contains(&b))
    };
    let stays = |edit: &&Edit| !later.iter().any(|l| replaces(&l.key, &edit.key));
    first.iter().filter(stays).chain(later).cloned().collect()
}

/// Groups of keys of which none changes what the wall's pixels show.
const NOT_SHOWN: [&str; 12] = [
    "lens",
    "filters",
    "camera",
    "placement",
    "delivery",
    "viewing",
    "tolerances",
    "subject",
    "moves",
    "wall.diffuser",
    "wall.brightness_percent",
    "wall.white_nits",
];

/// Whether edits leave alone what the wall's pixels show.
pub(super) fn leave_content(edits: &[Edit]) -> bool {
    let is_of = |key: &str, group: &str| {
        key.strip_prefix(group).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
    };
    edits.iter().all(|edit| NOT_SHOWN.iter().any(|group| is_of(&edit.key, group)))
}

/// Sets keys in a tree. Whether they exist and fit is judged later, with everything else.
pub(super) fn apply(root: &mut Node, edits: &[Edit]) -> Result<(), Diagnostic> {
    for edit in edits {
        let value = match parse(&edit.value) {
            Ok(node) => without_places(node).value,
            Err(problem) => {
                let mut problem = problem.at(None);
                problem.key = edit.key.clone();
                return Err(problem);
            }
        };
        for group in ALTERNATIVES.iter().filter(|group| group.contains(&edit.key.as_str())) {
            for other in group.iter().filter(|other| **other != edit.key) {
                if !edits.iter().any(|e| e.key == *other) {
                    remove(root, other);
                }
            }
        }
        let parts: Vec<&str> = edit.key.split('.').collect();
        set(root, schema(), &parts, value);
    }
    Ok(())
}

fn without_places(node: Node) -> Node {
    let value = match node.value {
        Value::List(items) => Value::List(items.into_iter().map(without_places).collect()),
        Value::Map(entries) => Value::Map(
            entries
                .into_iter()
                .map(|(key, value)| (Key { name: key.name, place: None }, without_places(value)))
                .collect(),
        ),
        other => other,
    };
    Node { place: None, value }
}

fn set(node: &mut Node, schema: &Json, parts: &[&str], value: Value) {
    let Some((part, rest)) = parts.split_first() else {
        *node = Node { place: None, value };
        return;
    };
    // `delivery[2].size_px`: of the second only.
    let (first, numbers) = numbered(part);
    let inner = option_of(schema, first).unwrap_or(&schema["properties"][first]);
    if schema["properties"]["preset"].is_object() {
        super::presets::name_alone(node);
    }
    let is_choice = schema["oneOf"].is_array();
    if !matches!(node.value, Value::Map(_)) {
        node.value = Value::Map(Vec::new());
    }
    let Value::Map(entries) = &mut node.value else { return };
    if is_choice {
        // Another choice takes the place of the one that was made.
        entries.retain(|(key, _)| key.name == first);
    }
    let index = match entries.iter().position(|(key, _)| key.name == first) {
        Some(index) => index,
        None => {
            let key = Key { name: first.into(), place: None };
            entries.push((key, Node { place: None, value: Value::Null }));
            entries.len() - 1
        }
    };
    let node = &mut entries[index].1;
    match (&mut node.value, numbers.as_slice()) {
        // Without a number: of every one.
        (Value::List(items), []) if inner["x-or-list"] == true && !rest.is_empty() => {
            for item in items {
                set(item, inner, rest, value.clone());
            }
        }
        (Value::List(_), [_, ..]) => match numbered_item(node, &numbers) {
            Some(item) => {
                let items = (inner["x-or-list"] != true).then(|| &inner["items"]);
                set(item, items.unwrap_or(inner), rest, value);
            }
            None => {
                // There is no such one: the reader will say that it does not know it.
                let key = Key { name: (*part).into(), place: None };
                entries.push((key, Node { place: None, value }));
            }
        },
        (_, numbers) if !matches!(numbers, [] | [0 | 1]) => {
            let key = Key { name: (*part).into(), place: None };
            entries.push((key, Node { place: None, value }));
        }
        _ => set(node, inner, rest, value),
    }
}

/// The item of a list, of a list in it, …, counted from 1.
fn numbered_item<'a>(node: &'a mut Node, numbers: &[usize]) -> Option<&'a mut Node> {
    let Some((first, rest)) = numbers.split_first() else { return Some(node) };
    let Value::List(items) = &mut node.value else { return None };
    numbered_item(items.get_mut(first.checked_sub(1)?)?, rest)
}

/// `delivery[2]` or `matrix[1][3]` as the name and the numbers.
fn numbered(part: &str) -> (&str, Vec<usize>) {
    let split = part.strip_suffix(']').and_then(|p| p.split_once('['));
    let numbers = split.and_then(|(_, list)| list.split("][").map(|n| n.parse().ok()).collect());
    match (split, numbers) {
        (Some((name, _)), Some(numbers)) => (name, numbers),
        _ => (part, Vec::new()),
    }
}

/// The schema of the option of a choice that is made by a key.
fn option_of<'a>(schema: &'a Json, key: &str) -> Option<&'a Json> {
    schema["oneOf"].as_array()?.iter().find_map(|option| option["properties"].get(key))
}

fn remove(node: &mut Node, path: &str) {
    let Value::Map(entries) = &mut node.value else { return };
    match path.split_once('.') {
        Some((first, rest)) => {
            if let Some((_, inner)) = entries.iter_mut().find(|(key, _)| key.name == first) {
                remove(inner, rest);
            }
        }
        None => entries.retain(|(key, _)| key.name != path),
    }
}
