//! A scene as understood, in plain words with units.

mod lamps;

use super::derived::wall_on_axis_m;
use super::{Delivered, DeliveryFormat, Scene};
use crate::develop::{ColourSpace, DeliveryTransfer, Demosaic, ScaleFilter};
use crate::optics::transfer::blur_disc_m;
use crate::optics::{Diffraction, Iris};
use crate::sensor::mode::{Joining, Mode};
use crate::sensor::{Camera, Mosaic, Readout};
use crate::units::{angle, frequency, length, number, percent, rate, shutter, time};
use crate::wall::drive::{DriveKind, SplitOrder};
use crate::wall::{COLOURS, EmitterShape, WallTransfer};
use glam::DVec3;

/// The scene in lines of `what: value`, grouped as in the file.
pub fn describe(scene: &Scene) -> String {
    let mut out = Lines::default();
    wall(&mut out, scene);
    drive(&mut out, scene);
    if let Some(moving) = &scene.moving {
        out.group("content");
        let end = if moving.repeats { "then from the start again" } else { "then the last one" };
        let count = moving.pictures;
        out.line("sequence", format!("{count} pictures '{}', {end}", moving.name));
        let held = moving.video_hz / moving.rate_hz;
        out.line(
            "pictures a second",
            format!("{}, each for {} video frames", rate(moving.rate_hz), number(held)),
        );
    }
    lens(&mut out, scene);
    camera(&mut out, scene);
    placement(&mut out, scene);
    moves(&mut out, scene);
    lamps::other_light(&mut out, scene);
    for delivered in &scene.deliveries {
        delivery(&mut out, scene, delivered);
    }
    judging(&mut out, scene);
    out.text
}

fn judging(out: &mut Lines, scene: &Scene) {
    let (viewing, off) = (&scene.viewing, &scene.tolerances);
    let percent = |share: f64| format!("{} %", number(share * 100.0));
    out.group("verdicts");
    out.line(
        "watched",
        format!(
            "from {} picture heights, white of {} cd/m², picture contrast {}",
            number(viewing.distance_heights),
            number(viewing.white_nits),
            percent(viewing.picture_contrast)
        ),
    );
    out.line(
        "set may be off by",
        format!(
            "distance {}, focal length {}, turns {}, readout {}",
            percent(off.distance),
            percent(off.focal),
            angle(off.turn_rad),
            percent(off.readout)
        ),
    );
}

#[derive(Default)]
struct Lines {
    text: String,
}

impl Lines {
    fn group(&mut self, name: &str) {
        self.text.push_str(name);
        self.text.push('\n');
    }

    fn line(&mut self, what: &str, value: impl AsRef<str>) {
        self.text.push_str(&format!("  {what:<22} {}\n", value.as_ref()));
    }
}

