//! Remedies for a shot that is not clean: what can be changed, by how much, and what it costs the shot.
//!
//! Costs are weights of ours, only there to rank: about 1 is what a crew would notice and talk about, such as a tenth of framing or a
//! standard low-pass filter's loss of sharpness (common practice, no source).

use crate::optics::transfer::blur_disc_m;
use crate::predict::shutters::shutters;
use crate::scene::{ContentPictures, Edit, OpenScene, Scene};
use crate::units::{length, number};
use serde::Serialize;
use std::f64::consts::PI;

/// One sort of remedy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Remedy {
    /// Another shutter.
    Shutter,
    /// Another frame rate.
    FrameRate,
    /// The focus off the wall.
    Focus,
    /// Another stop.
    Aperture,
    /// The camera nearer or farther.
    Distance,
    /// A shorter or longer lens.
    FocalLength,
    /// The camera nearer or farther, with the lens that keeps the framing.
    DistanceAndFocalLength,
    /// The camera panned.
    Pan,
    /// The camera rolled.
    Roll,
    /// A low-pass filter at the sensor.
    LowPass,
    /// A low-pass filter in front of the lens.
    FrontLowPass,
    /// A diffuser on the wall.
    Diffuser,
    /// Another wall.
    OtherWall,
    /// Another camera.
    OtherCamera,
}

impl Remedy {
    /// All of them.
    pub const ALL: [Self; 14] = [
        Self::Shutter,
        Self::FrameRate,
        Self::Focus,
        Self::Aperture,
        Self::Distance,
        Self::FocalLength,
        Self::DistanceAndFocalLength,
        Self::Pan,
        Self::Roll,
        Self::LowPass,
        Self::FrontLowPass,
        Self::Diffuser,
        Self::OtherWall,
        Self::OtherCamera,
    ];

    /// Its word in `limits.without`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Shutter => "shutter",
            Self::FrameRate => "frame_rate",
            Self::Focus => "focus",
            Self::Aperture => "aperture",
            Self::Distance => "distance",
            Self::FocalLength => "focal_length",
            Self::DistanceAndFocalLength => "distance_and_focal_length",
            Self::Pan => "pan",
            Self::Roll => "roll",
            Self::LowPass => "low_pass",
            Self::FrontLowPass => "front_low_pass",
            Self::Diffuser => "diffuser",
            Self::OtherWall => "other_wall",
            Self::OtherCamera => "other_camera",
        }
    }

    /// What two remedies both would set: of such a pair only one serves.
    fn touches(self) -> &'static [&'static str] {
        match self {
            Self::Shutter => &["shutter"],
            Self::FrameRate => &["rate"],
            Self::Focus => &["focus"],
            Self::Aperture => &["stop"],
            Self::Distance => &["distance", "focus"],
            Self::FocalLength => &["focal"],
            Self::DistanceAndFocalLength => &["distance", "focus", "focal"],
            Self::Pan => &["pan"],
            Self::Roll => &["roll"],
            Self::LowPass => &["low_pass"],
            Self::FrontLowPass => &["front_low_pass"],
            Self::Diffuser => &["diffuser"],
            Self::OtherWall => &["wall"],
            Self::OtherCamera => &["low_pass", "focal", "shutter", "rate"],
        }
    }

    /// Whether two remedies can be used together.
    pub fn goes_with(self, other: Self) -> bool {
        !self.touches().iter().any(|key| other.touches().contains(key))
    }
}

/// One change.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Its sort.
    pub remedy: Remedy,
    /// In words: what to do.
    pub words: String,
    /// What it takes from the shot, in words; empty where that is told by numbers alone.
    pub takes: String,
    /// What it costs the shot, for ranking.
    pub cost: f64,
    #[serde(skip)]
    edits: Vec<Edit>,
    /// Light at the sensor, stops; made up for by neutral density or the exposure index.
    #[serde(skip)]
    stops: f64,
    /// Light of the wall, stops; made up for by its brightness.
    #[serde(skip)]
    wall_stops: f64,
}

/// A scene and its remedies' way into it.
pub struct Base<'a> {
    /// The file.
    pub open: &'a OpenScene,
    /// The scene as it is.
    pub scene: &'a Scene,
    /// Its pictures.
    pub pictures: &'a (dyn ContentPictures + Sync),
}

