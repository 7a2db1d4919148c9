//! Scenes with open values on the command line: a choice of numbers for them.

use super::check;
use crate::input::{PictureFiles, SceneText};
use crate::predict::unknowns::unknowns;
use crate::scene::{Edit, OpenScene, OpenValue};
use clap::ValueEnum;
use serde_json::{Value, json};

/// Which numbers to take for values that are not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Choice {
    /// Those with the worst verdict that `gridbeat predict` finds
    Worst,
    /// Those with the best verdict that `gridbeat predict` finds
    Best,
    /// The middle of every range
    Middle,
}

impl Choice {
    /// In a word, as on the command line.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Worst => "worst",
            Self::Best => "best",
            Self::Middle => "middle",
        }
    }
}

/// The choice of a command; part of its arguments.
#[derive(Debug, Clone, Copy, Default, clap::Args)]
pub struct Choosing {
    /// Numbers for values that the scene gives as a range or as `unknown`
    #[arg(long, value_name = "CHOICE", value_enum)]
    pub unknowns: Option<Choice>,
}

/// Open values and the numbers that were chosen for them.
#[derive(Debug, Clone, Default)]
pub(super) struct Chosen {
    /// The choice; `None` where nothing was open or nothing was chosen.
    pub choice: Option<Choice>,
    /// Each open value and its number.
    pub values: Vec<(OpenValue, f64)>,
}

impl Chosen {
    /// The edits that set them.
    pub fn edits(&self) -> impl Iterator<Item = Edit> {
        self.values.iter().map(|(open, value)| open.edit(*value))
    }

    /// A line for each value: `drive.refresh_hz: 960 Hz, the worst of 960 to 7680 Hz`.
    pub fn lines(&self) -> Vec<String> {
        let Some(choice) = self.choice else { return Vec::new() };
        let line = |(open, value): &(OpenValue, f64)| {
            let (number, range) = (open.words(*value), open.range_words());
            format!("{}: taken as {number}, the {} of {range}", open.key, choice.word())
        };
        self.values.iter().map(line).collect()
    }

    /// The same as data; null where nothing was open.
    pub fn as_json(&self) -> Value {
        let Some(choice) = self.choice else { return Value::Null };
        let values = self.values.iter().map(|(open, value)| {
            json!({
                "key": open.key, "taken_as": value, "low": open.low, "high": open.high, "unit": open.unit,
                "written_unknown": open.is_unknown,
            })
        });
        json!({ "choice": choice.word(), "values": values.collect::<Vec<_>>() })
    }
}

/// The scene with its open values, if it has any. One that cannot be read has none: what is wrong is told when it is checked.
pub(super) fn open(source: &SceneText, edits: &[Edit]) -> Option<OpenScene> {
    let open = OpenScene::read(&source.text, &source.name, edits).ok()?;
    (!open.values.is_empty()).then_some(open)
}

/// Numbers for a scene's open values. Nothing is chosen without a choice: the scene is refused then, when it is read.
/// `Err` when no choice makes a valid scene, its problems printed.
pub(super) fn choose(
    source: &SceneText,
    edits: &[Edit],
    choosing: Choosing,
) -> Result<Chosen, usize> {
    let (Some(choice), Some(open)) = (choosing.unknowns, open(source, edits)) else {
        return Ok(Chosen::default());
    };
    let numbers = match choice {
        Choice::Middle => open.values.iter().map(OpenValue::middle).collect(),
        Choice::Worst | Choice::Best => {
            let pictures = PictureFiles::in_folder(&source.folder);
            match unknowns(&open, &pictures) {
                Ok(found) => found.point(choice == Choice::Worst).to_vec(),
                Err(problems) => return Err(check::refuse(&problems, source)),
            }
        }
    };
    let values = open.values.into_iter().zip(numbers).collect();
    Ok(Chosen { choice: Some(choice), values })
}

/// [`choose`], and all edits together: those of the command line and those that were chosen.
pub(super) fn settle(
    source: &SceneText,
    edits: &[Edit],
    choosing: Choosing,
) -> Result<(Chosen, Vec<Edit>), usize> {
    let chosen = choose(source, edits, choosing)?;
    let all = edits.iter().cloned().chain(chosen.edits()).collect();
    Ok((chosen, all))
}
