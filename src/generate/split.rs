//! Training, validation and test: whole groups together, and what is held out.

use super::draw::Drawn;
use crate::math::random::{Purpose, Stream};

/// Where a sample goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum SplitName {
    /// To learn from.
    Train,
    /// To choose by.
    Validation,
    /// To judge by.
    Test,
}

impl SplitName {
    /// As files name it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Train => "train",
            Self::Validation => "validation",
            Self::Test => "test",
        }
    }
}

/// How samples are split.
#[derive(Debug, Clone, PartialEq)]
pub struct Split {
    /// Shares of training, validation and test, of the groups.
    pub shares: [f64; 3],
    /// Groups of the recipe, or keys, of which no value may be in two parts.
    pub whole: Vec<String>,
    /// Keys with a range of numbers, or groups with a choice, that only the test has.
    pub held_out: Vec<(String, HeldOut)>,
}

/// What is held out of a key or a group.
#[derive(Debug, Clone, PartialEq)]
pub enum HeldOut {
    /// Numbers between these.
    Between(f64, f64),
    /// These choices or values.
    These(Vec<String>),
}

impl Default for Split {
    fn default() -> Self {
        Self { shares: [0.8, 0.1, 0.1], whole: Vec::new(), held_out: Vec::new() }
    }
}

impl Split {
    /// What stands for a name: the choice of a group, or the value of a key.
    fn value<'a>(drawn: &'a Drawn, name: &str) -> Option<&'a str> {
        let choice = drawn.choices.iter().find(|(group, _)| group == name);
        let edit = || drawn.edits.iter().rev().find(|e| e.key == name);
        choice.map(|(_, choice)| choice.as_str()).or_else(|| edit().map(|e| e.value.as_str()))
    }

    /// The words that stand for a sample's group: samples of one group go to one part.
    pub fn group(&self, i: u64, drawn: &Drawn) -> String {
        if self.whole.is_empty() {
            return format!("sample {i}");
        }
        let parts = self.whole.iter().map(|name| {
            format!("{name}={}", Self::value(drawn, name).unwrap_or("as in the scene"))
        });
        parts.collect::<Vec<_>>().join("; ")
    }

    /// Where a sample goes. What is held out goes to the test; of the rest a group goes as a whole, by a number that its words and
    /// the seed give.
    pub fn of(&self, i: u64, drawn: &Drawn, seed: u64) -> SplitName {
        let is_held = self.held_out.iter().any(|(name, held)| {
            let Some(value) = Self::value(drawn, name) else { return false };
            match held {
                HeldOut::These(all) => all.iter().any(|v| v == value),
                HeldOut::Between(low, high) => {
                    value.parse::<f64>().is_ok_and(|v| (*low..=*high).contains(&v))
                }
            }
        });
        if is_held {
            return SplitName::Test;
        }
        // FNV-1a, 64 bits (Fowler, Noll, Vo; constants as in the IETF draft draft-eastlake-fnv).
        let hash = self.group(i, drawn).bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
        });
        let at = Stream::new(seed, u32::MAX, hash, Purpose::Recipe).uniform()
            * self.shares.iter().sum::<f64>();
        if at < self.shares[0] {
            SplitName::Train
        } else if at < self.shares[0] + self.shares[1] {
            SplitName::Validation
        } else {
            SplitName::Test
        }
    }
}
