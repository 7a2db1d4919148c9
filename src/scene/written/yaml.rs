//! YAML text → a tree of values that know their place. The only file that knows the YAML library.
//!
//! A tree, and not the structs directly: a typed read stops at the first slip, and a person who
//! made three wants to hear of three.

use crate::diag::{Diagnostic, Place};
use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_yaml::{Location, Spanned};
use std::fmt;

/// A value and where it stands.
#[derive(Debug, Clone)]
pub struct Node {
    /// Where; `None` for a value that came from an edit.
    pub place: Option<Place>,
    /// What.
    pub value: Value,
}

/// A YAML value.
#[derive(Debug, Clone)]
pub enum Value {
    /// Nothing after the colon.
    Null,
    /// true or false.
    Bool(bool),
    /// A number; finite or not.
    Number(f64),
    /// Text.
    Text(String),
    /// A list.
    List(Vec<Node>),
    /// Keys and values in the order of the file.
    Map(Vec<(Key, Node)>),
}

/// A key and where it stands.
#[derive(Debug, Clone)]
pub struct Key {
    /// Its text.
    pub name: String,
    /// Where.
    pub place: Option<Place>,
}

impl Value {
    /// The value in a few words, for messages.
    pub fn found(&self) -> String {
        match self {
            Self::Null => "nothing".into(),
            Self::Bool(b) => b.to_string(),
            Self::Number(n) => format!("{n}"),
            Self::Text(t) => format!("'{}'", shortened(t)),
            Self::List(items) => format!("a list of {}", items.len()),
            Self::Map(_) => "a group of keys".into(),
        }
    }

    /// The value as YAML on one line.
    pub fn in_one_line(&self) -> String {
        match self {
            Self::Null => "null".into(),
            Self::Bool(b) => b.to_string(),
            Self::Number(n) if n.is_finite() => n.to_string(),
            Self::Number(n) if n.is_nan() => ".nan".into(),
            Self::Number(n) => if *n > 0.0 { ".inf" } else { "-.inf" }.into(),
            Self::Text(text) => {
                // Words, measures and fractions stand as they are.
                let plain = |c: char| c.is_ascii_alphanumeric() || "_/.- ".contains(c);
                let starts = text.starts_with(|c: char| c.is_ascii_alphabetic());
                let word = starts && text.chars().all(plain) && text.trim() == text;
                let keyword = ["null", "true", "false", "yes", "no", "on", "off", "y", "n"]
                    .iter()
                    .any(|k| text.eq_ignore_ascii_case(k));
                if word && !keyword {
                    text.clone()
                } else {
                    serde_json::Value::from(text.as_str()).to_string()
                }
            }
            Self::List(items) => {
                let all: Vec<String> = items.iter().map(|item| item.value.in_one_line()).collect();
                format!("[{}]", all.join(", "))
            }
            Self::Map(entries) => {
                let all: Vec<String> = entries
                    .iter()
                    .map(|(key, node)| {
                        format!(
                            "{}: {}",
                            Self::Text(key.name.clone()).in_one_line(),
                            node.value.in_one_line()
                        )
                    })
                    .collect();
                format!("{{{}}}", all.join(", "))
            }
        }
    }
}

/// The first 40 letters, on one line.
pub(super) fn shortened(text: &str) -> String {
    shortened_to(text, 40)
}

fn shortened_to(text: &str, letters: usize) -> String {
    let mut out: String =
        text.chars().take(letters).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().count() > letters {
        out.push('…');
    }
    out
}

/// Reads one document. The error is a single diagnostic: after a slip in the YAML itself nothing
/// further can be trusted.
pub fn parse(text: &str) -> Result<Node, Diagnostic> {
    if text.len() > MAX_BYTES {
        return Err(Diagnostic::error(
            "",
            format!("the file holds {} bytes; a scene may hold {MAX_BYTES}", text.len()),
        ));
    }
    let options = serde_yaml::options! {
        underscored_numbers_as_strings: true,
        strict_booleans: true,
        with_snippet: false,
        non_finite_float_policy: serde_yaml::NonFiniteFloatPolicy::PassThrough,
    };
    match serde_yaml::from_str_with_options::<Spanned<Raw>>(text, options) {
        Ok(root) => Ok(convert(root, text)),
        Err(error) => {
            let place = error.location().and_then(|l| place_of(l, text));
            let (message, hint) = words_of(&error, text);
            Err(Diagnostic::error("", format!("not readable as YAML: {message}"))
                .hint(hint)
                .at(place))
        }
    }
}

/// A scene is a page or two; a megabyte is somebody's wrong file.
const MAX_BYTES: usize = 1 << 20;

/// The library's message on one line, without its words for the place and for programmers.
fn words_of(error: &serde_yaml::Error, text: &str) -> (String, &'static str) {
    if text.lines().any(|line| line.trim_start_matches(' ').starts_with('\t')) {
        return ("a line starts with a tab".into(), "indent with spaces: YAML allows no tabs");
    }
    match error.without_snippet() {
        serde_yaml::Error::DuplicateMappingKey { key, .. } => {
            let key = key.as_deref().unwrap_or("this key");
            (format!("`{}` stands here a second time", shortened(key)), "keep one of the two")
        }
        serde_yaml::Error::MultipleDocuments { .. } => {
            ("a second document starts here".into(), "one file holds one scene: take out the `---`")
        }
        other => {
            let message = other.to_string();
            let message = message.lines().next().unwrap_or_default();
            let message = message.split(" at line ").next().unwrap_or_default();
            let hint =
                "check the indentation, the colons and the quotes here and on the line before";
            (shortened_to(message.trim(), 200), hint)
        }
    }
}

