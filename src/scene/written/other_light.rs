//! Other lamps in shot, as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A lamp in shot whose light pulses. It is not rendered: `gridbeat predict` says which shutters are clean for it too.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["name", "frequency_hz"]))]
pub struct OtherLightFile {
    /// Its name, for the answer.
    #[schemars(extend("x-default" = "none: must be given"))]
    pub name: String,
    /// How often its light pulses in a second. Most lamps at the mains pulse twice a period: 100 at 50 Hz, 120 at 60.
    #[schemars(range(min = 0.1, max = 1_000_000.0), extend("x-default" = "none: must be given"))]
    pub frequency_hz: f64,
    /// How deep: (brightest − darkest) over (brightest + darkest).
    #[schemars(range(min = 0.0, max = 100.0))]
    pub depth_percent: f64,
    /// Course of its light.
    pub shape: LampShapeFile,
}

impl Default for OtherLightFile {
    fn default() -> Self {
        Self {
            name: String::new(),
            frequency_hz: 0.0,
            depth_percent: 100.0,
            shape: LampShapeFile::Sine,
        }
    }
}

/// Course of a lamp's light.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LampShapeFile {
    /// A sine.
    Sine,
    /// Half waves of a sine, one after the other, on steady light: straight from the mains.
    RectifiedSine,
    /// On and off, or brighter and darker: dimmed by pulses.
    Pwm(LampPulseFile),
}

/// Pulses of a lamp.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct LampPulseFile {
    /// Share of the time that it is bright.
    #[schemars(range(min = 0.1, max = 100.0))]
    pub duty_percent: f64,
}

impl Default for LampPulseFile {
    fn default() -> Self {
        Self { duty_percent: 50.0 }
    }
}
