//! Frames in sequence: what is kept from one to the next changes no bit of any of them.

use crate::stage;
use glam::DVec2;
use gridbeat::optics::Diffraction;
use gridbeat::render::Run;
use gridbeat::render::fast::{self, Sequence};
use gridbeat::scene::Scene;
use gridbeat::wall::Spread;
use gridbeat::wall::drive::{DriveKind, SplitOrder};

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

#[test]
fn a_frame_in_sequence_is_the_frame_alone() {
    let scenes = [
        ("light that repeats", driven(|s| s.camera.fps = 24.0), true),
        ("light that repeats every other frame", driven(|s| s.camera.fps = 7680.0 / 321.0), true),
        ("a drifting clock", driven(|s| s.drive.clock.drift = 41e-6), false),
        (
            "split, diffraction",
            driven(|s| {
                s.drive.kind = DriveKind::Split { bits: 14, order: SplitOrder::Even };
                s.lens.diffraction = Diffraction::Wave;
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
        let sequence = Sequence::keeping(&scene, window);
        let frames: Vec<_> =
            (0..5).map(|n| sequence.frame(n, &Run::default()).expect("not cancelled")).collect();
        for (n, frame) in frames.iter().enumerate() {
            let alone = fast::render(&scene, n as u32, window, &Run::default()).expect("a frame");
            let same =
                frame.planes.iter().zip(&alone.planes).all(|(a, b)| {
                    a.data.iter().zip(&b.data).all(|(a, b)| a.to_bits() == b.to_bits())
                });
            assert!(same, "{name}: frame {n}");
        }
        assert_eq!(frames[0] == frames[4], repeats, "{name}");
        if name == "light that repeats" {
            // 2.5 video frames, 160 refreshes a frame: every frame is alike, to the last bit.
            assert!(frames.iter().all(|frame| *frame == frames[0]), "{name}");
        }
    }
}
