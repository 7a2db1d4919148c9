//! Frames in sequence: what is kept from one to the next, and what is rendered at once, changes no bit of any of them.

use crate::stage;
use glam::DVec2;
use gridbeat::frame::Electrons;
use gridbeat::optics::Diffraction;
use gridbeat::render::fast::{self, Sequence};
use gridbeat::render::rays::{self, RaySettings};
use gridbeat::render::{Run, agree};
use gridbeat::scene::{Moving, Scene};
use gridbeat::sensor::Mosaic;
use gridbeat::shoot::{Engine, Shot};
use gridbeat::wall::drive::{DriveKind, SplitOrder};
use gridbeat::wall::{Reflection, Spread, WallImage};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

fn driven(change: impl Fn(&mut Scene)) -> Scene {
    let mut scene = stage::plain();
    scene.drive.kind = DriveKind::Scanned;
    scene.drive.scan = 16;
    scene.drive.rise_s = 0.2e-6;
    scene.drive.fall_s = 0.3e-6;
    scene.camera.exposure_s = 1.0 / 700.0;
    stage::waves(&mut scene, 31.0, 0.4);
    stage::place(&mut scene, 1.7, 4.0, DVec2::new(0.01, 0.0), [9.0, 3.0, 1.0]);
    change(&mut scene);
    scene
}

fn drifting(change: impl Fn(&mut Scene)) -> Scene {
    driven(|s| {
        s.drive.clock.drift = 41e-6;
        change(s);
    })
}

/// Five pictures a second faster than the camera, so that every frame has its own, some two.
fn pictures(scene: &mut Scene) {
    let wall = &scene.wall;
    let one = |n: u32| {
        let code = |c: usize, i: u32, j: u32| 0.2 + 0.8 * stage::speck(c, i + 977 * n, j);
        Arc::new(stage::show(wall, code))
    };
    let pictures: Vec<_> = (0..12).map(one).collect();
    crate::moving::show(scene, 30.0, &pictures);
}

fn same_bits(a: &Electrons, b: &Electrons) -> bool {
    let bits = |e: &Electrons| -> Vec<u32> {
        e.planes.iter().flat_map(|p| p.data.iter().map(|v| v.to_bits())).collect()
    };
    a.window == b.window && bits(a) == bits(b)
}

#[test]
fn a_frame_in_sequence_is_the_frame_alone() {
    let scenes = [
        ("light that repeats", driven(|s| s.camera.fps = 24.0), true),
        ("light that repeats every other frame", driven(|s| s.camera.fps = 7680.0 / 321.0), true),
        ("a drifting clock", drifting(|_| ()), false),
        ("without ramps", drifting(|s| (s.drive.rise_s, s.drive.fall_s) = (0.0, 0.0)), false),
        (
            "all rows at once, colours late",
            drifting(|s| {
                (s.drive.kind, s.drive.scan) = (DriveKind::Pwm, 1);
                s.drive.delay_s = [0.0, 21e-6, 55e-6];
            }),
            false,
        ),
        (
            "split, diffraction",
            drifting(|s| {
                s.drive.kind = DriveKind::Split { bits: 14, order: SplitOrder::Even };
                s.lens.diffraction = Diffraction::Wave;
            }),
            false,
        ),
        (
            "split in another order, in focus",
            drifting(|s| {
                s.drive.kind = DriveKind::Split { bits: 14, order: SplitOrder::BitReversed };
                stage::place(s, 1.7, 0.0, DVec2::ZERO, [0.0; 3]);
            }),
            false,
        ),
        ("wide discs", drifting(|s| stage::place(s, 1.4, 40.0, DVec2::ZERO, [0.0; 3])), false),
        ("pictures", driven(pictures), false),
        (
            "pictures on a steady wall that reflects, three planes",
            driven(|s| {
                s.drive.kind = DriveKind::Steady;
                s.camera.mosaic = Mosaic::FullPlanes;
                s.wall.build.reflection = Reflection { reflectance: 0.1, ambient_lx: 300.0 };
                pictures(s);
            }),
            false,
        ),
        (
            "cabinets out of step",
            driven(|s| {
                s.camera.fps = 24.0;
                s.wall.build.spread = Spread { gain: 0.1, white: 0.0, clock_s: 50e-6 };
            }),
            true,
        ),
        ("steady", driven(|s| s.drive.kind = DriveKind::Steady), true),
    ];
    for (name, scene, repeats) in scenes {
        let window = stage::window(&scene, 11, -7, 100, 70);
        // Four at once, two, one.
        let sequence = Sequence::keeping(&scene, window, 0..=6);
        let frames: Vec<_> =
            (0..7).map(|n| sequence.frame(n, &Run::default()).expect("not cancelled")).collect();
        for (n, frame) in frames.iter().enumerate() {
            let alone = fast::render(&scene, n as u32, window, &Run::default()).expect("a frame");
            assert!(same_bits(frame, &alone), "{name}: frame {n}");
        }
        assert_eq!(frames[0] == frames[4], repeats, "{name}");
        // The steady wall, rendered beside a frame, is the steady wall alone.
        if scene.moving.is_none() {
            let steady = scene.steady_wall();
            let alone = fast::render(&steady, 1, window, &Run::default()).expect("a frame");
            let sequence = Sequence::new(&scene, window);
            let both = sequence.beside_steady(1, &steady, &Run::default()).expect("not cancelled");
            assert!(same_bits(&both[0], &frames[1]), "{name}: beside its steady wall");
            assert!(same_bits(&both[1], &alone), "{name}: the steady wall");
        }
        if name == "light that repeats" {
            // 2.5 video frames, 160 refreshes a frame: every frame is alike, to the last bit.
            assert!(frames.iter().all(|frame| *frame == frames[0]), "{name}");
        }
    }
}

