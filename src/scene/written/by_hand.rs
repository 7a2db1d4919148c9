//! Reading of files beside the scene: kits, lists of shots, recipes. Their few keys are walked by hand.

use super::yaml::{Node, Value};
use crate::diag::Diagnostic;
use crate::scene::Edit;

/// A problem of a node.
pub fn refuse(key: &str, node: &Node, message: String, hint: &str) -> Diagnostic {
    Diagnostic::error(key, message).hint(hint).at(node.place.clone())
}

/// Keys and values of a group.
///
/// # Errors
/// It is none.
pub fn entries<'a>(key: &str, node: &'a Node) -> Result<Vec<(&'a str, &'a Node)>, Diagnostic> {
    match &node.value {
        Value::Map(entries) => Ok(entries.iter().map(|(k, n)| (k.name.as_str(), n)).collect()),
        other => {
            let message = format!("{} found; allowed: a group of keys", other.found());
            Err(refuse(key, node, message, "write `key: value`, a line each"))
        }
    }
}

/// Items of a list of at least one.
///
/// # Errors
/// It is none.
pub fn list<'a>(key: &str, node: &'a Node) -> Result<&'a [Node], Diagnostic> {
    match &node.value {
        Value::List(items) if !items.is_empty() => Ok(items),
        other => {
            let message = format!("{} found; allowed: a list", other.found());
            Err(refuse(key, node, message, "write `- name: …`, one for each"))
        }
    }
}

/// Text, or a number as text.
///
/// # Errors
/// It is neither.
pub fn text(key: &str, node: &Node) -> Result<String, Diagnostic> {
    match &node.value {
        Value::Text(text) if !text.trim().is_empty() => Ok(text.trim().to_owned()),
        Value::Number(number) => Ok(number.to_string()),
        other => {
            let message = format!("{} found; allowed: text", other.found());
            Err(refuse(key, node, message, "write a name"))
        }
    }
}

/// Keys of a scene and their values, as edits.
///
/// # Errors
/// It is no group of keys.
pub fn edits(key: &str, node: &Node) -> Result<Vec<Edit>, Diagnostic> {
    let all = entries(key, node)?;
    Ok(all
        .into_iter()
        .map(|(key, node)| Edit { key: key.into(), value: node.value.in_one_line() })
        .collect())
}

/// A key that is not known.
pub fn unknown_key(key: &str, node: &Node, allowed: &[&str]) -> Diagnostic {
    let message = format!("no such key; allowed: {}", allowed.join(", "));
    refuse(key, node, message, "is it spelt as there?")
}
