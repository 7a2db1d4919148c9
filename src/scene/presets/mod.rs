//! Presets: kit to start from, kept as a scene would write it (`kit.yaml`), filled in under what is written.
//!
//! All of this works on the tree of a scene before it is read, so that a preset's values pass every check that written
//! ones do.

use super::check::ALTERNATIVES;
use super::written::{Key, Node, Value, parse, schema};
use crate::diag::{Diagnostic, Place};
use crate::units;
use serde_json::Value as Json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

/// The kit as data: the one place where a preset's values stand.
pub const KIT: &str = include_str!("kit.yaml");

/// A key that is written takes these of a preset out: they would not fit it any more.
const UNFIT: [(&str, &[&str]); 6] = [
    ("wall.size_px", &["wall.cabinet_px"]),
    ("filters.low_pass.preset", &FILTER),
    ("filters.low_pass.separation_um", &FILTER),
    ("filters.low_pass.separation_photosites", &FILTER),
    ("filters.low_pass.across_um", &FILTER),
    ("filters.low_pass.upright_um", &FILTER),
];

/// A filter is written whole.
const FILTER: [&str; 3] = [
    "filters.low_pass.preset",
    "filters.low_pass.separation_um",
    "filters.low_pass.separation_photosites",
];

/// What a kind of drive that is written leaves no room for.
const UNFIT_FOR_DRIVE: [(&str, &[&str]); 3] = [
    ("steady", &["drive.refresh_hz", "drive.scan", "drive.advanced"]),
    ("pwm", &["drive.scan", "drive.advanced"]),
    ("scanned", &["drive.advanced"]),
];

/// One preset.
#[derive(Debug, Clone)]
pub struct Preset {
    /// The group that chooses it, such as `wall`; the key is that and `.preset`.
    pub group: String,
    /// Its name, such as `fine_indoor`.
    pub name: String,
    /// What it is, in a sentence.
    pub about: String,
    /// The keys that it gives, as a scene would write them.
    gives: Node,
}

impl Preset {
    /// Each key that it gives and its value as a scene would write it, such as `wall.bits` and `10`.
    pub fn values(&self) -> Vec<(String, String)> {
        let mut out = Vec::new();
        flat(&self.gives, "", &mut out);
        out
    }
}

/// All presets, in the order of the kit.
pub fn presets() -> &'static [Preset] {
    static PRESETS: OnceLock<Vec<Preset>> = OnceLock::new();
    PRESETS.get_or_init(|| {
        // The kit is compiled in; a test sees that none of it is lost here.
        let Ok(Node { value: Value::Map(groups), .. }) = parse(KIT) else { return Vec::new() };
        let mut out = Vec::new();
        for (group, node) in groups {
            let Value::Map(presets) = node.value else { continue };
            for (name, node) in presets {
                let Value::Map(parts) = node.value else { continue };
                let mut preset = Preset {
                    group: group.name.clone(),
                    name: name.name,
                    about: String::new(),
                    gives: Node { place: None, value: Value::Null },
                };
                for (key, node) in parts {
                    match (key.name.as_str(), node.value) {
                        ("about", Value::Text(text)) => preset.about = text,
                        ("gives", value) => preset.gives = placed(value, &None),
                        _ => {}
                    }
                }
                out.push(preset);
            }
        }
        out
    })
}

/// What presets filled in.
#[derive(Debug, Clone, Default)]
pub(super) struct Filled {
    /// Which key came from which preset: `wall.bits` → `wall.preset: fine_indoor`.
    pub(super) by_key: BTreeMap<String, String>,
    /// Groups whose preset has a name that is not known.
    unknown: Vec<&'static str>,
}

/// Fills a scene's tree in from the presets that it names. A name that is not known is left to the reader, which
/// refuses it. Returns what was filled in.
pub(super) fn fill(root: &mut Node) -> Filled {
    for path in ["wall", "camera", "filters.low_pass"] {
        if let Some(node) = find_mut(root, path) {
            name_alone(node);
        }
    }
    let mut filled = Filled::default();
    // The filter last: a camera's preset may choose one.
    for group in ["wall", "camera", "filters.low_pass"] {
        if group == "filters.low_pass"
            && let Some(node) = find_mut(root, group)
        {
            name_alone(node);
        }
        let Some(chosen) = find_mut(root, &format!("{group}.preset")) else { continue };
        let Value::Text(name) = &chosen.value else { continue };
        let Some(preset) = presets().iter().find(|p| p.group == group && p.name == *name) else {
            filled.unknown.push(group);
            continue;
        };
        let place = chosen.place.clone();
        let mut written = BTreeSet::new();
        given(root, "", &mut written);
        written.remove(&format!("{group}.preset"));
        let drive = find_mut(root, "drive.kind").and_then(|node| match &node.value {
            Value::Text(word) => Some(word.clone()),
            _ => None,
        });
        let mut filling = Filling {
            place,
            from: format!("{group}.preset: {}", preset.name),
            written,
            drive,
            filled: &mut filled.by_key,
        };
        filling.group(root, &preset.gives, schema(), "");
    }
    whole_refresh(root, &filled.by_key);
    filled
}

