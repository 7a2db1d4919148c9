//! Advice in words: what a terminal and a report say of it alike.

use super::{Advice, Recommended, Seen, Tried};
use crate::artefact::Degree;
use crate::predict::unknowns::KINDS;
use crate::scene::Scene;
use crate::units::{number, percent};

/// Times what is seen, in two figures: more would say too much.
pub fn times(multiple: f64) -> String {
    match multiple {
        m if m >= 10.0 => format!("{m:.0}"),
        m if m >= 1.0 => format!("{m:.1}"),
        m => format!("{m:.2}"),
    }
}

impl Seen {
    /// What is seen: `moiré spoils the shot (6.2 times what is seen)`, or `clean`.
    pub fn words(&self) -> String {
        let mut parts = Vec::new();
        for (i, kind) in KINDS.iter().enumerate() {
            match self.degrees[i] {
                Degree::Clean => {}
                Degree::CannotSay => parts.push(format!("{}: can't say", kind.words())),
                degree => parts.push(format!(
                    "{} {} ({} times what is seen)",
                    kind.words(),
                    degree.words(),
                    times(self.times_threshold[i])
                )),
            }
        }
        if parts.is_empty() { "clean".into() } else { parts.join("; ") }
    }
}

impl Recommended {
    /// What is to be done; both where it takes two.
    pub fn what(&self) -> String {
        let all: Vec<&str> = self.changes.iter().map(|c| c.words.as_str()).collect();
        all.join(", and ")
    }

    /// What it costs the shot, light and money included.
    pub fn takes(&self) -> String {
        let all = self.changes.iter().map(|c| c.takes.clone());
        let mut takes: Vec<String> = all.filter(|t| !t.is_empty()).collect();
        if self.lost_stops > 1e-3 {
            takes.push(format!("{:.1} stops of light", self.lost_stops));
        }
        match self.money_per_day {
            Some(money) if money != 0.0 => takes.push(format!("{} a day", number(money))),
            Some(_) => {}
            None => takes.push("money, price not given".into()),
        }
        takes.join("; ")
    }

    /// What is to be set in the scene, as `KEY=VALUE`.
    pub fn sets(&self) -> Vec<String> {
        let set = self.edits.iter().filter(|e| !e.value.is_empty());
        set.map(|e| format!("{}={}", e.key, e.value)).collect()
    }

    /// What is seen once it is done.
    pub fn then(&self) -> String {
        format!(
            "at worst {} times what is seen as predicted, {} as rendered in {} frames",
            times(self.predicted.worst()),
            times(self.rendered.judged().multiple),
            self.rendered.frames
        )
    }
}

impl Tried {
    /// Its name in a sentence.
    fn name(&self) -> String {
        self.remedy.name().replace('_', " ")
    }
}

impl Advice {
    /// What is not enough alone: the best of each that helps, a line each, and the names of those that leave more than half.
    pub fn not_enough(&self) -> (Vec<String>, Vec<String>) {
        let (mut lines, mut hardly) = (Vec::new(), Vec::new());
        for tried in &self.tried {
            let Some((change, left)) = &tried.best else { continue };
            if tried.contradicted == 0 && left.worst() >= 0.5 * self.present.worst() {
                hardly.push(tried.name());
                continue;
            }
            let against = match tried.contradicted {
                0 => "",
                _ => " (predicted clean, but a rendered frame showed it)",
            };
            lines.push(format!("{}: {}{against}", change.words, left.words()));
        }
        (lines, hardly)
    }

    /// Remedies of which every change is beyond the limits, and why.
    pub fn beyond(&self) -> Vec<String> {
        let none = self.tried.iter().filter(|t| t.beyond_limits == t.changes);
        none.filter_map(|t| Some(format!("{}: {}", t.name(), t.why.as_ref()?))).collect()
    }

    /// How much was looked at, and within which limits of the scene.
    pub fn looked_at(&self, scene: &Scene) -> Vec<String> {
        let changes: usize = self.tried.iter().map(|t| t.changes).sum();
        let mut lines = vec![format!("{changes} changes alone and {} pairs", self.pairs)];
        if self.pairs_left_out > 0 {
            lines.push(format!("{} costlier pairs were left out", self.pairs_left_out));
        }
        lines.push(limits(scene));
        lines
    }
}

/// The limits that were kept.
fn limits(scene: &Scene) -> String {
    let l = &scene.limits;
    let mut out = format!(
        "limits: framing by {}, camera turned by {}°, light by {} {}",
        percent(l.framing),
        number(l.turn_rad * 180.0 / std::f64::consts::PI),
        number(l.light_stops),
        if l.light_stops == 1.0 { "stop" } else { "stops" }
    );
    if scene.subject_m.is_some() {
        out.push_str(&format!(", the subject blurred by {} photosites", number(l.subject_blur)));
    }
    if let Some(money) = l.money_per_day {
        out.push_str(&format!(", {} a day", number(money)));
    }
    out.push_str("; more of them go under 'limits' in the scene");
    out
}
