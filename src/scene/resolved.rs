//! A scene as resolved, as data: every input in SI numbers (angles in degrees), unit in the key.

use super::moves::Moves;
use super::{Delivered, DeliveryFormat, LampShape, Scene};
use crate::develop::{ColourSpace, DeliveryTransfer, Demosaic, ScaleFilter};
use crate::optics::{Diffraction, Iris};
use crate::sensor::mode::Joining;
use crate::sensor::{Mosaic, Readout};
use crate::wall::drive::{DriveKind, SplitOrder};
use crate::wall::{COLOURS, EmitterShape, WallTransfer};
use serde_json::{Map, Value, json};
use std::f64::consts::PI;

fn deg(rad: f64) -> f64 {
    rad * 180.0 / PI
}

/// Every input of a scene as it will be used. The content's pixels are left out: of them it holds
/// the size and, for each colour, lowest, highest and mean code.
pub fn resolved(scene: &Scene) -> Value {
    json!({
        "wall": wall(scene),
        "drive": drive(scene),
        "content": content(scene),
        "lens": lens(scene),
        "foreground": scene.foreground.as_ref().map(|f| {
            let ([right_m, up_m], depth_m) = {
                let (middle, depth_m) = f.seen_from(&scene.pose);
                (middle.to_array(), depth_m)
            };
            let (width_m, height_m) = f.size_m();
            json!({
                "columns_px": f.columns,
                "rows_px": f.rows,
                "width_m": width_m,
                "height_m": height_m,
                "right_of_axis_m": right_m,
                "above_axis_m": up_m,
                "from_lens_m": depth_m,
            })
        }),
        "filters": {
            "low_pass": scene.low_pass.map(|f| json!({
                "across_m": f.across_m,
                "upright_m": f.upright_m,
            })),
            "front_low_pass": scene.front_low_pass.map(|f| json!({
                "across_deg": deg(f.across_rad),
                "upright_deg": deg(f.upright_rad),
            })),
            "neutral_density_stops": scene.neutral_density_stops,
        },
        "camera": camera(scene),
        "placement": placement(scene),
        "moves": scene.moves.as_ref().map(|m| moves(m)),
        "other_light": scene.other_light.iter().map(|lamp| json!({
            "name": lamp.name,
            "frequency_hz": lamp.frequency_hz,
            "depth_share": lamp.depth,
            "shape": match lamp.shape {
                LampShape::Sine => json!("sine"),
                LampShape::RectifiedSine => json!("rectified_sine"),
                LampShape::Pulses { duty } => json!({ "pwm": { "duty_share": duty } }),
            },
        })).collect::<Vec<_>>(),
        "shutter_offered": scene.shutter_offered.as_ref().map(|s| json!({
            "angles_deg": s.angles_deg,
            "angle_step_deg": s.angle_step_deg,
            "speeds_s": s.speeds_s,
        })),
        "viewing": {
            "distance_picture_heights": scene.viewing.distance_heights,
            "display_white_cd_per_m2": scene.viewing.white_nits,
            "picture_contrast_share": scene.viewing.picture_contrast,
        },
        "tolerances": {
            "distance_share": scene.tolerances.distance,
            "focal_share": scene.tolerances.focal,
            "turn_deg": deg(scene.tolerances.turn_rad),
            "readout_share": scene.tolerances.readout,
        },
        "limits": limits(&scene.limits),
        "deliveries": scene.deliveries.iter().map(delivery).collect::<Vec<_>>(),
    })
}

fn limits(limits: &super::Limits) -> Value {
    json!({
        "distance_m": limits.distance_m,
        "focal_mm": limits.focal_m.map(|range| range.map(|m| m * 1e3)),
        "framing_share": limits.framing,
        "turn_deg": deg(limits.turn_rad),
        "subject_blur_photosites": limits.subject_blur,
        "f_numbers": limits.f_numbers,
        "light_stops": limits.light_stops,
        "frame_rates_fps": limits.frame_rates_fps,
        "wall_pitches_mm": limits.wall_pitches_m.iter().map(|m| m * 1e3).collect::<Vec<_>>(),
        "cameras": limits.cameras,
        "without": limits.without,
        "money_per_day": limits.money_per_day,
        "prices_per_day": limits.prices_per_day.iter().cloned().collect::<std::collections::BTreeMap<_, _>>(),
    })
}

