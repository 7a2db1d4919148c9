//! Patches of the audit on walls that are more than one flat sheet, each part for itself and all of them at once.

use crate::audit::{BAYER, Patch, asked, audit, patch, scanned, tall};
use crate::stage;
use glam::DVec2;
use gridbeat::optics::{Diffraction, FrontLowPass, LowPass};
use gridbeat::scene::Scene;
use gridbeat::sensor::Mosaic;
use gridbeat::sensor::mode::{Joining, Mode};
use gridbeat::wall::{Bend, Diffuser, Reflection, Spread};
use std::sync::Arc;

const PITCH_M: f64 = 2.6e-3;

/// A joint of facets 40 pixels wide at the middle of the wall.
fn arc(name: &'static str, convex: bool, disc: f64) -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    tall(&mut scene);
    scene.wall.build.bend = Some(Bend { radius_m: 0.35, convex, facet_columns: 40 });
    stage::waves(&mut scene, 27.0, 0.3);
    stage::place(&mut scene, 2.1, disc, DVec2::new(0.002, 0.0), [8.0, 3.0, 2.0]);
    patch(name, scene, 1 << 14)
}

/// Where four cabinets meet: gaps, differences and clocks out of step.
fn cabinets() -> Patch {
    let mut scene = stage::plain();
    scanned(&mut scene);
    tall(&mut scene);
    scene.camera.exposure_s = 1.0 / 3000.0;
    scene.wall.build.seam_m = 1.7e-3;
    scene.wall.build.spread = Spread { gain: 0.08, white: 0.05, clock_s: 60e-6 };
    scene.wall.build.seed = 3;
    stage::waves(&mut scene, 31.0, 0.4);
    stage::place(&mut scene, 1.7, 1.5, DVec2::new(-40.0 * PITCH_M, 0.0), [0.0; 3]);
    patch("cabinets apart, unlike, out of step", scene, 1 << 14)
}

/// Cabinets turned by every quarter turn, scanned in their own rows.
fn turned() -> Patch {
    let mut scene = stage::plain();
    scanned(&mut scene);
    tall(&mut scene);
    scene.wall.emitters[1].offset_m.y = 0.2e-3;
    scene.camera.exposure_s = 1.0 / 3000.0;
    scene.wall.build.turned = vec![1, 2, 0, 3, 0, 1];
    stage::waves(&mut scene, 31.0, 0.4);
    stage::place(&mut scene, 1.9, 1.2, DVec2::new(-40.0 * PITCH_M, 0.0), [0.0, 0.0, 1.0]);
    patch("turned cabinets", scene, 1 << 14)
}

/// A dim picture in a lit room at the wall's edge, with dead emitters.
fn lit_room() -> Patch {
    let mut scene = stage::plain();
    scene.camera.mosaic = BAYER;
    scene.wall.build.dead = 0.03;
    scene.wall.build.reflection = Reflection { reflectance: 0.2, ambient_lx: 4000.0 };
    stage::waves(&mut scene, 19.0, 0.2);
    let mut image = (*scene.content).clone();
    scene.wall.put_out_dead(&mut image);
    scene.content = Arc::new(image);
    stage::place(&mut scene, 2.4, 2.0, DVec2::new(120.0 * PITCH_M, 0.0), [5.0, 0.0, 1.0]);
    let mut patch = patch("dead emitters in a lit room", scene, 1 << 14);
    patch.window = stage::window(&patch.scene, -23, 5, 96, 64);
    patch
}

/// Everything that a wall can bring, at the meeting of four cabinets on a joint of facets.
fn all_at_once(name: &'static str, convex: bool, disc: f64, change: fn(&mut Scene)) -> Patch {
    let mut scene = stage::plain();
    scanned(&mut scene);
    for emitter in &mut scene.wall.emitters {
        emitter.half_angle_rad = Some(1.0);
    }
    scene.camera.mosaic = BAYER;
    scene.camera.exposure_s = 1.0 / 2000.0;
    scene.lens.aberration_m = 2e-6;
    scene.lens.vignetting = true;
    scene.lens.distortion = -0.04;
    scene.low_pass = Some(LowPass { across_m: 5e-6, upright_m: 5e-6 });
    let build = &mut scene.wall.build;
    build.bend = Some(Bend { radius_m: 0.6, convex, facet_columns: 80 });
    build.seam_m = 0.8e-3;
    build.turned = vec![1, 2, 0, 3, 0, 1];
    build.spread = Spread { gain: 0.08, white: 0.05, clock_s: 60e-6 };
    build.dead = 0.02;
    build.seed = 5;
    build.reflection = Reflection { reflectance: 0.2, ambient_lx: 3000.0 };
    scene.wall.diffuser =
        Some(Diffuser { stand_off_m: 2e-3, scatter_rad: 0.35, transmission: 0.7 });
    change(&mut scene);
    stage::waves(&mut scene, if disc > 10.0 { 25.0 } else { 31.0 }, 0.2);
    let mut image = (*scene.content).clone();
    scene.wall.put_out_dead(&mut image);
    scene.content = Arc::new(image);
    let joint = DVec2::new(-40.0 * PITCH_M, 0.0);
    stage::place(&mut scene, 1.8, disc, joint, [-6.0, 4.0, 3.0]);
    Patch { frame: 2, ..patch(name, scene, 1 << 15) }
}

