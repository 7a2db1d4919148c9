//! A kit file and a shot list, read: walls, cameras, lenses, filters and diffusers with their prices, and the set-ups of one scene.

use crate::diag::{Diagnostic, Place};
use crate::scene::Edit;
use crate::scene::written::by_hand::{edits, entries, list, refuse, text, unknown_key};
use crate::scene::written::{Node, Value, parse};

/// What a kit is made of, in the order in which it is told: name of the list, and of one of it.
pub const GROUPS: [(&str, &str); 5] = [
    ("walls", "wall"),
    ("cameras", "camera"),
    ("lenses", "lens"),
    ("filters", "filter"),
    ("diffusers", "diffuser"),
];

/// Lists of which a set-up may do without.
const OPTIONAL: [&str; 2] = ["filters", "diffusers"];

/// Keys of an item.
const ITEM_KEYS: [&str; 5] = ["name", "price_per_day", "available", "note", "set"];

/// Something to hire.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// Its name.
    pub name: String,
    /// A day's hire; `None` where it is not known.
    pub price_per_day: Option<f64>,
    /// It can be had.
    pub available: bool,
    /// Anything else about it.
    pub note: String,
    /// What it sets in a scene.
    pub edits: Vec<Edit>,
    /// Where it stands in its file.
    pub place: Option<Place>,
}

impl Item {
    /// None of its sort.
    fn nothing() -> Self {
        Self {
            name: "none".into(),
            price_per_day: Some(0.0),
            available: true,
            note: String::new(),
            edits: Vec::new(),
            place: None,
        }
    }
}

/// Everything that can be hired, by [`GROUPS`].
#[derive(Debug, Clone, PartialEq)]
pub struct Kit {
    /// Word for the money, such as `EUR`; empty where the file has none.
    pub currency: String,
    /// The lists.
    pub groups: [Vec<Item>; 5],
}

/// A set-up.
#[derive(Debug, Clone, PartialEq)]
pub struct ShotItem {
    /// Its name.
    pub name: String,
    /// The scene file, as written, from the shot list's folder.
    pub scene: String,
    /// What it sets there.
    pub edits: Vec<Edit>,
    /// Where it stands.
    pub place: Option<Place>,
}

fn item(group: &str, number: usize, node: &Node) -> Result<Item, Diagnostic> {
    let path = format!("{group}[{number}]");
    let mut found = Item { name: String::new(), price_per_day: None, ..Item::nothing() };
    found.place = node.place.clone();
    for (key, value) in entries(&path, node)? {
        let path = format!("{path}.{key}");
        match (key, &value.value) {
            ("name", _) => found.name = text(&path, value)?,
            ("note", _) => found.note = text(&path, value)?,
            ("price_per_day", Value::Number(price)) if price.is_finite() && *price >= 0.0 => {
                found.price_per_day = Some(*price);
            }
            ("price_per_day", Value::Text(word)) if word == "unknown" => {}
            ("price_per_day", other) => {
                let message =
                    format!("{} found; allowed: a number from 0, or unknown", other.found());
                return Err(refuse(&path, value, message, "write the day's hire as a number"));
            }
            ("available", Value::Bool(available)) => found.available = *available,
            ("available", other) => {
                let message = format!("{} found; allowed: true or false", other.found());
                return Err(refuse(&path, value, message, "write true or false"));
            }
            ("set", _) => found.edits = edits(&path, value)?,
            _ => return Err(unknown_key(&path, value, &ITEM_KEYS)),
        }
    }
    if found.name.is_empty() {
        let message = "missing: what is it called?".to_owned();
        return Err(refuse(&format!("{path}.name"), node, message, "add `name:`"));
    }
    Ok(found)
}

impl Kit {
    /// Reads a kit.
    ///
    /// # Errors
    /// What stands against it, with its place.
    pub fn read(written: &str) -> Result<Self, Diagnostic> {
        let root = parse(written)?;
        let mut kit = Self { currency: String::new(), groups: Default::default() };
        let names = GROUPS.map(|(name, _)| name);
        for (key, node) in entries("", &root)? {
            if key == "currency" {
                kit.currency = text(key, node)?;
                continue;
            }
            let Some(number) = names.iter().position(|name| *name == key) else {
                let allowed = [&["currency"], &names[..]].concat();
                return Err(unknown_key(key, node, &allowed));
            };
            for (i, one) in list(key, node)?.iter().enumerate() {
                kit.groups[number].push(item(key, i + 1, one)?);
            }
        }
        for (group, name) in kit.groups.iter_mut().zip(names) {
            if OPTIONAL.contains(&name) {
                group.insert(0, Item::nothing());
            } else if group.is_empty() {
                let message = format!("missing: which {name} are there to choose from?");
                return Err(Diagnostic::error(name, message).hint("add a list of them"));
            }
        }
        Ok(kit)
    }
}

/// Reads a shot list.
///
/// # Errors
/// What stands against it, with its place.
pub fn read_shots(written: &str) -> Result<Vec<ShotItem>, Diagnostic> {
    const KEYS: [&str; 3] = ["name", "scene", "set"];
    let root = parse(written)?;
    let (mut scene, mut shots) = (None, Vec::new());
    for (key, node) in entries("", &root)? {
        match key {
            "scene" => scene = Some(text(key, node)?),
            "shots" => {
                for (i, one) in list(key, node)?.iter().enumerate() {
                    let path = format!("shots[{}]", i + 1);
                    let place = one.place.clone();
                    let mut shot = ShotItem {
                        name: String::new(),
                        scene: String::new(),
                        edits: Vec::new(),
                        place,
                    };
                    for (key, value) in entries(&path, one)? {
                        let path = format!("{path}.{key}");
                        match key {
                            "name" => shot.name = text(&path, value)?,
                            "scene" => shot.scene = text(&path, value)?,
                            "set" => shot.edits = edits(&path, value)?,
                            _ => return Err(unknown_key(&path, value, &KEYS)),
                        }
                    }
                    if shot.name.is_empty() {
                        shot.name = format!("shot {}", i + 1);
                    }
                    shots.push(shot);
                }
            }
            _ => return Err(unknown_key(key, node, &["scene", "shots"])),
        }
    }
    for (i, shot) in shots.iter_mut().enumerate().filter(|(_, s)| s.scene.is_empty()) {
        let Some(scene) = &scene else {
            let key = format!("shots[{}].scene", i + 1);
            let message = "missing: of which scene file is this a set-up?".to_owned();
            let hint = "add `scene:` here, or above `shots` for all of them";
            return Err(Diagnostic::error(key, message).hint(hint).at(shot.place.clone()));
        };
        shot.scene.clone_from(scene);
    }
    if shots.is_empty() {
        return Err(Diagnostic::error(
            "shots",
            "missing: which set-ups are to be shot?".to_owned(),
        )
        .hint("add a list: `- name: …` with `set:`"));
    }
    Ok(shots)
}
