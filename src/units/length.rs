//! Lengths as a crew writes them: `3.2 m`, `3200 mm`, `10 ft 6 in`, `10'6"`.

/// Why a text is not a length.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LengthError {
    /// A number without a unit.
    #[error("a length needs its unit")]
    NoUnit,
    /// A unit that is not known.
    #[error("unknown unit of length '{0}'")]
    UnknownUnit(String),
    /// Not a number, or parts that do not belong together.
    #[error("not a length")]
    NotALength,
}

/// Metres in a unit; inches and feet are exact by definition (international yard, 1959).
fn metres_in(unit: &str) -> Option<(f64, Family)> {
    Some(match unit {
        "m" | "metre" | "metres" | "meter" | "meters" => (1.0, Family::Metric),
        "cm" => (100.0, Family::Metric),
        "mm" => (1000.0, Family::Metric),
        "um" | "µm" | "μm" => (1e6, Family::Metric),
        "ft" | "foot" | "feet" | "'" | "′" | "’" => (0.3048, Family::Feet),
        "in" | "inch" | "inches" | "\"" | "″" | "”" | "''" => (0.0254, Family::Inches),
        _ => return None,
    })
}

/// Metric units stand for the number to divide by, so that 3200 mm is exactly 3.2 m.
#[derive(PartialEq, Clone, Copy)]
enum Family {
    Metric,
    Feet,
    Inches,
}

/// Reads a length into metres.
///
/// One number with a metric unit (m, cm, mm, um), or feet, inches, or feet then inches. Spaces
/// are free; the sign, if any, stands first and holds for the whole. Errors name what is missing.
pub fn parse_length_m(text: &str) -> Result<f64, LengthError> {
    let text = text.trim();
    let (sign, body) = match text.strip_prefix(['-', '−']) {
        Some(rest) => (-1.0, rest),
        None => (1.0, text.strip_prefix('+').unwrap_or(text)),
    };
    let mut rest = body.trim_start();
    let mut total_m = 0.0;
    let mut last: Option<Family> = None;
    while !rest.is_empty() {
        let end = rest.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(rest.len());
        let value: f64 = rest[..end].parse().map_err(|_| LengthError::NotALength)?;
        rest = rest[end..].trim_start();
        let end = rest
            .find(|c: char| c.is_ascii_digit() || c == '.' || c.is_whitespace())
            .unwrap_or(rest.len());
        let unit = rest[..end].to_lowercase();
        if unit.is_empty() {
            return Err(LengthError::NoUnit);
        }
        let (factor, family) = metres_in(&unit).ok_or(LengthError::UnknownUnit(unit))?;
        match (last, family) {
            (None, _) | (Some(Family::Feet), Family::Inches) => {}
            _ => return Err(LengthError::NotALength),
        }
        total_m += if family == Family::Metric { value / factor } else { value * factor };
        last = Some(family);
        rest = rest[end..].trim_start();
    }
    if last.is_none() || !total_m.is_finite() {
        return Err(LengthError::NotALength);
    }
    Ok(sign * total_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_what_crews_write() {
        for (text, metres) in [
            ("3.2 m", 3.2),
            ("3200 mm", 3.2),
            ("3200mm", 3.2),
            ("320 cm", 3.2),
            ("4 um", 4e-6),
            ("10 ft 6 in", 3.2004),
            ("10'6\"", 3.2004),
            ("10′ 6″", 3.2004),
            ("10.5 feet", 3.2004),
            ("126 in", 3.2004),
            ("-2 ft", -0.6096),
            ("  +1.5 m ", 1.5),
        ] {
            let got = parse_length_m(text).unwrap_or_else(|e| panic!("{text}: {e}"));
            assert!((got - metres).abs() < 1e-12, "{text}: {got}");
        }
        assert_eq!(parse_length_m("3200 mm"), Ok(3.2));
    }

    #[test]
    fn refuses_the_rest_with_a_reason() {
        assert_eq!(parse_length_m("4"), Err(LengthError::NoUnit));
        assert_eq!(parse_length_m("4 ft 3"), Err(LengthError::NoUnit));
        assert_eq!(parse_length_m("4 yd"), Err(LengthError::UnknownUnit("yd".into())));
        for text in ["", "m", "ft 3", "3 in 4 ft", "3 m 20 cm", "1..2 m", "--3 m", "inf m"] {
            assert!(
                matches!(parse_length_m(text), Err(LengthError::NotALength)),
                "{text}: {:?}",
                parse_length_m(text)
            );
        }
        let long = format!("{} m", "9".repeat(400));
        assert_eq!(parse_length_m(&long), Err(LengthError::NotALength));
    }
}
