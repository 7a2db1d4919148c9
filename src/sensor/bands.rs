//! Scan bands of a plain pulsed source under a rolling shutter, in closed form.

use crate::math::special::sinc;

/// How bright rows get over a frame: brightest and darkest row as a fraction of full on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandExtremes {
    /// Brightest row, 0 to 1.
    pub row_max: f64,
    /// Darkest row, 0 to 1.
    pub row_min: f64,
    /// (max − min)/(max + min).
    pub michelson: f64,
    /// (max − min)/mean, the mean being the duty.
    pub peak_to_peak_over_mean: f64,
    /// Amplitude over mean of the wave at the source's own frequency: 2·|sinc(D)·sinc(f·T)|.
    pub fundamental_over_mean: f64,
}

/// Band extremes of a rectangular pulse train over all phases.
///
/// `frequency_hz` f and `exposure_s` T above 0; `duty` D from 0 to 1 (clamped). With n = ⌊fT⌋ and
/// φ = fT − n: max = (nD + min(φ, D))/(fT), min = (nD + max(0, φ + D − 1))/(fT), from the overlap of
/// the exposure window with the pulses; zero difference if and only if fT is whole (or D is 0 or 1).
/// Exact. With D = 0 all contrasts are 0.
pub fn band_extremes(frequency_hz: f64, exposure_s: f64, duty: f64) -> BandExtremes {
    let duty = duty.clamp(0.0, 1.0);
    let periods = frequency_hz * exposure_s;
    let whole = periods.floor();
    let part = periods - whole;
    let row_max = (whole * duty + part.min(duty)) / periods;
    let row_min = (whole * duty + (part + duty - 1.0).max(0.0)) / periods;
    let over = |below: f64| if below > 0.0 { (row_max - row_min) / below } else { 0.0 };
    BandExtremes {
        row_max,
        row_min,
        michelson: over(row_max + row_min),
        peak_to_peak_over_mean: over(duty),
        fundamental_over_mean: if duty > 0.0 {
            2.0 * (sinc(duty) * sinc(periods)).abs()
        } else {
            0.0
        },
    }
}

/// Bands in a frame: source frequency times readout time of the whole sensor.
pub fn bands_per_frame(frequency_hz: f64, readout_s: f64) -> f64 {
    frequency_hz * readout_s
}

/// Rows from band to band: 1/(f·line time).
pub fn band_period_rows(frequency_hz: f64, line_s: f64) -> f64 {
    1.0 / (frequency_hz * line_s)
}

/// How fast bands roll from frame to frame, Hz: (f/fps − nearest whole)·fps; 0 when they stand still.
pub fn roll_hz(frequency_hz: f64, fps: f64) -> f64 {
    let cycles = frequency_hz / fps;
    (cycles - libm::round(cycles)) * fps
}
