//! Reports: valid HTML that needs nothing else, the card's order, numbers that are those of `predict --json`, whole files.

use crate::cli_stage::Place;
use crate::html_check::{Tag, check, tags};
use gridbeat::plan::report::{CARD_HEADINGS, style};
use gridbeat::units::{length, number};
use serde_json::Value;
use std::fs;

/// Text without entities.
fn plain(text: &str) -> String {
    text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&amp;", "&")
}

/// A report of the scene in a place; must succeed.
fn report(place: &Place, args: &[&str]) -> String {
    let all = [&["report", "night_train.yaml", "--quiet", "--out", "r.html", "--overwrite"], args]
        .concat();
    let (code, out, err) = place.run(&all);
    assert_eq!((code, out.as_str(), err.as_str()), (0, "", ""));
    fs::read_to_string(place.path("r.html")).expect("the report")
}

fn predicted(place: &Place, args: &[&str]) -> Value {
    let (code, out, err) = place.run(&[&["predict", "night_train.yaml", "--json"], args].concat());
    assert_eq!((code, err.as_str()), (0, ""));
    serde_json::from_str(&out).expect("JSON")
}

/// The rows of the table with a caption, their cells as text.
fn table(html: &str, caption: &str) -> Vec<Vec<String>> {
    let all = tags(html).expect("HTML");
    let start = all.iter().position(|t| t.name == "caption" && plain(&t.text).contains(caption));
    let start = start.unwrap_or_else(|| panic!("no table '{caption}'"));
    let mut rows: Vec<Vec<String>> = Vec::new();
    let mut inside = false;
    for tag in &all[start..] {
        match (tag.name.as_str(), tag.ends) {
            ("table", true) => break,
            ("tr", false) => rows.push(Vec::new()),
            ("th" | "td", false) => {
                inside = true;
                rows.last_mut().expect("a row").push(plain(&tag.text));
            }
            ("th" | "td", true) => inside = false,
            // Behind a hatched field.
            ("svg", true) if inside => {
                rows.last_mut()
                    .and_then(|r| r.last_mut())
                    .expect("a cell")
                    .push_str(plain(&tag.text).trim());
            }
            _ => {}
        }
    }
    rows
}

/// The text of a kind of element, in order.
fn texts(all: &[Tag], name: &str) -> Vec<String> {
    all.iter().filter(|t| t.name == name && !t.ends).map(|t| plain(&t.text)).collect()
}

/// Tags of the cards, a list a card.
fn cards(html: &str) -> Vec<Vec<Tag>> {
    let mut cards: Vec<Vec<Tag>> = Vec::new();
    let mut inside = false;
    for tag in tags(html).expect("HTML") {
        if tag.name == "section" {
            inside = !tag.ends && tag.get("class") == Some("card");
            if inside {
                cards.push(Vec::new());
            }
        }
        if inside {
            cards.last_mut().expect("a card").push(tag);
        }
    }
    cards
}

#[test]
fn a_report_is_whole_valid_and_the_same_for_any_number_of_threads() {
    let place = Place::new();
    let one = report(&place, &["--threads", "1"]);
    check(&one).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(one, report(&place, &["--threads", "3"]));
    let all = tags(&one).expect("HTML");
    let pictures = all.iter().filter(|t| t.name == "img").count();
    assert_eq!(pictures, 3, "the whole frame, a part 1:1, artefacts alone");
    for title in [
        "Verdicts",
        "Set-up",
        "Predicted frame",
        "Shutters",
        "People in the room",
        "Taken for granted",
    ] {
        assert!(texts(&all, "h3").iter().any(|t| t == title), "{title}");
    }
    for title in ["What the model leaves out", "Cautions"] {
        assert!(texts(&all, "h2").iter().any(|t| t == title), "{title}");
    }
    let words: String = all.iter().map(|t| plain(&t.text)).collect();
    for caution in
        ["photosensitive epilepsy", "dazzle", "Rigging", "licensed electricians", "local codes"]
    {
        assert!(words.contains(caution), "{caution}");
    }
    assert!(!words.contains("NaN") && !words.contains("inf "), "numbers that are none");
    // The pictures are PNGs of the size that they say.
    for tag in all.iter().filter(|t| t.name == "img") {
        let data =
            tag.get("src").and_then(|s| s.strip_prefix("data:image/png;base64,")).expect("data");
        let bytes = decoded(data);
        let reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().expect("a PNG");
        let (width, height) = reader.info().size();
        assert_eq!(tag.get("width"), Some(width.to_string().as_str()));
        assert_eq!(tag.get("height"), Some(height.to_string().as_str()));
    }
}

