//! Which part of the samples a run makes.

use anyhow::{anyhow, bail};
use std::fmt;
use std::str::FromStr;

/// The k-th of n parts: every n-th sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// From 1.
    number: u64,
    of: u64,
}

impl Shard {
    /// All of it.
    pub(super) const ALL: Self = Self { number: 1, of: 1 };

    /// The samples of this part, of so many in all.
    pub(super) fn of(self, count: u64) -> impl Iterator<Item = u64> {
        let step = usize::try_from(self.of).unwrap_or(usize::MAX);
        (self.number - 1..count).step_by(step)
    }

    /// As a scheduler's environment says: a Slurm job array tells number and count, an indexed job of Kubernetes its number alone,
    /// so that `shards` must give the count. `None` outside of either.
    pub(super) fn of_environment(
        shards: Option<u64>,
        variable: impl Fn(&str) -> Option<String>,
    ) -> anyhow::Result<Option<Self>> {
        let number = |name: &str| -> anyhow::Result<Option<u64>> {
            let Some(text) = variable(name) else { return Ok(None) };
            let parsed = text.trim().parse();
            parsed.map(Some).map_err(|_| anyhow!("{name} is '{text}', no whole number"))
        };
        let slurm = "SLURM_ARRAY_TASK_ID";
        if let Some(id) = number(slurm)? {
            let least = number("SLURM_ARRAY_TASK_MIN")?.unwrap_or(0);
            let step = number("SLURM_ARRAY_TASK_STEP")?.unwrap_or(1).max(1);
            let Some(count) = shards.or(number("SLURM_ARRAY_TASK_COUNT")?) else {
                bail!("{slurm} is set but SLURM_ARRAY_TASK_COUNT is not; give --shards");
            };
            let number = id.checked_sub(least).map(|n| n / step + 1);
            let number = number.filter(|n| *n <= count);
            let number = number.ok_or_else(|| {
                anyhow!("{slurm} is {id}, outside of the {count} tasks from {least} on; give --shard K/N")
            })?;
            return Ok(Some(Self { number, of: count }));
        }
        let index = "JOB_COMPLETION_INDEX";
        match (number(index)?, shards) {
            (Some(at), Some(of)) if at < of => Ok(Some(Self { number: at + 1, of })),
            (Some(at), Some(of)) => {
                bail!("{index} is {at}; with --shards {of} it may be 0 to {}", of - 1)
            }
            (Some(_), None) => bail!("{index} is set: say of how many it is one with --shards N"),
            (None, Some(_)) => bail!(
                "--shards is for schedulers that tell each task its number ({slurm}, {index}), and none is set here; \
                 give --shard K/N"
            ),
            (None, None) => Ok(None),
        }
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let how = "write K/N, such as 3/8: the third of eight parts";
        let parts =
            text.split_once('/').and_then(|(k, n)| Some((k.parse().ok()?, n.parse().ok()?)));
        match parts {
            Some((number, of)) if (1..=of).contains(&number) => Ok(Self { number, of }),
            _ => Err(format!("'{text}' is no part; {how}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_whole_together() {
        let mut all: Vec<u64> = (1..=3)
            .flat_map(|k| format!("{k}/3").parse::<Shard>().expect("a part").of(8))
            .collect();
        all.sort_unstable();
        assert_eq!(all, (0..8).collect::<Vec<u64>>());
        for bad in ["0/3", "4/3", "3", "a/b", "1/0"] {
            assert!(bad.parse::<Shard>().is_err(), "{bad}");
        }
    }

    #[test]
    fn schedulers_tell_the_part() {
        let of = |shards, set: &[(&str, &str)]| {
            Shard::of_environment(shards, |name| {
                set.iter().find(|(n, _)| *n == name).map(|(_, v)| (*v).to_owned())
            })
        };
        let slurm = [
            ("SLURM_ARRAY_TASK_ID", "7"),
            ("SLURM_ARRAY_TASK_MIN", "5"),
            ("SLURM_ARRAY_TASK_COUNT", "8"),
        ];
        assert_eq!(of(None, &slurm).expect("a part").expect("one").to_string(), "3/8");
        let index = [("JOB_COMPLETION_INDEX", "0")];
        assert_eq!(of(Some(4), &index).expect("a part").expect("one").to_string(), "1/4");
        assert_eq!(of(None, &[]).expect("none"), None);
        for (shards, set) in [
            (None, &index[..]),
            (Some(4), &[]),
            (Some(4), &[("JOB_COMPLETION_INDEX", "4")]),
            (None, &[("SLURM_ARRAY_TASK_ID", "x")]),
            (None, &[("SLURM_ARRAY_TASK_ID", "2")]),
        ] {
            assert!(of(shards, set).is_err(), "{set:?}");
        }
    }
}
