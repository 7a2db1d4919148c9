//! A report: everything that is known of a set-up before the shoot, as one HTML file that needs nothing else. It holds the set-up drawn to
//! scale, pictures that are handed in, verdicts, shutters, light, questions, what the model leaves out, and a page of its own: the card
//! for the set.
//!
//! Numbers are those of [`crate::predict`]; nothing is worked out anew but what only the report has: the depth of field
//! ([`setup`]), shutters that hold by the verdict too ([`shutter`]), the darkest level that holds ([`hold`]) and what to avoid ([`avoid`]).

mod advice;
pub mod avoid;
mod card;
pub mod hold;
mod page;
mod sections;
pub mod setup;
pub mod shutter;
pub mod style;
mod words;

use crate::plan::advise::Advice;
use crate::predict::content_timing::{ContentTiming, content_timing};
use crate::predict::exposure::{Light, light};
use crate::predict::focus::{NearestFocus, nearest_focus};
use crate::predict::people::{People, people};
use crate::predict::shutters::{Shutters, shutters};
use crate::predict::stepping::{Stepping, stepping};
use crate::predict::unknowns::Unknowns;
use crate::predict::{Prediction, Settings, predict};
use crate::scene::{ContentPictures, Edit, Input, OpenScene, Scene, Understood};
use avoid::{Avoid, Varied};
use hold::Hold;
use page::{Page, escaped};
use shutter::Checked;

pub use card::HEADINGS as CARD_HEADINGS;

/// A picture for the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// The PNG file's bytes.
    pub png: Vec<u8>,
    /// Its columns and rows.
    pub size: (usize, usize),
    /// To be looked at pixel for pixel: it is not scaled.
    pub exact: bool,
    /// What it shows, for those who cannot see it.
    pub alt: String,
    /// What stands below it.
    pub caption: String,
}

/// A scene as text and as understood.
pub struct Source<'a> {
    /// The text of its file.
    pub text: &'a str,
    /// Its name.
    pub name: &'a str,
    /// What is set anew.
    pub edits: &'a [Edit],
    /// Where pictures come from.
    pub pictures: &'a (dyn ContentPictures + Sync),
}

/// What comes along with a scene.
#[derive(Default)]
pub struct Extra {
    /// Values that are not known, and what they decide.
    pub questions: Option<(OpenScene, Unknowns)>,
    /// A line for each number that was taken for one.
    pub taken: Vec<String>,
    /// Its pictures.
    pub shown: Vec<Shown>,
    /// What to change, where it was looked for.
    pub advice: Option<Advice>,
}

/// What is said of one scene.
pub struct Chapter {
    scene: Scene,
    about: Option<String>,
    prediction: Prediction,
    shutters: Shutters,
    checked: Vec<Checked>,
    light: Light,
    timing: ContentTiming,
    stepping: Stepping,
    people: People,
    focus: Option<NearestFocus>,
    hold: Hold,
    avoid: Vec<Avoid>,
    extra: Extra,
}

/// A key's text.
fn text_of(inputs: &[Input], key: &str) -> Option<String> {
    let input = inputs.iter().find(|i| i.key == key)?;
    input.value.as_str().map(str::to_owned).filter(|t| !t.is_empty())
}

impl Chapter {
    /// Works a scene's answers out.
    pub fn new(source: &Source<'_>, understood: &Understood, extra: Extra) -> Self {
        let scene = understood.scene.clone();
        let varied = Varied {
            text: source.text,
            name: source.name,
            edits: source.edits,
            inputs: &understood.inputs,
            pictures: source.pictures,
        };
        let stepping = stepping(&scene);
        let table = shutters(&scene);
        Self {
            about: text_of(&understood.inputs, "about"),
            prediction: predict(&scene, &Settings::full()),
            checked: shutter::checked(&scene, &table),
            shutters: table,
            light: light(&scene),
            timing: content_timing(&scene),
            people: people(&scene),
            focus: nearest_focus(&scene),
            hold: hold::hold(&scene, &stepping),
            avoid: avoid::avoid(&varied, scene.moves.is_some()),
            stepping,
            extra,
            scene,
        }
    }
}

/// The whole file.
pub fn html(chapters: &[Chapter]) -> String {
    let mut page = Page::default();
    page.raw("<!DOCTYPE html>\n");
    page.start("html", "lang=\"en\"");
    page.start("head", "");
    page.raw("<meta charset=\"utf-8\">\n");
    page.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    let names: Vec<&str> = chapters.iter().map(|c| c.scene.name.as_str()).collect();
    let title = format!("LED wall and camera: {}", names.join(", "));
    page.leaf("title", "", &title);
    page.start("style", "");
    page.raw(style::CSS);
    page.end();
    page.end();
    page.start("body", "");
    page.raw(style::PATTERNS);
    page.start("header", "");
    page.leaf("h1", "", &title);
    page.leaf(
        "p",
        "class=\"quiet\"",
        concat!(
            "Predicted by gridbeat ",
            env!("CARGO_PKG_VERSION"),
            " from the scene files; nothing here was measured on the set. Words in use are explained at the end."
        ),
    );
    if chapters.len() > 1 {
        page.start("ul", "");
        for (number, name) in names.iter().enumerate() {
            page.raw(&format!(
                "<li><a href=\"#scene-{}\">{}</a></li>\n",
                number + 1,
                escaped(name)
            ));
        }
        page.end();
    }
    page.end();
    page.start("main", "");
    for (number, chapter) in chapters.iter().enumerate() {
        chapter.write(&mut page, number + 1);
    }
    words::write(&mut page);
    page.finish()
}
