//! Letters to burn into a picture: capitals, digits and a few signs, five dots wide and seven high.

/// Columns of a letter, and of the gap after it.
const WIDTH: usize = 5;
const GAP: usize = 1;
/// Rows of a letter.
pub(super) const HEIGHT: usize = 7;

/// Rows of a letter from the top, the leftmost dot in the highest of five bits. Signs that are not
/// drawn here are blank.
fn letter(c: char) -> [u8; HEIGHT] {
    match c.to_ascii_uppercase() {
        '0' => [0b01110, 0b10001, 0b10011, 0b10101, 0b11001, 0b10001, 0b01110],
        '1' => [0b00100, 0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110],
        '2' => [0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111],
        '3' => [0b01110, 0b10001, 0b00001, 0b00110, 0b00001, 0b10001, 0b01110],
        '4' => [0b00010, 0b00110, 0b01010, 0b10010, 0b11111, 0b00010, 0b00010],
        '5' => [0b11111, 0b10000, 0b11110, 0b00001, 0b00001, 0b10001, 0b01110],
        '6' => [0b01110, 0b10000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110],
        '7' => [0b11111, 0b00001, 0b00010, 0b00010, 0b00100, 0b00100, 0b00100],
        '8' => [0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110],
        '9' => [0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00001, 0b01110],
        'A' => [0b01110, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001],
        'B' => [0b11110, 0b10001, 0b10001, 0b11110, 0b10001, 0b10001, 0b11110],
        'C' => [0b01110, 0b10001, 0b10000, 0b10000, 0b10000, 0b10001, 0b01110],
        'D' => [0b11110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11110],
        'E' => [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111],
        'F' => [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000],
        'G' => [0b01110, 0b10001, 0b10000, 0b10111, 0b10001, 0b10001, 0b01110],
        'H' => [0b10001, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001],
        'I' => [0b01110, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110],
        'J' => [0b00111, 0b00010, 0b00010, 0b00010, 0b00010, 0b10010, 0b01100],
        'K' => [0b10001, 0b10010, 0b10100, 0b11000, 0b10100, 0b10010, 0b10001],
        'L' => [0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b11111],
        'M' => [0b10001, 0b11011, 0b10101, 0b10101, 0b10001, 0b10001, 0b10001],
        'N' => [0b10001, 0b11001, 0b10101, 0b10101, 0b10011, 0b10001, 0b10001],
        'O' => [0b01110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110],
        'P' => [0b11110, 0b10001, 0b10001, 0b11110, 0b10000, 0b10000, 0b10000],
        'Q' => [0b01110, 0b10001, 0b10001, 0b10001, 0b10101, 0b10010, 0b01101],
        'R' => [0b11110, 0b10001, 0b10001, 0b11110, 0b10100, 0b10010, 0b10001],
        'S' => [0b01111, 0b10000, 0b10000, 0b01110, 0b00001, 0b00001, 0b11110],
        'T' => [0b11111, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100],
        'U' => [0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110],
        'V' => [0b10001, 0b10001, 0b10001, 0b10001, 0b01010, 0b01010, 0b00100],
        'W' => [0b10001, 0b10001, 0b10001, 0b10101, 0b10101, 0b11011, 0b10001],
        'X' => [0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b01010, 0b10001],
        'Y' => [0b10001, 0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b00100],
        'Z' => [0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b10000, 0b11111],
        '.' => [0, 0, 0, 0, 0, 0b01100, 0b01100],
        ':' => [0, 0b01100, 0b01100, 0, 0b01100, 0b01100, 0],
        '-' => [0, 0, 0, 0b11111, 0, 0, 0],
        '/' => [0b00001, 0b00001, 0b00010, 0b00100, 0b01000, 0b10000, 0b10000],
        '%' => [0b11001, 0b11001, 0b00010, 0b00100, 0b01000, 0b10011, 0b10011],
        _ => [0; HEIGHT],
    }
}

/// Columns that a text takes, in dots.
pub(super) fn width(text: &str) -> usize {
    text.chars().count() * (WIDTH + GAP)
}

/// True where a dot of the text is inked, counted from its top left.
pub(super) fn inked(text: &str, x: usize, y: usize) -> bool {
    let (place, column) = (x / (WIDTH + GAP), x % (WIDTH + GAP));
    if column >= WIDTH || y >= HEIGHT {
        return false;
    }
    let glyph = text.chars().nth(place).map(letter);
    glyph.is_some_and(|rows| rows[y] >> (WIDTH - 1 - column) & 1 == 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every sign that a caption can hold has ink, and no two look the same.
    #[test]
    fn letters_differ() {
        let signs = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ.:-/%";
        let mut seen: Vec<[u8; HEIGHT]> = signs.chars().map(letter).collect();
        assert!(
            seen.iter().all(|rows| rows.iter().any(|r| *r != 0) && rows.iter().all(|r| *r < 32))
        );
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), signs.len());
        assert_eq!(letter('a'), letter('A'));
        assert_eq!(letter('é'), [0; HEIGHT]);
    }

    #[test]
    fn ink_lies_where_the_letter_is() {
        let art: Vec<String> = (0..HEIGHT)
            .map(|y| (0..width("L1")).map(|x| if inked("L1", x, y) { '#' } else { '.' }).collect())
            .collect();
        let want = [
            "#.......#...",
            "#......##...",
            "#.......#...",
            "#.......#...",
            "#.......#...",
            "#.......#...",
            "#####..###..",
        ];
        assert_eq!(art, want);
    }
}
