//! Drawings of a sweep, as SVG: a map of two keys, curves of one.
//!
//! Regions are told apart by hatching, outlines and words, never by colour alone: they read in grey, in print and by the colour-blind.

use super::sweep::{Axis, Cell, Sweep};
use crate::artefact::Degree;
use crate::predict::unknowns::KINDS;
use crate::units;
use std::fmt::Write as _;

/// Width of a drawing, in its own units; text is 14 of them high.
const WIDTH: f64 = 1140.0;
/// Side of the large map.
const LARGE: f64 = 600.0;
/// Side of a small one.
const SMALL: f64 = 170.0;
/// Where the large map's corner is.
const CORNER: [f64; 2] = [105.0, 84.0];

/// What can stand in a region.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fill {
    Clean,
    Noticeable,
    Spoils,
    CannotSay,
    NoScene,
}

impl Fill {
    fn of(degree: Option<Degree>) -> Self {
        match degree {
            Some(Degree::Clean) => Self::Clean,
            Some(Degree::Noticeable) => Self::Noticeable,
            Some(Degree::Spoils) => Self::Spoils,
            Some(Degree::CannotSay) => Self::CannotSay,
            None => Self::NoScene,
        }
    }

    const ALL: [Self; 5] =
        [Self::Clean, Self::Noticeable, Self::Spoils, Self::CannotSay, Self::NoScene];

    fn words(self) -> &'static str {
        match self {
            Self::Clean => Degree::Clean.words(),
            Self::Noticeable => Degree::Noticeable.words(),
            Self::Spoils => Degree::Spoils.words(),
            Self::CannotSay => Degree::CannotSay.words(),
            Self::NoScene => "cannot be set up",
        }
    }

    fn paint(self) -> &'static str {
        match self {
            Self::Clean => "#ffffff",
            Self::Noticeable => "url(#noticeable)",
            Self::Spoils => "url(#spoils)",
            Self::CannotSay => "url(#cannot-say)",
            Self::NoScene => "#c4c4c4",
        }
    }
}

const PATTERNS: &str = r##"<defs>
<pattern id="noticeable" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="9" height="9" fill="#ffffff"/><line x1="0" y1="0" x2="0" y2="9" stroke="#555555" stroke-width="1.4"/></pattern>
<pattern id="spoils" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#d9d9d9"/><path d="M0 0H6M0 0V6" stroke="#222222" stroke-width="1.7"/></pattern>
<pattern id="cannot-say" width="12" height="12" patternUnits="userSpaceOnUse"><rect width="12" height="12" fill="#ffffff"/><circle cx="3" cy="3" r="1.5" fill="#333333"/><circle cx="9" cy="9" r="1.5" fill="#333333"/></pattern>
</defs>
"##;

/// Text for SVG.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Text at a place; `anchor` is `start`, `middle` or `end`.
fn text(out: &mut String, at: [f64; 2], anchor: &str, size: f64, words: &str) {
    // Writing to a string does not fail, here and below.
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" font-size=\"{size}\">{}</text>",
        at[0],
        at[1],
        escaped(words)
    );
}

fn title(axis: &Axis) -> String {
    let help = axis.value.help.split(". ").next().unwrap_or_default().trim_end_matches('.');
    let what = if help.is_empty() { axis.value.key.as_str() } else { help };
    match axis.value.unit {
        "" => what.to_owned(),
        unit => format!("{what}, {unit}"),
    }
}

/// A title that fits, cut at a word.
fn short(words: &str, most: usize) -> String {
    if words.chars().count() <= most {
        return words.to_owned();
    }
    let cut: String = words.chars().take(most).collect();
    format!("{}…", cut.rsplit_once(' ').map_or(cut.as_str(), |(start, _)| start))
}

