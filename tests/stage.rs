//! Scenes built in code, for the tests that hold the engines against something: a small studio
//! wall, a camera in front of it, and a way to ask for "so many photosites a pitch, so large a
//! blur disc".

use glam::{DMat3, DVec2, DVec3};
use gridbeat::develop::{ColourSpace, Delivery, DeliveryTransfer, Demosaic, ScaleFilter};
use gridbeat::frame::Window;
use gridbeat::optics::{Diffraction, Iris, Lens, Pose};
use gridbeat::scene::{Delivered, Scene};
use gridbeat::sensor::{Camera, Mosaic, Readout};
use gridbeat::wall::drive::{Clock, Drive, DriveKind};
use gridbeat::wall::electronics::Sheet;
use gridbeat::wall::{Build, Emitter, EmitterShape, Wall, WallImage, WallTransfer};
use std::f64::consts::TAU;
use std::sync::Arc;

/// A straight, steady, in-focus scene with every optional effect off: surface-mount emitters,
/// 240 × 160 pixels of 2.6 mm, sensor of 960 × 640 photosites of 6 µm, two photosites a pitch.
pub fn plain() -> Scene {
    let emitter = |x: f64, nm: f64, width_nm: f64, xy: [f64; 2]| Emitter {
        shape: EmitterShape::Rectangle { width_m: 0.68e-3, height_m: 1.5e-3 },
        offset_m: DVec2::new(x, 0.0),
        wavelength_m: nm * 1e-9,
        linewidth_m: width_nm * 1e-9,
        xy,
        half_angle_rad: None,
    };
    let wall = Wall {
        columns: 240,
        rows: 160,
        panel_columns: 80,
        panel_rows: 80,
        pitch_m: 2.6e-3,
        emitters: [
            emitter(-0.7e-3, 625.0, 18.0, [0.690, 0.309]),
            emitter(0.0, 525.0, 33.0, [0.171, 0.712]),
            emitter(0.7e-3, 465.0, 24.0, [0.135, 0.053]),
        ],
        white_nits: 1000.0,
        brightness: 0.8,
        white_xy: [0.3127, 0.3290],
        transfer: WallTransfer::Gamma(2.2),
        bits: 12,
        diffuser: None,
        build: Build::default(),
    };
    let camera = Camera {
        columns: 960,
        rows: 640,
        photosite_m: 6e-6,
        fill_factor: 1.0,
        mosaic: Mosaic::Monochrome,
        readout: Readout::Rolling { readout_s: 16e-3 * 640.0 / 2160.0, bottom_up: false },
        fps: 25.0,
        exposure_s: 1.0 / 50.0,
        exposure_index: 800.0,
        full_well_e: 30000.0,
        read_noise_e: 2.5,
        prnu: 0.0,
        bits: 12,
        black_level: 64,
        noise: false,
        seed: 1,
        matrix: [[0.40, 0.06, 0.02], [0.05, 0.45, 0.08], [0.01, 0.10, 0.38]],
        crop: Window { x: 0, y: 0, width: 960, height: 640 },
        mode: None,
    };
    let mut scene = Scene {
        name: "stage".to_owned(),
        content: Arc::new(show(&wall, |_, _, _| 1.0)),
        moving: None,
        wall,
        drive: Drive {
            kind: DriveKind::Steady,
            refresh_hz: 3840.0,
            video_hz: 60.0,
            scan: 1,
            dark_slot_s: 0.0,
            dark_refresh_s: 0.0,
            dark_frame_s: 0.0,
            rise_s: 0.0,
            fall_s: 0.0,
            delay_s: [0.0; 3],
            pulse_share: 1.0,
            clock: Clock { drift: 0.0, phase_s: 0.0 },
        },
        sheet: Sheet {
            refresh_hz: 3840.0,
            video_hz: 60.0,
            bits: 14,
            clocks: None,
            on_time_error_s: 0.0,
            data: None,
        },
        lens: Lens {
            focal_m: 0.05,
            f_number: 4.0,
            transmission: 0.9,
            focus_m: 3.0,
            aberration_m: 0.0,
            iris: Iris::Round,
            squeeze: 1.0,
            distortion: 0.0,
            vignetting: false,
            defocus: true,
            diffraction: Diffraction::Off,
        },
        low_pass: None,
        front_low_pass: None,
        camera,
        pose: Pose { lens_m: DVec3::new(0.0, 0.0, 3.0), turn: DMat3::IDENTITY },
        deliveries: vec![Delivered {
            name: None,
            format: None,
            delivery: Delivery {
                demosaic: Demosaic::Bilinear,
                colour_space: ColourSpace::Bt709,
                transfer: DeliveryTransfer::Linear,
                size: None,
                filter: ScaleFilter::Box,
                scale_in_linear_light: true,
                push_stops: 0.0,
                in_camera: None,
            },
        }],
        moves: None,
        subject_m: None,
        foreground: None,
        neutral_density_stops: 0.0,
        other_light: Vec::new(),
        shutter_offered: None,
        viewing: gridbeat::artefact::Viewing::default(),
        tolerances: gridbeat::scene::Tolerances::default(),
        limits: gridbeat::scene::Limits::default(),
        notes: Vec::new(),
    };
    place(&mut scene, 2.0, 0.0, DVec2::ZERO, [0.0; 3]);
    scene
}

