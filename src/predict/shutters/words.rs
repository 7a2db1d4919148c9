//! Shutters in words.

use super::{Bands, Clean, Setting, Shutters, frequency, number, stops};
use crate::units::time;

fn percent(share: f64) -> String {
    if share < 5e-5 { "0 %".into() } else { format!("{} %", number(share * 100.0)) }
}

impl Bands {
    /// In words.
    pub fn words(&self) -> String {
        let roll = match self.roll_hz.abs() {
            hz if hz < 0.01 => "stand".into(),
            hz => format!("pass at {}", frequency(hz)),
        };
        match self.period_lines {
            Some(lines) => format!(
                "bands of {}, {} lines apart, {roll}; {} times what is seen",
                percent(self.contrast),
                number(lines),
                number(self.multiple)
            ),
            None => format!(
                "{} over the whole picture at {}; {} times what is seen",
                percent(self.contrast),
                frequency(self.roll_hz.abs()),
                number(self.multiple)
            ),
        }
    }
}

impl Clean {
    /// In a line.
    pub fn line(&self) -> String {
        let (Some(period_s), Some(hz)) = (self.period_s, self.frequency_hz) else {
            return format!("{}: steady, clean at every shutter", self.of);
        };
        let settings: Vec<String> = self
            .settings
            .iter()
            .map(|s| {
                let off = match s.tolerance_share {
                    None => "anything off is unseen".into(),
                    Some(t) => format!("± {}", percent(t)),
                };
                format!("{} ({}°, {off})", s.written, number(s.shutter_angle_deg))
            })
            .collect();
        let found = match settings.is_empty() {
            true => "none at this frame rate and these settings".into(),
            false => settings.join(", "),
        };
        format!("{}: whole numbers of {} ({}): {found}", self.of, time(period_s), frequency(hz))
    }
}

impl Setting {
    fn mark(&self) -> &'static str {
        match (self.best, self.present) {
            (true, true) => "best, now",
            (true, false) => "best",
            (false, true) => "now",
            (false, false) => "",
        }
    }
}

impl Shutters {
    /// The answer in lines: what is clean for what, the bands now, and the table.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some(sync) = &self.sync {
            let clock = if sync.one_clock { "on one clock" } else { "each on its own clock" };
            let roll = match sync.roll_hz.abs() {
                hz if hz < 0.01 => "bands of the refresh stand still".into(),
                hz => format!("bands of the refresh roll at {}", frequency(hz)),
            };
            lines.push(format!(
                "wall and camera {clock}: {} refreshes a frame, {roll}",
                number(sync.refreshes_per_frame)
            ));
        }
        lines.extend(self.clean.iter().map(Clean::line));
        if let Some(now) = self.table.iter().find(|s| s.present) {
            let seen = now.bands.iter().filter(|b| b.contrast >= 5e-5);
            lines.extend(seen.map(|b| format!("now, {}: {}", b.of, b.words())));
        }
        lines.extend(self.table_lines());
        lines
    }

    /// The table, aligned.
    fn table_lines(&self) -> Vec<String> {
        let Some(first) = self.table.first() else { return Vec::new() };
        let mut rows = vec![vec!["shutter".to_owned(), "angle".into(), "light".into()]];
        rows[0].extend(first.bands.iter().map(|b| b.of.clone()));
        rows[0].extend(["verdict".to_owned(), String::new()]);
        for s in &self.table {
            let mut row = vec![
                s.written.clone(),
                format!("{}°", number(s.shutter_angle_deg)),
                stops(s.stops),
            ];
            row.extend(s.bands.iter().map(|b| {
                let mark = if b.multiple < 1.0 { "" } else { " !" };
                format!("{}{mark}", percent(b.contrast))
            }));
            row.push(if s.all_clean { "clean" } else { "bands" }.to_owned());
            row.push(s.mark().to_owned());
            rows.push(row);
        }
        let wide = |i: usize| rows.iter().map(|r| r[i].chars().count()).max().unwrap_or(0);
        let widths: Vec<usize> = (0..rows[0].len()).map(wide).collect();
        let line = |row: &Vec<String>| {
            let cells = row.iter().zip(&widths).map(|(cell, w)| format!("{cell:<w$}"));
            cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
        };
        rows.iter().map(line).collect()
    }
}
