//! The wall.

use super::Findings;
use super::build::build;
use crate::colour;
use crate::scene::written::{
    DiffuserFile, EffectsFile, EmitterFile, PackagingFile, ShapeFile, TransferFile, WallFile,
};
use crate::units;
use crate::wall::{Build, COLOURS, Diffuser, Emitter, EmitterShape, Wall, WallTransfer};
use glam::DVec2;

/// Stands in for a pitch that is missing, so that the other checks can go on.
const STAND_IN_PITCH_MM: f64 = 2.6;

/// Refuses x, y that no light has: all three of CIE X, Y, Z are at least zero, and Y is above it.
fn chromaticity(found: &mut Findings<'_>, key: &str, [x, y]: [f64; 2]) {
    if y <= 0.0 || x + y > 1.0 {
        found.refuse(
            key,
            &[],
            format!(
                "no light has the chromaticity x {x}, y {y}; allowed: y above 0, and x + y up to 1"
            ),
            "",
        );
    }
}

pub(super) fn wall(found: &mut Findings<'_>, file: &WallFile, effects: &EffectsFile) -> Wall {
    let pitch_mm = file.pixel_pitch_mm.unwrap_or(STAND_IN_PITCH_MM);
    let ([columns, rows], [panel_columns, panel_rows]) = size(found, file);
    let typical = typical(file.packaging);
    let files = [&file.emitters.red, &file.emitters.green, &file.emitters.blue];
    let emitters = std::array::from_fn(|c| {
        emitter(found, c, files[c], &typical[c], pitch_mm, effects.viewing_angle)
    });
    let before = found.errors.len();
    for (colour, file) in COLOURS.into_iter().zip(files) {
        if let Some(xy) = file.xy {
            chromaticity(found, &format!("wall.emitters.{colour}.xy"), xy);
        }
    }
    chromaticity(found, "wall.white_xy", file.white_xy);
    let primaries = emitters.map(|e: Emitter| e.xy);
    let shares = colour::luminance_shares(primaries, file.white_xy);
    // Of colours that exist alone: a colour that does not is refused above.
    if found.errors.len() == before
        && shares.is_none_or(|s| !s.iter().all(|share| share.is_finite() && *share > 0.0))
    {
        let [x, y] = file.white_xy;
        found.refuse(
            "wall.white_xy",
            &["wall.emitters"],
            format!("no mixture of the three emitters gives white at x {x}, y {y}"),
            "choose a white inside the triangle of the emitter colours",
        );
    }
    let mut wall = Wall {
        columns,
        rows,
        panel_columns,
        panel_rows,
        pitch_m: pitch_mm / 1e3,
        emitters,
        white_nits: file.white_nits,
        brightness: file.brightness_percent / 100.0,
        white_xy: file.white_xy,
        transfer: match file.transfer {
            TransferFile::Linear => WallTransfer::Gamma(1.0),
            TransferFile::Srgb => WallTransfer::Srgb,
            TransferFile::Gamma(gamma) => WallTransfer::Gamma(gamma),
        },
        bits: file.bits,
        diffuser: None,
        build: Build::default(),
    };
    wall.build = build(found, file, &effects.wall, &wall);
    let diffuser = file.diffuser.as_ref().map(|file| diffuser(found, file, &wall));
    wall.diffuser = diffuser.filter(|_| effects.diffuser);
    wall
}

fn diffuser(found: &mut Findings<'_>, file: &DiffuserFile, wall: &Wall) -> Diffuser {
    let diffuser = Diffuser {
        stand_off_m: file.stand_off_mm / 1e3,
        scatter_rad: file.scatter_fwhm_deg.to_radians(),
        transmission: file.transmission_percent / 100.0,
    };
    let (width_m, height_m) = wall.size_m();
    let sigma_m = diffuser.sigma_m();
    // Of a wall that is sure.
    let sure = found.errors.iter().all(|e| !e.key.starts_with("wall"));
    if sure && sigma_m > width_m.min(height_m) {
        found.refuse(
            "wall.diffuser",
            &["wall.pixel_pitch_mm", "wall.size_px", "wall.cabinets", "wall.cabinet_px"],
            format!(
                "it would spread every emitter by {} (one standard deviation), over a wall of {} × {}",
                units::length(sigma_m),
                units::length(width_m),
                units::length(height_m)
            ),
            "bring it nearer (`stand_off_mm`), or let it scatter less (`scatter_fwhm_deg`)",
        );
    }
    diffuser
}

/// Size of the wall and of a panel, in pixels.
fn size(found: &mut Findings<'_>, file: &WallFile) -> ([u32; 2], [u32; 2]) {
    match (file.size_px, file.cabinets, file.cabinet_px) {
        (Some(size), _, None) => (size, size),
        (Some(size), _, Some(panel)) => {
            if !size[0].is_multiple_of(panel[0]) || !size[1].is_multiple_of(panel[1]) {
                found.refuse(
                    "wall.size_px",
                    &["wall.cabinet_px"],
                    format!(
                        "{} × {} pixels are not a whole number of cabinets of {} × {}",
                        size[0], size[1], panel[0], panel[1]
                    ),
                    "give `cabinets` instead, and the size follows",
                );
            }
            (size, panel)
        }
        // Ranges in the schema keep this product below 10⁸.
        (None, Some(cabinets), Some(panel)) => {
            ([cabinets[0] * panel[0], cabinets[1] * panel[1]], panel)
        }
        (None, Some(_), None) => {
            found.refuse(
                "wall.cabinets",
                &["wall.cabinet_px"],
                "cabinets of unknown size".into(),
                "add `cabinet_px: [across, down]`, the pixels of one cabinet",
            );
            ([16, 16], [16, 16])
        }
        (None, None, _) => {
            found.refuse(
                "wall.size_px",
                &["wall.cabinets"],
                "missing: how large is the wall?".into(),
                "add `size_px: [across, down]`, or `cabinets` and `cabinet_px`",
            );
            ([16, 16], [16, 16])
        }
    }
}