/// All of that, with a squeeze, low-pass filters at both places, dimming by pulse, pictures that change, and a person in focus
/// before it.
fn together(name: &'static str, convex: bool, change: fn(&mut Scene)) -> Patch {
    let mut patch = all_at_once(name, convex, 14.0, |scene| {
        scene.lens.squeeze = 1.33;
        scene.front_low_pass = Some(FrontLowPass { across_rad: 1.2e-4, upright_rad: 0.9e-4 });
        scene.drive.pulse_share = 0.6;
        scene.wall.bits = 14;
    });
    let scene = &mut patch.scene;
    change(scene);
    let pictures: Vec<_> = [0.2, 0.9]
        .map(|light| {
            let mut image = stage::show(&scene.wall, |c, i, j| {
                let wave =
                    0.3 * (f64::from(i) * 0.23 + c as f64).sin() * (f64::from(j) * 0.19).cos();
                light * (0.6 + wave + 0.1 * stage::speck(c, i, j))
            });
            scene.wall.put_out_dead(&mut image);
            Arc::new(image)
        })
        .into();
    scene.drive.video_hz = 60.0;
    crate::moving::show(scene, 60.0, &pictures);
    let depth_m = scene.lens.focus_m;
    let photosite_m = scene.camera.photosite_m / scene.lens.image_m() * depth_m;
    let off_m = DVec2::new(25.0, 12.0) * photosite_m;
    crate::foreground::put(
        scene,
        &crate::foreground::person(0.02),
        depth_m,
        off_m,
        80.0 * photosite_m,
    );
    patch
}

/// Patches with everything at once.
pub(crate) fn all_together() -> Vec<Patch> {
    vec![
        together("together, concave", false, |_| {}),
        // Frame 2 starts after 80 ms, and the middle row's half millisecond 2.4 ms later: a picture ends in it, after 83.3 ms
        // of wall time.
        together("together, a picture ends", false, |scene| scene.drive.clock.phase_s = 0.7e-3),
        together("together, convex, lines skipped", true, |scene| {
            scene.camera.mode = Some(Mode {
                area: scene.camera.crop,
                read_one_of: [1, 2],
                bin: [1, 1],
                joining: Joining::Levels,
            });
        }),
    ]
}

/// Patches of each part, then six with all of them.
pub(crate) fn patches() -> Vec<Patch> {
    vec![
        arc("joint of facets, concave", false, 1.0),
        arc("joint of facets, convex, disc 12", true, 12.0),
        cabinets(),
        turned(),
        lit_room(),
        all_at_once("whole wall, concave", false, 1.5, |_| {}),
        all_at_once("whole wall, convex", true, 2.5, |_| {}),
        all_at_once("whole wall, disc 20", false, 20.0, |_| {}),
        all_at_once("whole wall, global shutter", false, 3.0, |s| {
            s.camera.readout = gridbeat::sensor::Readout::Global;
            s.camera.mosaic = Mosaic::FullPlanes;
        }),
        all_at_once("whole wall, behind focus", true, -4.0, |s| s.wall.diffuser = None),
        all_at_once("whole wall, its ideal frame", false, 2.0, |s| *s = s.ideal()),
    ]
}

#[test]
fn the_fast_engine_agrees_on_a_joint_of_facets() {
    let found = audit(&arc("joint of facets, concave", false, 1.0), Diffraction::Off, 8);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_on_cabinets_apart_and_unlike() {
    let found = audit(&cabinets(), Diffraction::Off, 8);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_on_turned_cabinets() {
    let found = audit(&turned(), Diffraction::Off, 8);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_in_a_lit_room() {
    let found = audit(&lit_room(), Diffraction::Off, 2);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_on_all_that_a_wall_brings() {
    let mut patch = all_at_once("whole wall, concave", false, 1.5, |_| {});
    patch.window = stage::window(&patch.scene, 15, -9, 32, 28);
    let found = audit(&patch, Diffraction::Off, 1);
    assert!(found.agrees(), "{found:?}");
}

#[test]
#[ignore = "minutes of rays: as audit_all, for the walls alone"]
fn audit_every_wall() {
    let (mut failed, mut rows) = (Vec::new(), 0);
    for diffraction in [Diffraction::Off, Diffraction::Convolved] {
        for patch in patches().into_iter().chain(all_together()).filter(|p| asked(p, diffraction)) {
            rows += 1;
            if !audit(&patch, diffraction, 1).agrees() {
                failed.push(format!("{}, {diffraction:?}", patch.name));
            }
        }
    }
    assert!(failed.is_empty() && rows > 0, "disagreement on {failed:#?} of {rows} rows");
}

#[test]
fn the_fast_engine_agrees_on_everything_together() {
    for patch in all_together() {
        // Jumps of light take a larger part to be sure of.
        let window = match patch.name {
            "together, a picture ends" => stage::window(&patch.scene, 21, -13, 48, 40),
            _ => stage::window(&patch.scene, -4, -4, 28, 20),
        };
        let patch = Patch { window, samples: 1 << 15, ..patch };
        let found = audit(&patch, Diffraction::Off, 1);
        assert!(found.agrees(), "{}: {found:?}", patch.name);
    }
}
