//! One or two keys of a scene over their ranges, each point judged ([`crate::predict::verdict`]).

use crate::artefact::Degree;
use crate::diag::Diagnostic;
use crate::predict::unknowns::{KINDS, severity};
use crate::predict::{Settings, verdict};
use crate::scene::{ContentPictures, Edit, OpenScene, OpenValue, Scene};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Most steps of one key.
pub const MOST_STEPS: usize = 2000;

/// A key and the range it goes through, as people write it: `lens.focal_mm=24..85`, `…:60` for 60 steps, `…:60:log` in even
/// ratios.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vary {
    /// Path of the key.
    pub key: String,
    /// First value, as it would stand in the file.
    pub from: String,
    /// Last value.
    pub to: String,
    /// How many values; `None` for as many as suit the drawing.
    pub steps: Option<usize>,
    /// In even ratios, not in even steps.
    pub is_log: bool,
}

impl std::str::FromStr for Vary {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let how = "write KEY=FROM..TO, KEY=FROM..TO:STEPS or KEY=FROM..TO:STEPS:log, such as lens.focal_mm=24..85:60:log";
        let (key, range) =
            text.split_once('=').ok_or_else(|| format!("'{text}' has no '='; {how}"))?;
        let mut parts = range.split(':');
        let ends = parts.next().unwrap_or_default();
        let (from, to) =
            ends.split_once("..").ok_or_else(|| format!("'{ends}' is no range; {how}"))?;
        let (mut steps, mut is_log) = (None, false);
        for part in parts.map(str::trim) {
            if part == "log" {
                is_log = true;
                continue;
            }
            match part.parse::<usize>() {
                Ok(count) if (2..=MOST_STEPS).contains(&count) => steps = Some(count),
                _ => {
                    return Err(format!(
                        "'{part}' is neither a number of steps (2 to {MOST_STEPS}) nor 'log'; {how}"
                    ));
                }
            }
        }
        let [key, from, to] = [key, from, to].map(|s| s.trim().to_owned());
        if key.is_empty() || from.is_empty() || to.is_empty() {
            return Err(format!("'{text}' is not complete; {how}"));
        }
        Ok(Self { key, from, to, steps, is_log })
    }
}

/// One key of a sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// The key, its range and its unit.
    pub value: OpenValue,
    /// The values, from low to high.
    pub steps: Vec<f64>,
    /// They go in even ratios.
    pub is_log: bool,
}

impl Axis {
    fn new(value: &OpenValue, vary: &Vary, count: usize) -> Result<Self, Diagnostic> {
        let (low, high) = (value.low, value.high);
        if vary.is_log && low <= 0.0 {
            let message = format!("even ratios cannot begin at {}", value.words(low));
            let hint = "begin above 0, or leave ':log' out".to_owned();
            return Err(Diagnostic::error(value.key.clone(), message).hint(hint));
        }
        let last = (count - 1) as f64;
        let at = |i: usize| {
            let share = i as f64 / last;
            let found = if vary.is_log {
                low * libm::pow(high / low, share)
            } else {
                low + share * (high - low)
            };
            // The ends are what was asked for, to the last bit.
            let found = if i == 0 {
                low
            } else if i + 1 == count {
                high
            } else {
                found
            };
            if value.is_whole { found.round() } else { found }
        };
        let mut steps: Vec<f64> = (0..count).map(at).collect();
        steps.dedup();
        Ok(Self { value: value.clone(), steps, is_log: vary.is_log })
    }
}

/// One point of a sweep.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cell {
    /// It is a scene.
    Judged {
        /// Multiples of the threshold of visibility, as planned, by [`KINDS`].
        planned: [f64; 4],
        /// At worst within the tolerances.
        worst: [f64; 4],
        /// Kinds that cannot be called clean.
        unsure: [bool; 4],
    },
    /// It is none: why.
    Refused(String),
}

impl Cell {
    /// The degree of a kind at worst; `None` for what is no scene.
    pub fn degree(&self, kind: usize) -> Option<Degree> {
        match self {
            Self::Refused(_) => None,
            Self::Judged { worst, unsure, .. } => Some(match Degree::of(worst[kind]) {
                Degree::Clean if unsure[kind] => Degree::CannotSay,
                degree => degree,
            }),
        }
    }

    /// The degree over all kinds: what is known to be bad counts before what cannot be said.
    pub fn worst(&self) -> Option<Degree> {
        let degrees = [0, 1, 2, 3].into_iter().filter_map(|kind| self.degree(kind));
        degrees.max_by_key(|degree| severity(*degree))
    }

    /// The kind that is worst, where one is more than clean.
    pub fn worst_kind(&self) -> Option<usize> {
        let Self::Judged { worst, .. } = self else { return None };
        let all = (0..4).filter(|k| worst[*k] >= 1.0);
        // Degrees first; of equals the one that comes first.
        all.max_by(|a, b| {
            let of = |k: &usize| Degree::of(worst[*k]);
            of(a).cmp(&of(b)).then(b.cmp(a))
        })
    }
}

/// A sweep: a scene with one or two keys left open.
#[derive(Debug, Clone)]
pub struct Sweep {
    /// The scene.
    pub open: OpenScene,
    /// Its keys: the first goes to the right, the second upwards.
    pub axes: Vec<Axis>,
    /// Which of the scene's open values each axis is.
    numbers: Vec<usize>,
}

