//! The same bits from every kind of vector.

use super::Sequence;
use super::shared::Shared;
use crate::scene::{self, Edit, NoPictures, Scene};
use fearless_simd::{Level, Simd};
use std::collections::BTreeSet;
use std::sync::Arc;

/// A small wall of random light, 1.4 photosites a pitch: coarse photosites behind a short lens, so that
/// perspective changes much over few of them. The crop starts inside a tile, at an odd column.
const SCENE: &str = "
wall: {pixel_pitch_mm: 2.6, size_px: [160, 120], packaging: surface_mount, transfer: linear}
content: {random: {seed: 7}}
lens: {focal_mm: 35, f_number: 2, focus: {on: wall}}
filters: {low_pass: {separation_photosites: 1}}
camera:
  photosites: [160, 120]
  photosite_pitch_um: 50
  shutter_speed: 1/500
  crop: {x: 7, y: 5, width: 93, height: 61}
placement: {distance_m: 1.3}
effects: {diffraction: off}
";

fn scene(edits: &[&str]) -> Scene {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    scene::parse_edited(SCENE, "widths", &edits, &NoPictures).expect("a valid scene")
}

/// Every kind of vector that this processor has.
fn levels() -> Vec<Level> {
    let widest = Level::new();
    let mut levels = vec![widest];
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    {
        levels.extend(widest.as_sse2().map(Simd::level));
        levels.extend(widest.as_sse4_2().map(Simd::level));
        levels.extend(widest.as_avx2().map(Simd::level));
        levels.extend(widest.as_avx512().map(Simd::level));
    }
    levels
}

/// Photoelectrons of the crop, as bits, tile by tile.
fn frame(scene: &Scene, level: Level) -> Vec<u32> {
    let shared = Shared { level, ..Shared::new(scene, scene.camera.crop) };
    Sequence::of(Arc::new(shared)).tile_bits(0)
}

/// Holds that the frames of small scenes are the same to the last bit for every kind of vector that the
/// processor has and for scalars, in focus, with wide blur discs (running sums), with diffraction (its tails gathered
/// apart) and turned (kernels that change over a tile), so that every path of the gathering is taken.
///
/// A fused multiply-add anywhere in the gathering fails it, and so does an order of sums that follows the
/// width of the vectors.
#[test]
fn every_kind_of_vector_has_the_same_bits() {
    let disc_of_10 = "lens.focus.distance_m=0.653";
    let disc_of_40 = "lens.focus.distance_m=0.287";
    let turned = ["placement.lateral_m=0.55", "placement.aim_m=[0, 0]", "placement.roll_deg=3"];
    let mut paths = BTreeSet::new();
    let (mut on_sums, mut far) = (false, false);
    let diffracted = ["effects.diffraction=wave", "lens.f_number=22"];
    let looks: [&[&str]; 4] = [&[], &[disc_of_10], &[disc_of_40], &diffracted];
    for look in looks {
        for place in [&[][..], &turned] {
            let edits: Vec<&str> = look.iter().chain(place.iter()).copied().collect();
            let scene = scene(&edits);
            let shared = Arc::new(Shared::new(&scene, scene.camera.crop));
            for shape in Sequence::of(shared.clone()).shapes() {
                let kernels = shared.kernels(&shape, 0);
                far |= !kernels.far.is_empty();
                for kernel in &kernels.near {
                    paths.insert((kernel.sampling.lerp_across, kernel.slopes.is_some()));
                    on_sums |= kernel.on_sums;
                }
            }

            let scalar = frame(&scene, Level::fallback());
            let lit = scalar.iter().filter(|bits| f32::from_bits(**bits) > 0.0).count();
            assert!(2 * lit > scalar.len(), "{edits:?}: {lit} of {} see light", scalar.len());
            for level in levels() {
                let other = frame(&scene, level);
                let differing = scalar.iter().zip(&other).filter(|(a, b)| a != b).count();
                assert!(
                    differing == 0 && scalar.len() == other.len(),
                    "{edits:?}, {level:?}: {differing} of {} photosites differ",
                    scalar.len()
                );
            }
        }
    }
    assert_eq!(paths.len(), 4, "position across interpolated or not, kernels that change or not");
    assert!(on_sums, "running sums");
    assert!(far, "tails of diffraction gathered apart");
}