fn wall(out: &mut Lines, scene: &Scene) {
    let wall = &scene.wall;
    let (width, height) = wall.size_m();
    out.group("wall");
    out.line(
        "size",
        format!("{} × {} px, {} × {}", wall.columns, wall.rows, length(width), length(height)),
    );
    out.line("pixel pitch", length(wall.pitch_m));
    if (wall.panel_columns, wall.panel_rows) != (wall.columns, wall.rows) {
        let (across, down) = (wall.columns / wall.panel_columns, wall.rows / wall.panel_rows);
        out.line(
            "cabinets",
            format!("{across} × {down} of {} × {} px", wall.panel_columns, wall.panel_rows),
        );
    }
    for (name, e) in COLOURS.iter().zip(&wall.emitters) {
        let shape = match e.shape {
            EmitterShape::Rectangle { width_m, height_m } => {
                format!("{} × {}", length(width_m), length(height_m))
            }
            EmitterShape::Disc { diameter_m } => format!("disc of {}", length(diameter_m)),
            EmitterShape::Tent => "tent".into(),
        };
        let falloff = match e.half_angle_rad {
            Some(half) => format!("half as bright at {}", angle(half)),
            None => "same from every side".into(),
        };
        out.line(
            name,
            format!(
                "{shape}, {} right and {} up, {} nm, x {:.4} y {:.4}, {falloff}",
                length(e.offset_m.x),
                length(e.offset_m.y),
                number(e.wavelength_m * 1e9),
                e.xy[0],
                e.xy[1]
            ),
        );
    }
    out.line(
        "full white",
        format!(
            "{} cd/m² at {} brightness, x {:.4} y {:.4}",
            number(wall.white_nits * wall.brightness),
            percent(wall.brightness),
            wall.white_xy[0],
            wall.white_xy[1]
        ),
    );
    let curve = match wall.transfer {
        WallTransfer::Gamma(1.0) => "linear".into(),
        WallTransfer::Gamma(gamma) => format!("gamma {gamma}"),
        WallTransfer::Srgb => "sRGB".into(),
    };
    out.line("code values", format!("{} bits, {curve}", wall.bits));
    if let Some(d) = &wall.diffuser {
        out.line(
            "diffuser",
            format!(
                "{} in front, scatters {} (full width at half maximum), passes {}; spreads emitters by {} \
                 (one standard deviation)",
                length(d.stand_off_m),
                angle(d.scatter_rad),
                percent(d.transmission),
                length(d.sigma_m())
            ),
        );
    }
    build(out, wall);
    if let Some(f) = &scene.foreground {
        let (width, height) = f.size_m();
        let (middle, depth) = f.seen_from(&scene.pose);
        out.group("foreground");
        out.line(
            "picture",
            format!("{} × {} px, {} × {}", f.columns, f.rows, length(width), length(height)),
        );
        out.line(
            "middle",
            format!(
                "{} from the lens, {} right and {} up of the axis",
                length(depth),
                length(middle.x),
                length(middle.y)
            ),
        );
        let disc = f.blur_disc_m(&scene.lens, &scene.pose).abs() / scene.camera.photosite_m;
        out.line("blur disc", format!("{} photosites", number(disc)));
    }
}

/// How the wall is put together, as far as it is not one flat sheet without faults.
fn build(out: &mut Lines, wall: &crate::wall::Wall) {
    let b = &wall.build;
    if let Some(bend) = b.bend {
        let side = if bend.convex { "away from the viewer" } else { "around the viewer" };
        out.line(
            "arc",
            format!(
                "radius {}, bent {side}, {} facets of {} px, {} from one to the next",
                length(bend.radius_m),
                wall.columns / bend.facet_columns.max(1),
                bend.facet_columns,
                angle(wall.facet_angle_rad())
            ),
        );
    }
    if b.seam_m > 0.0 {
        out.line("seams", format!("{} between cabinets", length(b.seam_m)));
    }
    let turned = b.turned.iter().filter(|t| **t > 0).count();
    if turned > 0 {
        let by = b.turned.iter().max().copied().unwrap_or(0);
        out.line("turned cabinets", format!("{turned}, by {}° clockwise", u32::from(by) * 90));
    }
    if b.spread != crate::wall::Spread::default() {
        out.line(
            "cabinets differ by",
            format!(
                "{} in brightness, {} in each colour, {} in clock (standard deviations)",
                percent(b.spread.gain),
                percent(b.spread.white),
                time(b.spread.clock_s)
            ),
        );
    }
    if b.dead > 0.0 {
        out.line("dead emitters", format!("{} of a million", number(b.dead * 1e6)));
    }
    let room = b.reflection;
    if room.ambient_lx > 0.0 {
        out.line(
            "room light",
            format!(
                "{} lx on a face that reflects {}: {} cd/m²",
                number(room.ambient_lx),
                percent(room.reflectance),
                number(room.nits())
            ),
        );
    }
}

