//! Did you mean …?

/// The candidate that is nearest to a word, if it is near enough to be a slip of the fingers.
///
/// Nearness is the number of letters added, dropped, changed or swapped with a neighbour
/// (Damerau 1964); near enough is a third of the word. A candidate that equals the word but for
/// its unit (`pitch` for `pitch_mm`) or that holds it as a part between underscores counts too.
pub fn closest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase().replace(['-', ' '], "_");
    let letters: Vec<char> = word.chars().take(64).collect();
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let other: Vec<char> = candidate.chars().collect();
        let near = distance(&letters, &other);
        let allowed = (letters.len().max(other.len()) / 3).max(1);
        let score = if near <= allowed {
            near
        } else if letters.len() >= 3 && shares_parts(&word, candidate) {
            // Behind every slip of the fingers, and then by how much is left over.
            100 + other.len().abs_diff(letters.len())
        } else {
            continue;
        };
        if best.is_none_or(|(least, _)| score < least) {
            best = Some((score, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

/// Whether the words of one name, split at underscores, are all among the words of the other, or
/// the two share the leading words and differ in the last (`distance_ft` for `distance_m`).
fn shares_parts(a: &str, b: &str) -> bool {
    let a: Vec<&str> = a.split('_').collect();
    let b: Vec<&str> = b.split('_').collect();
    let all_in = |x: &[&str], y: &[&str]| x.iter().all(|part| y.contains(part));
    let stem = |x: &[&str]| x.len() > 1;
    all_in(&a, &b)
        || all_in(&b, &a)
        || (stem(&a) && stem(&b) && a[..a.len() - 1] == b[..b.len() - 1])
}

fn distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j] + 1).min(row[j - 1] + 1).min(last[j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = last;
        last = row;
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_slip_and_leaves_the_stranger() {
        let keys = ["readout_ms", "fill_factor_percent", "frame_rate_fps", "pixel_pitch_mm"];
        assert_eq!(closest("reedout_ms", keys), Some("readout_ms"));
        assert_eq!(closest("pitch_mm", keys), Some("pixel_pitch_mm"));
        assert_eq!(closest("pixel_pitch_in", keys), Some("pixel_pitch_mm"));
        assert_eq!(closest("Frame-Rate", keys), Some("frame_rate_fps"));
        assert_eq!(closest("sandwich", keys), None);
        assert_eq!(closest("", keys), None);
        assert_eq!(distance(&['a', 'b'], &['b', 'a']), 1);
    }
}
