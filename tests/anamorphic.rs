//! Anamorphic lenses: what a squeeze does to picture, pupil, blur, light and delivery.

use crate::audit::{self, BAYER, Patch, patch, tall};
use crate::bad_scenes::{hold, lens};
use crate::stage;
use crate::truth::{closed_form, render};
use glam::DVec2;
use gridbeat::frame::Window;
use gridbeat::optics::blur::Blur;
use gridbeat::optics::projection::{Projection, SensorGrid, WallGrid};
use gridbeat::optics::{Diffraction, FrontLowPass, Iris, lens_transfer, transfer};
use gridbeat::scene::{NoPictures, Scene, parse};
use std::sync::Arc;

fn wide_disc() -> Patch {
    let mut scene = stage::plain();
    tall(&mut scene);
    scene.lens.f_number = 2.0;
    scene.lens.squeeze = 2.0;
    scene.camera.mosaic = BAYER;
    stage::waves(&mut scene, 19.0, 0.1);
    stage::place(&mut scene, 3.4, 20.0, DVec2::ZERO, [0.0; 3]);
    patch("squeeze 2, disc of 20 × 5", scene, 1 << 14)
}

fn askew() -> Patch {
    // Off the axis, turned, distorted and filtered: every place where a squeeze comes in.
    let mut scene = stage::plain();
    scene.lens.f_number = 1.4;
    scene.lens.squeeze = 1.5;
    scene.lens.distortion = -0.06;
    scene.lens.vignetting = true;
    scene.lens.aberration_m = 2e-6;
    scene.front_low_pass = Some(FrontLowPass { across_rad: 1.5e-4, upright_rad: 0.7e-4 });
    stage::waves(&mut scene, 23.0, 0.3);
    stage::place(&mut scene, 3.2, 9.0, DVec2::new(0.05, 0.02), [17.0, -9.0, 4.0]);
    let mut patch = patch("squeeze 1.5, askew, two blurs", scene, 1 << 14);
    patch.window = stage::window(&patch.scene, 180, -120, 96, 64);
    patch
}

fn bladed() -> Patch {
    let mut scene = stage::plain();
    tall(&mut scene);
    scene.lens.squeeze = 1.33;
    scene.lens.iris = Iris::Bladed { blades: 6, rotation_rad: 0.2 };
    stage::waves(&mut scene, 17.0, 0.2);
    stage::place(&mut scene, 2.2, -8.0, DVec2::ZERO, [0.0; 3]);
    patch("squeeze 1.33, six blades", scene, 1 << 13)
}

/// The patches that hold a squeeze, for the full audit.
pub fn patches() -> [Patch; 3] {
    [wide_disc(), askew(), bladed()]
}

#[test]
fn the_fast_engine_agrees_askew_with_two_blurs() {
    let mut patch = askew();
    patch.window = Window { width: 48, height: 48, ..patch.window };
    let found = audit::audit(&patch, Diffraction::Off, 1);
    assert!(found.agrees(), "{found:?}");
}

#[test]
fn the_fast_engine_agrees_on_an_oval_disc() {
    let mut patch = wide_disc();
    patch.window = Window { width: 48, height: 48, ..patch.window };
    let found = audit::audit(&patch, Diffraction::Convolved, 1);
    assert!(found.agrees(), "{found:?}");
}

fn view(scene: &Scene) -> Projection {
    let (camera, wall) = (&scene.camera, &scene.wall);
    let sensor =
        SensorGrid { columns: camera.columns, rows: camera.rows, photosite_m: camera.photosite_m };
    let grid = WallGrid { columns: wall.columns, rows: wall.rows, pitch_m: wall.pitch_m };
    Projection::new(&scene.lens, &scene.pose, sensor, grid)
}

#[test]
fn it_takes_in_so_much_more_across() {
    let mut scene = stage::plain();
    let spherical = view(&scene);
    scene.lens.squeeze = 1.8;
    let squeezed = view(&scene);
    let middle = DVec2::new(480.0, 320.0);
    for off in [DVec2::new(100.0, 0.0), DVec2::new(-40.0, 170.0)] {
        let wide = spherical.sight(middle + off * DVec2::new(1.8, 1.0)).expect("in view");
        let seen = squeezed.sight(middle + off).expect("in view");
        assert!((seen.wall - wide.wall).length() < 1e-9);
        assert!((squeezed.project(seen.wall).expect("in front") - middle - off).length() < 1e-9);
    }
}