fn wall(scene: &Scene) -> Value {
    let wall = &scene.wall;
    let mut emitters = Map::new();
    for (name, e) in COLOURS.iter().zip(&wall.emitters) {
        let shape = match e.shape {
            EmitterShape::Rectangle { width_m, height_m } => {
                json!({ "rectangle": { "width_m": width_m, "height_m": height_m } })
            }
            EmitterShape::Disc { diameter_m } => json!({ "disc": { "diameter_m": diameter_m } }),
            EmitterShape::Tent => json!({ "tent": { "base_m": 2.0 * wall.pitch_m } }),
        };
        emitters.insert(
            (*name).to_owned(),
            json!({
                "shape": shape,
                "offset_right_m": e.offset_m.x,
                "offset_up_m": e.offset_m.y,
                "peak_wavelength_m": e.wavelength_m,
                "linewidth_m": e.linewidth_m,
                "chromaticity_xy": e.xy,
                "half_angle_deg": e.half_angle_rad.map(deg),
            }),
        );
    }
    let transfer = match wall.transfer {
        WallTransfer::Gamma(gamma) => json!({ "gamma": gamma }),
        WallTransfer::Srgb => json!("srgb"),
    };
    let (width_m, height_m) = wall.size_m();
    json!({
        "columns_px": wall.columns,
        "rows_px": wall.rows,
        "cabinet_columns_px": wall.panel_columns,
        "cabinet_rows_px": wall.panel_rows,
        "pixel_pitch_m": wall.pitch_m,
        "width_m": width_m,
        "height_m": height_m,
        "emitters": emitters,
        "white_cd_per_m2": wall.white_nits,
        "brightness_share": wall.brightness,
        "white_xy": wall.white_xy,
        "transfer": transfer,
        "bits": wall.bits,
        "diffuser": wall.diffuser.map(|d| json!({
            "stand_off_m": d.stand_off_m,
            "scatter_fwhm_deg": deg(d.scatter_rad),
            "transmission_share": d.transmission,
        })),
        "build": build(wall),
    })
}

fn build(wall: &crate::wall::Wall) -> Value {
    let b = &wall.build;
    json!({
        "arc": b.bend.map(|bend| json!({
            "radius_m": bend.radius_m,
            "convex": bend.convex,
            "facet_columns_px": bend.facet_columns,
            "angle_between_facets_deg": deg(wall.facet_angle_rad()),
        })),
        "seam_m": b.seam_m,
        "quarter_turns_clockwise_by_cabinet": b.turned,
        "cabinet_spread": {
            "brightness_share": b.spread.gain,
            "white_share": b.spread.white,
            "clock_s": b.spread.clock_s,
        },
        "dead_emitters_share": b.dead,
        "seed": b.seed,
        "reflectance_share": b.reflection.reflectance,
        "ambient_lx": b.reflection.ambient_lx,
    })
}

fn drive(scene: &Scene) -> Value {
    let d = &scene.drive;
    let kind = match &d.kind {
        DriveKind::Steady => json!("steady"),
        DriveKind::HeldMean { bits } => json!({ "steady_at_the_mean_of_split": { "bits": bits } }),
        DriveKind::Pwm => json!("pwm"),
        DriveKind::Scanned => json!("scanned"),
        DriveKind::Split { bits, order } => json!({ "split": {
            "bits": bits,
            "order": match order {
                SplitOrder::Even => "even",
                SplitOrder::BitReversed => "bit_reversed",
            },
        } }),
        DriveKind::Waveform(wave) => json!({ "waveform": {
            "period_s": wave.period_s(),
            "points": wave.points().len(),
        } }),
    };
    json!({
        "kind": kind,
        "refresh_hz": d.refresh_hz,
        "video_hz": d.video_hz,
        "refreshes_per_video_frame": d.refreshes(),
        "scan": d.scan,
        "dark_per_slot_s": d.dark_slot_s,
        "dark_per_refresh_s": d.dark_refresh_s,
        "dark_per_video_frame_s": d.dark_frame_s,
        "rise_s": d.rise_s,
        "fall_s": d.fall_s,
        "delay_red_green_blue_s": d.delay_s,
        "white_pulse_share": d.pulse_share,
        "full_white_lit_share": d.timing().top_duty(),
        "clock_drift": d.clock.drift,
        "clock_phase_s": d.clock.phase_s,
        "sheet": sheet(scene),
    })
}

