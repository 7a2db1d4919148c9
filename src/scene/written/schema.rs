//! The JSON Schema of a scene file, and the key reference made from it.

use super::SceneFile;
use schemars::{Schema, SchemaGenerator, generate::SchemaSettings, json_schema};
use serde_json::Value;
use std::sync::OnceLock;

/// A switch: `on` or `off`, `true` or `false`.
pub fn switch(_: &mut SchemaGenerator) -> Schema {
    json_schema!({"type": ["boolean", "string"], "enum": [true, false, "on", "off"], "format": "switch"})
}

/// A length with its unit.
pub fn length(_: &mut SchemaGenerator) -> Schema {
    json_schema!({"type": "string", "format": "length"})
}

/// A frame rate, as a number or a fraction.
pub fn rate(_: &mut SchemaGenerator) -> Schema {
    json_schema!({
        "type": ["number", "string"], "format": "rate", "minimum": 0.1, "maximum": 100_000.0
    })
}

/// A shutter speed.
pub fn shutter(_: &mut SchemaGenerator) -> Schema {
    json_schema!({"type": "string", "format": "shutter"})
}

/// Several shutter speeds.
pub fn shutters(_: &mut SchemaGenerator) -> Schema {
    json_schema!({
        "type": "array", "minItems": 1, "maxItems": 100,
        "items": {"type": "string", "format": "shutter", "x-plural": "shutter speeds, such as 1/50"}
    })
}

/// Width and height of an emitter.
pub fn size_mm(_: &mut SchemaGenerator) -> Schema {
    json_schema!({
        "type": "array", "minItems": 2, "maxItems": 2,
        "items": {"type": "number", "minimum": 0.001, "maximum": 100.0}
    })
}

/// Diameter of an emitter.
pub fn diameter_mm(_: &mut SchemaGenerator) -> Schema {
    json_schema!({"type": "number", "minimum": 0.001, "maximum": 100.0})
}

/// An exponent of a transfer curve.
pub fn gamma(_: &mut SchemaGenerator) -> Schema {
    json_schema!({"type": "number", "minimum": 0.2, "maximum": 5.0})
}

/// What a part of the schema is, for who walks along it.
#[derive(Debug, Clone, Copy)]
pub enum Walkable<'a> {
    /// One of several, by a word or a key.
    Choice(&'a [Value]),
    /// Keys; or, with `x-or-list`, a list of such groups.
    Group(&'a serde_json::Map<String, Value>),
    /// A list of these.
    List(&'a Value),
    /// A number, or a length, rate or shutter speed with its own way of writing.
    Number,
    /// Text, a switch.
    Other,
}

/// What a part of the schema is.
pub fn kind_of(schema: &Value) -> Walkable<'_> {
    if let Some(options) = schema["oneOf"].as_array() {
        return Walkable::Choice(options);
    }
    if let Some("length" | "rate" | "shutter") = schema["format"].as_str() {
        return Walkable::Number;
    }
    match schema["type"].as_str() {
        Some("number" | "integer") => Walkable::Number,
        Some("array") => Walkable::List(&schema["items"]),
        _ => schema["properties"].as_object().map_or(Walkable::Other, Walkable::Group),
    }
}

/// The JSON Schema (draft 7) of a scene file.
pub fn schema() -> &'static Value {
    static SCHEMA: OnceLock<Value> = OnceLock::new();
    SCHEMA.get_or_init(|| {
        let settings = SchemaSettings::draft07().with(|s| s.inline_subschemas = true);
        let root = settings.into_generator().into_root_schema_for::<SceneFile>();
        let mut value = root.to_value();
        simplify(&mut value);
        super::unknown::into_schema(&mut value);
        value
    })
}

/// Takes out what only repeats: a key that may be left out need not also accept nothing, and a
/// group's default is the defaults of its keys.
fn simplify(value: &mut Value) {
    let Value::Object(map) = value else {
        if let Value::Array(items) = value {
            items.iter_mut().for_each(simplify);
        }
        return;
    };
    for key in ["anyOf", "oneOf"] {
        let Some(Value::Array(options)) = map.get_mut(key) else { continue };
        options.retain(|o| o["type"] != "null");
        if let [Value::Object(only)] = options.as_mut_slice() {
            let only = std::mem::take(only);
            map.remove(key);
            for (k, v) in only {
                map.entry(k).or_insert(v);
            }
        }
    }
    if let Some(Value::Array(types)) = map.get_mut("type") {
        types.retain(|t| t != "null");
        if let [only] = types.as_slice() {
            let only = only.clone();
            map.insert("type".into(), only);
        }
    }
    if map.get("default").is_some_and(|d| d.is_null() || map.contains_key("properties")) {
        map.remove("default");
    }
    map.values_mut().for_each(simplify);
}