#[test]
fn derivatives_hold_with_squeeze_and_distortion() {
    let mut scene = stage::plain();
    (scene.lens.squeeze, scene.lens.distortion) = (1.6, -0.05);
    stage::place(&mut scene, 2.0, 0.0, DVec2::ZERO, [20.0, -7.0, 3.0]);
    let view = view(&scene);
    let at = |p: DVec2| view.sight(p).expect("in view").wall;
    for point in [DVec2::new(300.0, 120.0), DVec2::new(700.0, 500.0)] {
        let (whole, _) = view.derivatives(point);
        let h = 1e-3;
        for (column, step) in [(whole.x_axis, DVec2::X), (whole.y_axis, DVec2::Y)] {
            let slope = (at(point + step * h) - at(point - step * h)) / (2.0 * h);
            assert!((column - slope).length() < 1e-6, "{column} {slope}");
        }
    }
}

#[test]
fn a_white_wall_is_as_bright_as_through_a_spherical_lens() {
    // The cone of light on the sensor is the same: π/4 · L/N_w². The bar is that of all levels, 0.1 %.
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.lens.squeeze = 2.0;
    stage::place(&mut scene, 2.0, 6.0, DVec2::ZERO, [0.0; 3]);
    let wanted = closed_form(&scene);
    let wanted = wanted.iter().sum::<f64>() / 3.0;
    let frame = render(&scene, 0, stage::window(&scene, 0, 0, 16, 16));
    for &found in &frame.planes[0].data {
        assert!((f64::from(found) / wanted - 1.0).abs() < 1e-3, "{found}, not {wanted}");
    }
}

#[test]
fn vignetting_is_that_behind_the_attachment() {
    // cos⁴ of the angle on the sensor's side: 6 mm off the axis, whatever the squeeze.
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.wall.columns = 900;
    scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| 1.0));
    stage::place(&mut scene, 4.0, 0.0, DVec2::ZERO, [0.0; 3]);
    scene.lens.squeeze = 2.0;
    let side = Window { x: 876, y: 316, width: 8, height: 8 };
    let plain = render(&scene, 0, side);
    scene.lens.vignetting = true;
    let dark = render(&scene, 0, side);
    let off_m = (880.0 - 480.0) * 6e-6;
    let image_m =
        scene.lens.focal_m * scene.lens.focus_m / (scene.lens.focus_m - scene.lens.focal_m);
    let wanted = (1.0 / (1.0 + (off_m / image_m).powi(2))).powi(2);
    let found = f64::from(dark.planes[0].at(4, 4)) / f64::from(plain.planes[0].at(4, 4));
    // Half a photosite here or there is 1e-5.
    assert!((found - wanted).abs() < 5e-5, "{found} {wanted}");
}

#[test]
fn a_blur_disc_is_narrower_by_the_square_of_the_squeeze() {
    // One emitter, 40 photosites of blur: a uniform ellipse's second moments are (c/4)² along each axis, to which the photosite
    // and the emitter's image add theirs, a twelfth of a square's side squared.
    let mut scene = stage::plain();
    (scene.wall.columns, scene.wall.rows) = (1, 1);
    (scene.wall.panel_columns, scene.wall.panel_rows) = (1, 1);
    scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| 1.0));
    for emitter in &mut scene.wall.emitters {
        emitter.offset_m = DVec2::ZERO;
    }
    scene.lens.f_number = 2.0;
    scene.lens.squeeze = 1.6;
    stage::place(&mut scene, 2.6, 40.0, DVec2::ZERO, [0.0; 3]);
    let frame = render(&scene, 0, stage::window(&scene, 0, 0, 96, 96));
    let plane = &frame.planes[0];
    let moment = |along: fn(usize, usize) -> usize| {
        let (mut sum, mut square) = (0.0, 0.0);
        for y in 0..96 {
            for x in 0..96 {
                let light = f64::from(plane.at(x, y));
                sum += light;
                square += light * (along(x, y) as f64 - 47.5).powi(2);
            }
        }
        square / sum
    };
    // Emitters of 0.68 × 1.5 mm, a photosite a millimetre of the wall upright.
    let (wide, high) = (2.6 * 0.68 / 2.6 / 1.6, 2.6 * 1.5 / 2.6);
    let wanted = |disc: f64, size: f64| (disc / 4.0).powi(2) + (1.0 + size * size) / 12.0;
    for (found, wanted) in
        [(moment(|_, y| y), wanted(40.0, high)), (moment(|x, _| x), wanted(40.0 / 2.56, wide))]
    {
        assert!((found / wanted - 1.0).abs() < 5e-3, "{found}, not {wanted}");
    }
}

