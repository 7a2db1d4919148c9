//! What is said of other lamps in shot, and of the shutters that the camera offers.

use super::Lines;
use crate::scene::{LampShape, Scene};
use crate::units::{frequency, number, percent, shutter};

/// Lamps, and the shutters to choose from.
pub(super) fn other_light(out: &mut Lines, scene: &Scene) {
    if let Some(offered) = &scene.shutter_offered {
        let mut words: Vec<String> =
            offered.angles_deg.iter().map(|a| format!("{}°", number(*a))).collect();
        words.extend(offered.angle_step_deg.map(|a| format!("every {}°", number(a))));
        words.extend(offered.speeds_s.iter().map(|s| shutter(*s)));
        out.group("shutters");
        out.line("offered", words.join(", "));
    }
    if scene.other_light.is_empty() {
        return;
    }
    out.group("other light");
    for lamp in &scene.other_light {
        let shape = match lamp.shape {
            LampShape::Sine => "a sine".into(),
            LampShape::RectifiedSine => "half waves of a sine".into(),
            LampShape::Pulses { duty } => {
                format!("pulses, bright for {} of the time", percent(duty))
            }
        };
        let value =
            format!("{}, {} deep, {shape}", frequency(lamp.frequency_hz), percent(lamp.depth));
        out.line(&lamp.name, value);
    }
}
