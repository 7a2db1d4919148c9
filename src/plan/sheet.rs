//! A contact sheet: every variant's whole frame and one crop at 1:1, with words in plain type.
//!
//! Letters are the 10 × 20 and 9 × 18 dot fonts of embedded-graphics (the public misc-fixed fonts): whole dots, so that the sheet has
//! the same bytes everywhere, upper and lower case, and accents. The sheet is a PNG that any viewer shows; type that a viewer sets, as in an
//! SVG, would need pictures inside it at exactly 1:1, which viewers scale.

mod paint;

use crate::frame::{Picture, Plane};
use paint::{BODY, Canvas, HEADING, Ink, wrapped};

/// Space around things, pixels.
const GAP: usize = 24;
/// Space between lines and blocks.
const LEAD: usize = 4;
const BLOCK: usize = 12;
/// Least width of a card: 48 letters.
const NARROWEST: usize = 480;
/// Most cards side by side.
const ACROSS: usize = 4;

/// Greys of the sheet, display-coded.
const PAPER: f32 = 0.10;
const CARD: f32 = 0.16;
const BRIGHT: f32 = 0.94;
const SOFT: f32 = 0.74;

/// One variant on the sheet. Pictures are display-coded (sRGB).
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// Its name.
    pub name: String,
    /// What it changes, and its note.
    pub about: Vec<String>,
    /// The whole frame, scaled down.
    pub overview: Picture,
    /// Words below it.
    pub overview_words: String,
    /// Where the crop lies in it: column, row, columns, rows.
    pub framed: [f64; 4],
    /// The worst artefact in it.
    pub mark: Option<[f64; 2]>,
    /// The crop.
    pub crop: Picture,
    /// Words below it.
    pub crop_words: String,
    /// The worst artefact in it.
    pub crop_mark: Option<[f64; 2]>,
    /// Lines of verdicts.
    pub verdicts: Vec<String>,
    /// Lines of what was measured and what it costs.
    pub price: Vec<String>,
}

/// Lines that fit a width, each with its brightness.
fn lines(texts: &[(&str, f32)], width: usize) -> Vec<(String, f32)> {
    let fit = |(text, grey): &(&str, f32)| {
        wrapped(text, width / BODY.width()).into_iter().map(|l| (l, *grey)).collect::<Vec<_>>()
    };
    texts.iter().flat_map(fit).collect()
}

/// The blocks of text of a card: above the pictures, below each picture, and at the end.
fn blocks(card: &Card, width: usize) -> [Vec<(String, f32)>; 5] {
    let of = |texts: &[String], grey: f32| {
        let all: Vec<(&str, f32)> = texts.iter().map(|t| (t.as_str(), grey)).collect();
        lines(&all, width)
    };
    [
        of(&card.about, SOFT),
        lines(&[(&card.overview_words, SOFT)], width),
        lines(&[(&card.crop_words, SOFT)], width),
        of(&card.verdicts, BRIGHT),
        of(&card.price, SOFT),
    ]
}