enum Raw {
    Null,
    Bool(bool),
    Number(f64),
    Text(String),
    List(Vec<Spanned<Raw>>),
    Map(Vec<(Spanned<String>, Spanned<Raw>)>),
}

impl<'de> Deserialize<'de> for Raw {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(RawVisitor)
    }
}

struct RawVisitor;

impl<'de> Visitor<'de> for RawVisitor {
    type Value = Raw;

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a value")
    }
    fn visit_bool<E>(self, v: bool) -> Result<Raw, E> {
        Ok(Raw::Bool(v))
    }
    fn visit_i64<E>(self, v: i64) -> Result<Raw, E> {
        Ok(Raw::Number(v as f64))
    }
    fn visit_u64<E>(self, v: u64) -> Result<Raw, E> {
        Ok(Raw::Number(v as f64))
    }
    fn visit_i128<E>(self, v: i128) -> Result<Raw, E> {
        Ok(Raw::Number(v as f64))
    }
    fn visit_u128<E>(self, v: u128) -> Result<Raw, E> {
        Ok(Raw::Number(v as f64))
    }
    fn visit_f64<E>(self, v: f64) -> Result<Raw, E> {
        Ok(Raw::Number(v))
    }
    fn visit_str<E>(self, v: &str) -> Result<Raw, E> {
        Ok(Raw::Text(v.to_string()))
    }
    fn visit_unit<E>(self) -> Result<Raw, E> {
        Ok(Raw::Null)
    }
    fn visit_none<E>(self) -> Result<Raw, E> {
        Ok(Raw::Null)
    }
    fn visit_some<D: Deserializer<'de>>(self, deserializer: D) -> Result<Raw, D::Error> {
        Raw::deserialize(deserializer)
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Raw, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = seq.next_element()? {
            items.push(item);
        }
        Ok(Raw::List(items))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Raw, A::Error> {
        let mut entries = Vec::new();
        while let Some(entry) = map.next_entry()? {
            entries.push(entry);
        }
        Ok(Raw::Map(entries))
    }
}

fn convert(raw: Spanned<Raw>, text: &str) -> Node {
    let place = place_of(raw.referenced, text);
    let value = match raw.value {
        Raw::Null => Value::Null,
        Raw::Bool(b) => Value::Bool(b),
        Raw::Number(n) => Value::Number(n),
        Raw::Text(t) => Value::Text(t),
        Raw::List(items) => Value::List(items.into_iter().map(|i| convert(i, text)).collect()),
        Raw::Map(entries) => Value::Map(
            entries
                .into_iter()
                .map(|(key, value)| {
                    let place = place_of(key.referenced, text);
                    (Key { name: key.value, place }, convert(value, text))
                })
                .collect(),
        ),
    };
    Node { place, value }
}

/// The place of a location, its bytes cut to the first line and to what the text holds.
fn place_of(location: Location, text: &str) -> Option<Place> {
    if location.line() == 0 {
        return None;
    }
    let span = location.span();
    let line = location.line() as usize;
    let column = location.column().max(1) as usize;
    let start = match span.byte_offset() {
        Some(offset) => offset as usize,
        None => byte_of(text, line, column),
    };
    let mut start = start.min(text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    let length = span.byte_len().unwrap_or(1).max(1) as usize;
    let mut end = start.saturating_add(length).min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    let first_line = text[start..end].find('\n').map_or(end, |n| start + n);
    Some(Place { line, column, bytes: start..first_line.max(start) })
}

fn byte_of(text: &str, line: usize, column: usize) -> usize {
    let mut start = 0;
    for (number, content) in text.split_inclusive('\n').enumerate() {
        if number + 1 == line {
            return start
                + content.char_indices().nth(column - 1).map_or(content.len(), |(at, _)| at);
        }
        start += content.len();
    }
    text.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_know_their_place() {
        let text = "wall:\n  pixel_pitch_mm: 2.6 # fine\n  on: off\n  size: [1_0, 2]\n";
        let root = parse(text).unwrap_or_else(|e| panic!("{e:?}"));
        let Value::Map(top) = &root.value else { panic!("{root:?}") };
        let Value::Map(wall) = &top[0].1.value else { panic!("{root:?}") };
        assert_eq!(wall[0].0.name, "pixel_pitch_mm");
        assert!(matches!(wall[0].1.value, Value::Number(n) if n == 2.6));
        let place = wall[0].1.place.clone().unwrap_or_else(|| panic!("no place"));
        assert_eq!((place.line, place.column), (2, 19));
        assert_eq!(&text[place.bytes], "2.6");
        assert!(matches!(&wall[1].1.value, Value::Text(t) if t == "off"));
        let Value::List(items) = &wall[2].1.value else { panic!("{root:?}") };
        assert!(matches!(&items[0].value, Value::Text(t) if t == "1_0"));
    }

    #[test]
    fn broken_yaml_names_its_line() {
        let error = parse("a: 1\na: 2\n").expect_err("duplicate");
        assert_eq!(error.place.as_ref().map(|p| p.line), Some(2), "{error:?}");
        let error = parse("a: [1,\nb: 2\n").expect_err("unclosed");
        assert!(error.place.is_some(), "{error:?}");
        let error = parse("a: 1\n---\nb: 2\n").expect_err("two documents");
        assert!(error.message.starts_with("not readable as YAML"), "{error:?}");
    }
}