/// Says of problems and notes whose value a preset gave that it did. What is missing because a preset's name is not
/// known is not told: the name is.
pub(super) fn tell(diagnostics: &mut Vec<Diagnostic>, filled: &Filled) {
    diagnostics.retain(|d| {
        let lacks = d.message.starts_with("missing") || d.key == "filters.low_pass";
        let within = |group: &str| {
            d.key.strip_prefix(group).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        !(lacks && filled.unknown.iter().any(|group| within(group)))
    });
    for diagnostic in diagnostics {
        let Some(from) = filled.by_key.get(&diagnostic.key) else { continue };
        let short = diagnostic.key.rsplit('.').next().unwrap_or_default();
        let words = format!("the value comes from `{from}`; a written `{short}` wins over it");
        diagnostic.hint = Some(match diagnostic.hint.take() {
            Some(hint) if !hint.is_empty() => format!("{hint}; {words}"),
            _ => words,
        });
    }
}

/// `wall: fine_indoor` is short for `wall: {preset: fine_indoor}`.
pub(super) fn name_alone(node: &mut Node) {
    if let Value::Text(name) = &node.value {
        let inner = Node { place: node.place.clone(), value: Value::Text(name.clone()) };
        let key = Key { name: "preset".into(), place: node.place.clone() };
        node.value = Value::Map(vec![(key, inner)]);
    }
}

/// A refresh that a preset gave is the sheet's: the wall's own is a whole number of times the video rate, where that
/// is known.
fn whole_refresh(root: &mut Node, filled: &BTreeMap<String, String>) {
    if !filled.contains_key("drive.refresh_hz") {
        return;
    }
    let rate = |node: &mut Node| match &node.value {
        Value::Number(n) => Some(units::exact_rate(*n)),
        Value::Text(text) => units::parse_rate(text),
        _ => None,
    };
    let video_hz = ["drive.video_hz", "camera.frame_rate_fps"]
        .into_iter()
        .find_map(|path| find_mut(root, path).and_then(rate))
        .unwrap_or(24.0);
    if let Some(Node { value: Value::Number(refresh_hz), .. }) = find_mut(root, "drive.refresh_hz")
        && video_hz.is_finite()
        && video_hz > 0.0
    {
        *refresh_hz = (*refresh_hz / video_hz).round().max(1.0) * video_hz;
    }
}

struct Filling<'a> {
    /// Where the preset is named: problems of its values point there.
    place: Option<Place>,
    from: String,
    /// Every key that the scene has so far.
    written: BTreeSet<String>,
    /// The kind of drive that is written as a word.
    drive: Option<String>,
    filled: &'a mut BTreeMap<String, String>,
}