/// Shares of the way along an axis, and words, of some round values.
fn ticks(axis: &Axis, most: usize) -> Vec<(f64, String)> {
    let (low, high) = (axis.steps[0], axis.steps[axis.steps.len() - 1]);
    let share = |value: f64| {
        if axis.is_log {
            libm::log(value / low) / libm::log(high / low)
        } else {
            (value - low) / (high - low)
        }
    };
    let is_shutter = axis.value.words(low).contains('/');
    let mut round = Vec::new();
    if axis.is_log || is_shutter {
        // Of what the axis has: evenly, both ends among them.
        let count = most.clamp(2, 5).min(axis.steps.len());
        let step = |i: usize| axis.steps[i * (axis.steps.len() - 1) / (count - 1)];
        round.extend((0..count).map(step));
    } else {
        let rough = (high - low) / most as f64;
        let ten = libm::pow(10.0, libm::floor(libm::log10(rough)));
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * ten).into_iter().find(|s| *s >= rough);
        let step = step.unwrap_or(10.0 * ten);
        let mut i = libm::ceil(low / step - 1e-9);
        while i * step <= high + 1e-9 * (high - low) {
            round.push(i * step);
            i += 1.0;
        }
    }
    let words = |value: f64| {
        if is_shutter { units::shutter(value) } else { units::number(value) }
    };
    round.into_iter().map(|v| (share(v), words(v))).collect()
}

/// A grid of fills, its rows from the bottom up, drawn in a square.
struct Panel<'a> {
    columns: usize,
    rows: usize,
    fill: &'a dyn Fn(usize, usize) -> Fill,
}

impl Panel<'_> {
    fn draw(&self, out: &mut String, [left, top]: [f64; 2], side: f64, labels: bool) {
        let (w, h) = (side / self.columns as f64, side / self.rows as f64);
        let x = |column: usize| left + column as f64 * w;
        let y = |row: usize| top + (self.rows - row) as f64 * h;
        for fill in Fill::ALL {
            let mut path = String::new();
            for row in 0..self.rows {
                let mut column = 0;
                while column < self.columns {
                    let start = column;
                    while column < self.columns && (self.fill)(column, row) == fill {
                        column += 1;
                    }
                    if column > start {
                        // A hair over the next, so that no seam shows.
                        let _ = write!(
                            path,
                            "M{:.2} {:.2}H{:.2}V{:.2}H{:.2}Z",
                            x(start),
                            y(row + 1),
                            x(column),
                            y(row) + if row > 0 { 0.3 } else { 0.0 },
                            x(start)
                        );
                    } else {
                        column += 1;
                    }
                }
            }
            if !path.is_empty() {
                let _ = writeln!(out, "<path d=\"{path}\" fill=\"{}\"/>", fill.paint());
            }
        }
        self.outline(out, &x, &y, if labels { 2.6 } else { 1.4 });
        let _ = writeln!(
            out,
            "<rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{side:.1}\" height=\"{side:.1}\" fill=\"none\" stroke=\"#000000\" stroke-width=\"1\"/>"
        );
        if labels {
            for fill in Fill::ALL {
                if let Some((column, row, size)) = self.room(fill)
                    && size as f64 * w.min(h) > 46.0
                {
                    let at =
                        [x(column) + size as f64 * w / 2.0, y(row) - size as f64 * h / 2.0 + 6.0];
                    let words = escaped(fill.words());
                    let _ = writeln!(
                        out,
                        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"19\" font-weight=\"bold\" stroke=\"#ffffff\" stroke-width=\"7\" stroke-linejoin=\"round\" paint-order=\"stroke\">{words}</text>",
                        at[0], at[1]
                    );
                }
            }
        }
    }

    /// Lines around what is clean.
    fn outline(
        &self,
        out: &mut String,
        x: &dyn Fn(usize) -> f64,
        y: &dyn Fn(usize) -> f64,
        wide: f64,
    ) {
        let clean = |column: usize, row: usize| (self.fill)(column, row) == Fill::Clean;
        let mut path = String::new();
        for row in 0..self.rows {
            for column in 1..self.columns {
                if clean(column, row) != clean(column - 1, row) {
                    let _ = write!(path, "M{:.2} {:.2}V{:.2}", x(column), y(row), y(row + 1));
                }
            }
        }
        for row in 1..self.rows {
            for column in 0..self.columns {
                if clean(column, row) != clean(column, row - 1) {
                    let _ = write!(path, "M{:.2} {:.2}H{:.2}", x(column), y(row), x(column + 1));
                }
            }
        }
        if !path.is_empty() {
            let _ = writeln!(
                out,
                "<path d=\"{path}\" fill=\"none\" stroke=\"#000000\" stroke-width=\"{wide}\" stroke-linecap=\"square\"/>"
            );
        }
    }

    /// The largest square of one fill: its left column, lowest row, and side in steps.
    fn room(&self, fill: Fill) -> Option<(usize, usize, usize)> {
        let mut before = vec![0_usize; self.columns + 1];
        let mut best: Option<(usize, usize, usize)> = None;
        for row in 0..self.rows {
            let mut here = vec![0_usize; self.columns + 1];
            for column in 0..self.columns {
                if (self.fill)(column, row) == fill {
                    let size = 1 + before[column].min(before[column + 1]).min(here[column]);
                    here[column + 1] = size;
                    if best.is_none_or(|b| size > b.2) {
                        best = Some((column + 1 - size, row + 1 - size, size));
                    }
                }
            }
            before = here;
        }
        best
    }
}