impl Sweep {
    /// Of a scene's text with edits, and one or two keys.
    ///
    /// # Errors
    /// What stands against the scene: keys that do not exist or take no numbers, ranges that leave what is allowed, and other values that
    /// are open.
    pub fn new(
        text: &str,
        name: &str,
        edits: &[Edit],
        varied: &[Vary],
    ) -> Result<Self, Vec<Diagnostic>> {
        let mut all = edits.to_vec();
        for vary in varied {
            let edit = |low: &str, high: &str| Edit {
                key: vary.key.clone(),
                value: format!("[{low}, {high}]"),
            };
            let [given, turned] = [edit(&vary.from, &vary.to), edit(&vary.to, &vary.from)];
            let reads = |edit: &Edit| {
                let edits: Vec<Edit> = edits.iter().cloned().chain([edit.clone()]).collect();
                OpenScene::read(text, name, &edits).is_ok()
            };
            // From high to low is the same range.
            all.push(if !reads(&given) && reads(&turned) { turned } else { given });
        }
        let open = OpenScene::read(text, name, &all)?;
        let mut problems = Vec::new();
        let (mut axes, mut numbers) = (Vec::new(), Vec::new());
        let usual = if varied.len() == 1 { 201 } else { 61 };
        for vary in varied {
            let found = open.values.iter().position(|v| v.key == vary.key);
            let Some(number) = found else {
                let message = "not a number of a scene that can be varied".to_owned();
                let hint =
                    "`gridbeat schema --keys` lists the keys; those with a number can be varied"
                        .to_owned();
                problems.push(Diagnostic::error(vary.key.clone(), message).hint(hint));
                continue;
            };
            match Axis::new(&open.values[number], vary, vary.steps.unwrap_or(usual)) {
                Ok(axis) => axes.push(axis),
                Err(problem) => problems.push(problem),
            }
            numbers.push(number);
        }
        for (i, value) in open.values.iter().enumerate() {
            if !numbers.contains(&i) && problems.is_empty() {
                let message = format!("not known: {}", value.range_words());
                let hint = format!(
                    "write a number (`--set {}=…`), or choose with `--unknowns`",
                    value.key
                );
                problems.push(
                    Diagnostic::error(value.key.clone(), message)
                        .hint(hint)
                        .at(value.place.clone()),
                );
            }
        }
        if problems.is_empty() { Ok(Self { open, axes, numbers }) } else { Err(problems) }
    }

    /// Values to the right.
    pub fn columns(&self) -> usize {
        self.axes[0].steps.len()
    }

    /// Values upwards; 1 where one key is varied.
    pub fn rows(&self) -> usize {
        self.axes.get(1).map_or(1, |axis| axis.steps.len())
    }

    /// The scene's open values at a point, in the scene's order.
    fn point(&self, column: usize, row: usize) -> Vec<f64> {
        let mut values = vec![0.0; self.open.values.len()];
        for ((axis, number), step) in self.axes.iter().zip(&self.numbers).zip([column, row]) {
            values[*number] = axis.steps[step];
        }
        values
    }

    /// The scene of a point.
    pub fn scene(
        &self,
        column: usize,
        row: usize,
        pictures: &dyn ContentPictures,
    ) -> Result<Scene, Vec<Diagnostic>> {
        self.open.at(&self.point(column, row), pictures)
    }

    /// A scene of the sweep whose picture on the wall serves all others: the first point that is one.
    pub fn shown(&self, pictures: &dyn ContentPictures) -> Option<Scene> {
        let points = (0..self.rows()).flat_map(|row| (0..self.columns()).map(move |c| (c, row)));
        let mut middle = vec![(self.columns() / 2, self.rows() / 2)];
        middle.extend(points);
        middle.into_iter().find_map(|(column, row)| self.scene(column, row, pictures).ok())
    }

    /// Judges one row, its points side by side.
    pub fn row(
        &self,
        row: usize,
        pictures: &(dyn ContentPictures + Sync),
        shown: Option<&Scene>,
    ) -> Vec<Cell> {
        let settings = Settings::quick();
        let judge = |column: usize| {
            let point = self.point(column, row);
            let scene = match shown {
                Some(shown) => self.open.at_showing(&point, pictures, shown),
                None => self.open.at(&point, pictures),
            };
            let scene = match scene {
                Ok(scene) => scene,
                Err(problems) => {
                    let first = problems.first();
                    let why =
                        first.map_or_else(String::new, |p| format!("{}: {}", p.key, p.message));
                    return Cell::Refused(why);
                }
            };
            let found = verdict(&scene, &settings);
            let of = |planned: bool| {
                KINDS.map(|kind| {
                    found.of(kind).map_or(0.0, |f| {
                        if planned { f.planned.multiple } else { f.worst.multiple }
                    })
                })
            };
            let unsure =
                KINDS.map(|kind| found.places == 0 || found.unsure.iter().any(|u| u.kind == kind));
            Cell::Judged { planned: of(true), worst: of(false), unsure }
        };
        (0..self.columns()).into_par_iter().map(judge).collect()
    }
}