impl Filling<'_> {
    /// Whether a key would say again, in another way, what a written key says.
    fn is_said(&self, path: &str) -> bool {
        let otherwise = ALTERNATIVES
            .iter()
            .filter(|group| group.contains(&path))
            .flat_map(|group| group.iter())
            .any(|key| *key != path && self.written.contains(*key));
        let unfit = UNFIT
            .iter()
            .any(|(key, takes_out)| self.written.contains(*key) && takes_out.contains(&path));
        let unfit_for_drive = UNFIT_FOR_DRIVE.iter().any(|(kind, takes_out)| {
            self.drive.as_deref() == Some(*kind) && takes_out.contains(&path)
        });
        otherwise || unfit || unfit_for_drive
    }

    fn group(&mut self, node: &mut Node, preset: &Node, schema: &Json, path: &str) {
        let Value::Map(values) = &preset.value else { return };
        if matches!(node.value, Value::Null) {
            node.value = Value::Map(Vec::new());
        }
        for (key, value) in values {
            let path =
                if path.is_empty() { key.name.clone() } else { format!("{path}.{}", key.name) };
            if self.is_said(&path) {
                continue;
            }
            let Value::Map(entries) = &mut node.value else { return };
            let at = entries.iter().position(|(k, _)| k.name == key.name);
            let inner = &schema["properties"][&key.name];
            match at {
                Some(i) if !matches!(entries[i].1.value, Value::Null) => {
                    self.under(&mut entries[i].1, value, inner, &path);
                }
                // A group is made key by key, since some of its keys may be said already.
                _ if inner["properties"].is_object() => {
                    let i = at.unwrap_or(entries.len());
                    if at.is_none() {
                        let key = Key { name: key.name.clone(), place: self.place.clone() };
                        entries.push((key, Node { place: self.place.clone(), value: Value::Null }));
                    }
                    self.group(&mut entries[i].1, value, inner, &path);
                }
                _ => {
                    let key = Key { name: key.name.clone(), place: self.place.clone() };
                    let value = placed(value.value.clone(), &self.place);
                    let mut paths = BTreeSet::new();
                    given(&value, &path, &mut paths);
                    self.filled.extend(paths.into_iter().map(|p| (p, self.from.clone())));
                    entries.retain(|(k, _)| k.name != key.name);
                    entries.push((key, value));
                }
            }
        }
    }

    /// Fills in below a key that is written.
    fn under(&mut self, node: &mut Node, preset: &Node, schema: &Json, path: &str) {
        if schema["properties"].is_object() {
            if matches!(node.value, Value::Map(_)) {
                self.group(node, preset, schema, path);
            }
            return;
        }
        // The same choice with details: `readout: rolling` leaves its details to the preset.
        let (Some(options), Value::Map(choice)) = (schema["oneOf"].as_array(), &preset.value)
        else {
            return;
        };
        let [(key, details)] = choice.as_slice() else { return };
        if let Value::Text(word) = &node.value
            && *word == key.name
        {
            let inner = (
                Key { name: word.clone(), place: node.place.clone() },
                Node { place: node.place.clone(), value: Value::Map(Vec::new()) },
            );
            node.value = Value::Map(vec![inner]);
        }
        let Value::Map(written) = &mut node.value else { return };
        let [(word, inner)] = written.as_mut_slice() else { return };
        let option = options.iter().find_map(|o| o["properties"].get(&key.name));
        if let (true, Some(option)) = (word.name == key.name, option)
            && matches!(inner.value, Value::Null | Value::Map(_))
            && option["properties"].is_object()
        {
            self.group(inner, details, option, &format!("{path}.{}", key.name));
        }
    }
}

/// Every key of a tree that has a value.
fn given(node: &Node, path: &str, out: &mut BTreeSet<String>) {
    if matches!(node.value, Value::Null) {
        return;
    }
    if !path.is_empty() {
        out.insert(path.to_owned());
    }
    if let Value::Map(entries) = &node.value {
        for (key, inner) in entries {
            let path =
                if path.is_empty() { key.name.clone() } else { format!("{path}.{}", key.name) };
            given(inner, &path, out);
        }
    }
}

fn find_mut<'a>(node: &'a mut Node, path: &str) -> Option<&'a mut Node> {
    let mut node = node;
    for part in path.split('.') {
        let Value::Map(entries) = &mut node.value else { return None };
        node = &mut entries.iter_mut().find(|(key, _)| key.name == part)?.1;
    }
    Some(node)
}

/// The same value, all of it at one place.
fn placed(value: Value, place: &Option<Place>) -> Node {
    let value = match value {
        Value::List(items) => {
            Value::List(items.into_iter().map(|item| placed(item.value, place)).collect())
        }
        Value::Map(entries) => Value::Map(
            entries
                .into_iter()
                .map(|(key, node)| {
                    (Key { name: key.name, place: place.clone() }, placed(node.value, place))
                })
                .collect(),
        ),
        other => other,
    };
    Node { place: place.clone(), value }
}

/// Keys and values of a tree, one a line.
fn flat(node: &Node, path: &str, out: &mut Vec<(String, String)>) {
    match &node.value {
        Value::Map(entries) => {
            for (key, inner) in entries {
                let path =
                    if path.is_empty() { key.name.clone() } else { format!("{path}.{}", key.name) };
                flat(inner, &path, out);
            }
        }
        _ => out.push((path.to_owned(), text(node))),
    }
}

fn text(node: &Node) -> String {
    match &node.value {
        Value::Null => "null".into(),
        Value::Bool(b) => b.to_string(),
        Value::Number(n) => n.to_string(),
        Value::Text(t) => t.clone(),
        Value::List(items) => {
            format!("[{}]", items.iter().map(text).collect::<Vec<_>>().join(", "))
        }
        Value::Map(_) => "{…}".into(),
    }
}
