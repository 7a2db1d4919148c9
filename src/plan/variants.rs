//! Variants of a scene: a name and the keys that differ, from the command line or from a file.
//!
//! A file of variants, all keys of a variant but its name optional:
//!
//! ```yaml
//! bare: {price_per_day: 2100, note: wall and camera}
//! variants:
//!   - name: low-pass
//!     set: {filters.low_pass: standard}
//!     price_per_day: 2140
//!     note: sits in the camera all day
//! ```

use crate::diag::{Diagnostic, Place, closest};
use crate::scene::Edit;
use crate::scene::written::{Node, Value, parse};
use std::str::FromStr;

/// Name of the scene as it is.
pub const BARE: &str = "bare";
/// Most variants beside it: more are no choice but a sweep.
pub const MOST: usize = 23;
/// Longest name, letters.
const LONGEST: usize = 40;
/// Highest price.
const DEAREST: f64 = 1e9;

/// A variant: what is changed, and what it costs.
#[derive(Debug, Clone, PartialEq)]
pub struct Variant {
    /// Its name.
    pub name: String,
    /// Keys that differ from the scene.
    pub edits: Vec<Edit>,
    /// Where each stands in the file of variants; `None` for one from the command line.
    pub places: Vec<Option<Place>>,
    /// Hire a day, in whatever money.
    pub price_per_day: Option<f64>,
    /// A line for people.
    pub note: Option<String>,
}

impl Variant {
    /// The scene as it is.
    pub fn bare() -> Self {
        Self {
            name: BARE.into(),
            edits: Vec::new(),
            places: Vec::new(),
            price_per_day: None,
            note: None,
        }
    }

    /// What it changes, as on the command line.
    pub fn words(&self) -> String {
        if self.edits.is_empty() {
            return "as the scene file has it".into();
        }
        let all: Vec<String> =
            self.edits.iter().map(|e| format!("{} = {}", e.key, e.value)).collect();
        all.join("; ")
    }

    /// Whether its light is the bare scene's, and only development, viewing or tolerances differ.
    pub fn is_developed_from_bare(&self) -> bool {
        let after = |e: &Edit| {
            let group = e.key.split(['.', '[']).next().unwrap_or_default();
            ["delivery", "viewing", "tolerances"].contains(&group)
        };
        self.edits.iter().all(after)
    }

    /// A problem of the varied scene, with the place of the key that it speaks of. What stands in the scene's own file keeps its
    /// place; the second value says whose it is: true for the file of variants.
    pub fn told(&self, problem: Diagnostic) -> (Diagnostic, bool) {
        if problem.place.is_some() {
            return (problem, false);
        }
        let inner = |outer: &str, key: &str| {
            key.strip_prefix(outer).is_some_and(|r| r.is_empty() || r.starts_with(['.', '[']))
        };
        let of = |e: &Edit| inner(&e.key, &problem.key) || inner(&problem.key, &e.key);
        let place = self.edits.iter().position(of).and_then(|i| self.places[i].clone());
        let found = place.is_some();
        (problem.at(place), found)
    }
}

/// A variant as written on the command line: `low-pass: filters.low_pass=standard; lens.f_number=4`.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// Its name.
    pub name: String,
    /// What it changes.
    pub edits: Vec<Edit>,
}

/// How to write one.
const HOW: &str = "write NAME: KEY=VALUE, with a ';' before each further KEY=VALUE, such as \
                   'low-pass: filters.low_pass=standard'";

impl FromStr for Given {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, changes) =
            text.split_once(':').ok_or_else(|| format!("'{text}' has no ':'; {HOW}"))?;
        let name = name.trim();
        if name.contains('=') {
            return Err(format!("'{text}' has no name before its first key; {HOW}"));
        }
        check_name(name).map_err(|why| format!("{why}; {HOW}"))?;
        let parts = pieces(changes);
        let parts = parts.iter().map(|p| p.trim()).filter(|p| !p.is_empty());
        let edits = parts.map(str::parse).collect::<Result<Vec<Edit>, String>>()?;
        if edits.is_empty() {
            return Err(format!("variant '{name}' changes nothing; {HOW}"));
        }
        Ok(Self { name: name.into(), edits })
    }
}

/// Cuts at each ';' that stands outside of quotes and brackets.
fn pieces(text: &str) -> Vec<&str> {
    let (mut parts, mut start) = (Vec::new(), 0);
    let (mut depth, mut quote) = (0_i32, None);
    for (at, c) in text.char_indices() {
        match (quote, c) {
            (Some(q), _) if c == q => quote = None,
            (Some(_), _) => {}
            (None, '"' | '\'') => quote = Some(c),
            (None, '{' | '[') => depth += 1,
            (None, '}' | ']') => depth -= 1,
            (None, ';') if depth <= 0 => {
                parts.push(&text[start..at]);
                start = at + 1;
            }
            _ => {}
        }
    }
    parts.push(&text[start..]);
    parts
}

