//! The darkest level of a plate that holds, and what room light may do to it.

use crate::artefact::Kind;
use crate::predict::stepping::Stepping;
use crate::predict::{Settings, verdict};
use crate::scene::Scene;
use std::f64::consts::PI;

/// One level of grey.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Light as a share of white.
    pub share: f64,
    /// The worst of flicker and bands, times the threshold of visibility, at worst within the tolerances.
    pub multiple: f64,
}

/// What dark plates may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// The levels that were looked at, darkest first.
    pub levels: Vec<Level>,
    /// From this share of white up, flicker and bands are clean at every level that was looked at; `None` where they are seen even at white.
    pub steady_from_share: Option<f64>,
    /// From this share of white up, no step between neighbouring greys is seen; `None` where steps are seen up to 18 %.
    pub smooth_from_share: Option<f64>,
}

/// The levels of a scene.
pub(super) fn hold(scene: &Scene, stepping: &Stepping) -> Hold {
    let full = Settings::full();
    let levels: Vec<Level> = full
        .levels
        .iter()
        .map(|&share| {
            let found = verdict(scene, &Settings { levels: vec![share], ..full.clone() });
            let of = |kind| found.of(kind).map_or(0.0, |f| f.worst.multiple);
            Level { share, multiple: of(Kind::Flicker).max(of(Kind::Bands)) }
        })
        .collect();
    Hold::new(levels, stepping.smooth_from_share)
}

impl Hold {
    /// Of levels, darkest first.
    fn new(levels: Vec<Level>, smooth_from_share: Option<f64>) -> Self {
        let steady = levels.iter().rev().take_while(|l| l.multiple < 1.0).last();
        Self { steady_from_share: steady.map(|l| l.share), smooth_from_share, levels }
    }

    /// The darkest level at which neither bands, flicker nor steps are seen, as a share of white; `None` where there is none.
    pub fn darkest_share(&self) -> Option<f64> {
        Some(self.steady_from_share?.max(self.smooth_from_share?))
    }
}

/// Room light on the wall's face, lux, that lifts its black to a share of its own white: E = π·share·L/(ρ·T), with L the luminance of
/// white behind the diffuser, ρ the face's reflectance (Lambert) and T what the diffuser passes, as in [`Scene::reflected_share`].
/// `None` for a face that reflects nothing.
pub fn room_light_lx(scene: &Scene, share: f64) -> Option<f64> {
    let passed = scene.wall.diffuser.map_or(1.0, |d| d.transmission);
    let reflectance = scene.wall.build.reflection.reflectance;
    let white_nits = scene.wall.white_nits * scene.wall.brightness;
    let lux = PI * share * white_nits / (reflectance * passed);
    lux.is_finite().then_some(lux)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{NoPictures, parse};

    #[test]
    fn room_light_lifts_black_by_what_it_says() {
        let text = |lux: f64| {
            format!(
                "wall: {{pixel_pitch_mm: 2.5, size_px: [160, 80], white_nits: 900, brightness_percent: 50, reflectance_percent: 4, ambient_lx: {lux}, diffuser: {{stand_off_mm: 5}}}}\n\
                 lens: {{focal_mm: 35, f_number: 2.8}}\nplacement: {{distance_m: 5}}\n"
            )
        };
        let scene =
            |lux: f64| parse(&text(lux), "room", &NoPictures).unwrap_or_else(|e| panic!("{e:?}"));
        let lux = room_light_lx(&scene(0.0), 0.02).expect("it reflects");
        let share = scene(lux).reflected_share();
        assert!((share / 0.02 - 1.0).abs() < 1e-12, "{lux} lx: {share}");
    }

    #[test]
    fn the_darkest_level_is_that_of_all_above_it() {
        let hold = |multiples: [f64; 3], smooth| {
            let levels: Vec<Level> = [0.01, 0.1, 1.0]
                .into_iter()
                .zip(multiples)
                .map(|(share, multiple)| Level { share, multiple })
                .collect();
            Hold::new(levels, smooth)
        };
        assert_eq!(hold([0.1, 0.2, 0.3], Some(0.05)).darkest_share(), Some(0.05));
        assert_eq!(hold([0.1, 2.0, 0.3], Some(0.05)).darkest_share(), Some(1.0));
        assert_eq!(hold([0.1, 0.2, 1.3], Some(0.05)).darkest_share(), None);
        assert_eq!(hold([0.1, 0.2, 0.3], None).darkest_share(), None);
    }
}
