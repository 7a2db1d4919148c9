//! What criterion found, as the Markdown tables of DEVELOPERS.md: a table a group, a column a line of the
//! group, a row a value of what it sweeps; millions of photosites per second, from the median time.

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Where criterion keeps its findings: `criterion` beside the profile's folder
/// (`target/release/deps/render-…` is the running program).
pub fn folder() -> PathBuf {
    let program = std::env::current_exe().expect("the path of the running program");
    program.ancestors().nth(3).unwrap_or(Path::new("target")).join("criterion")
}

/// One benchmark's outcome.
struct Found {
    measured: SystemTime,
    group: String,
    line: String,
    value: String,
    /// Millions of photosites per second.
    speed: f64,
}

/// Prints a table for every group that was measured since `start`.
pub fn print_since(start: SystemTime) {
    let mut found = Vec::new();
    collect(&folder(), &mut found);
    found.retain(|f| f.measured >= start);
    // The order in which they ran is the order of the benches' source.
    found.sort_by_key(|f| f.measured);
    if !found.is_empty() {
        println!("Millions of photosites per second:\n");
    }
    for group in in_order(&found, |f| &f.group) {
        let cells: Vec<&Found> = found.iter().filter(|f| f.group == group).collect();
        let lines = in_order(cells.iter().copied(), |f| &f.line);
        println!("| {group} | {} |\n|{}", lines.join(" | "), " --- |".repeat(1 + lines.len()));
        for value in in_order(cells.iter().copied(), |f| &f.value) {
            let speeds = lines.iter().map(|line| {
                let cell = cells.iter().find(|f| f.line == *line && f.value == value);
                cell.map_or(String::new(), |f| format!("{:.2}", f.speed))
            });
            println!("| {value} | {} |", speeds.collect::<Vec<_>>().join(" | "));
        }
        println!();
    }
}

/// Names in order of their first appearance.
fn in_order<'a>(
    found: impl IntoIterator<Item = &'a Found>,
    name: impl Fn(&'a Found) -> &'a String,
) -> Vec<&'a str> {
    let mut names: Vec<&str> = Vec::new();
    for f in found {
        if !names.contains(&name(f).as_str()) {
            names.push(name(f));
        }
    }
    names
}

/// Reads all findings below a folder.
fn collect(folder: &Path, found: &mut Vec<Found>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for path in entries.flatten().map(|e| e.path()).filter(|p| p.is_dir()) {
        if path.ends_with("new") {
            found.extend(read(&path));
        } else {
            collect(&path, found);
        }
    }
}

/// Reads one benchmark's latest finding; nothing where a file is missing or says something else.
fn read(folder: &Path) -> Option<Found> {
    let file = |name: &str| -> Option<(Value, SystemTime)> {
        let path = folder.join(name);
        let value = serde_json::from_slice(&fs::read(&path).ok()?).ok()?;
        Some((value, fs::metadata(&path).ok()?.modified().ok()?))
    };
    let (benchmark, measured) = file("benchmark.json")?;
    let (estimates, _) = file("estimates.json")?;
    let text = |key: &str| benchmark[key].as_str().map(str::to_owned);
    let photosites = benchmark["throughput"]["Elements"].as_f64()?;
    let median_ns = estimates["median"]["point_estimate"].as_f64()?;
    Some(Found {
        measured,
        group: text("group_id")?,
        line: text("function_id")?,
        value: text("value_str")?,
        speed: photosites / median_ns * 1e3,
    })
}