fn check_name(name: &str) -> Result<(), String> {
    let letters = name.chars().count();
    if letters == 0 || letters > LONGEST || name.chars().any(char::is_control) {
        return Err(format!(
            "a variant's name has 1 to {LONGEST} letters on one line, not {letters}"
        ));
    }
    if name.eq_ignore_ascii_case(BARE) {
        return Err(format!(
            "'{BARE}' is the scene as it is, which always comes first; choose another name"
        ));
    }
    Ok(())
}

/// All variants, the scene as it is first: those of a file (see [`of_file`]), then those of the command line; keys given for one name
/// several times there belong together.
///
/// # Errors
/// A sentence: no variant at all, too many, or a name that both have.
pub fn all(of_file: Vec<Variant>, given: &[Given]) -> Result<Vec<Variant>, String> {
    let mut all = if of_file.is_empty() { vec![Variant::bare()] } else { of_file };
    let own = all.len();
    for Given { name, edits } in given {
        match all.iter_mut().position(|v| v.name == *name) {
            Some(at) if at < own => {
                return Err(format!(
                    "--variant '{name}' stands in the file of variants too; choose another name"
                ));
            }
            Some(at) => all[at].edits.extend(edits.iter().cloned()),
            None => {
                all.push(Variant { name: name.clone(), edits: edits.clone(), ..Variant::bare() })
            }
        }
    }
    for variant in &mut all {
        variant.places.resize(variant.edits.len(), None);
    }
    match all.len() - 1 {
        0 => Err(format!("nothing to compare with: give --variant or --variants; {HOW}")),
        n if n > MOST => Err(format!(
            "{n} variants; allowed: up to {MOST}. `gridbeat sweep` goes through ranges of a key"
        )),
        _ => Ok(all),
    }
}

/// Keys of a variant.
const KEYS: [&str; 4] = ["name", "set", "price_per_day", "note"];

/// Reads a file of variants; the scene as it is comes first.
///
/// # Errors
/// Every problem, each with its line, the value found and what is allowed.
pub fn of_file(text: &str) -> Result<Vec<Variant>, Vec<Diagnostic>> {
    let root = parse(text).map_err(|problem| vec![problem])?;
    let mut found = Found::default();
    let mut all = vec![Variant::bare()];
    let example = "write `variants:` and below it a list of `- name: …` with `set: {KEY: VALUE}`";
    let Value::Map(entries) = root.value else {
        let message = format!("{} where the variants should be", root.value.found());
        return Err(vec![Diagnostic::error("", message).hint(example).at(root.place)]);
    };
    let mut listed = false;
    for (key, node) in entries {
        match key.name.as_str() {
            "bare" => found.bare(&mut all[0], node),
            "variants" => {
                listed = true;
                let Value::List(items) = node.value else {
                    let message =
                        format!("{} where a list of variants should be", node.value.found());
                    found.refuse("variants", message, example, node.place);
                    continue;
                };
                if !(1..=MOST).contains(&items.len()) {
                    let message = format!("{} variants; allowed: 1 to {MOST}", items.len());
                    found.refuse("variants", message, "", node.place.clone());
                }
                for (number, item) in items.into_iter().enumerate() {
                    let place = item.place.clone();
                    let variant = found.variant(&format!("variants[{}]", number + 1), item);
                    if !variant.name.is_empty() && all.iter().any(|v| v.name == variant.name) {
                        let message = format!("'{}' is the name of another variant", variant.name);
                        let key = format!("variants[{}].name", number + 1);
                        found.refuse(&key, message, "give each its own", place);
                    }
                    all.push(variant);
                }
            }
            other => found.unknown("", other, &["bare", "variants"], key.place),
        }
    }
    if !listed {
        found.refuse("variants", "missing".into(), example, root.place);
    }
    if found.0.is_empty() { Ok(all) } else { Err(found.0) }
}

/// Problems so far.
#[derive(Default)]
struct Found(Vec<Diagnostic>);

impl Found {
    fn refuse(&mut self, key: &str, message: String, hint: &str, place: Option<Place>) {
        let problem = Diagnostic::error(key, message).at(place);
        self.0.push(if hint.is_empty() { problem } else { problem.hint(hint) });
    }

    fn unknown(&mut self, under: &str, key: &str, known: &[&str], place: Option<Place>) {
        let path = if under.is_empty() { key.to_owned() } else { format!("{under}.{key}") };
        let message = format!("unknown key; known here: {}", known.join(", "));
        let near = closest(key, known.iter().copied());
        let hint = near.map_or_else(String::new, |near| format!("did you mean `{near}`?"));
        self.refuse(&path, message, &hint, place);
    }