fn drive(out: &mut Lines, scene: &Scene) {
    let d = &scene.drive;
    out.group("drive");
    let kind = match &d.kind {
        DriveKind::Steady => "steady light".into(),
        DriveKind::HeldMean { bits } => format!("steady light in {bits} bits of grey"),
        DriveKind::Pwm => "one pulse a refresh, all rows at once".into(),
        DriveKind::Scanned => format!("one pulse a refresh, one row in {} at a time", d.scan),
        DriveKind::Split { bits, order } => format!(
            "split, {bits} bits, {}, one row in {} at a time",
            match order {
                SplitOrder::Even => "even order",
                SplitOrder::BitReversed => "bit-reversed order",
            },
            d.scan
        ),
        DriveKind::Waveform(wave) => {
            let turns = match d.scan {
                1 => String::new(),
                scan => format!(", {scan} rows in turn"),
            };
            format!(
                "as measured, {} points, repeats after {}{turns}",
                wave.points().len(),
                time(wave.period_s())
            )
        }
    };
    out.line("kind", kind);
    if d.is_steady() {
        return;
    }
    out.line(
        "refresh",
        format!(
            "{}, {} times a video frame at {}",
            frequency(d.refresh_hz),
            number(d.refresh_hz / d.video_hz),
            rate(d.video_hz)
        ),
    );
    super::derived::tell_electronics(scene, |what, value| out.line(what, value));
    out.line("full white is lit", format!("{} of the time", percent(d.timing().top_duty())));
    let dark = [
        (d.dark_slot_s, "a row's turn"),
        (d.dark_refresh_s, "a refresh"),
        (d.dark_frame_s, "a video frame"),
    ];
    for (dark_s, of) in dark.iter().filter(|(dark_s, _)| *dark_s > 0.0) {
        out.line("dark", format!("{} at the end of {of}", time(*dark_s)));
    }
    out.line("rise, fall", format!("{}, {}", time(d.rise_s), time(d.fall_s)));
    if d.delay_s != [0.0; 3] {
        let delays: Vec<String> = d.delay_s.iter().map(|s| time(*s)).collect();
        out.line("delay per colour", delays.join(", "));
    }
    let phase = angle(d.clock.phase_s * d.video_hz * std::f64::consts::TAU);
    out.line(
        "clock",
        if d.clock.drift == 0.0 {
            format!("shared with the camera, wall {phase} ahead")
        } else {
            format!("its own, {} ppm fast, {phase} ahead at the start", number(d.clock.drift * 1e6))
        },
    );
}

fn lens(out: &mut Lines, scene: &Scene) {
    let lens = &scene.lens;
    out.group("lens");
    out.line("focal length", length(lens.focal_m));
    out.line(
        "aperture",
        format!("f/{}, passes {} of the light", number(lens.f_number), percent(lens.transmission)),
    );
    out.line(
        "focus",
        format!(
            "{} from the lens, {} from the sensor plane",
            length(lens.focus_m),
            length(lens.focus_m + lens.image_m())
        ),
    );
    if let Some(subject_m) = scene.subject_m {
        out.line("subject", format!("{} from the lens", length(subject_m)));
    }
    out.line(
        "iris",
        match lens.iris {
            Iris::Round => "round".into(),
            Iris::Bladed { blades, rotation_rad } => {
                format!("{blades} blades, turned {}", angle(rotation_rad))
            }
        },
    );
    out.line("aberration", format!("{} (one standard deviation)", length(lens.aberration_m)));
    if lens.squeeze != 1.0 {
        let aspect = percent(lens.blur_aspect());
        let words = format!(
            "{}; blur discs on the sensor are {aspect} as wide as high",
            number(lens.squeeze)
        );
        out.line("anamorphic squeeze", words);
    }
    out.line("distortion", format!("{} at the corner", percent(lens.distortion)));
    let switch = |on: bool| if on { "on" } else { "off" };
    out.line("natural vignetting", switch(lens.vignetting));
    out.line("defocus", switch(lens.defocus));
    out.line(
        "diffraction",
        match lens.diffraction {
            Diffraction::Off => "off",
            Diffraction::Convolved => "convolved",
            Diffraction::Wave => "wave",
        },
    );
    out.line(
        "low-pass filter",
        match scene.low_pass {
            None => "none".into(),
            Some(f) => format!("{} across, {} upright", length(f.across_m), length(f.upright_m)),
        },
    );
    if let Some(front) = &scene.front_low_pass {
        let at_sensor = front.at_sensor(lens);
        let arcmin = |rad: f64| number(rad.to_degrees() * 60.0);
        out.line(
            "in front of the lens",
            format!(
                "low-pass filter of {} arcmin across, {} upright: {} and {} on the sensor",
                arcmin(front.across_rad),
                arcmin(front.upright_rad),
                length(at_sensor.across_m),
                length(at_sensor.upright_m)
            ),
        );
    }
}