/// A scene with changes made.
#[derive(Debug, Clone)]
pub struct Changed {
    /// The scene.
    pub scene: Scene,
    /// All that is set, what makes up for light among it.
    pub edits: Vec<Edit>,
    /// Light that is made up for at the exposure index, stops.
    pub lost_stops: f64,
    /// Money a day; `None` where a price is not known.
    pub money: Option<f64>,
}

fn edit(key: &str, value: impl ToString) -> Edit {
    Edit { key: key.into(), value: value.to_string() }
}

fn rounded(value: f64, step: f64) -> f64 {
    let steps = (1.0 / step).round();
    (value * steps).round() / steps
}

/// Lens to wall along the axis, metres.
fn wall_m(scene: &Scene) -> Option<f64> {
    scene.wall.met(scene.pose.lens_m, -scene.pose.turn.z_axis).map(|(far, _)| far)
}

fn sensor_width_m(scene: &Scene) -> f64 {
    f64::from(scene.camera.sensor_window().width) * scene.camera.photosite_m
}

/// Size of the wall in the picture: of one metre of it, at the axis, in widths of the picture.
fn size_in_picture(scene: &Scene) -> Option<f64> {
    Some(scene.lens.focal_m / wall_m(scene)? / sensor_width_m(scene))
}

/// Blur disc of the subject, photosites.
fn subject_blur(scene: &Scene) -> Option<f64> {
    let depth_m = scene.subject_m?;
    Some(blur_disc_m(&scene.lens, depth_m).abs() / scene.camera.photosite_m)
}