/// Puts the camera where the wall point `aim_m` is on the axis at `photosites` a pitch (straight
/// on) with a blur disc of `disc` photosites there, and turns it by yaw, pitch and roll, degrees.
/// A positive disc focuses in front of the wall, a negative one behind it.
pub fn place(scene: &mut Scene, photosites: f64, disc: f64, aim_m: DVec2, turn_deg: [f64; 3]) {
    let (lens, photosite_m) = (&mut scene.lens, scene.camera.photosite_m);
    // With z the wall's depth and v the image distance: v/z = size = photosites·photosite/pitch, and
    // disc = aperture·v·(1/focus − 1/z), 1/focus = 1/f − 1/v: solved for v.
    let size = photosites * photosite_m / scene.wall.pitch_m;
    let aperture_m = lens.focal_m / lens.f_number;
    let image_m = lens.focal_m * (1.0 + size + disc * photosite_m / aperture_m);
    assert!(image_m > lens.focal_m, "focus beyond infinity");
    lens.focus_m = lens.focal_m * image_m / (image_m - lens.focal_m);
    let [yaw, pitch, roll] = turn_deg.map(f64::to_radians);
    let turn =
        DMat3::from_rotation_y(yaw) * DMat3::from_rotation_x(pitch) * DMat3::from_rotation_z(roll);
    let back = turn * DVec3::new(0.0, 0.0, image_m / size);
    scene.pose = Pose { lens_m: DVec3::new(aim_m.x, aim_m.y, 0.0) + back, turn };
}

/// Makes every emitter fill its cell.
pub fn gapless(scene: &mut Scene) {
    let pitch_m = scene.wall.pitch_m;
    for emitter in &mut scene.wall.emitters {
        emitter.shape = EmitterShape::Rectangle { width_m: pitch_m, height_m: pitch_m };
        emitter.offset_m = DVec2::ZERO;
    }
}

/// Content from code values (0 to 1) by colour, column and row.
pub fn show(wall: &Wall, code: impl Fn(usize, u32, u32) -> f64) -> WallImage {
    let top = f64::from((1_u32 << wall.bits) - 1);
    let plane = |colour: usize| {
        let mut codes = Vec::with_capacity((wall.columns * wall.rows) as usize);
        for row in 0..wall.rows {
            for column in 0..wall.columns {
                let value = code(colour, column, row).clamp(0.0, 1.0);
                codes.push((value * top + 0.5).floor() as u16);
            }
        }
        codes
    };
    WallImage { columns: wall.columns, rows: wall.rows, codes: [plane(0), plane(1), plane(2)] }
}

/// A number from 0 to 1 without pattern, for texture.
pub fn speck(colour: usize, column: u32, row: u32) -> f64 {
    let mut z = (colour as u64) << 40 ^ u64::from(column) << 20 ^ u64::from(row);
    z = (z + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    (z >> 33) as f64 / (1_u64 << 31) as f64
}

/// Shows crossed waves of about `period` pixels and some texture, between `low` and 1, of code.
pub fn waves(scene: &mut Scene, period: f64, low: f64) {
    let image = show(&scene.wall, |c, i, j| {
        let (x, y, c) = (f64::from(i) / period, f64::from(j) / period, c as f64);
        let wave = (TAU * (x + 0.3 * c)).sin() + (TAU * (0.8 * y + 0.4 * x - 0.2 * c)).sin();
        let share = 0.5 + 0.2 * wave + 0.2 * (speck(c as usize, i, j) - 0.5);
        low + (1.0 - low) * share
    });
    scene.content = Arc::new(image);
}

/// A window of `width` × `height` photosites whose middle is `right` and `down` of the sensor's.
pub fn window(scene: &Scene, right: i32, down: i32, width: u32, height: u32) -> Window {
    let start = |full: u32, part: u32, shift: i32| {
        u32::try_from(i64::from(full / 2) - i64::from(part / 2) + i64::from(shift)).unwrap()
    };
    Window {
        x: start(scene.camera.columns, width, right),
        y: start(scene.camera.rows, height, down),
        width,
        height,
    }
}
