//! What to change, where it was looked for: a section of a chapter, and a line for the card.

use super::Chapter;
use super::page::{Page, escaped};
use super::sections::upper;
use crate::plan::advise::{Advice, Recommended};

/// The section's title.
pub const TITLE: &str = "What to change";

impl Chapter {
    /// Writes the section.
    pub(super) fn advised(&self, page: &mut Page) {
        let Some(advice) = &self.extra.advice else { return };
        page.start("section", "");
        page.leaf("h3", "", TITLE);
        if advice.present.is_clean() {
            page.line("No change is needed: at worst within the tolerances nothing is predicted to show. The test shot on the card settles it.");
            page.end();
            return;
        }
        page.line(&format!("As it stands, at worst: {}.", advice.present.words()));
        if self.extra.questions.is_some() || !self.extra.taken.is_empty() {
            page.line(
                "Some values are not known: this holds for the numbers that were taken for them.",
            );
        }
        if advice.recommended.is_empty() {
            nothing(page, advice);
        } else {
            page.line("Each of these alone makes it clean: predicted at worst within the tolerances, then rendered and measured there. What costs the shot least comes first.");
            page.start("ol", "class=\"changes\"");
            for found in &advice.recommended {
                change(page, found);
            }
            page.end();
        }
        let (helps, hardly) = advice.not_enough();
        if !helps.is_empty() || !hardly.is_empty() {
            page.leaf("h4", "", "Not enough alone, and what the best of each leaves");
            page.list(&helps.iter().map(|l| upper(l)).collect::<Vec<_>>());
            if !hardly.is_empty() {
                page.line(&format!("More than half is left by: {}.", hardly.join(", ")));
            }
        }
        let beyond = advice.beyond();
        if !beyond.is_empty() {
            page.leaf("h4", "", "Beyond the limits");
            page.list(&beyond.iter().map(|l| upper(l)).collect::<Vec<_>>());
        }
        page.leaf(
            "p",
            "class=\"quiet\"",
            &format!(
                "Looked at: {}. 'Clean' speaks of the picture, not of people in the room. Whatever is changed: shoot the test on the card with it. Hanging a diffuser or another wall is work for licensed people under local codes.",
                advice.looked_at(&self.scene).join("; ")
            ),
        );
        page.end();
    }

    /// The first change in a line for the card; none where it is clean, or nobody asked.
    pub(super) fn first_change(&self) -> Option<String> {
        let advice = self.extra.advice.as_ref().filter(|a| !a.present.is_clean())?;
        Some(match advice.recommended.first() {
            Some(first) => format!("Not clean as planned here. What to change first: {}.", first.what()),
            None => "Not clean as planned here, and nothing within the limits makes it clean: change the plan.".to_owned(),
        })
    }
}

/// That nothing helps, and what comes nearest.
fn nothing(page: &mut Page, advice: &Advice) {
    page.leaf(
        "p",
        "class=\"now\"",
        "Nothing within the limits makes it clean, neither one change nor two together.",
    );
    if let Some((change, left)) = advice.best() {
        page.line(&format!("What leaves least, alone: {}. Then: {}.", change.words, left.words()));
    }
}

/// One change, or two that help together.
fn change(page: &mut Page, found: &Recommended) {
    page.start("li", "");
    let together = if found.changes.len() > 1 { "Both together: " } else { "" };
    page.leaf("p", "class=\"now\"", &upper(&format!("{together}{}", found.what())));
    let takes = found.takes();
    if !takes.is_empty() {
        page.line(&format!("Takes: {takes}."));
    }
    page.line(&format!("Then: clean; {}.", found.then()));
    let sets: Vec<String> =
        found.sets().iter().map(|s| format!("<code>{}</code>", escaped(s))).collect();
    page.raw(&format!("<p class=\"quiet\">In the scene: {}</p>\n", sets.join(" ")));
    page.end();
}
