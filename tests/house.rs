//! The house itself: which way its rooms depend on each other, that its scenes are whole, and that
//! the README says what is true.

use clap::Parser;
use gridbeat::cli::Cli;
use gridbeat::input::{PictureFiles, scene_text};
use gridbeat::scene::{self, Edit, NoPictures, OpenScene};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Rooms in the order in which a value passes through them; those on one line do not import each
/// other. A room may use rooms on the lines above it only.
const ROOMS: [&[&str]; 13] = [
    &["units"],
    &["math"],
    &["frame"],
    &["diag"],
    &["colour"],
    &["artefact"],
    &["wall", "optics", "sensor", "develop"],
    &["scene"],
    &["render", "predict"],
    &["shoot", "measure"],
    &["plan", "generate"],
    &["input", "output"],
    &["cli"],
];

/// Only these rooms know files, the terminal, the clock and the environment.
const WORLDLY: [&str; 3] = ["input", "output", "cli"];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn text(path: impl AsRef<Path>) -> String {
    let path = root().join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn files(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
    let entries = std::fs::read_dir(folder).expect("a folder");
    for path in entries.map(|e| e.expect("an entry").path()) {
        if path.is_dir() {
            files(&path, ending, found);
        } else if path.extension().is_some_and(|e| e == ending) {
            found.push(path);
        }
    }
    found.sort();
}

fn rank(room: &str) -> Option<usize> {
    ROOMS.iter().position(|line| line.contains(&room))
}

/// Code without comments, and without the tests at the end of a file.
fn code(source: &str) -> String {
    let code: Vec<&str> =
        source.lines().map(|line| line.split("//").next().unwrap_or_default()).collect();
    let code = code.join("\n");
    code.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default().to_owned()
}

/// The rooms that a piece of code names as `crate::room`, `crate::{room, …}` included.
fn named_rooms(code: &str) -> BTreeSet<String> {
    let mut rooms = BTreeSet::new();
    for rest in code.split("crate::").skip(1) {
        let group = rest.strip_prefix('{').map(|g| g.split("};").next().unwrap_or_default());
        let mut depth = 0;
        let mut names = vec![String::new()];
        for c in group.unwrap_or(rest).chars() {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                ',' if depth == 0 && group.is_some() => names.push(String::new()),
                _ if depth == 0 => names.last_mut().expect("one").push(c),
                _ => {}
            }
            if group.is_none() && !c.is_alphanumeric() && c != '_' {
                break;
            }
        }
        let word = |name: &str| {
            let name = name.trim_start();
            let end = name.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(name.len());
            name[..end].to_owned()
        };
        rooms.extend(names.iter().map(|name| word(name)).filter(|name| rank(name).is_some()));
    }
    rooms
}

fn rooms_of_src() -> Vec<(String, PathBuf)> {
    let src = root().join("src");
    let mut found = Vec::new();
    files(&src, "rs", &mut found);
    let room = |path: &PathBuf| {
        let inner = path.strip_prefix(&src).expect("in src").to_path_buf();
        let first = inner.components().next()?.as_os_str().to_string_lossy().into_owned();
        (inner.components().count() > 1).then(|| (first, path.clone()))
    };
    found.iter().filter_map(room).collect()
}

#[test]
fn rooms_are_read_out_of_code() {
    let names = |code: &str| named_rooms(code).into_iter().collect::<Vec<_>>().join(" ");
    assert_eq!(names("use crate::scene::Scene;"), "scene");
    assert_eq!(
        names("use crate::{frame::{A, render}, wall,\n  units::length};"),
        "frame units wall"
    );
    assert_eq!(names("fn f() -> crate::develop::Delivery { crate::cli::run() }"), "cli develop");
    assert_eq!(names(&code("// use crate::cli;\nuse crate::math::fft; // crate::render")), "math");
}