#[test]
fn the_wave_through_an_oval_disc_is_near_the_exact_one() {
    // The fast engine's form against the autocorrelation of the pupil, over frequencies and defocus.
    let mut scene = stage::plain();
    scene.lens.diffraction = Diffraction::Wave;
    scene.lens.defocus = true;
    let (photosite_m, wavelength_m) = (scene.camera.photosite_m, 525e-9);
    let mut report = Vec::new();
    for squeeze in [1.33, 2.0] {
        scene.lens.squeeze = squeeze;
        let blur = Blur::new(&scene.lens, (None, None), photosite_m, 1.0, 400.0, wavelength_m);
        let mut worst = (0.0_f64, 0.0_f64);
        for waves in [0.2, 0.5, 1.0, 2.0, 5.0, 10.0] {
            let disc = waves * wavelength_m * 8.0 * scene.lens.working_f_number() / photosite_m;
            // The depth that has this disc.
            let depth_m = depth_of(&scene, disc * photosite_m);
            for step in 0..=8 {
                let angle = f64::from(step) / 8.0 * std::f64::consts::FRAC_PI_2;
                for part in 1..40 {
                    let nu = f64::from(part) / 40.0;
                    let f = nu / (wavelength_m * scene.lens.working_f_number());
                    let (x, y) = (f * angle.cos(), f * angle.sin());
                    let exact = lens_transfer::lens(&scene.lens, depth_m, wavelength_m, x, y).0;
                    let exact = exact / transfer::gaussian(f, scene.lens.aberration_m);
                    let on_sensor = DVec2::new(x, y) * photosite_m;
                    let found = f64::from(blur.pupil(on_sensor, disc, wavelength_m).0);
                    let off = (found - exact).abs();
                    if step == 0 || step == 8 {
                        worst.0 = worst.0.max(off);
                    }
                    worst.1 = worst.1.max(off);
                }
            }
        }
        report.push((squeeze, worst));
    }
    println!("squeeze, (worst across and upright, worst in any direction): {report:.4?}");
    for ((_, (along, any)), bar) in report.into_iter().zip(OVAL_WAVE) {
        assert!(along < 1e-4, "{along}");
        assert!(any < bar, "{any}");
    }
}

/// How far the transfer of a wave through an oval disc may be off between across and upright, at each squeeze; said in
/// [`Blur::pupil`].
const OVAL_WAVE: [f64; 2] = [0.016, 0.025];

/// The depth before the plane in focus whose blur disc is so wide: disc = D·v/d·(d/z − 1).
fn depth_of(scene: &Scene, disc_m: f64) -> f64 {
    let lens = &scene.lens;
    let pupil_m = lens.focal_m / lens.f_number;
    lens.focus_m / (1.0 + disc_m * lens.focus_m / (pupil_m * lens.image_m()))
}

fn written(lines: &str) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.6, size_px: [1600, 700]}}\nplacement: {{distance_m: 3}}\n{lines}\n"
    );
    parse(&text, "case", &NoPictures).unwrap_or_else(|e| panic!("{text}{e:#?}"))
}

#[test]
fn delivery_takes_the_squeeze_out() {
    let squeezed =
        "lens: {focal_mm: 50, f_number: 2.8, squeeze: 2}\ncamera: {photosites: [1200, 1000]";
    assert_eq!(written(&format!("{squeezed}}}")).deliveries[0].delivery.size, Some((2400, 1000)));
    assert_eq!(
        written(&format!("{squeezed}}}\ndelivery: {{desqueeze: off}}")).deliveries[0].delivery.size,
        None
    );
    let own = written(&format!("{squeezed}}}\ndelivery: {{size_px: [1200, 500]}}"));
    assert_eq!((own.deliveries[0].delivery.size, own.notes.len()), (Some((1200, 500)), 0));
    let off = written(&format!("{squeezed}}}\neffects: {{squeeze: off}}"));
    assert_eq!((off.lens.squeeze, off.deliveries[0].delivery.size), (1.0, None));
    // A mode that skips lines alone makes its recording flat; its pixels are the shape of its own gaps.
    let skipped = written(&format!("{squeezed}, mode: {{read_one_of: [2, 2]}}}}"));
    assert_eq!(skipped.deliveries[0].delivery.size, Some((1200, 500)));
    let stretched = written(&format!("{squeezed}}}\ndelivery: {{size_px: [1000, 500]}}"));
    let notes: Vec<String> = stretched.notes.iter().map(gridbeat::diag::summary).collect();
    assert_eq!(
        notes,
        [
            "line 5, delivery.size_px: 1000 × 500 px are not the shape of what the lens sees, 2.4 wide to 1 high: the picture will be stretched (leave it out, and the squeeze is taken out of the recording)"
        ]
    );
    hold(vec![lens(
        "lens: {focal_mm: 50, f_number: 2.8, squeeze: 0.5}",
        &["line 2, lens.squeeze: 0.5 is too small; allowed: 1 to 3"],
    )]);
}