impl Base<'_> {
    /// The scene with changes made; why it cannot be, or goes beyond the limits.
    ///
    /// # Errors
    /// In words.
    pub fn with(&self, changes: &[&Change]) -> Result<Changed, String> {
        let limits = &self.scene.limits;
        let mut edits: Vec<Edit> = changes.iter().flat_map(|c| c.edits.iter().cloned()).collect();
        let stops: f64 = changes.iter().map(|c| c.stops).sum();
        let wall_stops: f64 = changes.iter().map(|c| c.wall_stops).sum();
        let density = self.scene.neutral_density_stops;
        let after = (density + stops).max(0.0);
        let mut lost_stops = (after - density - stops).max(0.0);
        if (after - density).abs() > 1e-3 {
            edits.push(edit("filters.neutral_density_stops", rounded(after, 0.01)));
        }
        if wall_stops < 0.0 {
            let wanted = self.scene.wall.brightness * libm::exp2(-wall_stops);
            edits.push(edit("wall.brightness_percent", rounded(wanted.min(1.0) * 100.0, 0.1)));
            lost_stops = lost_stops.max(libm::log2(wanted.max(1.0)));
        }
        if lost_stops > limits.light_stops + 1e-9 {
            return Err(format!("{} stops of light would be lost", number(lost_stops)));
        }
        if lost_stops > 1e-3 {
            let index = self.scene.camera.exposure_index * libm::exp2(lost_stops);
            edits.push(edit("camera.exposure_index", index.round()));
        }
        let of = |remedy: Remedy| {
            let price = limits.prices_per_day.iter().find(|(name, _)| name == remedy.name());
            match remedy {
                Remedy::LowPass
                | Remedy::FrontLowPass
                | Remedy::Diffuser
                | Remedy::OtherWall
                | Remedy::OtherCamera => price.map(|(_, price)| *price),
                _ => Some(0.0),
            }
        };
        let money: Option<f64> = changes.iter().map(|c| of(c.remedy)).sum();
        if let (Some(money), Some(most)) = (money, limits.money_per_day)
            && money > most
        {
            return Err(format!("{} a day is more than {}", number(money), number(most)));
        }
        let scene = self
            .open
            .edited(&edits, self.pictures, Some(self.scene))
            .map_err(|problems| problems.first().map_or_else(String::new, |p| p.message.clone()))?;
        self.within_limits(&scene)?;
        Ok(Changed { scene, edits, lost_stops, money })
    }

    fn within_limits(&self, scene: &Scene) -> Result<(), String> {
        let limits = &self.scene.limits;
        if let (Some(before), Some(after)) = (size_in_picture(self.scene), size_in_picture(scene)) {
            let change = (after / before - 1.0).abs();
            if change > limits.framing + 1e-6 {
                return Err(format!("framing would change by {} %", number(change * 100.0)));
            }
        } else {
            return Err("the lens axis would miss the wall".into());
        }
        if let (Some(before), Some(after)) = (subject_blur(self.scene), subject_blur(scene))
            && after > limits.subject_blur.max(before) + 1e-6
        {
            return Err(format!("the subject would be blurred by {} photosites", number(after)));
        }
        Ok(())
    }

    /// Every change of a sort, the cheapest first.
    pub fn changes(&self, remedy: Remedy) -> Vec<Change> {
        if self.scene.limits.without.iter().any(|name| name == remedy.name()) {
            return Vec::new();
        }
        // A move's keyframes say where the camera is and what is in focus.
        let placed = matches!(
            remedy,
            Remedy::Focus
                | Remedy::Distance
                | Remedy::FocalLength
                | Remedy::DistanceAndFocalLength
                | Remedy::Pan
                | Remedy::Roll
                | Remedy::OtherCamera
        );
        if placed && self.scene.moves.is_some() {
            return Vec::new();
        }
        let mut all = match remedy {
            Remedy::Shutter => self.shutters(),
            Remedy::FrameRate => self.frame_rates(),
            Remedy::Focus => self.foci(),
            Remedy::Aperture => self.stops(),
            Remedy::Distance => self.distances(false),
            Remedy::DistanceAndFocalLength => self.distances(true),
            Remedy::FocalLength => self.focal_lengths(),
            Remedy::Pan => self.turns(remedy, "placement.pan_deg", "pan", 0.12),
            Remedy::Roll => self.turns(remedy, "placement.roll_deg", "roll", 0.3),
            Remedy::LowPass => self.low_passes(),
            Remedy::FrontLowPass => self.front_low_passes(),
            Remedy::Diffuser => self.diffusers(),
            Remedy::OtherWall => self.walls(),
            Remedy::OtherCamera => self.cameras(),
        };
        all.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        all
    }

    fn shutters(&self) -> Vec<Change> {
        let found = shutters(self.scene);
        let present_s = self.scene.camera.exposure_s;
        let near = found.table.iter().map(|s| (s.written.clone(), s.exposure_s));
        let clean = found.clean.iter().flat_map(|c| &c.settings);
        let all = near.chain(clean.map(|s| (s.written.clone(), s.exposure_s)));
        let mut out: Vec<Change> = Vec::new();
        for (written, exposure_s) in all {
            let stops = libm::log2(exposure_s / present_s);
            let known = out.iter().any(|c| c.words.ends_with(&format!(" {written}")));
            if stops.abs() < 1e-4 || known {
                continue;
            }
            let set = match written.strip_suffix('°') {
                Some(angle) => edit("camera.shutter_angle_deg", angle.trim()),
                None => edit("camera.shutter_speed", written.trim_end_matches(" s").trim()),
            };
            out.push(Change {
                remedy: Remedy::Shutter,
                words: format!("shutter {written}"),
                takes: motion(stops),
                cost: 0.05 + 0.5 * stops.abs(),
                edits: vec![set],
                stops,
                wall_stops: 0.0,
            });
        }
        out
    }

    fn frame_rates(&self) -> Vec<Change> {
        let rates = self.scene.limits.frame_rates_fps.iter();
        let other = rates.filter(|r| (*r / self.scene.camera.fps - 1.0).abs() > 1e-4);
        // A shutter angle goes with the rate; another setting stays.
        let follows = !["camera.shutter_speed", "camera.exposure_ms"]
            .iter()
            .any(|key| self.open.is_written(key));
        let change = |rate: &f64| Change {
            remedy: Remedy::FrameRate,
            words: format!("{} frames a second", number(*rate)),
            takes: "another frame rate for picture and sound".into(),
            cost: 1.5 + (rate / self.scene.camera.fps - 1.0).abs(),
            edits: vec![edit("camera.frame_rate_fps", rate)],
            stops: if follows { libm::log2(self.scene.camera.fps / rate) } else { 0.0 },
            wall_stops: 0.0,
        };
        other.map(change).collect()
    }

    /// What the image distance adds to a tape from the sensor mark, metres.
    fn back_m(&self, key: &str) -> f64 {
        let from = self.open.text(key).or_else(|| self.open.text("placement.measured_from"));
        if from == Some("lens") { 0.0 } else { self.scene.lens.image_m() }
    }

    fn foci(&self) -> Vec<Change> {
        let Some(wall_m) = wall_m(self.scene) else { return Vec::new() };
        let back_m = self.back_m("lens.focus.measured_from");
        let (wall_m, now_m) = (wall_m + back_m, self.scene.lens.focus_m + back_m);
        let before = (1..=40).map(|i| wall_m * (1.0 - 0.02 * f64::from(i)));
        let behind = (1..=25).map(|i| wall_m * (1.0 + 0.04 * f64::from(i)));
        let foci = before.chain(behind).map(|m| rounded(m, 0.01));
        let change = |m: f64| {
            let from_wall = (m - wall_m).abs();
            let side = if m < wall_m { "before" } else { "behind" };
            Change {
                remedy: Remedy::Focus,
                words: format!("focus at {}, {} {side} the wall", length(m), length(from_wall)),
                takes: "the wall is softer".into(),
                cost: 0.2 + 1.5 * (m - now_m).abs() / wall_m,
                edits: vec![edit("lens.focus.distance_m", m)],
                stops: 0.0,
                wall_stops: 0.0,
            }
        };
        foci.filter(|m| (m / now_m - 1.0).abs() > 1e-3).map(change).collect()
    }

    fn stops(&self) -> Vec<Change> {
        let now = self.scene.lens.f_number;
        let [widest, narrowest] =
            self.scene.limits.f_numbers.unwrap_or([now / 2.0, now * std::f64::consts::SQRT_2]);
        let mut out = Vec::new();
        for third in -9..=9_i32 {
            let stops = f64::from(third) / 3.0;
            let n = rounded(now * libm::exp2(stops / 2.0), 0.01);
            if third == 0 || n < widest - 1e-9 || n > narrowest + 1e-9 {
                continue;
            }
            let mut edits = vec![edit("lens.f_number", n)];
            if let Some(t) = self.open.number("lens.t_stop") {
                edits.push(edit("lens.t_stop", rounded(t * n / now, 0.01)));
            }
            let takes = if third < 0 { "less depth of field" } else { "light" };
            out.push(Change {
                remedy: Remedy::Aperture,
                words: format!("f/{}", number(n)),
                takes: takes.into(),
                cost: 0.1 + if third < 0 { 0.3 } else { 0.5 } * stops.abs(),
                edits,
                stops: 2.0 * libm::log2(now / n),
                wall_stops: 0.0,
            });
        }
        out
    }

    /// The tape from camera to wall, as `placement.distance_m` counts it.
    fn tape_m(&self) -> Option<f64> {
        if let Some(m) = self.open.number("placement.distance_m") {
            return Some(m);
        }
        let along = self.open.text("placement.measured_along");
        if along.is_some_and(|along| along != "lens_axis") || self.scene.wall.build.bend.is_some() {
            return None;
        }
        Some(wall_m(self.scene)? + self.back_m("placement.measured_from"))
    }

    fn distances(&self, keeps_framing: bool) -> Vec<Change> {
        let Some(now_m) = self.tape_m() else { return Vec::new() };
        let [near, far] = self.scene.limits.distance_m.unwrap_or([0.75 * now_m, 1.25 * now_m]);
        let focal_m = self.scene.lens.focal_m;
        let [short, long] = self.scene.limits.focal_m.unwrap_or([0.75 * focal_m, 1.25 * focal_m]);
        let mut out = Vec::new();
        for i in -50..=50_i32 {
            let share = 1.0 + f64::from(i) / 50.0;
            let m = rounded(now_m * share, 0.01);
            if i == 0 || m < near || m > far || m <= 0.0 {
                continue;
            }
            let mut edits = vec![edit("placement.distance_m", m)];
            // The subject stays where it stands, and the focus on it.
            for key in ["subject.distance_m", "lens.focus.distance_m"] {
                if let Some(there) = self.open.number(key) {
                    edits.push(edit(key, rounded(there + m - now_m, 0.001)));
                }
            }
            let steps = (m / now_m - 1.0).abs() * 10.0;
            let way = if m > now_m { "farther from" } else { "nearer to" };
            let by = length((m - now_m).abs());
            let mut change = Change {
                remedy: Remedy::Distance,
                words: format!("camera {by} {way} the wall, at {}", length(m)),
                takes: "framing and perspective".into(),
                cost: 0.1 + 0.9 * steps,
                edits,
                stops: 0.0,
                wall_stops: 0.0,
            };
            if keeps_framing {
                let focal = rounded(focal_m * 1e3 * m / now_m, 0.1);
                if focal < short * 1e3 || focal > long * 1e3 {
                    continue;
                }
                change.remedy = Remedy::DistanceAndFocalLength;
                change.words += &format!(", with {} mm", number(focal));
                change.takes = "perspective".into();
                change.cost = 0.15 + 0.5 * steps;
                change.edits.push(edit("lens.focal_mm", focal));
            }
            out.push(change);
        }
        out
    }

    fn focal_lengths(&self) -> Vec<Change> {
        let now = self.scene.lens.focal_m * 1e3;
        let limits = self.scene.limits.focal_m.map(|range| range.map(|m| m * 1e3));
        let [short, long] = limits.unwrap_or([0.75 * now, 1.25 * now]);
        let mut out = Vec::new();
        for i in -50..=50_i32 {
            let focal = rounded(now * (1.0 + f64::from(i) / 100.0), 0.1);
            if (focal - now).abs() < 0.05 || focal < short || focal > long {
                continue;
            }
            out.push(Change {
                remedy: Remedy::FocalLength,
                words: format!("{} mm in place of {} mm", number(focal), number(now)),
                takes: "framing".into(),
                cost: 0.1 + 8.0 * (focal / now - 1.0).abs(),
                edits: vec![edit("lens.focal_mm", focal)],
                stops: 0.0,
                wall_stops: 0.0,
            });
        }
        out
    }

    fn turns(&self, remedy: Remedy, key: &str, verb: &str, a_degree: f64) -> Vec<Change> {
        if remedy == Remedy::Pan && self.open.is_written("placement.aim_m") {
            return Vec::new();
        }
        let now = self.open.number(key).unwrap_or(0.0);
        let most = self.scene.limits.turn_rad * 180.0 / PI;
        let half_degrees = 1..=(2.0 * most + 1e-9) as i32;
        let both = half_degrees.flat_map(|i| [0.5 * f64::from(i), -0.5 * f64::from(i)]);
        let way = |by: f64| match (remedy, by > 0.0) {
            (Remedy::Pan, true) => "to the right",
            (Remedy::Pan, false) => "to the left",
            (_, true) => "clockwise",
            (_, false) => "anticlockwise",
        };
        let change = |by: f64| Change {
            remedy,
            words: format!("{verb} the camera by {}° {}", number(by.abs()), way(by)),
            takes: "composition".into(),
            cost: 0.1 + a_degree * by.abs(),
            edits: vec![edit(key, rounded(now + by, 0.01))],
            stops: 0.0,
            wall_stops: 0.0,
        };
        both.map(change).collect()
    }

    fn low_passes(&self) -> Vec<Change> {
        let photosite_m = self.scene.camera.photosite_m;
        let now = self.scene.low_pass.as_ref().map_or(0.0, |l| l.across_m.max(l.upright_m));
        let kinds = [("weak", 0.5, 0.6), ("standard", 0.75, 0.9), ("strong", 1.0, 1.3)];
        let stronger = kinds.into_iter().filter(|(_, split, _)| split * photosite_m > 1.05 * now);
        let change = |(name, split, cost): (&str, f64, f64)| Change {
            remedy: Remedy::LowPass,
            words: format!(
                "a {name} low-pass filter at the sensor (a split of {})",
                photosites(split)
            ),
            takes: softer(split),
            cost,
            edits: vec![edit("filters.low_pass", format!("{{preset: {name}}}"))],
            stops: 0.0,
            wall_stops: 0.0,
        };
        stronger.map(change).collect()
    }

    fn front_low_passes(&self) -> Vec<Change> {
        if self.scene.front_low_pass.is_some() {
            return Vec::new();
        }
        let lens = &self.scene.lens;
        let arcmin = self.scene.camera.photosite_m / lens.image_m() * 180.0 * 60.0 / PI;
        let change = |(split, cost): (f64, f64)| {
            let turn = rounded(split * arcmin, 0.001);
            Change {
                remedy: Remedy::FrontLowPass,
                words: format!(
                    "a low-pass filter of {}′ in front of the lens (a split of {})",
                    number(turn),
                    photosites(split)
                ),
                takes: softer(split),
                cost,
                edits: vec![edit("filters.front_low_pass", format!("{{split_arcmin: {turn}}}"))],
                stops: 0.0,
                wall_stops: 0.0,
            }
        };
        [(0.5, 0.7), (0.75, 1.0), (1.0, 1.4), (1.5, 2.2)].into_iter().map(change).collect()
    }

    fn diffusers(&self) -> Vec<Change> {
        if self.scene.wall.diffuser.is_some() {
            return Vec::new();
        }
        let pitch_mm = self.scene.wall.pitch_m * 1e3;
        let stand_offs = [1.5, 2.5, 3.5, 5.0].map(|pitches| rounded(pitches * pitch_mm, 0.5));
        let change = |(i, mm): (usize, f64)| Change {
            remedy: Remedy::Diffuser,
            words: format!("a diffuser {} mm in front of the wall (20°, passes 70 %)", number(mm)),
            takes: "light and sharpness of the wall".into(),
            cost: 1.0 + 0.2 * i as f64,
            edits: vec![edit(
                "wall.diffuser",
                format!("{{stand_off_mm: {mm}, scatter_fwhm_deg: 20, transmission_percent: 70}}"),
            )],
            stops: 0.0,
            wall_stops: libm::log2(0.7),
        };
        stand_offs.into_iter().enumerate().map(change).collect()
    }

    fn walls(&self) -> Vec<Change> {
        let wall = &self.scene.wall;
        let pitches = self.scene.limits.wall_pitches_m.iter();
        let other = pitches.filter(|p| (*p / wall.pitch_m - 1.0).abs() > 1e-3);
        let change = |pitch_m: &f64| {
            let ratio = wall.pitch_m / pitch_m;
            let scaled = |px: u32| (f64::from(px) * ratio).round().max(1.0);
            let mut edits = vec![edit("wall.pixel_pitch_mm", rounded(pitch_m * 1e3, 0.0001))];
            let cabinet = [scaled(wall.panel_columns), scaled(wall.panel_rows)];
            let across = (wall.columns / wall.panel_columns.max(1)).max(1);
            let down = (wall.rows / wall.panel_rows.max(1)).max(1);
            edits.push(edit("wall.cabinets", format!("[{across}, {down}]")));
            edits.push(edit("wall.cabinet_px", format!("[{}, {}]", cabinet[0], cabinet[1])));
            Change {
                remedy: Remedy::OtherWall,
                words: format!("a wall of {} mm pitch", number(pitch_m * 1e3)),
                takes: "money".into(),
                cost: 3.0 + (1.0 - pitch_m / wall.pitch_m).abs(),
                edits,
                stops: 0.0,
                wall_stops: 0.0,
            }
        };
        other.map(change).collect()
    }

    fn cameras(&self) -> Vec<Change> {
        const KIT: [&str; 13] = [
            "photosites",
            "photosite_pitch_um",
            "sensor_mm",
            "mosaic",
            "fill_factor_percent",
            "readout",
            "full_well_e",
            "read_noise_e",
            "bits",
            "black_level",
            "matrix",
            "mode",
            "crop",
        ];
        let now = self.open.text("camera.preset").unwrap_or_default();
        let mut out = Vec::new();
        for name in self.scene.limits.cameras.iter().filter(|name| *name != now) {
            let mut edits: Vec<Edit> =
                KIT.iter().map(|key| edit(&format!("camera.{key}"), "")).collect();
            edits.push(edit("filters.low_pass", ""));
            edits.push(edit("camera.preset", name));
            let Ok(other) = self.open.edited(&edits, self.pictures, Some(self.scene)) else {
                continue;
            };
            let ratio = sensor_width_m(&other) / sensor_width_m(self.scene);
            let focal = rounded(self.scene.lens.focal_m * 1e3 * ratio, 0.1);
            edits.push(edit("lens.focal_mm", focal));
            out.push(Change {
                remedy: Remedy::OtherCamera,
                words: format!(
                    "the camera `{name}`, with {} mm for the same framing",
                    number(focal)
                ),
                takes: "money; another look".into(),
                cost: 3.5,
                edits,
                stops: 0.0,
                wall_stops: 0.0,
            });
        }
        out
    }
}

fn motion(stops: f64) -> String {
    let way = if stops < 0.0 { "less" } else { "more" };
    format!("{way} motion blur ({:.1} stops)", stops.abs())
}

fn photosites(count: f64) -> String {
    if count == 1.0 { "1 photosite".to_owned() } else { format!("{count} photosites") }
}

/// What a split leaves at half of the finest that photosites can tell: |cos(π·split/4)|, split in photosites.
fn softer(split: f64) -> String {
    let lost = 1.0 - libm::cos(PI * split / 4.0).abs();
    format!("{:.0} % of the contrast of fine detail, everywhere in the picture", 100.0 * lost)
}
