//! The README's worked example, run: from a kit and a shot list to the card for the set.

use crate::cli_stage::Place;
use crate::html_check::check;
use std::path::Path;

/// The README's section with the example.
fn section() -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("README.md")).expect("the README");
    let from = page.find("\n## A worked example").expect("the example");
    let rest = &page[from + 1..];
    rest[..rest.find("\n## ").unwrap_or(rest.len())].to_owned()
}

/// The words of its only command that begins so, with the scenes' real folder.
fn command(section: &str, begin: &str) -> Vec<String> {
    let scenes = format!("{}/scenes/", env!("CARGO_MANIFEST_DIR"));
    let text = section.replace("\\\n", " ");
    let mut lines = text.lines().filter(|l| l.starts_with(begin));
    let line = lines.next().unwrap_or_else(|| panic!("no '{begin}' in the example"));
    assert!(lines.next().is_none(), "'{begin}' twice");
    // Quotes hold words together; there are none within quotes.
    let mut words = Vec::new();
    for (i, part) in line.split('\'').enumerate() {
        match i % 2 {
            1 => words.push(part.to_owned()),
            _ => words.extend(part.split_whitespace().map(str::to_owned)),
        }
    }
    words.into_iter().skip(1).map(|w| w.replace("scenes/", &scenes)).collect()
}

fn run(place: &Place, words: &[String], more: &[&str]) -> String {
    let all: Vec<&str> = words.iter().map(String::as_str).chain(more.iter().copied()).collect();
    let (code, out, err) = place.run(&all);
    assert_eq!(code, 0, "{all:?}: {err}");
    out
}

/// Each line of the quoted blocks that begins with one of the words stands in what was printed.
fn quoted(section: &str, words: &[&str], printed: &str) {
    for word in words {
        let line = section.lines().find(|l| l.trim_start().starts_with(word));
        let line = line.unwrap_or_else(|| panic!("the README quotes no line '{word}'")).trim();
        assert!(printed.contains(line), "'{line}' is not in:\n{printed}");
    }
}

#[test]
fn the_readmes_thread_runs_from_the_kit_to_the_card() {
    let (section, place) = (section(), Place::new());
    // Which kit.
    let list = run(&place, &command(&section, "gridbeat shortlist"), &[]);
    let lines = ["48 combinations", "1. 2510 EUR", "weakest shot: 'At the window'", "3. 2550 EUR"];
    quoted(&section, &lines, &list);
    // Which finalist. What is predicted does not ask for the pictures; a small sensor has other numbers, so that these are predict's.
    let compare = command(&section, "gridbeat compare");
    let small = ["--set", "camera.photosites=[480,270]", "--quiet"];
    run(&place, &compare, &small);
    let written = place.names("out/21-carriage-window");
    assert!(written.contains(&"21-carriage-window_compare.png".to_owned()), "{written:?}");
    let report = command(&section, "gridbeat report");
    let moire = |edits: &[&str]| {
        let words = ["predict".to_owned(), report[1].clone(), "--json".to_owned()];
        let sets: Vec<&str> = edits.iter().flat_map(|e| ["--set", *e]).collect();
        let told: serde_json::Value =
            serde_json::from_str(&run(&place, &words, &sets)).expect("JSON");
        let mut found = told["verdicts"].as_array().expect("findings").iter();
        let found = found.find(|v| v["kind"] == "moire").expect("moiré");
        let multiple = found["worst"]["multiple"].as_f64().expect("a number");
        format!("{multiple:.2}")
    };
    let near = "lens.focus.distance_m=2.0";
    let wide = [near, "lens.focal_mm=35", "filters.front_low_pass.split_arcmin=0.6"];
    let told = format!("moiré at worst {} and {} times", moire(&[near]), moire(&wide));
    assert!(section.contains(&told), "{told}");
    // The late wish is not clean; with the filter nothing needs to be changed, and the card says what the README says.
    assert_eq!(command(&section, "gridbeat advise")[1], report[1], "one scene all along");
    assert!(moire(&[]).parse::<f64>().expect("a number") > 1.0);
    run(&place, &report, &["--without-pictures", "--quiet"]);
    let html = std::fs::read_to_string(
        place.path("out/21-carriage-window/21-carriage-window_report.html"),
    );
    let html = html.expect("the report");
    check(&html).unwrap_or_else(|e| panic!("{e}"));
    assert!(html.contains("No change is needed") && !html.contains("What to change first"));
    let told = moire(&["filters.front_low_pass.split_arcmin=0.6"]);
    assert!(section.contains(&format!("(moiré at worst {told} times what is seen)")), "{told}");
    for part in ["983.7 mm", "clean: 3.76 m to"] {
        assert!(html.contains(part), "{part}");
    }
}

#[test]
#[ignore = "a minute: the search for what to change, and its renders"]
fn the_readmes_advice_is_what_advise_says() {
    let (section, place) = (section(), Place::new());
    let advice = run(&place, &command(&section, "gridbeat advise"), &[]);
    let lines = [
        "now, at worst",
        "1. focus at 2.66 m",
        "at worst 0.85 times",
        "2. a low-pass filter",
        "at worst 0.60 times",
        "diffuser: 130 a day",
    ];
    quoted(&section, &lines, &advice);
}