/// Head of a drawing with what it shows, for those who cannot see it.
fn head(height: f64, name: &str, about: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" height=\"{height}\" role=\"img\" \
         aria-label=\"{0}\" font-family=\"'Liberation Sans', Arial, Helvetica, sans-serif\" fill=\"#000000\">\n<title>{0}</title>\n\
         <desc>{1}</desc>\n<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n{PATTERNS}",
        escaped(name),
        escaped(about)
    )
}

/// A share in whole percent, of which nothing but 0 is 0 % and nothing but 1 is 100 %.
pub fn whole_percent(share: f64) -> String {
    match 100.0 * share {
        p if p > 0.0 && p < 1.0 => "under 1 %".into(),
        p if p > 99.0 && p < 100.0 => "over 99 %".into(),
        p => format!("{} %", libm::round(p)),
    }
}

/// What part of the points is clean, in words.
pub fn share_clean(cells: &[Vec<Cell>]) -> String {
    let all = cells.iter().map(Vec::len).sum::<usize>().max(1);
    let clean = cells.iter().flatten().filter(|c| c.worst() == Some(Degree::Clean)).count();
    match clean {
        0 => "nothing is clean".into(),
        n if n == all => "all of it is clean".into(),
        n => format!("{} of it is clean", whole_percent(n as f64 / all as f64)),
    }
}

/// Draws a sweep; `cells` by row from the bottom up, each row from the left. Lines of `foot` go below.
pub fn draw(sweep: &Sweep, cells: &[Vec<Cell>], foot: &[String]) -> String {
    match sweep.axes.len() {
        1 => curves(sweep, &cells[0], foot),
        _ => map(sweep, cells, foot),
    }
}