fn sheet(scene: &Scene) -> Value {
    let sheet = &scene.sheet;
    json!({
        "refresh_hz": sheet.refresh_hz,
        "video_hz": sheet.video_hz,
        "bits": sheet.bits,
        "on_time_error_s": sheet.on_time_error_s,
        "clocks": sheet.clocks.map(|c| json!({
            "grey_clock_hz": c.clock_hz,
            "turns_per_video_frame": c.sub_periods,
            "clocks_per_turn": c.grey_clocks,
            "switch_clocks": c.switch_clocks,
        })),
        "data_line": sheet.data.map(|d| json!({
            "pixels": d.pixels,
            "rate_bits_per_s": d.rate_hz,
            "sent": if d.each_refresh { "each_refresh" } else { "each_video_frame" },
        })),
    })
}

fn content(scene: &Scene) -> Value {
    let image = &scene.content;
    let mut out = Map::new();
    out.insert("columns_px".into(), json!(image.columns));
    out.insert("rows_px".into(), json!(image.rows));
    if let Some(moving) = &scene.moving {
        // The codes are those of the first picture.
        out.insert(
            "sequence".into(),
            json!({
                "files": moving.name,
                "pictures": moving.pictures,
                "frame_rate_fps": moving.rate_hz,
                "at_end": if moving.repeats { "repeat" } else { "hold" },
            }),
        );
    }
    for (name, codes) in COLOURS.iter().zip(&image.codes) {
        let sum: u64 = codes.iter().map(|&code| u64::from(code)).sum();
        out.insert(
            format!("{name}_codes"),
            json!({
                "lowest": codes.iter().copied().reduce(u16::min),
                "highest": codes.iter().copied().reduce(u16::max),
                "mean": sum as f64 / codes.len().max(1) as f64,
            }),
        );
    }
    Value::Object(out)
}

fn lens(scene: &Scene) -> Value {
    let lens = &scene.lens;
    let iris = match lens.iris {
        Iris::Round => json!("round"),
        Iris::Bladed { blades, rotation_rad } => {
            json!({ "bladed": { "blades": blades, "rotation_deg": deg(rotation_rad) } })
        }
    };
    json!({
        "focal_m": lens.focal_m,
        "f_number": lens.f_number,
        // Passing (f-number / T-stop)² of the light, the neutral density not counted.
        "t_stop": lens.f_number / (lens.transmission * libm::exp2(scene.neutral_density_stops)).sqrt(),
        "transmission_share": lens.transmission,
        "focus_from_lens_m": lens.focus_m,
        "subject_from_lens_m": scene.subject_m,
        "aberration_sigma_m": lens.aberration_m,
        "iris": iris,
        "squeeze": lens.squeeze,
        "distortion_at_corner": lens.distortion,
        "natural_vignetting": lens.vignetting,
        "defocus": lens.defocus,
        "diffraction": match lens.diffraction {
            Diffraction::Off => "off",
            Diffraction::Convolved => "convolved",
            Diffraction::Wave => "wave",
        },
    })
}

