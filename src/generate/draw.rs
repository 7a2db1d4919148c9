//! Distributions over a scene's keys, and what is drawn from them for a sample.

use super::condition::{Foreseen, foreseen};
use super::recipe::{Group, Recipe};
use crate::diag::Diagnostic;
use crate::math::random::{Purpose, Stream, normal_quantile};
use crate::scene::{ContentPictures, Edit, OpenScene, Scene};

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Draw {
    /// Always the same, as it would stand in a scene file.
    Always(String),
    /// Evenly between two numbers.
    Uniform {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Whole numbers only.
        whole: bool,
    },
    /// Evenly in ratios between two positive numbers.
    LogUniform {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Whole numbers only.
        whole: bool,
    },
    /// Normal, cut off outside of two numbers.
    Normal {
        /// Mean of the uncut distribution.
        mean: f64,
        /// Its standard deviation.
        sd: f64,
        /// Least value.
        low: f64,
        /// Largest value.
        high: f64,
    },
    /// One of several, as they would stand in a scene file, each with its weight.
    Choice(Vec<(String, f64)>),
    /// A number drawn before, times a number, plus a number.
    Follows {
        /// The key that it follows.
        key: String,
        /// Factor.
        times: Box<Draw>,
        /// Summand.
        plus: Box<Draw>,
    },
}

/// Numbers are drawn to so many digits, so that they read well.
fn rounded(value: f64, whole: bool) -> f64 {
    if whole {
        return value.round();
    }
    format!("{value:.5e}").parse().unwrap_or(value)
}

impl Draw {
    /// Draws a value, as it would stand in a scene file. `known` gives the number at a key that was drawn before, or that the
    /// scene has.
    ///
    /// # Errors
    /// A sentence: what it follows is no number.
    pub fn value(
        &self,
        dice: &mut Stream,
        known: &dyn Fn(&str) -> Option<f64>,
    ) -> Result<String, String> {
        match self {
            Self::Always(value) => Ok(value.clone()),
            Self::Choice(values) => Ok(values[pick(dice, values.iter().map(|v| v.1))].0.clone()),
            _ => self.number(dice, known).map(|n| n.to_string()),
        }
    }

    /// Draws a number.
    ///
    /// # Errors
    /// A sentence: it is none.
    pub fn number(
        &self,
        dice: &mut Stream,
        known: &dyn Fn(&str) -> Option<f64>,
    ) -> Result<f64, String> {
        let of_text = |text: &str| {
            text.parse::<f64>()
                .map_err(|_| format!("'{text}' is no number that can be reckoned with"))
        };
        match self {
            Self::Always(value) => of_text(value),
            Self::Choice(values) => of_text(&values[pick(dice, values.iter().map(|v| v.1))].0),
            Self::Uniform { low, high, whole: true } => {
                // Each whole number as often as any other.
                Ok((low + (dice.uniform() * (high - low + 1.0)).floor()).min(*high))
            }
            Self::Uniform { low, high, whole } => {
                Ok(rounded(low + dice.uniform() * (high - low), *whole).clamp(*low, *high))
            }
            Self::LogUniform { low, high, whole } => {
                let value = low * libm::pow(high / low, dice.uniform());
                Ok(rounded(value, *whole).clamp(*low, *high))
            }
            Self::Normal { mean, sd, low, high } => {
                let share = |value: f64| 0.5 * libm::erfc(-(value - mean) / sd / 2.0_f64.sqrt());
                let (from, to) = (share(*low), share(*high));
                let value = mean + sd * normal_quantile(from + dice.uniform() * (to - from));
                Ok(rounded(value, false).clamp(*low, *high))
            }
            Self::Follows { key, times, plus } => {
                let base = known(key).ok_or_else(|| {
                    format!("`{key}`, which it follows, is neither a number drawn above nor one of the scene")
                })?;
                let times = times.number(dice, known)?;
                Ok(rounded(base * times + plus.number(dice, known)?, false))
            }
        }
    }
}