#[test]
fn frames_whose_light_is_new_bring_the_next_ones_along() {
    let scene = drifting(|_| ());
    let window = stage::window(&scene, 0, 0, 40, 30);
    let sequence = Sequence::keeping(&scene, window, 2..=8);
    let there = || (0..12).filter(|&n| sequence.has(n)).collect::<Vec<_>>();
    let frame = |n: u32| sequence.frame(n, &Run::default()).expect("a frame");
    frame(2);
    assert_eq!(there(), [2, 3, 4, 5]);
    // In any order; none after the last. Drifting light never comes again: what has been passed goes, but the latest.
    frame(7);
    assert_eq!(there(), [5, 7, 8]);
    frame(11);
    assert_eq!(there(), [8, 11]);
    let alone = fast::render(&scene, 5, window, &Run::default()).expect("a frame");
    assert!(same_bits(&frame(5), &alone));

    // Light that comes again is not rendered ahead.
    let scene = driven(|s| s.camera.fps = 7680.0 / 321.0);
    let sequence = Sequence::keeping(&scene, window, 0..=8);
    sequence.frame(0, &Run::default()).expect("a frame");
    assert!(sequence.has(1) && !sequence.has(2));

    // What is stopped leaves nothing behind.
    let stopped = Run { cancel: Arc::new(AtomicBool::new(true)), ..Run::default() };
    let sequence = Sequence::keeping(&scene, window, 0..=8);
    assert!(sequence.frame(0, &stopped).is_err() && !sequence.has(0));
}

/// A picture that cannot be had stops the frame that shows it, and none before it.
#[test]
fn a_picture_that_is_gone_stops_its_own_frame_only() {
    let mut scene = driven(pictures);
    let make = |number: u32| match number {
        5.. => Err(format!("picture {number} is not there")),
        _ => Ok(WallImage { columns: 240, rows: 160, codes: [0, 1, 2].map(|_| vec![900; 38400]) }),
    };
    let moving = Moving::new("####".into(), (25.0, 60.0), 12, false, Box::new(make));
    scene.moving = Some(Arc::new(moving));
    scene.camera.crop = stage::window(&scene, 0, 0, 20, 20);
    let last = (0..9).take_while(|&n| scene.pictures_of_frame(n).is_ok()).count() as u32;
    assert!((2..6).contains(&last), "{last}");
    let shot = Shot::new(&scene, Engine::Fast).expect("a shot").for_frames(9);
    for n in 0..last {
        assert!(shot.electrons(n, &Run::default()).is_ok(), "frame {n}");
    }
    let error = shot.electrons(last, &Run::default()).expect_err("gone").to_string();
    assert!(error.starts_with("the wall's content: picture "), "{error}");
}

/// The fourth frame of a sequence under drift, rendered with the three before it.
#[test]
fn drifting_sequences_agree_with_the_slow_check() {
    type Change = fn(&mut Scene);
    let drives: [(&str, Change); 3] = [
        ("pulses of all rows at once", |s| (s.drive.kind, s.drive.scan) = (DriveKind::Pwm, 1)),
        ("scanned", |_| ()),
        ("split", |s| {
            s.drive.kind = DriveKind::Split { bits: 14, order: SplitOrder::Even };
            s.drive.scan = 8;
        }),
    ];
    for (name, drive) in drives {
        let scene = drifting(|s| {
            crate::audit::tall(s);
            stage::place(s, 1.7, 4.0, DVec2::ZERO, [0.0; 3]);
            drive(s);
        });
        let window = stage::window(&scene, 11, -7, 64, 48);
        let sequence = Sequence::keeping(&scene, window, 0..=3);
        sequence.frame(0, &Run::default()).expect("a frame");
        assert!(sequence.has(3), "{name}");
        let frame = sequence.frame(3, &Run::default()).expect("a frame");
        let rays = |seed| {
            let settings = RaySettings { samples: 1 << 12, seed };
            rays::render(&scene, 3, window, &settings, &Run::default()).expect("rays")
        };
        let (a, b) = (rays(1), rays(2));
        let found = agree::compare(&frame, &a, &b, scene.camera.mosaic).expect("compared");
        println!("{name}: RMS {:.3} % of the mean", 100.0 * found.rms_of_mean());
        assert!(found.agrees(), "{name}: {found:?}");
    }
}