/// The schema for editors: where all details of a choice have defaults, its word alone will do
/// (`genlock: free`); a number may be a range or, where that has a meaning, `unknown`.
pub fn editor_schema() -> Value {
    let mut value = schema().clone();
    add_words(&mut value);
    value
}

fn add_words(value: &mut Value) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(add_words),
        Value::Object(map) => {
            map.values_mut().for_each(add_words);
            add_preset_names(map);
            add_lists(map);
            add_ranges(map);
            let Some(Value::Array(options)) = map.get_mut("oneOf") else { return };
            let words: Vec<Value> = options
                .iter()
                .filter_map(|option| {
                    let (word, inner) = option["properties"].as_object()?.iter().next()?;
                    let alone = inner["properties"].is_object() && inner["required"].is_null();
                    alone.then(|| {
                        serde_json::json!({
                            "type": "string", "const": word, "description": option["description"]
                        })
                    })
                })
                .collect();
            options.extend(words);
        }
        _ => {}
    }
}

/// A group that may stand several times is one of them or a list.
fn add_lists(map: &mut serde_json::Map<String, Value>) {
    if map.remove("x-or-list").is_none() {
        return;
    }
    let mut group = std::mem::take(map);
    let description = group.remove("description");
    map.extend(description.map(|d| ("description".to_owned(), d)));
    let list = serde_json::json!({"type": "array", "minItems": 1, "maxItems": 16, "items": group});
    map.insert("anyOf".into(), serde_json::json!([group, list]));
}

/// A number may be a range, and `unknown` where that stands for one.
fn add_ranges(map: &mut serde_json::Map<String, Value>) {
    let is_number = matches!(map.get("type").and_then(Value::as_str), Some("number" | "integer"))
        || matches!(map.get("format").and_then(Value::as_str), Some("length" | "rate" | "shutter"));
    if !is_number {
        return;
    }
    let (mut one, mut rest) = (serde_json::Map::new(), serde_json::Map::new());
    for (key, value) in std::mem::take(map) {
        let kept = key == "description" || key == "default" || key.starts_with("x-");
        if kept { &mut rest } else { &mut one }.insert(key, value);
    }
    let range = serde_json::json!({"type": "array", "minItems": 2, "maxItems": 2, "items": one});
    let mut options = vec![Value::Object(one), range];
    if rest.contains_key("x-typical") {
        options.push(serde_json::json!({"const": "unknown"}));
    }
    *map = rest;
    map.insert("anyOf".into(), options.into());
}

/// A group with presets takes the name of one alone (`low_pass: strong`).
fn add_preset_names(map: &mut serde_json::Map<String, Value>) {
    let Some(names) = map.get("properties").and_then(|p| p.get("preset")).cloned() else { return };
    let mut group = std::mem::take(map);
    let description = group.remove("description");
    map.extend(description.map(|d| ("description".to_owned(), d)));
    let mut names = names;
    if let Some(names) = names.as_object_mut() {
        names.remove("x-default");
    }
    map.insert("anyOf".into(), serde_json::json!([group, names]));
}

/// The unit that a key's name ends in, as people write it; empty for none.
pub fn unit_of(key: &str) -> &'static str {
    const UNITS: [(&str, &str); 24] = [
        ("_cycles_per_mm", "cycles/mm"),
        ("_photosites", "photosites"),
        ("_arcmin", "arcmin"),
        ("_percent", "%"),
        ("_stops", "stops"),
        ("_nits", "cd/m²"),
        ("_deg", "°"),
        ("_ppm", "ppm"),
        ("_fps", "fps"),
        ("_bits", "bits"),
        ("_mhz", "MHz"),
        ("_hz", "Hz"),
        ("_mm", "mm"),
        ("_um", "µm"),
        ("_nm", "nm"),
        ("_ms", "ms"),
        ("_us", "µs"),
        ("_ns", "ns"),
        ("_px", "px"),
        ("_xy", ""),
        ("_e", "e−"),
        ("_m", "m"),
        ("bits", "bits"),
        ("photosites", "photosites"),
    ];
    // `other_light[2].frequency_hz` and `matrix[1][2]` alike.
    let key = key.rsplit('.').next().unwrap_or(key);
    let key = key.split('[').next().unwrap_or(key);
    UNITS.iter().find(|(end, _)| key.ends_with(end)).map_or("", |(_, unit)| unit)
}

