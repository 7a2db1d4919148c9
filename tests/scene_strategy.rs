//! Arbitrary valid scenes, small enough to render in a test.

use proptest::prelude::*;

/// The text of a valid scene: up to 48 × 48 photosites, up to 64 × 64 wall pixels, everything
/// else free over what crews meet and somewhat beyond.
pub fn scene_yaml() -> impl Strategy<Value = String> {
    (wall(), drive(), content(), lens(), camera(), placement(), rest()).prop_map(
        |(wall, drive, content, lens, camera, placement, rest)| {
            [wall, drive, content, lens, camera, placement, rest].concat()
        },
    )
}

fn word(words: &'static [&'static str]) -> impl Strategy<Value = &'static str> {
    proptest::sample::select(words)
}

fn wall() -> impl Strategy<Value = String> {
    (
        0.5..12.0_f64,
        (1..4_u32, 1..4_u32, 4..16_u32, 4..16_u32),
        word(&["through_hole", "surface_mount", "chip_on_board"]),
        (10.0..5000.0_f64, 1.0..100.0_f64),
        word(&["linear", "srgb", "{gamma: 2.4}"]),
        1..=16_u32,
        proptest::option::of((0.05..1.0_f64, -0.5..0.5_f64)),
        proptest::option::of((0.0..8.0_f64, 0.0..60.0_f64, 20.0..100.0_f64)),
    )
        .prop_map(|(pitch, (a, d, pa, pd), packaging, (nits, percent), transfer, bits, red, diffuser)| {
            let red = red.map_or(String::new(), |(size, offset)| {
                format!(
                    "  emitters: {{red: {{shape: {{disc_mm: {}}}, offset_mm: [{}, 0]}}}}\n",
                    size * pitch,
                    offset * pitch
                )
            });
            // On any wall of this strategy its σ is below a smaller side.
            let diffuser = diffuser.map_or(String::new(), |(stand_off, scatter, passes)| {
                let stand_off = stand_off.min(pitch * 3.0);
                format!(
                    "  diffuser: {{stand_off_mm: {stand_off}, scatter_fwhm_deg: {scatter}, transmission_percent: {passes}}}\n"
                )
            });
            let dimming = ["current", "pulse", "mixed", "unknown"][bits as usize % 4];
            format!(
                "wall:\n  pixel_pitch_mm: {pitch}\n  cabinets: [{a}, {d}]\n  cabinet_px: [{pa}, {pd}]\n  \
                 packaging: {packaging}\n  white_nits: {nits}\n  brightness_percent: {percent}\n  \
                 dimming: {dimming}\n  transfer: {transfer}\n  bits: {bits}\n{red}{diffuser}"
            )
        })
}

fn drive() -> impl Strategy<Value = String> {
    (
        word(&[
            "steady",
            "pwm",
            "scanned",
            "split",
            "{split: {order: bit_reversed}}",
        ]),
        2..32_u32,
        0..8_u32,
        8..16_u32,
        0.0..0.4_f64,
        word(&["locked", "free", "{locked: {phase_deg: 77}}", "{free: {drift_ppm: -35}}"]),
    )
        .prop_map(|(kind, scan, log_count, grey_bits, dark, genlock)| {
            let count = 1 << log_count;
            let scan_line = match kind {
                "pwm" | "steady" => String::new(),
                _ => format!("  scan: {scan}\n"),
            };
            let lock = ["nearest_whole", "same_count", "none"][log_count as usize % 3];
            // The shortest slot of this strategy at 60 Hz video.
            let slot_us = 1e6 / 60.0 / f64::from(count) / f64::from(scan);
            format!(
                "drive:\n  kind: {kind}\n  refresh_lock: {lock}\n{scan_line}  video_hz: 60\n  refresh_hz: {}\n  genlock: {genlock}\n  \
                 advanced: {{grey_bits: {grey_bits}, dark_per_slot_us: {}}}\n",
                60 * count,
                dark * slot_us
            )
        })
}

fn content() -> impl Strategy<Value = String> {
    (
        word(&["solid", "ramp", "checker", "stripes", "zone_plate", "random"]),
        0.0..100.0_f64,
        0..1000_u32,
    )
        .prop_map(|(kind, light, seed)| match kind {
            "solid" => format!("content: {{solid: {{light_percent: {light}}}}}\n"),
            "ramp" => format!("content: {{ramp: {{direction: down, from_percent: {light}}}}}\n"),
            "random" => format!("content: {{random: {{seed: {seed}}}}}\n"),
            other => format!("content: {{{other}: {{light_percent: {light}, dark_percent: 1}}}}\n"),
        })
}