/// The number of one of several, by their weights.
fn pick(dice: &mut Stream, weights: impl Iterator<Item = f64> + Clone) -> usize {
    let mut left = dice.uniform() * weights.clone().sum::<f64>();
    let mut last = 0;
    for (i, weight) in weights.enumerate() {
        if weight > 0.0 {
            last = i;
        }
        if left < weight {
            return i;
        }
        left -= weight;
    }
    last
}

/// What was drawn for a sample.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// The scene.
    pub scene: Scene,
    /// What was drawn, in the order of the recipe.
    pub edits: Vec<Edit>,
    /// Which choice each group took: name of the group, name of the choice.
    pub choices: Vec<(String, String)>,
    /// Draws until the conditions held, this one included.
    pub tries: u32,
    /// What is foreseen of it.
    pub foreseen: Foreseen,
}

/// No draw met the conditions.
#[derive(Debug, Clone, PartialEq)]
pub struct NotDrawn {
    /// How many were tried.
    pub tries: u32,
    /// How many of them were no scene.
    pub refused: u32,
    /// The first thing that stood against one that was none.
    pub problem: Option<Box<Diagnostic>>,
    /// What was missed most often.
    pub missed: Option<String>,
}

impl NotDrawn {
    /// In a sentence.
    pub fn words(&self) -> String {
        let mut out = format!("none of {} draws", self.tries);
        if self.refused > 0 {
            out += &format!(", {} of which were no scene", self.refused);
        }
        if let Some(problem) = &self.problem {
            out += &format!(" (such as {}: {})", problem.key, problem.message);
        }
        if let Some(missed) = &self.missed {
            out += &format!(", met the conditions: the last missed {missed}");
        }
        out
    }
}

/// A recipe ready to be drawn from.
pub struct Drawing<'a> {
    /// The recipe.
    pub recipe: &'a Recipe,
    open: OpenScene,
    /// The base scene: what its wall shows serves for all samples that do not change that.
    base: Scene,
    pictures: &'a (dyn ContentPictures + Sync),
}

impl<'a> Drawing<'a> {
    /// Of a recipe and the text of its scene.
    ///
    /// # Errors
    /// What stands against the scene with the recipe's fixed keys: it must be a scene before anything is drawn.
    pub fn new(
        recipe: &'a Recipe,
        text: &str,
        pictures: &'a (dyn ContentPictures + Sync),
    ) -> Result<Self, Vec<Diagnostic>> {
        let open = OpenScene::read(text, &recipe.name, &recipe.set)?;
        let base = open.edited(&[], pictures, None)?;
        Ok(Self { recipe, open, base, pictures })
    }

    /// The base scene.
    pub fn base(&self) -> &Scene {
        &self.base
    }

    /// Sample number `i`, a pure function of the recipe and the number.
    ///
    /// # Errors
    /// No draw of so many as the recipe allows met its conditions.
    pub fn sample(&self, i: u64) -> Result<Drawn, NotDrawn> {
        let recipe = self.recipe;
        let wanted = recipe.wanted(i);
        let mut missed = NotDrawn { tries: 0, refused: 0, problem: None, missed: None };
        for number in 0..recipe.tries {
            missed.tries += 1;
            let mut dice = Stream::new(recipe.seed, number, i, Purpose::Recipe);
            let (edits, choices) = match self.edits(&mut dice) {
                Ok(drawn) => drawn,
                Err(problem) => {
                    missed.refused += 1;
                    missed.problem.get_or_insert_with(|| Box::new(problem));
                    continue;
                }
            };
            let scene = match self.scene(i, &mut dice, &edits) {
                Ok(scene) => scene,
                Err(problems) => {
                    missed.refused += 1;
                    let first = problems.into_iter().next();
                    missed.problem = missed.problem.or(first.map(Box::new));
                    continue;
                }
            };
            let foreseen = foreseen(&scene);
            let fails = recipe.conditions.iter().find(|c| !c.holds(&foreseen));
            match (fails, wanted) {
                (Some(fails), _) => missed.missed = Some(fails.words()),
                (None, Some(degree)) if degree != foreseen.degree => {
                    missed.missed = Some(format!("verdict {}", degree.words()));
                }
                (None, _) => {
                    let tries = number + 1;
                    return Ok(Drawn { scene, edits, choices, tries, foreseen });
                }
            }
        }
        Err(missed)
    }