/// One row of the key reference.
struct Row {
    key: String,
    unit: String,
    default: String,
    meaning: String,
}

/// A plain aligned list of every key: key, unit, default, meaning.
///
/// A key in `<angle brackets>` is one of several to choose from.
pub fn key_reference() -> String {
    let mut rows = vec![Row {
        key: "KEY".into(),
        unit: "UNIT".into(),
        default: "DEFAULT".into(),
        meaning: "MEANING".into(),
    }];
    collect("", schema(), &mut rows);
    let width = |f: fn(&Row) -> &str| rows.iter().map(|r| f(r).chars().count()).max().unwrap_or(0);
    let (k, u, d) = (width(|r| &r.key), width(|r| &r.unit), width(|r| &r.default));
    rows.iter()
        .map(|r| {
            let line = format!("{:k$}  {:u$}  {:d$}  {}", r.key, r.unit, r.default, r.meaning);
            line.trim_end().to_string() + "\n"
        })
        .collect()
}

fn collect(path: &str, schema: &Value, rows: &mut Vec<Row>) {
    let Some(properties) = schema["properties"].as_object() else { return };
    for (name, property) in properties {
        let key = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
        let required =
            schema["required"].as_array().is_some_and(|r| r.iter().any(|k| k == name.as_str()));
        let default = default_text(property, required);
        let mut meaning = one_line(&property["description"]);
        let allowed = super::shape::allowed(property, name);
        if !allowed.is_empty() && property["properties"].is_null() {
            meaning.push_str(&format!(" Allowed: {allowed}."));
        }
        if let (Some(low), Some(high)) =
            (property["x-typical"][0].as_f64(), property["x-typical"][1].as_f64())
        {
            meaning.push_str(&format!(" `unknown` stands for {low} to {high}."));
        }
        rows.push(Row { key: key.clone(), unit: unit_of(name).into(), default, meaning });
        collect(&key, property, rows);
        collect(&format!("{key}[]"), &property["items"], rows);
        for option in property["oneOf"].as_array().into_iter().flatten() {
            if let Some(word) = option["const"].as_str() {
                rows.push(Row {
                    key: format!("{key}: {word}"),
                    unit: String::new(),
                    default: String::new(),
                    meaning: one_line(&option["description"]),
                });
            }
            for (word, inner) in option["properties"].as_object().into_iter().flatten() {
                rows.push(Row {
                    key: format!("{key}.<{word}>"),
                    unit: unit_of(word).into(),
                    default: String::new(),
                    meaning: one_line(&option["description"]),
                });
                collect(&format!("{key}.<{word}>"), inner, rows);
            }
        }
    }
}

fn one_line(text: &Value) -> String {
    text.as_str().unwrap_or_default().split_whitespace().collect::<Vec<_>>().join(" ")
}

fn default_text(property: &Value, required: bool) -> String {
    if let Some(text) = property["x-default"].as_str() {
        return text.into();
    }
    if property["properties"].is_object() {
        return String::new();
    }
    match &property["default"] {
        _ if required => "none: must be given".into(),
        Value::Null => "none".into(),
        Value::Bool(on) => if *on { "on" } else { "off" }.into(),
        Value::String(text) => text.clone(),
        Value::Object(map) => match map.iter().next() {
            // A choice with details: its details stand in their own rows.
            Some((word, Value::Object(_))) => word.clone(),
            Some((word, value)) => format!("{word}: {}", plain(value)),
            None => String::new(),
        },
        other => plain(other),
    }
}

/// JSON without the needless `.0` of whole numbers.
fn plain(value: &Value) -> String {
    match value {
        Value::Number(n) => n.as_f64().map_or_else(|| n.to_string(), |f| f.to_string()),
        Value::Array(items) => {
            format!("[{}]", items.iter().map(plain).collect::<Vec<_>>().join(", "))
        }
        other => other.to_string(),
    }
}