fn map(sweep: &Sweep, cells: &[Vec<Cell>], foot: &[String]) -> String {
    let bottom = CORNER[1] + LARGE;
    let height = bottom + 92.0 + 20.0 * foot.len() as f64;
    let [across, up] = [&sweep.axes[0], &sweep.axes[1]];
    let name = format!("{}: {} against {}", sweep.open.name, up.value.key, across.value.key);
    let about =
        format!("Map of the worst verdict at worst within the tolerances; {}.", share_clean(cells));
    let mut out = head(height, &name, &about);
    text(&mut out, [30.0, 34.0], "start", 21.0, &name);
    text(
        &mut out,
        [CORNER[0], 70.0],
        "start",
        15.0,
        "the worst of all four, at worst within the tolerances",
    );
    let panel = |fill: &dyn Fn(usize, usize) -> Fill, out: &mut String, at, side, labels| {
        Panel { columns: sweep.columns(), rows: sweep.rows(), fill }.draw(out, at, side, labels);
    };
    panel(&|c, r| Fill::of(cells[r][c].worst()), &mut out, CORNER, LARGE, true);
    for (share, words) in ticks(across, 8) {
        let x = CORNER[0] + share * LARGE;
        let _ = writeln!(out, "<path d=\"M{x:.1} {bottom}v7\" stroke=\"#000000\"/>");
        text(&mut out, [x, bottom + 23.0], "middle", 14.0, &words);
    }
    for (share, words) in ticks(up, 8) {
        let y = bottom - share * LARGE;
        let _ = writeln!(out, "<path d=\"M{} {y:.1}h-7\" stroke=\"#000000\"/>", CORNER[0]);
        text(&mut out, [CORNER[0] - 11.0, y + 5.0], "end", 14.0, &words);
    }
    text(
        &mut out,
        [CORNER[0] + LARGE / 2.0, bottom + 48.0],
        "middle",
        16.0,
        &short(&title(across), 74),
    );
    let _ = writeln!(
        out,
        "<g transform=\"translate(34 {:.1}) rotate(-90)\"><text text-anchor=\"middle\" font-size=\"16\">{}</text></g>",
        CORNER[1] + LARGE / 2.0,
        escaped(&short(&title(up), 74))
    );
    // Each artefact alone.
    let left = CORNER[0] + LARGE + 40.0;
    for (kind, which) in KINDS.iter().enumerate() {
        let at = [
            left + (kind % 2) as f64 * (SMALL + 18.0),
            CORNER[1] + (kind / 2) as f64 * (SMALL + 44.0),
        ];
        text(&mut out, [at[0], at[1] - 8.0], "start", 15.0, which.words());
        panel(&|c, r| Fill::of(cells[r][c].degree(kind)), &mut out, at, SMALL, false);
    }
    let mut y = CORNER[1] + 2.0 * (SMALL + 44.0) + 14.0;
    let seen = |fill: Fill| cells.iter().flatten().any(|c| Fill::of(c.worst()) == fill);
    for fill in Fill::ALL.into_iter().filter(|f| seen(*f)) {
        let _ = writeln!(
            out,
            "<rect x=\"{left:.1}\" y=\"{y:.1}\" width=\"40\" height=\"26\" fill=\"{}\" stroke=\"#000000\" stroke-width=\"{}\"/>",
            fill.paint(),
            if fill == Fill::Clean { 2.6 } else { 1.0 }
        );
        text(&mut out, [left + 52.0, y + 18.0], "start", 15.0, fill.words());
        y += 35.0;
    }
    for (i, line) in foot.iter().enumerate() {
        text(&mut out, [30.0, bottom + 82.0 + 20.0 * i as f64], "start", 14.0, line);
    }
    out.push_str("</svg>\n");
    out
}

/// Dashes of the four kinds' curves.
const DASHES: [&str; 4] = ["", "12 5", "3 4", "12 4 3 4"];
/// Multiples of the threshold at the ends of the curves' scale.
const SCALE: [f64; 2] = [0.1, 100.0];