fn lens() -> impl Strategy<Value = String> {
    (
        12.0..85.0_f64,
        1.0..22.0_f64,
        0.4..20.0_f64,
        0.0..10.0_f64,
        word(&["round", "bladed", "{bladed: {blades: 5, rotation_deg: 12}}"]),
        -10.0..10.0_f64,
        (proptest::option::of(0.0..12.0_f64), proptest::option::of(0.0..3.0_f64)),
        0.0..6.0_f64,
    )
        .prop_map(|(focal, stop, focus, aberration, iris, distortion, (low_pass, front), density)| {
            // Some lenses with a slow stop are anamorphic.
            let squeeze = match stop {
                s if s > 16.0 => "  squeeze: 2\n",
                s if s > 11.0 => "  squeeze: 1.33\n",
                _ => "",
            };
            let low_pass = low_pass
                .map_or(String::new(), |um| format!("  low_pass: {{separation_um: {um}}}\n"));
            let front = front.map_or(String::new(), |arcmin| {
                format!("  front_low_pass: {{split_arcmin: {arcmin}}}\n")
            });
            format!(
                "lens:\n  focal_mm: {focal}\n  f_number: {stop}\n  focus: {{distance_m: {focus}}}\n  \
                 aberration_um: {aberration}\n  iris: {iris}\n  distortion_percent: {distortion}\n{squeeze}\
                 filters:\n  neutral_density_stops: {density}\n{low_pass}{front}"
            )
        })
}

fn camera() -> impl Strategy<Value = String> {
    (
        (8..48_u32, 8..48_u32),
        2.0..12.0_f64,
        word(&["rggb", "grbg", "gbrg", "bggr", "monochrome", "full_planes"]),
        1.0..100.0_f64,
        word(&[
            "global",
            "rolling",
            "{rolling: {readout_ms: 6, direction: bottom_up}}",
        ]),
        word(&["24", "23.976", "25", "59.94", "120"]),
        0.5..360.0_f64,
        (50.0..12_800.0_f64, 8..=16_u32, 0..9_u32),
        proptest::bool::ANY,
    )
        .prop_map(
            |((w, h), pitch, mosaic, fill, readout, fps, shutter, (index, bits, seed), crop)| {
                // Every third sensor that is large enough skips and joins.
                let mode = match (crop, seed % 3, w.min(h) >= 20) {
                    (false, 0, true) => "  mode: {read_one_of: [1, 2], bin: [2, 1], bin_as: charge}\n",
                    (false, 1, true) => "  mode: {read_one_of: [2, 1], bin: [1, 2]}\n",
                    _ => "",
                };
                let crop = if crop {
                    format!("  crop: {{x: 3, y: 1, width: {}, height: {}}}\n", w - 5, h - 3)
                } else {
                    String::new()
                };
                format!(
                    "camera:\n  photosites: [{w}, {h}]\n  photosite_pitch_um: {pitch}\n  mosaic: {mosaic}\n  \
                     fill_factor_percent: {fill}\n  readout: {readout}\n  frame_rate_fps: {fps}\n  \
                     shutter_angle_deg: {shutter}\n  exposure_index: {index}\n  bits: {bits}\n  \
                     noise_seed: {seed}\n{crop}{mode}"
                )
            },
        )
}

fn placement() -> impl Strategy<Value = String> {
    (
        0.4..10.0_f64,
        (-1.0..1.0_f64, -1.0..1.0_f64),
        (-60.0..60.0_f64, -40.0..40.0_f64, -180.0..180.0_f64),
        proptest::option::of((-0.5..0.5_f64, -0.5..0.5_f64)),
        word(&["sensor", "lens"]),
    )
        .prop_map(|(distance, (x, y), (pan, tilt, roll), aim, from)| {
            let turn = match aim {
                Some((ax, ay)) => {
                    format!("  aim_m: [{ax}, {ay}]\n  measured_along: square_to_wall\n")
                }
                None => format!("  pan_deg: {pan}\n  tilt_deg: {tilt}\n"),
            };
            // Half the cameras step back and roll.
            let moves = if from == "lens" {
                let (back, turned) = (1.3 * distance, 0.5 * roll + 5.0);
                format!("moves:\n  keyframes: [{{at_frame: 500, distance_m: {back}, roll_deg: {turned}}}]\n")
            } else {
                String::new()
            };
            // Aims stay within 75° of the wall's normal.
            let (x, y) = if aim.is_some() { (x * distance, y * distance) } else { (x, y) };
            format!(
                "placement:\n  distance_m: {distance}\n  measured_from: {from}\n  lateral_m: {x}\n  \
                 vertical_m: {y}\n  roll_deg: {roll}\n{turn}{moves}"
            )
        })
}

fn rest() -> impl Strategy<Value = String> {
    (
        word(&["off", "convolved", "wave"]),
        word(&["on", "off"]),
        word(&["on", "off"]),
        word(&["bilinear", "gradient_corrected", "edge_aware"]),
        word(&["bt709", "bt2020", "p3_d65", "aces_ap0", "aces_ap1", "camera_rgb"]),
        word(&["linear", "srgb", "bt709", "hybrid_log_gamma", "acescct"]),
        proptest::option::of((1..64_u32, 1..64_u32)),
        word(&["box", "bilinear", "cubic", "lanczos3"]),
    )
        .prop_map(|(diffraction, defocus, noise, demosaic, space, transfer, size, filter)| {
            let size = size.map_or(String::new(), |(w, h)| format!("  size_px: [{w}, {h}]\n"));
            format!(
                "effects: {{diffraction: {diffraction}, defocus: {defocus}, noise: {noise}}}\n\
                 delivery:\n  demosaic: {demosaic}\n  colour_space: {space}\n  transfer: {transfer}\n  \
                 filter: {filter}\n{size}"
            )
        })
}
