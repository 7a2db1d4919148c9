//! The scene whose speed is measured.

use glam::{DMat3, DVec2, DVec3};
use gridbeat::develop::{ColourSpace, Delivery, DeliveryTransfer, Demosaic, ScaleFilter};
use gridbeat::frame::Window;
use gridbeat::optics::{Diffraction, Iris, Lens, LowPass, Pose};
use gridbeat::scene::{Delivered, Scene};
use gridbeat::sensor::{Camera, Mosaic, Readout};
use gridbeat::wall::drive::{Clock, Drive, DriveKind};
use gridbeat::wall::electronics::Sheet;
use gridbeat::wall::{Build, Emitter, EmitterShape, Wall, WallImage, WallTransfer};
use std::sync::Arc;

const PHOTOSITE_M: f64 = 5e-6;
const PITCH_M: f64 = 0.0026;

/// What the benches vary.
#[derive(Clone, Copy)]
pub struct Shot {
    /// Photosites across and down.
    pub photosites: [u32; 2],
    /// Pitch of the wall on the sensor, straight on, photosites.
    pub pitch: f64,
    /// Blur disc of the wall's centre, photosites.
    pub disc: f64,
    /// Roll 3° and yaw 25°.
    pub turned: bool,
    pub diffraction: Diffraction,
}

/// A wall that fills the frame, scanned 1/16 at 3840 Hz, a random 14-bit level per pixel and colour,
/// 1/500 s, readout 16 ms, low-pass of one photosite, small Gaussian.
pub fn scene(shot: Shot) -> Scene {
    let Shot { photosites: [columns, rows], pitch: q, disc, turned, diffraction } = shot;
    let (focal_m, f_number) = (0.035, 2.0);
    let magnification = q * PHOTOSITE_M / PITCH_M;
    // Focus nearer than the wall until the blur disc is as asked: c = A·v·(1/d − 1/z).
    let mut focus_m = focal_m / magnification;
    let mut z = focus_m;
    for _ in 0..50 {
        let v = focal_m * focus_m / (focus_m - focal_m);
        z = v / magnification;
        focus_m = 1.0 / (1.0 / z + disc * PHOTOSITE_M / (focal_m / f_number * v));
    }
    let turn = if turned {
        DMat3::from_rotation_y(25.0_f64.to_radians()) * DMat3::from_rotation_z(3.0_f64.to_radians())
    } else {
        DMat3::IDENTITY
    };
    // The axis meets the wall's centre at depth z.
    let lens_m = turn * DVec3::new(0.0, 0.0, z);
    let wall_size = if turned { 2 } else { 1 };
    let wall_columns = (f64::from(columns) / q) as u32 * wall_size + 160;
    let wall_rows = (f64::from(rows) / q) as u32 * wall_size + 160;
    let emitter = |x: f64, wavelength_m: f64, xy: [f64; 2]| Emitter {
        shape: EmitterShape::Rectangle { width_m: 0.2 * PITCH_M, height_m: 0.3 * PITCH_M },
        offset_m: DVec2::new(x * PITCH_M, 0.0),
        wavelength_m,
        linewidth_m: 25e-9,
        xy,
        half_angle_rad: None,
    };
    let mut state = 1_u64;
    let mut random = |_| {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 50) as u16
    };
    let pixels = (wall_columns * wall_rows) as usize;
    let content = WallImage {
        columns: wall_columns,
        rows: wall_rows,
        codes: [0, 1, 2].map(|_| (0..pixels).map(&mut random).collect()),
    };
    Scene {
        name: "bench".into(),
        wall: Wall {
            columns: wall_columns,
            rows: wall_rows,
            panel_columns: 160,
            panel_rows: 160,
            pitch_m: PITCH_M,
            emitters: [
                emitter(-0.25, 625e-9, [0.69, 0.309]),
                emitter(0.0, 525e-9, [0.17, 0.71]),
                emitter(0.25, 465e-9, [0.135, 0.053]),
            ],
            white_nits: 1500.0,
            brightness: 1.0,
            white_xy: [0.3127, 0.3290],
            transfer: WallTransfer::Gamma(1.0),
            bits: 14,
            diffuser: None,
            build: Build::default(),
        },
        drive: Drive {
            kind: DriveKind::Scanned,
            refresh_hz: 3840.0,
            video_hz: 60.0,
            scan: 16,
            dark_slot_s: 1e-6,
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
        content: Arc::new(content),
        moving: None,
        lens: Lens {
            focal_m,
            f_number,
            transmission: 1.0,
            focus_m,
            aberration_m: 0.2 * PHOTOSITE_M,
            iris: Iris::Round,
            squeeze: 1.0,
            distortion: 0.0,
            vignetting: true,
            defocus: true,
            diffraction,
        },
        low_pass: Some(LowPass { across_m: PHOTOSITE_M, upright_m: PHOTOSITE_M }),
        front_low_pass: None,
        camera: Camera {
            columns,
            rows,
            photosite_m: PHOTOSITE_M,
            fill_factor: 0.8,
            mosaic: Mosaic::Bayer([0, 1, 1, 2]),
            readout: Readout::Rolling { readout_s: 0.016, bottom_up: false },
            fps: 24.0,
            exposure_s: 1.0 / 500.0,
            exposure_index: 800.0,
            full_well_e: 30_000.0,
            read_noise_e: 3.0,
            prnu: 0.0,
            bits: 12,
            black_level: 256,
            noise: false,
            seed: 1,
            matrix: [[0.45, 0.05, 0.01], [0.06, 0.5, 0.09], [0.01, 0.08, 0.5]],
            crop: Window { x: 0, y: 0, width: columns, height: rows },
            mode: None,
        },
        pose: Pose { lens_m, turn },
        deliveries: vec![Delivered {
            name: None,
            format: None,
            delivery: Delivery {
                demosaic: Demosaic::Bilinear,
                colour_space: ColourSpace::Bt709,
                transfer: DeliveryTransfer::Srgb,
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
    }
}