/// Draws the sheet, display-coded: cards from the left, at most four in a row, a title above and lines below.
///
/// Rows of a sheet have their pictures and blocks of text at the same height. No cards give an empty sheet.
pub fn draw(cards: &[Card], title: &str, foot: &[String]) -> Picture {
    let widest = |of: fn(&Card) -> usize| cards.iter().map(of).max().unwrap_or(0);
    let inner = widest(|c| c.crop.width()).max(widest(|c| c.overview.width())).max(NARROWEST);
    let outer = inner + 2 * BLOCK;
    let across = cards.len().clamp(1, ACROSS);
    let width = across * outer + (across + 1) * GAP;
    let line = BODY.height() + LEAD;
    let foot = lines(&foot.iter().map(|t| (t.as_str(), SOFT)).collect::<Vec<_>>(), width - 2 * GAP);
    let texts: Vec<_> = cards.iter().map(|card| blocks(card, inner)).collect();
    // Height of every part of a row of cards.
    let rows: Vec<Row> = cards
        .chunks(across)
        .zip(texts.chunks(across))
        .map(|(cards, texts)| {
            let most = |i: usize| line * texts.iter().map(|t| t[i].len()).max().unwrap_or(0);
            Row {
                texts: [0, 1, 2, 3, 4].map(most),
                overview: cards.iter().map(|c| c.overview.height()).max().unwrap_or(0),
                crop: cards.iter().map(|c| c.crop.height()).max().unwrap_or(0),
            }
        })
        .collect();
    let head = HEADING.height() + BLOCK + GAP;
    let all: usize = rows.iter().map(|row| row.height() + GAP).sum();
    let height = GAP + head + all + foot.len() * line + GAP;
    let plane = || Plane::filled(width, height, PAPER);
    let mut canvas = Canvas::new(Picture { planes: [plane(), plane(), plane()] });
    canvas.text(title, (GAP, GAP), Ink { grey: BRIGHT, font: HEADING });
    let mut y = GAP + head;
    for ((cards, texts), row) in cards.chunks(across).zip(texts.chunks(across)).zip(&rows) {
        for (i, (card, texts)) in cards.iter().zip(texts).enumerate() {
            let x = GAP + i * (outer + GAP);
            canvas.fill((x, y), (outer, row.height()), CARD);
            draw_card(&mut canvas, (x + BLOCK, y + BLOCK), card, texts, row, inner);
        }
        y += row.height() + GAP;
    }
    for (text, grey) in foot {
        canvas.text(&text, (GAP, y), Ink { grey, font: BODY });
        y += line;
    }
    canvas.picture
}

/// Heights of the parts of a row of cards.
struct Row {
    texts: [usize; 5],
    overview: usize,
    crop: usize,
}

impl Row {
    fn height(&self) -> usize {
        let texts: usize = self.texts.iter().sum();
        HEADING.height() + texts + self.overview + self.crop + 9 * BLOCK
    }
}

fn draw_card(
    canvas: &mut Canvas,
    (x, mut y): (usize, usize),
    card: &Card,
    texts: &[Vec<(String, f32)>; 5],
    row: &Row,
    width: usize,
) {
    let block = |canvas: &mut Canvas, lines: &[(String, f32)], y: usize| {
        for (i, (text, grey)) in lines.iter().enumerate() {
            let at = (x, y + i * (BODY.height() + LEAD));
            canvas.text(text, at, Ink { grey: *grey, font: BODY });
        }
    };
    let name = paint::shortened(&card.name, width / HEADING.width());
    canvas.text(&name, (x, y), Ink { grey: BRIGHT, font: HEADING });
    y += HEADING.height() + BLOCK;
    block(canvas, &texts[0], y);
    y += row.texts[0] + BLOCK;
    canvas.paste(&card.overview, (x, y));
    let at = |[u, v]: [f64; 2]| [x as f64 + u, y as f64 + v];
    let [u, v, w, h] = card.framed;
    let [left, top] = at([u, v]);
    canvas.frame([left, top, w, h]);
    if let Some(mark) = card.mark {
        canvas.ring(at(mark), 14.0);
    }
    y += row.overview + LEAD;
    block(canvas, &texts[1], y);
    y += row.texts[1] + BLOCK;
    canvas.paste(&card.crop, (x, y));
    if let Some([u, v]) = card.crop_mark {
        let inside = [0.0, 0.0, card.crop.width() as f64, card.crop.height() as f64];
        canvas.brackets([x as f64, y as f64], [u, v], inside);
    }
    y += row.crop + LEAD;
    block(canvas, &texts[2], y);
    y += row.texts[2] + BLOCK;
    block(canvas, &texts[3], y);
    y += row.texts[3] + BLOCK;
    block(canvas, &texts[4], y);
}