#[test]
fn no_arrow_points_up() {
    let mut seen = BTreeSet::new();
    let mut wrong = Vec::new();
    for (room, path) in rooms_of_src() {
        let own = rank(&room).unwrap_or_else(|| panic!("room '{room}' has no place in the order"));
        seen.insert(room.clone());
        let source = std::fs::read_to_string(&path).expect("text");
        // Tests beside the code keep to the order too: comments go, they stay.
        let whole: Vec<&str> =
            source.lines().map(|line| line.split("//").next().unwrap_or_default()).collect();
        for used in named_rooms(&whole.join("\n")) {
            let other = rank(&used).expect("a room");
            if used != room && other >= own {
                wrong.push(format!("{} uses {used}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "arrows that point up or to the side:\n{}", wrong.join("\n"));
    let all: BTreeSet<String> = ROOMS.concat().iter().map(|r| (*r).to_owned()).collect();
    assert_eq!(seen, all, "rooms of src and rooms of the order");
}

#[test]
fn only_worldly_rooms_touch_files_terminal_clock_and_environment() {
    let mut wrong = Vec::new();
    for (room, path) in rooms_of_src() {
        let in_tests = path.file_stem().is_some_and(|s| s == "tests");
        if WORLDLY.contains(&room.as_str()) || in_tests {
            continue;
        }
        let code = code(&std::fs::read_to_string(&path).expect("text"));
        for word in ["std::fs", "std::env", "std::time", "std::net", "println!", "eprintln!"] {
            if code.contains(word) {
                wrong.push(format!("{}: {word}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn developers_page_names_every_room() {
    let page = text("DEVELOPERS.md");
    for room in ROOMS.concat() {
        assert!(page.contains(&format!("`{room}`")), "DEVELOPERS.md says nothing of `{room}`");
    }
}

/// The `--set KEY=VALUE` that a scene's opening comment invites to.
fn invited_edits(comment: &str) -> Vec<Vec<Edit>> {
    let words: Vec<&str> = comment.split_whitespace().filter(|w| *w != "#").collect();
    let mut tries: Vec<Vec<Edit>> = Vec::new();
    for (i, word) in words.iter().enumerate() {
        if *word == "--set" {
            let edit = words[i + 1].trim_end_matches(['.', ',', ';', ':', ')']);
            let edit = edit.parse().unwrap_or_else(|e| panic!("{edit}: {e}"));
            if i >= 2 && words[i - 2] == "--set" {
                tries.last_mut().expect("the one before").push(edit);
            } else {
                tries.push(vec![edit]);
            }
        }
    }
    tries
}

#[test]
fn every_scene_opens_with_what_to_look_for_and_is_fine() {
    let mut found = Vec::new();
    files(&root().join("scenes"), "yaml", &mut found);
    assert!(found.len() >= 6, "{found:?}");
    let mut tries = 0;
    for path in found {
        let source = scene_text(&path).expect("readable");
        let comment: Vec<&str> =
            source.text.lines().take_while(|line| line.starts_with('#')).collect();
        assert!(comment.len() >= 3, "{} opens with no comment", path.display());
        let comment = comment.join("\n");
        assert!(comment.contains("ook for:"), "{}: what to look for?", path.display());
        assert!(comment.contains("invented"), "{}: is the kit invented?", path.display());
        let pictures = PictureFiles::in_folder(&source.folder);
        // A scene that shows unknown values is looked at in the middle of each.
        let open = OpenScene::read(&source.text, &source.name, &[]).expect("ranges");
        let middle: Vec<f64> = open.values.iter().map(|v| v.middle()).collect();
        let middle = open.edits(&middle);
        let mut all = invited_edits(&comment);
        tries += all.len();
        all.push(Vec::new());
        for set in all {
            let edits = [middle.clone(), set].concat();
            match scene::parse_edited(&source.text, &source.name, &edits, &pictures) {
                Ok(scene) => assert!(scene.notes.is_empty(), "{:?}", scene.notes),
                Err(problems) => panic!("{} with {edits:?}: {problems:?}", path.display()),
            }
        }
        // Other scenes that the comment names are there.
        for word in comment.split(|c: char| c.is_whitespace() || "():,;".contains(c)) {
            let word = word.trim_end_matches('.');
            if word.ends_with(".yaml") {
                assert!(root().join("scenes").join(word).is_file(), "{word}");
            }
        }
    }
    assert!(tries >= 3, "the invited edits were found: {tries}");
}

/// Fenced blocks of one language, from a page.
fn blocks(page: &str, language: &str) -> Vec<String> {
    page.split("\n```")
        .skip(1)
        .step_by(2)
        .filter_map(|block| block.strip_prefix(language)?.strip_prefix('\n'))
        .map(str::to_owned)
        .collect()
}

/// Command lines of a page: in `sh` blocks, and in the text between backticks.
fn command_lines(page: &str) -> Vec<String> {
    let mut lines: Vec<String> = blocks(page, "sh")
        .iter()
        .flat_map(|b| b.replace("\\\n", " ").lines().map(str::to_owned).collect::<Vec<_>>())
        .collect();
    // Outside of fenced blocks every second piece between backticks is code.
    let prose: Vec<&str> = page.split("\n```").step_by(2).collect();
    lines.extend(prose.join("\n").split('`').skip(1).step_by(2).map(str::to_owned));
    lines.iter().map(|l| l.split(" #").next().unwrap_or_default().trim().to_owned()).collect()
}

#[test]
fn every_command_in_the_pages_is_understood() {
    let mut understood = 0;
    for page in ["README.md", "DEVELOPERS.md"] {
        for line in command_lines(&text(page)) {
            let line = line.split(" > ").next().unwrap_or_default();
            let arguments = line
                .strip_prefix("gridbeat ")
                .or_else(|| line.strip_prefix("cargo run --release -- "));
            let Some(arguments) = arguments else { continue };
            let words: Vec<&str> = arguments.split_whitespace().collect();
            let cli = Cli::try_parse_from(std::iter::once("gridbeat").chain(words.iter().copied()));
            if let Err(problem) = cli {
                use clap::error::ErrorKind::{
                    DisplayHelp, DisplayVersion, MissingRequiredArgument,
                };
                // A command may be mentioned by its name alone.
                let named = words.len() == 1 && problem.kind() == MissingRequiredArgument;
                let fine = named || matches!(problem.kind(), DisplayHelp | DisplayVersion);
                assert!(fine, "{page}: `{line}`\n{problem}");
            }
            for word in words.iter().filter(|w| w.starts_with("scenes/")) {
                assert!(root().join(word).is_file(), "{page}: `{line}`: {word} is not there");
            }
            understood += 1;
        }
    }
    assert!(understood >= 8, "the command lines were found: {understood}");
}

#[test]
fn the_readme_opens_with_the_two_commands_and_a_picture() {
    let page = text("README.md");
    let first = blocks(&page, "sh").into_iter().next().expect("a block of commands");
    let commands: Vec<&str> = first.lines().map(|l| l.split('#').next().unwrap().trim()).collect();
    assert_eq!(commands.len(), 2, "{commands:?}");
    assert!(commands[0].starts_with("cargo run --release -- render scenes/"), "{}", commands[0]);
    assert_eq!(commands[1], "cargo test");
    let pictures: Vec<&str> =
        page.split("](").skip(1).filter_map(|p| p.split(')').next()).collect();
    let shown: Vec<&&str> = pictures.iter().filter(|p| p.ends_with(".png")).collect();
    assert!(!shown.is_empty(), "a picture");
    let links = pictures.iter().filter(|p| !p.starts_with("http") && !p.starts_with('#'));
    for link in links {
        assert!(root().join(link).exists(), "README.md links to {link}, which is not there");
    }
}

#[test]
fn scenes_in_the_readme_are_fine() {
    let scenes = blocks(&text("README.md"), "yaml");
    assert!(!scenes.is_empty());
    for scene in scenes {
        let open = OpenScene::read(&scene, "readme", &[]).expect("ranges");
        let middle: Vec<f64> = open.values.iter().map(|v| v.middle()).collect();
        let parsed = open.at(&middle, &NoPictures);
        assert!(parsed.is_ok(), "{scene}\n{:?}", parsed.err());
    }
}