fn curves(sweep: &Sweep, cells: &[Cell], foot: &[String]) -> String {
    let (left, top, wide, high) = (105.0, 84.0, 800.0, 420.0);
    let height = top + high + 92.0 + 20.0 * foot.len() as f64;
    let axis = &sweep.axes[0];
    let name = format!("{}: {}", sweep.open.name, axis.value.key);
    let row = [cells.to_vec()];
    let about =
        format!("Curves of how many times its threshold each artefact is; {}.", share_clean(&row));
    let mut out = head(height, &name, &about);
    text(&mut out, [30.0, 34.0], "start", 21.0, &name);
    text(
        &mut out,
        [left, 70.0],
        "start",
        15.0,
        "times the threshold of visibility, at worst within the tolerances",
    );
    let n = cells.len();
    let x = |i: f64| left + i / (n.max(2) - 1) as f64 * wide;
    let y = |multiple: f64| {
        let m = multiple.clamp(SCALE[0], SCALE[1]);
        top + high - libm::log(m / SCALE[0]) / libm::log(SCALE[1] / SCALE[0]) * high
    };
    // What is not clean, hatched by its degree, and what is no scene.
    let mut start = 0;
    while start < n {
        let fill = Fill::of(cells[start].worst());
        let mut end = start;
        while end < n && Fill::of(cells[end].worst()) == fill {
            end += 1;
        }
        let (from, to) =
            (x((start as f64 - 0.5).max(0.0)), x((end as f64 - 0.5).min((n - 1) as f64)));
        let _ = writeln!(
            out,
            "<rect x=\"{from:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"22\" fill=\"{}\" stroke=\"#000000\" stroke-width=\"0.8\"/>",
            top + high - 22.0,
            to - from,
            fill.paint()
        );
        start = end;
    }
    let mut marks = Vec::new();
    for (multiple, words) in
        [(1.0, "noticeable from here"), (Degree::SPOILS_FROM, "spoils from here")]
    {
        let at = y(multiple);
        let _ = writeln!(
            out,
            "<path d=\"M{left} {at:.1}h{wide}\" stroke=\"#000000\" stroke-width=\"0.8\"/>"
        );
        marks.push(([left + wide - 6.0, at - 5.0], words));
    }
    let mut last: Vec<(f64, usize)> = Vec::new();
    for (kind, dash) in DASHES.iter().enumerate() {
        let mut path = String::new();
        let mut drawn = false;
        let mut end = None;
        for (i, cell) in cells.iter().enumerate() {
            match cell {
                Cell::Judged { worst, .. } => {
                    let at = y(worst[kind]);
                    let step = if drawn { 'L' } else { 'M' };
                    let _ = write!(path, "{step}{:.1} {at:.1}", x(i as f64));
                    drawn = true;
                    end = Some(at);
                }
                Cell::Refused(_) => drawn = false,
            }
        }
        let shows = |c: &Cell| matches!(c, Cell::Judged { worst, .. } if worst[kind] > SCALE[0]);
        if !cells.iter().any(shows) {
            continue;
        }
        let _ = writeln!(
            out,
            "<path d=\"{path}\" fill=\"none\" stroke=\"#000000\" stroke-width=\"2.4\" stroke-dasharray=\"{dash}\"/>"
        );
        last.extend(end.map(|at| (at, kind)));
    }
    // Over the curves, on a white ground.
    for ([x, y], words) in marks {
        let _ = writeln!(
            out,
            "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"end\" font-size=\"13\" stroke=\"#ffffff\" stroke-width=\"5\" paint-order=\"stroke\">{words}</text>"
        );
    }
    // Names at the curves' ends, none over another.
    last.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut free = top;
    for (at, kind) in last {
        let at = at.max(free);
        let _ = writeln!(
            out,
            "<path d=\"M{:.1} {at:.1}h34\" stroke=\"#000000\" stroke-width=\"2.4\" stroke-dasharray=\"{}\"/>",
            left + wide + 8.0,
            DASHES[kind]
        );
        text(&mut out, [left + wide + 48.0, at + 5.0], "start", 15.0, KINDS[kind].words());
        free = at + 22.0;
    }
    let _ = writeln!(
        out,
        "<rect x=\"{left}\" y=\"{top}\" width=\"{wide}\" height=\"{high}\" fill=\"none\" stroke=\"#000000\"/>"
    );
    for multiple in [0.1, 1.0, 10.0, 100.0] {
        text(&mut out, [left - 11.0, y(multiple) + 5.0], "end", 14.0, &units::number(multiple));
    }
    for (share, words) in ticks(axis, 9) {
        let at = left + share * wide;
        let _ = writeln!(out, "<path d=\"M{at:.1} {:.1}v7\" stroke=\"#000000\"/>", top + high);
        text(&mut out, [at, top + high + 23.0], "middle", 14.0, &words);
    }
    text(
        &mut out,
        [left + wide / 2.0, top + high + 48.0],
        "middle",
        16.0,
        &short(&title(axis), 90),
    );
    for (i, line) in foot.iter().enumerate() {
        text(&mut out, [30.0, top + high + 82.0 + 20.0 * i as f64], "start", 14.0, line);
    }
    out.push_str("</svg>\n");
    out
}