/// Base 64 (RFC 4648, section 4) as bytes.
fn decoded(text: &str) -> Vec<u8> {
    let value = |c: u8| match c {
        b'A'..=b'Z' => c - b'A',
        b'a'..=b'z' => c - b'a' + 26,
        b'0'..=b'9' => c - b'0' + 52,
        b'+' => 62,
        b'/' => 63,
        _ => panic!("{c} is no letter of base 64"),
    };
    let (mut bits, mut have, mut out) = (0_u32, 0, Vec::new());
    for c in text.bytes().filter(|c| *c != b'=') {
        bits = bits << 6 | u32::from(value(c));
        have += 6;
        if have >= 8 {
            have -= 8;
            out.push((bits >> have & 0xff) as u8);
        }
    }
    out
}

#[test]
fn every_card_has_its_headings_in_order_and_a_test_shot() {
    let place = Place::new();
    let other = format!("{}subject: {{distance_m: 3}}\n", crate::cli_stage::SCENE);
    fs::write(place.path("corridor.yaml"), other).expect("a scene");
    let html = report(&place, &["corridor.yaml", "--without-pictures"]);
    check(&html).unwrap_or_else(|e| panic!("{e}"));
    let cards = cards(&html);
    assert_eq!(cards.len(), 2, "a card a scene");
    for card in &cards {
        assert_eq!(texts(card, "h4"), CARD_HEADINGS);
        let text: String = card.iter().map(|t| plain(&t.text)).collect();
        assert!(
            text.contains("with this very wall") && text.contains("96 × 64 recorded, 24 fps"),
            "{text}"
        );
        assert!(text.contains("Warn everybody"), "{text}");
        // A list or a line below each heading.
        for (i, tag) in card.iter().enumerate().filter(|(_, t)| t.name == "h4" && t.ends) {
            let next = card.get(i + 1).map(|t| t.name.as_str());
            assert!(
                matches!(next, Some("ul" | "p" | "div" | "svg")),
                "{:?} after {}",
                next,
                tag.name
            );
        }
    }
    assert!(
        style::CSS.contains("@page card")
            && style::CSS.contains("page: card; break-before: page; break-after: page")
    );
}

#[test]
fn numbers_are_those_of_predict() {
    let place = Place::new();
    let html = report(&place, &["--without-pictures"]);
    let json = predicted(&place, &["--nearest-focus"]);
    let words = |degree: &Value| match degree.as_str().expect("a degree") {
        "clean" => "clean",
        "noticeable" => "noticeable",
        "spoils" => "spoils the shot",
        "cannot_say" => "can't say",
        other => panic!("{other}"),
    };
    let kind = |kind: &Value| match kind.as_str().expect("a kind") {
        "flicker" => "flicker",
        "bands" => "scan bands",
        "moire" => "moiré",
        "pixel_structure" => "pixel structure",
        other => panic!("{other}"),
    };
    // Verdicts.
    let verdicts = table(&html, "What will show");
    assert_eq!(verdicts.len(), 5);
    let list = |key: &str| json[key].as_array().expect("a list").clone();
    for (worst, planned) in list("degree_at_worst").iter().zip(list("degree_as_planned")) {
        let row = verdicts.iter().find(|r| r[0] == kind(&worst["kind"])).expect("a row");
        assert_eq!(
            (row[1].trim(), row[2].trim()),
            (words(&worst["degree"]), words(&planned["degree"]))
        );
        let found = list("verdicts").into_iter().find(|v| v["kind"] == worst["kind"]);
        let times = found.map_or("nothing".into(), |v| {
            number(v["worst"]["multiple"].as_f64().expect("a number"))
        });
        assert_eq!(row[3], times);
    }
    // Shutters.
    let shutters = table(&html, "Shutters near the planned one");
    let settings = json["shutters"]["table"].as_array().expect("a table");
    assert!(settings.len() >= 4 && shutters.len() == settings.len() + 1, "{shutters:?}");
    for (row, s) in shutters[1..].iter().zip(settings) {
        let planned = if s["present"] == Value::Bool(true) { " (planned)" } else { "" };
        assert_eq!(row[0], format!("{}{planned}", s["written"].as_str().expect("text")));
        assert_eq!(
            row[1],
            format!("{}°", number(s["shutter_angle_deg"].as_f64().expect("a number")))
        );
        assert_eq!(row[3], format!("{:+.2} stops", s["stops"].as_f64().expect("a number")));
        for (cell, band) in row[4..].iter().zip(s["bands"].as_array().expect("bands")) {
            let share = band["contrast"].as_f64().expect("a number");
            let seen = band["multiple"].as_f64().expect("a number") >= 1.0;
            let want =
                if share < 5e-5 { "0 %".into() } else { format!("{} %", number(share * 100.0)) };
            assert_eq!(*cell, if seen { format!("{want} !") } else { want });
        }
    }
    // Nearest focus.
    let focus = table(&html, "Focus at least so far");
    let stops = json["nearest_focus"]["stops"].as_array().expect("stops");
    let card = cards(&html);
    assert_eq!(card.len(), 1);
    let all = tags(&html).expect("HTML");
    let rows = all.iter().filter(|t| t.name == "th" && !t.ends && t.text.starts_with("f/")).count();
    assert!(rows > stops.len(), "those of the card and all of them: {rows}");
    assert!(focus.len() > 1);
    for s in stops {
        if let Some(m) = s["before_wall"]["safe"]["from_wall_m"].as_f64() {
            let stop = format!("f/{}", number(s["f_number"].as_f64().expect("a number")));
            let m = length(m);
            let row =
                all.windows(3).any(|w| w[0].text.starts_with(&stop) && w[2].text.starts_with(&m));
            assert!(row, "{stop}: {m}");
        }
    }
}

