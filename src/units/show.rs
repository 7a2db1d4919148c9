//! SI quantities in words for people.

use std::f64::consts::PI;

/// A number with about four significant digits, without trailing zeros.
pub fn number(value: f64) -> String {
    if !value.is_finite() {
        return value.to_string();
    }
    if value == 0.0 {
        return "0".into();
    }
    let magnitude = libm::floor(libm::log10(value.abs()));
    let decimals = (3.0 - magnitude).clamp(0.0, 12.0) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_string()
    } else {
        text
    }
}

/// The first unit whose count is at least 1; the last one otherwise.
fn scaled(value: f64, units: &[(f64, &str)]) -> String {
    let size = value.abs();
    let &(unit, name) =
        units.iter().find(|(unit, _)| size >= 0.9995 * unit).unwrap_or(&units[units.len() - 1]);
    format!("{} {name}", number(value / unit))
}

/// A length: `3.2 m`, `2.6 mm`, `5.94 µm`.
pub fn length(metres: f64) -> String {
    if metres == 0.0 {
        return "0 m".into();
    }
    scaled(metres, &[(1.0, "m"), (1e-3, "mm"), (1e-6, "µm")])
}

/// A time: `1.2 s`, `16 ms`, `7.407 µs`, `50 ns`.
pub fn time(seconds: f64) -> String {
    if seconds == 0.0 {
        return "0 s".into();
    }
    scaled(seconds, &[(1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns")])
}

/// A frequency: `3840 Hz`, `20 MHz`.
pub fn frequency(hertz: f64) -> String {
    if hertz.abs() >= 1e6 {
        format!("{} MHz", number(hertz / 1e6))
    } else {
        let rounded = (hertz * 1e3).round() / 1e3;
        format!("{rounded} Hz")
    }
}

/// A frame rate: `23.976 fps`, with the exact fraction where there is one.
pub fn rate(fps: f64) -> String {
    let nominal = (fps * 1.001).round();
    if fps.fract() != 0.0 && (fps - nominal * 1000.0 / 1001.0).abs() < 1e-9 {
        format!("{:.3} fps ({}/1001)", fps, nominal * 1000.0)
    } else {
        format!("{} fps", (fps * 1e3).round() / 1e3)
    }
}

/// An exposure time, as a fraction of a second where that is how people say it: `1/50 s`.
pub fn shutter(seconds: f64) -> String {
    let inverse = 1.0 / seconds;
    if seconds < 0.5 { format!("1/{} s", number(inverse)) } else { time(seconds) }
}

/// An angle in degrees.
pub fn angle(radians: f64) -> String {
    format!("{}°", number(radians * 180.0 / PI))
}

/// A share in percent.
pub fn percent(share: f64) -> String {
    format!("{} %", number(share * 100.0))
}

/// A factor of light in stops, signed.
pub fn stops(stops: f64) -> String {
    format!("{stops:+.2} stops")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_read_well() {
        assert_eq!(length(0.0026), "2.6 mm");
        assert_eq!(length(5.94e-6), "5.94 µm");
        assert_eq!(length(12.0), "12 m");
        assert_eq!(time(7.407407e-6), "7.407 µs");
        assert_eq!(time(0.001), "1 ms");
        assert_eq!(frequency(3840.0), "3840 Hz");
        assert_eq!(frequency(2e7), "20 MHz");
        assert_eq!(rate(24000.0 / 1001.0), "23.976 fps (24000/1001)");
        assert_eq!(rate(25.0), "25 fps");
        assert_eq!(shutter(0.02), "1/50 s");
        assert_eq!(shutter(1.0 / 47.95), "1/47.95 s");
        assert_eq!(number(0.0123456), "0.01235");
        assert_eq!(number(-1234567.0), "-1234567");
        assert_eq!(angle(PI / 2.0), "90°");
    }
}