    /// Price and note; false for another key.
    fn about(&mut self, variant: &mut Variant, path: &str, key: &str, node: &Node) -> bool {
        let key_path = format!("{path}.{key}");
        match (key, &node.value) {
            ("price_per_day", Value::Number(n)) if (0.0..=DEAREST).contains(n) => {
                variant.price_per_day = Some(*n);
            }
            ("price_per_day", other) => {
                let message =
                    format!("{} is no price; allowed: a number from 0 to {DEAREST}", other.found());
                self.refuse(
                    &key_path,
                    message,
                    "write the number alone, in any money",
                    node.place.clone(),
                );
            }
            ("note", Value::Text(text)) => variant.note = Some(text.replace(char::is_control, " ")),
            ("note", other) => {
                let message = format!("{} where text should be", other.found());
                self.refuse(&key_path, message, "put quotes around it", node.place.clone());
            }
            _ => return false,
        }
        true
    }

    fn bare(&mut self, bare: &mut Variant, node: Node) {
        let Value::Map(entries) = node.value else {
            let message = format!("{} where a group of keys should be", node.value.found());
            self.refuse("bare", message, "write `bare: {price_per_day: …}`", node.place);
            return;
        };
        for (key, node) in entries {
            if !self.about(bare, "bare", &key.name, &node) {
                self.unknown("bare", &key.name, &["price_per_day", "note"], key.place);
            }
        }
    }

    fn variant(&mut self, path: &str, node: Node) -> Variant {
        let mut variant = Variant { name: String::new(), ..Variant::bare() };
        let Value::Map(entries) = node.value else {
            let message = format!("{} where a variant should be", node.value.found());
            self.refuse(path, message, "write `- name: …` and `set: {KEY: VALUE}`", node.place);
            return variant;
        };
        let mut named = false;
        for (key, node) in entries {
            match key.name.as_str() {
                "name" => {
                    named = true;
                    let key = format!("{path}.name");
                    match node.value {
                        Value::Text(text) => match check_name(text.trim()) {
                            Ok(()) => variant.name = text.trim().into(),
                            Err(why) => self.refuse(&key, why, "", node.place),
                        },
                        other => {
                            let message = format!("{} where text should be", other.found());
                            self.refuse(&key, message, "put quotes around it", node.place);
                        }
                    }
                }
                "set" => self.set(&mut variant, path, node),
                other if self.about(&mut variant, path, other, &node) => {}
                other => self.unknown(path, other, &KEYS, key.place),
            }
        }
        if !named {
            self.refuse(
                &format!("{path}.name"),
                "missing".into(),
                "give it a short name",
                node.place.clone(),
            );
        }
        if variant.edits.is_empty() && self.0.is_empty() {
            let hint = "write `set: {KEY: VALUE}`, with keys as after --set, such as `filters.low_pass: standard`";
            self.refuse(&format!("{path}.set"), "nothing is changed".into(), hint, node.place);
        }
        variant
    }

    fn set(&mut self, variant: &mut Variant, path: &str, node: Node) {
        let path = format!("{path}.set");
        let Value::Map(entries) = node.value else {
            let message = format!("{} where keys and values should be", node.value.found());
            let hint = "write `set: {KEY: VALUE}`, with keys as after --set, such as `filters.low_pass: standard`";
            self.refuse(&path, message, hint, node.place);
            return;
        };
        for (key, node) in entries {
            let name = key.name.trim();
            if name.split('.').any(|part| part.trim().is_empty()) {
                let message = format!("'{name}' names no key of a scene");
                self.refuse(&path, message, "`gridbeat schema --keys` lists the keys", key.place);
                continue;
            }
            variant.places.push(node.place.clone().or(key.place));
            variant.edits.push(Edit { key: name.into(), value: node.value.in_one_line() });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_a_file_come_back_as_they_were() {
        let values = "{a: 1.5, b: {c: standard, d: [1, 2.25, x]}, e: '1/500', f: null, g: true, h: 'off', i: off, j: \"q\\\"\"}";
        let of = |text: &str| format!("{:?}", without_places(&parse(text).expect("YAML").value));
        let again = parse(values).expect("YAML").value.in_one_line();
        assert_eq!(of(values), of(&again), "{again}");
    }

    fn without_places(value: &Value) -> Value {
        let bare = |n: &Node| Node { place: None, value: without_places(&n.value) };
        match value {
            Value::List(items) => Value::List(items.iter().map(bare).collect()),
            Value::Map(entries) => Value::Map(
                entries
                    .iter()
                    .map(|(k, n)| {
                        (crate::scene::written::Key { name: k.name.clone(), place: None }, bare(n))
                    })
                    .collect(),
            ),
            other => other.clone(),
        }
    }

    #[test]
    fn the_command_line_cuts_at_semicolons_outside_of_brackets() {
        let given: Given = "two things: a.b={c: 1; d: 2}; e=\"x;y\" ; f=1".parse().expect("one");
        let keys: Vec<&str> = given.edits.iter().map(|e| e.value.as_str()).collect();
        assert_eq!(
            (given.name.as_str(), keys),
            ("two things", vec!["{c: 1; d: 2}", "\"x;y\"", "1"])
        );
    }
}