fn camera(out: &mut Lines, scene: &Scene) {
    let c = &scene.camera;
    out.group("camera");
    out.line(
        "sensor",
        format!(
            "{} × {} photosites of {}, {} × {}",
            c.columns,
            c.rows,
            length(c.photosite_m),
            length(f64::from(c.columns) * c.photosite_m),
            length(f64::from(c.rows) * c.photosite_m)
        ),
    );
    out.line(
        "colours",
        match c.mosaic {
            Mosaic::Bayer(block) => {
                block.iter().map(|i| ["R", "G", "B"][usize::from(*i % 3)]).collect::<String>()
            }
            Mosaic::Monochrome => "monochrome".into(),
            Mosaic::FullPlanes => "all three at every photosite".into(),
        },
    );
    if let Some(mode) = &c.mode {
        out.line("mode", mode_words(c, mode));
    }
    out.line("fill factor", percent(c.fill_factor));
    out.line(
        "shutter",
        match c.readout {
            Readout::Global => "global".into(),
            Readout::Rolling { readout_s, bottom_up } => format!(
                "rolling, {} from {}, {} a row",
                time(readout_s),
                if bottom_up { "bottom to top" } else { "top to bottom" },
                time(c.line_s())
            ),
        },
    );
    out.line("frame rate", rate(c.fps));
    out.line(
        "exposure",
        format!(
            "{} ({})",
            shutter(c.exposure_s),
            angle(c.exposure_s * c.fps * std::f64::consts::TAU)
        ),
    );
    out.line("exposure index", number(c.exposure_index));
    out.line(
        "photosite",
        format!(
            "holds {} e−, read noise {} e−, spread {}",
            number(c.full_well_e),
            number(c.read_noise_e),
            percent(c.prnu)
        ),
    );
    out.line("raw levels", format!("{} bits, black at {}", c.bits, c.black_level));
    out.line("noise", if c.noise { format!("on, seed {}", c.seed) } else { "off".into() });
    out.line(
        "recorded",
        format!("{} × {} from column {}, row {}", c.crop.width, c.crop.height, c.crop.x, c.crop.y),
    );
}

/// What a recording mode does, in words.
fn mode_words(c: &Camera, mode: &Mode) -> String {
    let pairs = if matches!(c.mosaic, Mosaic::Bayer(_)) { "pair of " } else { "" };
    let mut words = vec![format!("{} × {} photosites in use", mode.area.width, mode.area.height)];
    for (one_of, what) in mode.read_one_of.into_iter().zip(["columns", "rows"]) {
        if one_of > 1 {
            words.push(match pairs {
                "" => format!("reads one in {one_of} {what}"),
                _ => format!("reads one {pairs}{what} in {one_of}"),
            });
        }
    }
    if c.bins() {
        let joined = match mode.joining {
            Joining::Charge => "their charges added, read once",
            Joining::Levels => "their levels averaged",
        };
        words.push(format!("joins {} × {} of a colour, {joined}", mode.bin[0], mode.bin[1]));
    }
    let [width, height] = c.recorded_size();
    words.push(format!("records {width} × {height}"));
    words.join("; ")
}

fn placement(out: &mut Lines, scene: &Scene) {
    let pose = &scene.pose;
    let forward = pose.turn * DVec3::NEG_Z;
    let axis_m = wall_on_axis_m(scene);
    out.group("placement");
    out.line(
        "lens",
        format!(
            "{} in front of the wall, {} right and {} above its centre",
            length(pose.lens_m.z),
            length(pose.lens_m.x),
            length(pose.lens_m.y)
        ),
    );
    out.line(
        "looks at",
        match axis_m {
            None => "no part of the wall".into(),
            Some(axis_m) => {
                let aim = pose.lens_m + forward * axis_m;
                let (right, up) = (length(aim.x), length(aim.y));
                // Of an arc it may stand before the plane that the tape goes to.
                let before = match scene.wall.build.bend {
                    Some(_) if aim.z > 0.0 => format!(" and {} before", length(aim.z)),
                    _ => String::new(),
                };
                format!(
                    "the point {right} right and {up} above{before} the wall's centre, {} away",
                    length(axis_m)
                )
            }
        },
    );
    // Back to the words of the file: pan right, tilt up, roll clockwise are positive.
    let pan = libm::atan2(forward.x, -forward.z);
    let tilt = libm::asin(forward.y.clamp(-1.0, 1.0));
    let roll = libm::atan2(-pose.turn.x_axis.y, pose.turn.y_axis.y);
    out.line("pan, tilt, roll", format!("{}, {}, {}", angle(pan), angle(tilt), angle(roll)));
    let Some(axis_m) = axis_m else { return };
    let pitch = scene.wall.pitch_m * scene.lens.image_m() / axis_m / scene.camera.photosite_m;
    out.line("pitch on the sensor", format!("{} photosites", number(pitch)));
    let disc = blur_disc_m(&scene.lens, axis_m).abs() / scene.camera.photosite_m;
    out.line("blur disc of the wall", format!("{} photosites", number(disc)));
}

