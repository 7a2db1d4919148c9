//! Any valid scene renders: no panic, and nothing but light.

use crate::scene_strategy::scene_yaml;
use gridbeat::frame::Electrons;
use gridbeat::optics::Diffraction;
use gridbeat::render::rays::{self, RaySettings};
use gridbeat::render::{Run, fast};
use gridbeat::scene::{NoPictures, Scene, parse};
use proptest::prelude::*;

/// How far below zero a photosite of the fast engine may come, over the most that it could collect
/// from emitters in full light: the tables of a picture without any blur ring at the emitters' edges.
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

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_scene_renders(text in scene_yaml(), frame in 0..1000_u32) {
        let mut scene = parse(&text, "any", &NoPictures).map_err(|p| TestCaseError::fail(format!("{p:?}")))?;
        let start = std::time::Instant::now();
        let found = fast::render(&scene, frame, scene.camera.crop, &Run::default());
        check(&scene, &found.map_err(|e| TestCaseError::fail(e.to_string()))?, LEAST)?;
        let t = start.elapsed().as_secs_f64();
        if scene.lens.diffraction == Diffraction::Wave {
            scene.lens.diffraction = Diffraction::Convolved;
        }
        let few = RaySettings { samples: 4, seed: u64::from(frame) };
        let found = rays::render(&scene, frame, scene.camera.crop, &few, &Run::default());
        println!("TIME fast {t:.2} rays {:.2} {:?} {:?} bits {} scan {} disc pitch {}", start.elapsed().as_secs_f64()-t, scene.lens.iris, scene.lens.diffraction, scene.wall.bits, scene.drive.scan, scene.wall.pitch_m);
        // The slow check adds light only.
        check(&scene, &found.map_err(|e| TestCaseError::fail(e.to_string()))?, 0.0)?;
    }
}
