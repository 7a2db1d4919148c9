//! Frame rates and shutter speeds as people write them.

/// The exact rate that a rounded one stands for.
///
/// Rates of the 1000/1001 family are written 23.976 (or 23.98), 29.97, 47.952, 59.94, 119.88 …:
/// a value within 0.02 % of n·1000/1001, for n a multiple of 6 from 24 up to 1200, and not
/// itself a whole number or a multiple of ½, is taken as exactly that. Anything else is kept.
pub fn exact_rate(written: f64) -> f64 {
    if !written.is_finite() || written <= 0.0 || (written * 2.0).fract() == 0.0 {
        return written;
    }
    let nominal = (written * 1.001).round();
    if nominal % 6.0 != 0.0 || !(24.0..=1200.0).contains(&nominal) {
        return written;
    }
    let exact = nominal * 1000.0 / 1001.0;
    if (written / exact - 1.0).abs() < 2e-4 { exact } else { written }
}

/// Reads a rate given as `24000/1001`, `23.976` or `25`; exact for the family of 1000/1001.
pub fn parse_rate(text: &str) -> Option<f64> {
    let value = match text.split_once('/') {
        Some((top, bottom)) => quotient(top, bottom)?,
        None => exact_rate(plain(text)?),
    };
    (value.is_finite() && value > 0.0).then_some(value)
}

/// Reads a shutter speed into seconds: `1/50`, `1/50 s`, `0.02 s`, `20 ms`, `500 us`; `1/23.976` is exact, as the
/// rate is.
///
/// A bare number is refused: 50 could mean 1/50 s or 50 s.
pub fn parse_shutter_s(text: &str) -> Option<f64> {
    let text = text.trim();
    let (body, divisor, has_unit) = [("ms", 1e3), ("us", 1e6), ("µs", 1e6), ("s", 1.0)]
        .into_iter()
        .find_map(|(unit, divisor)| text.strip_suffix(unit).map(|body| (body, divisor, true)))
        .unwrap_or((text, 1.0, false));
    let value = match body.split_once('/') {
        Some((top, bottom)) => plain(top)? / exact_rate(plain(bottom)?),
        None if has_unit => plain(body)?,
        None => return None,
    };
    let seconds = value / divisor;
    (seconds.is_finite() && seconds > 0.0).then_some(seconds)
}

fn quotient(top: &str, bottom: &str) -> Option<f64> {
    let (top, bottom) = (plain(top)?, plain(bottom)?);
    (bottom > 0.0).then(|| top / bottom)
}

/// Digits and at most one point: no `inf`, no exponent.
fn plain(text: &str) -> Option<f64> {
    let text = text.trim();
    let digits = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    if digits { text.parse().ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounded_rates_become_exact() {
        for (written, exact) in [
            (23.976, 24000.0 / 1001.0),
            (23.98, 24000.0 / 1001.0),
            (29.97, 30000.0 / 1001.0),
            (47.952, 48000.0 / 1001.0),
            (59.94, 60000.0 / 1001.0),
            (119.88, 120_000.0 / 1001.0),
            (24.0, 24.0),
            (25.0, 25.0),
            (12.5, 12.5),
            (50.1, 50.1),
        ] {
            assert_eq!(exact_rate(written), exact, "{written}");
        }
        assert!(exact_rate(f64::NAN).is_nan());
        assert_eq!(parse_rate("24000/1001"), Some(24000.0 / 1001.0));
        assert_eq!(parse_rate("23.976"), Some(24000.0 / 1001.0));
        assert_eq!(parse_rate("24/0"), None);
        assert_eq!(parse_rate("fast"), None);
    }

    #[test]
    fn shutter_speeds() {
        assert_eq!(parse_shutter_s("1/50"), Some(0.02));
        assert_eq!(parse_shutter_s("1/50 s"), Some(0.02));
        assert_eq!(parse_shutter_s("20 ms"), Some(0.02));
        assert_eq!(parse_shutter_s("1/23.976"), Some(1001.0 / 24000.0));
        assert_eq!(parse_shutter_s("1/59.94 s"), Some(1001.0 / 60000.0));
        assert_eq!(parse_shutter_s("0.02s"), Some(0.02));
        for text in ["50", "1/0", "0/50", "-1/50", "1/50/2", "", "s", "1/x"] {
            assert_eq!(parse_shutter_s(text), None, "{text}");
        }
    }
}