fn moves(out: &mut Lines, scene: &Scene) {
    let Some(moves) = &scene.moves else { return };
    out.group("moves");
    out.line("each frame", "camera held where it is half-way through the frame's light");
    let pace = if moves.is_smooth() { "smooth" } else { "straight" };
    for (moved, track) in moves.tracks() {
        let (what, unit) = moved.words();
        let stops: Vec<String> = track
            .points()
            .iter()
            .map(|(frame, value)| format!("{}{unit} in frame {}", number(*value), number(*frame)))
            .collect();
        out.line(what, format!("{}, {pace}", stops.join(", ")));
    }
}

fn filter_words(filter: ScaleFilter) -> &'static str {
    match filter {
        ScaleFilter::Box => "box",
        ScaleFilter::Bilinear => "bilinear",
        ScaleFilter::Cubic => "cubic",
        ScaleFilter::Lanczos3 => "three-lobed sinc",
    }
}

fn delivery(out: &mut Lines, scene: &Scene, delivered: &Delivered) {
    let d = &delivered.delivery;
    match &delivered.name {
        Some(name) => out.group(&format!("delivery: {name}")),
        None => out.group("delivery"),
    }
    let filter = filter_words(d.filter);
    if let Some(scaling) = &d.in_camera {
        let (w, h) = scaling.size;
        let filter = filter_words(scaling.filter);
        out.line("scaled in the camera", format!("to {w} × {h} px, {filter} filter"));
    }
    let adds = if d.scale_in_linear_light { "linear light" } else { "code values" };
    out.line(
        "picture",
        match d.size {
            Some((w, h)) => format!("{w} × {h} px, scaled in {adds}, {filter} filter"),
            None => {
                let crop = scene.camera.crop;
                let (w, h) = d.in_camera.map_or((crop.width, crop.height), |s| s.size);
                format!("{w} × {h} px, as recorded")
            }
        },
    );
    let demosaic = match d.demosaic {
        Demosaic::Bilinear => "bilinear",
        Demosaic::GradientCorrected => "gradient-corrected",
        Demosaic::EdgeAware => "edge-aware",
    };
    out.line("demosaic", demosaic);
    out.line(
        "colour space, curve",
        format!("{}, {}", space_words(d.colour_space), curve_words(d.transfer)),
    );
    if d.push_stops != 0.0 {
        out.line("push", crate::units::stops(d.push_stops));
    }
    if let Some(format) = delivered.format {
        out.line("format", format_words(format));
    }
}

/// A colour space in words.
pub fn space_words(space: ColourSpace) -> &'static str {
    match space {
        ColourSpace::Bt709 => "BT.709",
        ColourSpace::Bt2020 => "BT.2020",
        ColourSpace::P3D65 => "P3 D65",
        ColourSpace::AcesAp0 => "ACES AP0",
        ColourSpace::AcesAp1 => "ACES AP1",
        ColourSpace::CameraRgb => "the camera's own",
    }
}

/// A transfer curve in words.
pub fn curve_words(transfer: DeliveryTransfer) -> &'static str {
    match transfer {
        DeliveryTransfer::Linear => "linear",
        DeliveryTransfer::Srgb => "sRGB",
        DeliveryTransfer::Bt709 => "BT.709",
        DeliveryTransfer::HybridLogGamma => "hybrid log-gamma",
        DeliveryTransfer::AcesCct => "ACEScct",
    }
}

/// A format in words.
pub fn format_words(format: DeliveryFormat) -> &'static str {
    match format {
        DeliveryFormat::Png8 => "PNG, 8 bits",
        DeliveryFormat::Png16 => "PNG, 16 bits",
        DeliveryFormat::Tiff16 => "TIFF, 16 bits",
        DeliveryFormat::ExrLinear => "OpenEXR, linear light",
    }
}
