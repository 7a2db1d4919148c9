//! Other lamps in shot, and the shutters that the camera offers.

use super::Findings;
use crate::scene::lamp::{Lamp, LampShape, ShutterOffered};
use crate::scene::written::{LampShapeFile, OtherLightFile, ShutterOfferedFile};
use crate::units;

/// Longest name of a lamp, letters.
const LONGEST_NAME: usize = 32;

pub(super) fn lamps(found: &mut Findings<'_>, files: &[OtherLightFile]) -> Vec<Lamp> {
    let mut lamps: Vec<Lamp> = Vec::new();
    for (i, file) in files.iter().enumerate() {
        let key = |name: &str| format!("other_light[{}].{name}", i + 1);
        let name = file.name.trim();
        if name.is_empty() || name.chars().count() > LONGEST_NAME {
            found.refuse(
                &key("name"),
                &[],
                format!("'{name}' is no name; allowed: 1 to {LONGEST_NAME} letters"),
                "name it as the crew does",
            );
        }
        if lamps.iter().any(|l| l.name == name) {
            found.refuse(
                &key("name"),
                &[],
                format!("'{name}' names another lamp already"),
                "choose another name",
            );
        }
        // The mains' own frequencies; light without a sign has twice as many pulses.
        if [50.0, 60.0].contains(&file.frequency_hz) {
            let twice = units::frequency(2.0 * file.frequency_hz);
            found.note(
                &key("frequency_hz"),
                format!(
                    "{} is the mains' frequency; the light of most lamps at it pulses twice a period, {twice}",
                    units::frequency(file.frequency_hz)
                ),
                "count pulses of light, not periods of the mains",
            );
        }
        lamps.push(Lamp {
            name: name.to_owned(),
            frequency_hz: file.frequency_hz,
            depth: file.depth_percent / 100.0,
            shape: match file.shape {
                LampShapeFile::Sine => LampShape::Sine,
                LampShapeFile::RectifiedSine => LampShape::RectifiedSine,
                LampShapeFile::Pwm(pulse) => LampShape::Pulses { duty: pulse.duty_percent / 100.0 },
            },
        });
    }
    lamps
}

pub(super) fn offered(file: &ShutterOfferedFile) -> Option<ShutterOffered> {
    let offered = ShutterOffered {
        angles_deg: file.angles_deg.clone().unwrap_or_default(),
        angle_step_deg: file.angle_step_deg,
        speeds_s: file.speeds.clone().unwrap_or_default(),
    };
    (offered != ShutterOffered::default()).then_some(offered)
}