/// Typical emitter: shape and offset in pitches, half angle in degrees, peak and linewidth in nm.
struct Typical {
    shape: Shape,
    offset: [f64; 2],
    half_angle_deg: f64,
    peak_nm: f64,
    linewidth_nm: f64,
}

/// Sizes in pitches.
enum Shape {
    Disc(f64),
    Rectangle(f64, f64),
}

/// Typical arrangements: rounded proportions of each way of building, not any product's.
/// Wavelengths and widths: typical values of red, green and blue emitters.
fn typical(packaging: PackagingFile) -> [Typical; 3] {
    let (shapes, offsets, half_angle_deg) = match packaging {
        PackagingFile::ThroughHole => {
            (Shape::Disc(0.4), [[0.0, 0.22], [-0.25, -0.22], [0.25, -0.22]], 50.0)
        }
        PackagingFile::SurfaceMount => {
            (Shape::Rectangle(0.22, 0.11), [[0.0, 0.15], [0.0, 0.0], [0.0, -0.15]], 65.0)
        }
        PackagingFile::ChipOnBoard => {
            (Shape::Rectangle(0.14, 0.08), [[0.0, 0.12], [0.0, 0.0], [0.0, -0.12]], 75.0)
        }
    };
    let peaks_nm = [625.0, 525.0, 465.0];
    let linewidths_nm = [18.0, 33.0, 24.0];
    std::array::from_fn(|c| Typical {
        shape: match shapes {
            Shape::Disc(d) => Shape::Disc(d),
            Shape::Rectangle(w, h) => Shape::Rectangle(w, h),
        },
        offset: offsets[c],
        half_angle_deg,
        peak_nm: peaks_nm[c],
        linewidth_nm: linewidths_nm[c],
    })
}

fn emitter(
    found: &mut Findings<'_>,
    colour: usize,
    file: &EmitterFile,
    typical: &Typical,
    pitch_mm: f64,
    viewing_angle: bool,
) -> Emitter {
    let key = format!("wall.emitters.{}", COLOURS[colour]);
    let pitch = units::length(pitch_mm / 1e3);
    let shape = match file.shape {
        Some(ShapeFile::RectangleMm([w, h])) => {
            EmitterShape::Rectangle { width_m: w / 1e3, height_m: h / 1e3 }
        }
        Some(ShapeFile::DiscMm(d)) => EmitterShape::Disc { diameter_m: d / 1e3 },
        None => match typical.shape {
            Shape::Disc(d) => EmitterShape::Disc { diameter_m: d * pitch_mm / 1e3 },
            Shape::Rectangle(w, h) => EmitterShape::Rectangle {
                width_m: w * pitch_mm / 1e3,
                height_m: h * pitch_mm / 1e3,
            },
        },
    };
    let largest_m = match shape {
        EmitterShape::Rectangle { width_m, height_m } => width_m.max(height_m),
        EmitterShape::Disc { diameter_m } => diameter_m,
        EmitterShape::Tent => 0.0,
    };
    if largest_m > pitch_mm / 1e3 * (1.0 + 1e-9) {
        found.refuse(
            &format!("{key}.shape"),
            &["wall.pixel_pitch_mm"],
            format!(
                "an emitter of {} is larger than the pitch of {pitch}",
                units::length(largest_m)
            ),
            "make it at most as large as the pitch",
        );
    }
    let offset_mm = file.offset_mm.unwrap_or(typical.offset.map(|o| o * pitch_mm));
    if offset_mm.iter().any(|o| o.abs() > pitch_mm / 2.0 * (1.0 + 1e-9)) {
        let [x, y] = offset_mm;
        found.refuse(
            &format!("{key}.offset_mm"),
            &["wall.pixel_pitch_mm"],
            format!("an offset of {x}, {y} mm lies outside the pixel of {pitch}"),
            "offsets go from minus half to plus half the pitch",
        );
    }
    let wavelength_m = file.peak_nm.unwrap_or(typical.peak_nm) / 1e9;
    let linewidth_m = file.linewidth_nm.unwrap_or(typical.linewidth_nm) / 1e9;
    let half_angle_deg = file.half_angle_deg.unwrap_or(typical.half_angle_deg);
    Emitter {
        shape,
        offset_m: DVec2::new(offset_mm[0] / 1e3, offset_mm[1] / 1e3),
        wavelength_m,
        linewidth_m,
        xy: file.xy.unwrap_or_else(|| colour::led_xy(wavelength_m, linewidth_m)),
        half_angle_rad: viewing_angle.then(|| half_angle_deg.to_radians()),
    }
}
