//! Any valid scene renders: no panic, and nothing but light.

use crate::scene_strategy::scene_yaml;
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::Diffraction;
use gridbeat::render::Run;
use gridbeat::render::rays::{self, RaySettings};
use gridbeat::scene::{NoPictures, Scene, parse};
use gridbeat::shoot::{Engine, ShootError, Shot};
use proptest::prelude::*;

/// The most electrons that a photosite can collect: emitters in full light wherever it looks.
fn most_electrons(scene: &Scene) -> f32 {
    let wall = &scene.wall;
    let mut white = scene.clone();
    white.lens.vignetting = false;
    let packing = wall
        .emitters
        .iter()
        .map(|e| wall.pitch_m * wall.pitch_m / e.shape.area_m2(wall.pitch_m))
        .fold(1.0, f64::max);
    // A pulse in full light for the whole exposure outshines the mean by one over the duty.
    let duty = scene.drive.timing().top_duty();
    let level = crate::truth::closed_form(&white).into_iter().fold(0.0, f64::max);
    (level * packing / duty) as f32
}

fn check(scene: &Scene, crop: Window, frame: &Electrons) -> Result<(), TestCaseError> {
    prop_assert_eq!(frame.window, crop);
    prop_assert_eq!(frame.planes.len(), scene.camera.mosaic.planes());
    let most = most_electrons(scene);
    for plane in &frame.planes {
        prop_assert_eq!(plane.data.len(), (crop.width * crop.height) as usize);
        for &v in &plane.data {
            prop_assert!(v.is_finite(), "{v}");
            prop_assert!(v >= 0.0, "{v} of {most}");
            prop_assert!(v <= 1.02 * most, "{v} of {most}: {}", v / most);
        }
    }
    Ok(())
}

fn renders(mut scene: Scene, frame: u32) -> Result<(), TestCaseError> {
    let failed = |e: &dyn std::fmt::Display| TestCaseError::fail(e.to_string());
    match Shot::new(&scene, Engine::Fast) {
        // What no common machine could hold is refused with its size, before anything is allocated.
        Err(ShootError::TablesTooLarge(gib, most)) => prop_assert!(gib > f64::from(most)),
        shot => {
            let shot = shot.map_err(|e| failed(&e))?;
            let found = shot.electrons(frame, &Run::default());
            let found = found.map_err(|e| failed(&e))?;
            check(&scene, scene.camera.crop, &shot.recorded(&found))?;
        }
    }
    if scene.lens.diffraction == Diffraction::Wave {
        scene.lens.diffraction = Diffraction::Convolved;
    }
    let few = RaySettings { samples: 4, seed: u64::from(frame) };
    let window = scene.camera.sensor_window();
    let found = rays::render(&scene.at_frame(frame), frame, window, &few, &Run::default());
    check(&scene, window, &found.map_err(|e| failed(&e))?)
}

fn scene(text: &str) -> Result<Scene, TestCaseError> {
    parse(text, "any", &NoPictures).map_err(|p| TestCaseError::fail(format!("{p:?}")))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_scene_renders(text in scene_yaml(), frame in 0..1000_u32) {
        renders(scene(&text)?, frame)?;
    }
}
