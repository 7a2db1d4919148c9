//! Any valid scene renders: no panic, and nothing but light.

use crate::scene_strategy::scene_yaml;
use gridbeat::frame::Electrons;
use gridbeat::optics::Diffraction;
use gridbeat::render::rays::{self, RaySettings};
use gridbeat::render::{Run, fast};
use gridbeat::scene::{NoPictures, Scene, parse};
use proptest::prelude::*;

/// How far below zero a photosite of the fast engine may come, over the most that it could collect
/// from emitters in full light. Not a bar of accuracy: it was chosen to clear the ringing of the tables at the
/// edges of unblurred emitters, which is a known miss with a test of its own (`light_is_never_below_zero`).
const LEAST: f32 = -1e-2;

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

fn check(scene: &Scene, frame: &Electrons, least: f32) -> Result<(), TestCaseError> {
    let crop = scene.camera.crop;
    prop_assert_eq!(frame.window, crop);
    prop_assert_eq!(frame.planes.len(), scene.camera.mosaic.planes());
    let most = most_electrons(scene);
    for plane in &frame.planes {
        prop_assert_eq!(plane.data.len(), (crop.width * crop.height) as usize);
        for &v in &plane.data {
            prop_assert!(v.is_finite(), "{v}");
            prop_assert!(v >= least * most, "{v} of {most}: {}", v / most);
            prop_assert!(v <= 1.02 * most, "{v} of {most}: {}", v / most);
        }
    }
    Ok(())
}

/// Photosites a wall pixel is seen wide, where the camera looks straight at it.
fn photosites_a_pixel(scene: &Scene) -> f64 {
    scene.wall.pitch_m * scene.lens.image_m() / scene.pose.lens_m.z / scene.camera.photosite_m
}

fn renders(mut scene: Scene, frame: u32) -> Result<(), TestCaseError> {
    let failed = |e: &dyn std::fmt::Display| TestCaseError::fail(e.to_string());
    let found = fast::render(&scene, frame, scene.camera.crop, &Run::default());
    check(&scene, &found.map_err(|e| failed(&e))?, LEAST)?;
    if scene.lens.diffraction == Diffraction::Wave {
        scene.lens.diffraction = Diffraction::Convolved;
    }
    let few = RaySettings { samples: 4, seed: u64::from(frame) };
    let found = rays::render(&scene, frame, scene.camera.crop, &few, &Run::default());
    // The slow check adds light only.
    check(&scene, &found.map_err(|e| failed(&e))?, 0.0)
}

fn scene(text: &str) -> Result<Scene, TestCaseError> {
    parse(text, "any", &NoPictures).map_err(|p| TestCaseError::fail(format!("{p:?}")))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_scene_of_small_pixels_renders(text in scene_yaml(), frame in 0..1000_u32) {
        let scene = scene(&text)?;
        prop_assume!(photosites_a_pixel(&scene) < 6.0);
        renders(scene, frame)?;
    }

    #[test]
    #[ignore = "known miss: pixels seen tens of photosites wide take gigabytes; see DEVELOPERS.md"]
    fn any_scene_renders(text in scene_yaml(), frame in 0..1000_u32) {
        renders(scene(&text)?, frame)?;
    }
}