#[test]
fn what_is_not_known_is_asked_for_and_the_rest_is_at_the_worst() {
    let place = Place::new();
    let open = crate::cli_stage::SCENE.replace("lens:", "drive: {refresh_hz: unknown}\nlens:");
    fs::write(place.path("night_train.yaml"), open).expect("the scene");
    let all = ["report", "night_train.yaml", "--out", "r.html", "--without-pictures"];
    let (code, out, _) = place.run(&all);
    assert_eq!((code, out.as_str()), (0, "wrote r.html\n"));
    let html = fs::read_to_string(place.path("r.html")).expect("the report");
    check(&html).unwrap_or_else(|e| panic!("{e}"));
    let at = |words: &str| html.find(words).unwrap_or_else(|| panic!("no '{words}'"));
    assert!(at("<h3>Questions</h3>") < at("<h3>Set-up</h3>"));
    assert!(html.contains("drive.refresh_hz") && html.contains("One value is not known"));
    let (_, json, _) = place.run(&["predict", "night_train.yaml", "--json"]);
    let json: Value = serde_json::from_str(&json).expect("JSON");
    let taken = json["worst"]["at"]["drive.refresh_hz"].as_f64().expect("a number");
    assert!(
        html.contains(&format!("drive.refresh_hz: taken as {} Hz, the worst of", number(taken)))
    );
    let rows = table(&html, "What will show");
    for worst in json["worst"]["prediction"]["verdicts"].as_array().expect("verdicts") {
        let times = number(worst["worst"]["multiple"].as_f64().expect("a number"));
        assert!(rows.iter().any(|r| r[3] == times), "{times}: {rows:?}");
    }
    assert!(html.contains("Some values are not known: see the questions."), "the card says so");
}

#[test]
fn a_report_is_there_whole_or_not_at_all() {
    let place = Place::new();
    fs::write(place.path("r.html"), "mine").expect("a file");
    let args = ["report", "night_train.yaml", "--out", "r.html", "--without-pictures"];
    let (code, _, err) = place.run(&args);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("r.html") && err.contains("--overwrite"), "{err}");
    assert_eq!(fs::read_to_string(place.path("r.html")).expect("the file"), "mine");
    // A scene that is refused leaves nothing, whichever of them it is.
    fs::write(place.path("bad.yaml"), "wall: {pixel_pitch_mm: -1}\n").expect("a file");
    let (code, _, err) =
        place.run(&["report", "night_train.yaml", "bad.yaml", "--out", "new/r.html"]);
    assert_eq!(code, 1, "{err}");
    assert!(err.contains("bad.yaml") && err.contains("wall.pixel_pitch_mm"), "{err}");
    assert!(place.names("new").is_empty());
    let (code, _, err) = place.run(&["report", "night_train.yaml", "night_train.yaml"]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("two scenes are called 'night_train'"), "{err}");
    // Where no file is named, beside what is rendered.
    let (code, out, err) = place.run(&["report", "night_train.yaml", "--without-pictures"]);
    assert_eq!(
        (code, out.as_str(), err.as_str()),
        (0, "wrote out/night_train/night_train_report.html\n", "")
    );
    assert_eq!(place.names("out/night_train"), ["night_train_report.html"]);
}