    /// What is drawn, in order: groups first.
    #[expect(clippy::type_complexity, reason = "edits, and the groups' choices by name")]
    fn edits(&self, dice: &mut Stream) -> Result<(Vec<Edit>, Vec<(String, String)>), Diagnostic> {
        let (mut edits, mut choices) = (Vec::new(), Vec::new());
        for Group { name, choices: all } in &self.recipe.together {
            let choice = &all[pick(dice, all.iter().map(|c| c.weight))];
            choices.push((name.clone(), choice.name.clone()));
            edits.extend(choice.set.iter().cloned());
        }
        for (key, draw, place) in &self.recipe.vary {
            let drawn = |key: &str| edits.iter().rev().find(|e: &&Edit| e.key == key);
            let known = |key: &str| match drawn(key) {
                Some(edit) => edit.value.parse().ok(),
                None => self.open.number(key),
            };
            let value = draw.value(dice, &known).map_err(|why| {
                Diagnostic::error(format!("vary.{key}"), why)
                    .hint("a key that follows another stands below it, and both are plain numbers")
                    .at(place.clone())
            })?;
            edits.push(Edit { key: key.clone(), value });
        }
        Ok((edits, choices))
    }

    fn scene(&self, i: u64, dice: &mut Stream, edits: &[Edit]) -> Result<Scene, Vec<Diagnostic>> {
        let mut all = edits.to_vec();
        // Noise and faults of each sample are its own, unless the recipe says what they are.
        for key in ["camera.noise_seed", "wall.seed"] {
            let seed = (dice.uniform() * f64::from(1_u32 << 30)) as u32;
            let is_said = |e: &Edit| e.key == key;
            if !edits.iter().any(is_said) && !self.recipe.set.iter().any(is_said) {
                all.push(Edit { key: key.into(), value: seed.to_string() });
            }
        }
        if let Some(size) = self.recipe.size_px {
            let (x, y) = if all
                .iter()
                .any(|e| e.key.starts_with("camera") && e.key != "camera.noise_seed")
            {
                let whole = self.open.edited(&all, self.pictures, Some(&self.base))?;
                self.corner(&whole, size, dice)
            } else {
                self.corner(&self.base, size, dice)
            };
            let [width, height] = size;
            all.push(Edit {
                key: "camera.crop".into(),
                value: format!("{{x: {x}, y: {y}, width: {width}, height: {height}}}"),
            });
            all.push(Edit { key: "delivery.size_px".into(), value: "null".into() });
            all.push(Edit { key: "delivery.desqueeze".into(), value: "off".into() });
        }
        let mut scene = self.open.edited(&all, self.pictures, Some(&self.base))?;
        scene.name = format!("{}-{i:06}", self.recipe.name);
        Ok(scene)
    }

    /// Where the recorded part lies: in the middle, or anywhere; on the mosaic's first photosite.
    fn corner(&self, scene: &Scene, [width, height]: [u32; 2], dice: &mut Stream) -> (u32, u32) {
        let whole = scene.camera.recorded_size();
        let room = [whole[0].saturating_sub(width), whole[1].saturating_sub(height)];
        let at = room.map(|room| {
            let share = if self.recipe.anywhere { dice.uniform() } else { 0.5 };
            (f64::from(room) * share) as u32 / 2 * 2
        });
        (at[0], at[1])
    }
}