fn camera(scene: &Scene) -> Value {
    let c = &scene.camera;
    let mosaic = match c.mosaic {
        Mosaic::Bayer(block) => {
            block.iter().map(|&i| ["r", "g", "b"][usize::from(i) % 3]).collect::<String>()
        }
        Mosaic::Monochrome => "monochrome".into(),
        Mosaic::FullPlanes => "full_planes".into(),
    };
    let readout = match c.readout {
        Readout::Global => json!("global"),
        Readout::Rolling { readout_s, bottom_up } => {
            json!({ "rolling": { "readout_s": readout_s, "bottom_up": bottom_up } })
        }
    };
    json!({
        "columns_photosites": c.columns,
        "rows_photosites": c.rows,
        "photosite_pitch_m": c.photosite_m,
        "fill_factor_share": c.fill_factor,
        "mosaic": mosaic,
        "readout": readout,
        "frame_rate_fps": c.fps,
        "exposure_s": c.exposure_s,
        "exposure_index": c.exposure_index,
        "full_well_electrons": c.full_well_e,
        "read_noise_electrons": c.read_noise_e,
        "response_spread_share": c.prnu,
        "bits": c.bits,
        "black_level": c.black_level,
        "noise": c.noise,
        "noise_seed": c.seed,
        "mode": c.mode.map(|m| json!({
            "area": { "x": m.area.x, "y": m.area.y, "width": m.area.width, "height": m.area.height },
            "read_one_of": m.read_one_of,
            "bin": m.bin,
            "bin_as": match m.joining { Joining::Charge => "charge", Joining::Levels => "levels" },
        })),
        "electrons_per_photon_photosite_by_emitter": c.matrix,
        "recorded": {
            "x": c.crop.x, "y": c.crop.y, "width": c.crop.width, "height": c.crop.height,
        },
    })
}

fn placement(scene: &Scene) -> Value {
    let (lens, turn) = (scene.pose.lens_m, scene.pose.turn);
    json!({
        "lens_right_m": lens.x,
        "lens_up_m": lens.y,
        "lens_in_front_of_wall_m": lens.z,
        "camera_right_axis": turn.x_axis.to_array(),
        "camera_up_axis": turn.y_axis.to_array(),
        "camera_backward_axis": turn.z_axis.to_array(),
    })
}

fn filter_word(filter: ScaleFilter) -> &'static str {
    match filter {
        ScaleFilter::Box => "box",
        ScaleFilter::Bilinear => "bilinear",
        ScaleFilter::Cubic => "cubic",
        ScaleFilter::Lanczos3 => "lanczos3",
    }
}

/// Pairs of frame and value.
fn moves(moves: &Moves) -> Value {
    let mut out = Map::new();
    out.insert("between".into(), json!(if moves.is_smooth() { "smooth" } else { "linear" }));
    for (moved, track) in moves.tracks() {
        out.insert(format!("frames_and_{}", moved.key()), json!(track.points()));
    }
    Value::Object(out)
}

fn delivery(delivered: &Delivered) -> Value {
    let d = &delivered.delivery;
    json!({
        "name": delivered.name,
        "format": delivered.format.map(|format| match format {
            DeliveryFormat::Png8 => "png_8bit",
            DeliveryFormat::Png16 => "png_16bit",
            DeliveryFormat::Tiff16 => "tiff_16bit",
            DeliveryFormat::ExrLinear => "exr_linear",
        }),
        "demosaic": match d.demosaic {
            Demosaic::Bilinear => "bilinear",
            Demosaic::GradientCorrected => "gradient_corrected",
            Demosaic::EdgeAware => "edge_aware",
        },
        "colour_space": match d.colour_space {
            ColourSpace::Bt709 => "bt709",
            ColourSpace::Bt2020 => "bt2020",
            ColourSpace::P3D65 => "p3_d65",
            ColourSpace::AcesAp0 => "aces_ap0",
            ColourSpace::AcesAp1 => "aces_ap1",
            ColourSpace::CameraRgb => "camera_rgb",
        },
        "transfer": match d.transfer {
            DeliveryTransfer::Linear => "linear",
            DeliveryTransfer::Srgb => "srgb",
            DeliveryTransfer::Bt709 => "bt709",
            DeliveryTransfer::HybridLogGamma => "hybrid_log_gamma",
            DeliveryTransfer::AcesCct => "acescct",
        },
        "size_px": d.size,
        "filter": filter_word(d.filter),
        "scale_in_linear_light": d.scale_in_linear_light,
        "push_stops": d.push_stops,
        "in_camera_scaling": d.in_camera.map(|s| json!({
            "size_px": s.size, "filter": filter_word(s.filter),
        })),
    })
}