#[test]
fn words_of_the_scene_are_text() {
    let place = Place::new();
    let html = report(&place, &["--without-pictures", "--set", "about='<b>Q&A</b> \"x\"'"]);
    check(&html).unwrap_or_else(|e| panic!("{e}"));
    assert!(html.contains("&lt;b&gt;Q&amp;A&lt;/b&gt; &quot;x&quot;"), "escaped");
}

/// Relative luminance of a colour `#rrggbb`: WCAG 2.2, definition of relative luminance.
fn luminance(colour: &str) -> f64 {
    let part = |i: usize| {
        let v =
            u8::from_str_radix(&colour[i..i + 2], 16).unwrap_or_else(|e| panic!("{colour}: {e}"));
        let v = f64::from(v) / 255.0;
        if v <= 0.04045 { v / 12.92 } else { libm::pow((v + 0.055) / 1.055, 2.4) }
    };
    0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

/// Contrast of two colours, 1 to 21: WCAG 2.2, definition of contrast ratio.
fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Colours that stand behind a word in a style sheet.
fn colours<'a>(css: &'a str, word: &str) -> Vec<&'a str> {
    let found = css.match_indices(word).filter(|(i, _)| {
        let before = css[..*i].chars().next_back();
        before.is_none_or(|c| !c.is_ascii_alphanumeric() && c != '-')
    });
    found.map(|(i, _)| &css[i + word.len()..i + word.len() + 7]).collect()
}

#[test]
fn text_has_the_contrast_of_level_aa() {
    // Black on white is 21; #767676 is the lightest grey that passes on white (WCAG's own worked example, from memory).
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    assert!(contrast("#767676", "#ffffff") >= 4.5 && contrast("#777777", "#ffffff") < 4.5);
    let mut text = colours(style::CSS, "color: ");
    text.extend(colours(style::CSS, "fill: "));
    let grounds = colours(style::CSS, "background: ");
    assert!(text.len() >= 6 && grounds.len() >= 3, "{text:?} {grounds:?}");
    for text in &text {
        for ground in &grounds {
            let found = contrast(text, ground);
            // Criterion 1.4.3: 4.5 to 1 for text of any size.
            assert!(found >= 4.5, "{text} on {ground}: {found:.2}");
        }
    }
    // Lines of drawings against paper: 3 to 1, criterion 1.4.11. Grid lines of tables say nothing and are left out.
    let place = Place::new();
    let html = report(&place, &["--without-pictures"]);
    let strokes: Vec<&str> =
        html.match_indices("stroke=\"#").map(|(i, _)| &html[i + 8..i + 15]).collect();
    assert!(strokes.len() > 10);
    for stroke in strokes {
        assert!(contrast(stroke, "#ffffff") >= 3.0, "{stroke}");
    }
}

/// Every remedy's name, in the words of `limits: {without: …}`.
const REMEDIES: &str = "frame_rate, focus, aperture, distance, focal_length, distance_and_focal_length, pan, roll, low_pass, front_low_pass, diffuser, other_wall, other_camera, shutter";

#[test]
fn advice_stands_in_a_report_where_it_is_asked_for() {
    let place = Place::new();
    // Nobody asked: no section.
    assert!(!report(&place, &["--without-pictures"]).contains("What to change"));
    let limits = format!("limits={{without: [{REMEDIES}]}}");
    let html = report(&place, &["--without-pictures", "--advise", "--set", &limits]);
    check(&html).unwrap_or_else(|e| panic!("{e}"));
    assert!(html.contains("<h3>What to change</h3>"));
    assert!(html.contains("Nothing within the limits makes it clean"), "the section");
    assert!(html.contains("nothing within the limits makes it clean: change the plan"), "the card");
    // Clean as it stands: nothing to change, and no such line on the card.
    let clean = ["drive.kind=steady", "lens.focus.distance_m=1"];
    let clean = clean.map(|edit| ["--set", edit]).concat();
    let html = report(&place, &[&["--without-pictures", "--advise"][..], &clean].concat());
    assert!(html.contains("No change is needed") && !html.contains("What to change first"));
}
