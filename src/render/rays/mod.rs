//! The slow check: random points on the photosite and the pupil, thin-lens rays traced to the
//! wall, the exact on-time of the emitter that is hit from its list of pulses.
//!
//! It shares no table and no approximation with the fast engine: only the scene's plain data and
//! [`crate::colour`]. Its one error is that of sampling, and two seeds give independent frames to
//! measure that by (see [`crate::render::agree`]).

mod draw;
pub mod events;
pub mod photosite;
mod trace;

use crate::colour;
use crate::frame::{Electrons, Plane, Window};
use crate::optics::Diffraction;
use crate::render::{Cancelled, Run};
use crate::scene::Scene;
use crate::wall::drive::DriveKind;
use crate::wall::{Face, WallImage};
use draw::{Airy, Directions, Pupil, Sequence, gaussian, mix};
use glam::DVec2;
use rayon::prelude::*;
use std::f64::consts::{FRAC_PI_4, PI};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use trace::{Eye, Hit, Plane as FacePlane, Ray, Target};

/// How many rays, and which random numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct RaySettings {
    /// Points drawn on each photosite; at least 1. Powers of two are used best. With a low-pass
    /// filter they are shared by its four spots, rounded up.
    pub samples: u32,
    /// Seed: two seeds give independent frames.
    pub seed: u64,
}

impl Default for RaySettings {
    fn default() -> Self {
        Self { samples: 4096, seed: 1 }
    }
}

/// Why the slow check gave no frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RaysError {
    /// It was stopped.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// Rays know no waves.
    #[error(
        "the slow check traces rays and cannot do `diffraction: wave`; \
         set `diffraction` to `off` or `convolved` to compare"
    )]
    Wave,
}

/// Noise-free photoelectrons of every photosite of a window (full-sensor columns and rows).
///
/// Rows that the camera's mode does not read stay dark. The same bits for any number of threads; a window is the same as that part of a larger one.
///
/// # Errors
/// [`RaysError::Cancelled`] when `run` was cancelled, [`RaysError::Wave`] for wave diffraction.
pub fn render(
    scene: &Scene,
    frame: u32,
    window: Window,
    settings: &RaySettings,
    run: &Run,
) -> Result<Electrons, RaysError> {
    if scene.lens.diffraction == Diffraction::Wave {
        return Err(RaysError::Wave);
    }
    let engine = Engine::new(scene, frame, settings);
    let (width, height) = (window.width as usize, window.height as usize);
    let planes = scene.camera.mosaic.planes();
    let done = AtomicUsize::new(0);
    let rows: Vec<Vec<f32>> = (0..window.height)
        .into_par_iter()
        .map_init(
            || Lights::new(&engine),
            |lights, y| {
                if run.is_cancelled() {
                    return Err(Cancelled);
                }
                let row = if scene.camera.reads_row(window.y + y) {
                    engine.row(lights, window, window.y + y)
                } else {
                    vec![0.0; planes * width]
                };
                if let Some(progress) = &run.progress {
                    let rows_done = done.fetch_add(1, Ordering::Relaxed) + 1;
                    progress(rows_done as f64 / height as f64);
                }
                Ok(row)
            },
        )
        .collect::<Result<_, _>>()?;
    let mut electrons =
        Electrons { window, planes: vec![Plane::filled(width, height, 0.0); planes] };
    for (y, row) in rows.iter().enumerate() {
        for (plane, part) in electrons.planes.iter_mut().zip(row.chunks_exact(width.max(1))) {
            plane.data[y * width..(y + 1) * width].copy_from_slice(part);
        }
    }
    Ok(electrons)
}

/// Everything that is the same for all photosites of a frame.
struct Engine<'a> {
    scene: &'a Scene,
    frame: u32,
    settings: RaySettings,
    eye: Eye,
    /// Flat parts of the wall.
    parts: Vec<FacePart>,
    /// Flat parts of its surface and what it reflects, as a share of top code's luminance.
    surfaces: Vec<(FacePlane, DVec2)>,
    reflected: f64,
    pupil: Pupil,
    directions: Directions,
    airy: Option<Airy>,
    /// Metres on the sensor for each unit of an Airy point, per colour.
    airy_m: [f64; 3],
    /// σ of the diffuser's scatter where it meets the wall, metres.
    scatter_m: f64,
    /// Spots of the low-pass filter at the sensor, metres on the sensor.
    spots: Vec<DVec2>,
    /// Spots of the low-pass filter in front of the lens, metres on the sensor.
    front_spots: Option<[DVec2; 4]>,
    /// Luminance of an emitter whose light over the exposure is that of top code.
    top_nits: [f64; 3],
    /// Area of a pixel over that of its emitter, per colour.
    packing: [f64; 3],
    /// Exponent of the cosine of the viewing angle.
    falloff: [Option<f64>; 3],
    /// Light of top code, long-run mean over full light.
    top_duty: f64,
    /// Electrons per cd/m² on the axis, `[row of the matrix][emitter colour]`.
    electrons_per_nit: [[f64; 3]; 3],
    levels: Vec<f64>,
    /// The pictures around the frame and when each is shown, wall time; none for a still.
    shown: Vec<(Arc<WallImage>, (f64, f64))>,
}

impl<'a> Engine<'a> {
    fn new(scene: &'a Scene, frame: u32, settings: &RaySettings) -> Self {
        let (wall, lens, camera) = (&scene.wall, &scene.lens, &scene.camera);
        let stop = lens.working_f_number();
        // A checked scene has a white inside its primaries; without one there is no light to share.
        let shares = colour::luminance_shares(wall.emitters.map(|e| e.xy), wall.white_xy)
            .unwrap_or([0.0; 3]);
        let (mut top_nits, mut packing) = ([0.0; 3], [1.0; 3]);
        let mut electrons_per_nit = [[0.0; 3]; 3];
        let (scatter_m, passed) = match &wall.diffuser {
            None => (0.0, 1.0),
            Some(d) => {
                // From the full width at half maximum, 2·s·tan(θ/2): it is √(8 ln 2) σ.
                let width_m = 2.0 * d.stand_off_m * libm::tan(0.5 * d.scatter_rad);
                (width_m / (8.0 * libm::log(2.0)).sqrt(), d.transmission)
            }
        };
        for c in 0..3 {
            let emitter = &wall.emitters[c];
            packing[c] = wall.pitch_m * wall.pitch_m / emitter.shape.area_m2(wall.pitch_m);
            top_nits[c] = wall.white_nits * wall.brightness * passed * shares[c] * packing[c];
            let lux_seconds = FRAC_PI_4 / (stop * stop) * lens.transmission * camera.exposure_s;
            let photons =
                colour::led_photons_per_lux_second_m2(emitter.wavelength_m, emitter.linewidth_m);
            let area = camera.photosite_m * camera.photosite_m * camera.fill_factor;
            for (electrons, matrix) in electrons_per_nit.iter_mut().zip(&camera.matrix) {
                electrons[c] = lux_seconds * photons * area * matrix[c];
            }
        }
        let spots = match scene.low_pass {
            None => vec![DVec2::ZERO],
            Some(filter) => [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)]
                .map(|(x, y)| DVec2::new(x * filter.across_m, y * filter.upright_m))
                .to_vec(),
        };
        // Directions an angle apart land image distance times its tangent apart.
        let front_spots = scene.front_low_pass.map(|filter| {
            let across = libm::tan(filter.across_rad) / lens.squeeze;
            let apart_m = DVec2::new(across, libm::tan(filter.upright_rad))
                * (lens.focal_m * lens.focus_m / (lens.focus_m - lens.focal_m));
            [DVec2::ONE, DVec2::NEG_ONE, DVec2::new(1.0, -1.0), DVec2::new(-1.0, 1.0)]
                .map(|side| 0.5 * side * apart_m)
        });
        let pupil = if lens.defocus {
            Pupil::new(lens.iris, 0.5 * lens.focal_m / lens.f_number)
        } else {
            Pupil::Centre
        };
        let airy = (lens.diffraction == Diffraction::Convolved).then(Airy::new);
        Self {
            scene,
            frame,
            settings: *settings,
            eye: Eye::new(scene),
            parts: wall.faces().into_iter().map(|face| FacePart::new(scene, face)).collect(),
            surfaces: surfaces(scene),
            reflected: reflected(scene),
            pupil,
            directions: Directions::new(),
            airy,
            airy_m: wall.emitters.map(|e| e.wavelength_m * stop / PI),
            scatter_m,
            spots,
            front_spots,
            top_nits,
            packing,
            falloff: wall.emitters.map(|e| e.half_angle_rad.map(falloff_exponent)),
            top_duty: events::top_duty(&scene.drive),
            electrons_per_nit,
            levels: wall.levels(),
            shown: shown(scene, frame),
        }
    }

    /// One row of every plane, one after the other.
    fn row(&self, lights: &mut Lights, window: Window, y: u32) -> Vec<f32> {
        let camera = &self.scene.camera;
        let (from_s, to_s) = self.exposure_s(y);
        lights.expose(from_s, to_s);
        let mean = self.mean_of_rows();
        let planes = camera.mosaic.planes();
        let width = window.width as usize;
        let mut row = vec![0.0_f32; planes * width];
        for i in 0..width {
            let x = window.x + i as u32;
            let nits = self.photosite(lights, x, y);
            for plane in 0..planes {
                let matrix = match camera.mosaic.colour_at(x, y) {
                    Some(k) => &self.electrons_per_nit[usize::from(k).min(2)],
                    None if planes == 3 => &self.electrons_per_nit[plane],
                    None => &mean,
                };
                let sum = matrix[0] * nits[0] + matrix[1] * nits[1] + matrix[2] * nits[2];
                row[plane * width + i] = sum as f32;
            }
        }
        row
    }

    /// What a photosite without a colour makes of each emitter colour.
    fn mean_of_rows(&self) -> [f64; 3] {
        [0, 1, 2].map(|c| {
            let m = &self.electrons_per_nit;
            (m[0][c] + m[1][c] + m[2][c]) / 3.0
        })
    }

    /// Mean luminance, over points, pupil and exposure, that a photosite sees of each emitter
    /// colour, cd/m², natural vignetting included.
    fn photosite(&self, lights: &mut Lights, x: u32, y: u32) -> [f64; 3] {
        let camera = &self.scene.camera;
        // Upright picture: x to the right, y up, from the centre of the sensor.
        let centre = DVec2::new(
            f64::from(x) + 0.5 - 0.5 * f64::from(camera.columns),
            0.5 * f64::from(camera.rows) - f64::from(y) - 0.5,
        ) * camera.photosite_m;
        let side = camera.photosite_m * camera.fill_factor.sqrt();
        let place = u64::from(y) << 32 | u64::from(x);
        let key = mix(self.settings.seed ^ mix(place ^ mix(u64::from(self.frame))));
        let each = self.settings.samples.max(1).div_ceil(self.spots.len() as u32);
        let mut sum = [0.0; 3];
        for (s, &spot) in self.spots.iter().enumerate() {
            let mut sequence = Sequence::new(&self.directions, mix(key ^ s as u64));
            for _ in 0..each {
                self.sample(lights, centre + spot, side, sequence.point(), &mut sum);
            }
        }
        let cos = if self.scene.lens.vignetting { self.eye.field_cos(centre) } else { 1.0 };
        let share = cos * cos * cos * cos / (f64::from(each) * self.spots.len() as f64);
        [0, 1, 2].map(|c| sum[c] * share * self.top_nits[c])
    }

    /// Adds the light of one random point of the photosite and of the pupil.
    fn sample(
        &self,
        lights: &mut Lights,
        middle: DVec2,
        side: f64,
        u: [f64; draw::DIMENSIONS],
        sum: &mut [f64; 3],
    ) {
        let mut sensor = middle + DVec2::new(u[2] - 0.5, u[3] - 0.5) * side;
        let aberration = self.scene.lens.aberration_m;
        if aberration > 0.0 {
            sensor += gaussian(u[4], u[5]) * aberration;
        }
        if let Some(spots) = &self.front_spots {
            sensor += spots[((u[10] * 4.0) as usize).min(3)];
        }
        let pupil = self.pupil.point(u[0], u[1]);
        // Light that leaves the diffuser here came from a point of the wall aside.
        let aside = match self.scatter_m > 0.0 {
            true => gaussian(u[8], u[9]) * self.scatter_m,
            false => DVec2::ZERO,
        };
        match &self.airy {
            None => {
                if let Some(ray) = self.eye.ray(sensor, pupil) {
                    self.meet(lights, &ray, aside, 0..3, sum);
                }
            }
            Some(airy) => {
                // Every colour has its own pattern, so its own ray.
                let offset = airy.point(u[6], u[7]);
                for c in 0..3 {
                    if let Some(ray) = self.eye.ray(sensor + offset * self.airy_m[c], pupil) {
                        self.meet(lights, &ray, aside, c..c + 1, sum);
                    }
                }
            }
        }
    }

    /// Adds what a ray finds on the wall, of some colours.
    fn meet(
        &self,
        lights: &mut Lights,
        ray: &Ray,
        aside: DVec2,
        colours: std::ops::Range<usize>,
        sum: &mut [f64; 3],
    ) {
        let mut passed = 1.0;
        if let Some(foreground) = &self.scene.foreground {
            let (middle, depth_m) = foreground.seen_from(&self.scene.pose);
            let off = (ray.at_depth(depth_m) - middle) / foreground.pixel_m;
            let corner =
                DVec2::new(f64::from(foreground.columns), f64::from(foreground.rows)) / 2.0;
            let [r, g, b, opacity] = foreground.at(corner + DVec2::new(off.x, -off.y));
            passed = 1.0 - f64::from(opacity);
            for c in colours.clone() {
                let light = f64::from([r, g, b][c]) / self.top_nits[c];
                if let Some(tally) = &mut lights.tally {
                    tally.in_front(c, light, f64::from(opacity));
                }
                sum[c] += light;
            }
        }
        if passed == 0.0 {
            return;
        }
        for (number, part) in self.parts.iter().enumerate() {
            let Some(hit) = part.plane.hit(ray) else { continue };
            // Light `aside` of where the ray meets the face, which a diffuser brought there.
            let point = hit.point + aside;
            if point.abs().cmpgt(part.half_m).any() {
                continue;
            }
            for c in colours.clone() {
                let light = passed * part.face.gain[c] * self.seen(lights, number, c, &hit, point);
                if let Some(tally) = &mut lights.tally {
                    tally.share(number, c, light);
                }
                sum[c] += light;
            }
        }
        if self.reflected > 0.0 {
            for (plane, half_m) in &self.surfaces {
                let Some(hit) = plane.hit(ray) else { continue };
                if (hit.point + aside).abs().cmplt(*half_m).all() {
                    for c in colours.clone() {
                        let light = passed * self.reflected / self.packing[c];
                        if let Some(tally) = &mut lights.tally {
                            tally.reflect(c, light);
                        }
                        sum[c] += light;
                    }
                }
            }
        }
    }

    /// Light of one colour at a point of a face, 1 for top code looked at straight.
    fn seen(
        &self,
        lights: &mut Lights,
        part: usize,
        colour: usize,
        hit: &Hit,
        point: DVec2,
    ) -> f64 {
        let target = &self.parts[part].targets[colour];
        let light = target.light(point, |i, j| lights.at(part, colour, i, j));
        match self.falloff[colour] {
            Some(k) if light > 0.0 => light * libm::pow(hit.cos, k),
            _ => light,
        }
    }
}

/// A flat part of the wall.
struct FacePart {
    face: Face,
    plane: FacePlane,
    /// Nothing shines further from its middle than this, metres right and up.
    half_m: DVec2,
    targets: [Target; 3],
    /// Slot in which each of its rows lights.
    slot_of_row: Vec<usize>,
}

impl FacePart {
    fn new(scene: &Scene, face: Face) -> Self {
        let wall = &scene.wall;
        let size = face.size();
        let steady = matches!(scene.drive.kind, DriveKind::Steady | DriveKind::HeldMean { .. });
        let slots = if steady { 1 } else { scene.drive.scan.max(1) as usize };
        let panel = face.panel_rows.max(1) as usize;
        Self {
            plane: FacePlane::new(&face),
            half_m: DVec2::new(f64::from(size[0]), f64::from(size[1])) * (0.5 * wall.pitch_m)
                + wall.pitch_m,
            targets: [0, 1, 2].map(|c| Target::new(wall, size, c)),
            slot_of_row: (0..size[1] as usize).map(|row| row % panel % slots).collect(),
            face,
        }
    }
}

/// Planes of the wall's surface, and half their width and height, metres.
fn surfaces(scene: &Scene) -> Vec<(FacePlane, DVec2)> {
    let half = |face: &Face| {
        let [columns, rows] = face.size();
        DVec2::new(f64::from(columns), f64::from(rows)) * (0.5 * scene.wall.pitch_m)
    };
    scene.wall.surfaces().iter().map(|face| (FacePlane::new(face), half(face))).collect()
}

/// Luminance of room light on the face, over that of full white: ρ·E/π, once more through a diffuser.
fn reflected(scene: &Scene) -> f64 {
    let wall = &scene.wall;
    let room = wall.build.reflection;
    let passed = wall.diffuser.map_or(1.0, |d| d.transmission);
    room.reflectance * room.ambient_lx / PI * passed / (wall.white_nits * wall.brightness)
}

/// k of cos(angle)^k that is ½ at the half angle.
fn falloff_exponent(half_angle_rad: f64) -> f64 {
    libm::log(0.5) / libm::log(libm::cos(half_angle_rad))
}

/// The pictures that the wall shows around a frame, and when, wall time; none for a still.
fn shown(scene: &Scene, frame: u32) -> Vec<(Arc<WallImage>, (f64, f64))> {
    let Some(moving) = &scene.moving else { return Vec::new() };
    // A shot has asked before, so that this fails only if files go meanwhile; the first picture then stands for all.
    let Ok(shown) = scene.pictures_of_frame(frame) else { return Vec::new() };
    let last = shown.len() - 1;
    let parts = shown.into_iter().enumerate().map(|(n, part)| {
        let at = |video_frame: i64| video_frame as f64 / moving.video_hz;
        let first_s = if n == 0 { f64::NEG_INFINITY } else { at(part.first) };
        let end_s = if n == last { f64::INFINITY } else { at(part.end) };
        (part.image, (first_s, end_s))
    });
    parts.collect()
}

/// Mean light of wall pixels over the exposure of one row, worked out when first asked for.
struct Lights<'a> {
    engine: &'a Engine<'a>,
    from_s: f64,
    to_s: f64,
    /// Delays of the faces' clocks, each once, and which of them each face has.
    clocks_s: Vec<f64>,
    clock_of: Vec<usize>,
    /// `[picture][clock][colour][slot][code]`; not a number where not yet known.
    known: Vec<f64>,
    filled: Vec<usize>,
    slots: usize,
    /// Where light came from, if somebody asks.
    tally: Option<photosite::Tally>,
}

impl<'a> Lights<'a> {
    fn new(engine: &'a Engine<'a>) -> Self {
        let drive = &engine.scene.drive;
        let steady = matches!(drive.kind, DriveKind::Steady | DriveKind::HeldMean { .. });
        let slots = if steady { 1 } else { drive.scan.max(1) as usize };
        let mut clocks_s: Vec<f64> = Vec::new();
        let clock_of = engine.parts.iter().map(|part| {
            let own = part.face.clock_s;
            clocks_s.iter().position(|clock| *clock == own).unwrap_or_else(|| {
                clocks_s.push(own);
                clocks_s.len() - 1
            })
        });
        let clock_of = clock_of.collect();
        let pictures = engine.shown.len().max(1);
        let tables = pictures * clocks_s.len() * 3 * slots;
        let known = vec![f64::NAN; tables * engine.levels.len()];
        Self {
            engine,
            from_s: 0.0,
            to_s: 0.0,
            clocks_s,
            clock_of,
            known,
            filled: Vec::new(),
            slots,
            tally: None,
        }
    }

    /// Starts a new exposure, in wall time.
    fn expose(&mut self, from_s: f64, to_s: f64) {
        (self.from_s, self.to_s) = (from_s, to_s);
        for &place in &self.filled {
            self.known[place] = f64::NAN;
        }
        self.filled.clear();
    }

    /// Mean light of a pixel of a flat part over the exposure, 1 for the long-run mean of top code.
    fn at(&mut self, part: usize, colour: usize, column: usize, row: usize) -> f64 {
        let light = self.mean_light(part, colour, column, row);
        if let Some(tally) = &mut self.tally {
            tally.met.push((column, row, light));
        }
        light
    }

    fn mean_light(&mut self, part: usize, colour: usize, column: usize, row: usize) -> f64 {
        let FacePart { face, slot_of_row, .. } = &self.engine.parts[part];
        let pixel = face.pixel(column as u32, row as u32);
        let slot = slot_of_row.get(row).copied().unwrap_or(0);
        let clock = self.clock_of[part];
        let engine = self.engine;
        if engine.shown.is_empty() {
            return self.of_picture(&engine.scene.content, None, (clock, colour, slot), pixel);
        }
        let pictures = engine.shown.iter().enumerate();
        pictures
            .map(|(n, (image, _))| self.of_picture(image, Some(n), (clock, colour, slot), pixel))
            .sum()
    }

    /// What a picture, if it is number so many of those shown while it is, gives to that mean.
    fn of_picture(
        &mut self,
        image: &WallImage,
        number: Option<usize>,
        (clock, colour, slot): (usize, usize, usize),
        [x, y]: [u32; 2],
    ) -> f64 {
        let (wall, drive) = (&self.engine.scene.wall, &self.engine.scene.drive);
        let at = y as usize * wall.columns as usize + x as usize;
        let code = image.codes[colour].get(at).copied().unwrap_or(0);
        let code = usize::from(code).min(self.engine.levels.len() - 1);
        let clocks = self.clocks_s.len();
        let table = ((number.unwrap_or(0) * clocks + clock) * 3 + colour) * self.slots + slot;
        let place = table * self.engine.levels.len() + code;
        let known = self.known[place];
        if !known.is_nan() {
            return known;
        }
        let level = self.engine.levels[code];
        let late_s = self.clocks_s[clock];
        let (from_s, to_s) = (self.from_s - late_s, self.to_s - late_s);
        let lit_s = match number {
            None => events::lit_s(drive, level, colour, slot as u32, from_s, to_s),
            Some(n) => {
                let (emitter, while_s) = ((colour, slot as u32), self.engine.shown[n].1);
                events::lit_while_s(drive, level, emitter, (from_s, to_s), while_s)
            }
        };
        let mean = lit_s / (self.to_s - self.from_s) / self.engine.top_duty;
        self.known[place] = mean;
        self.filled.push(place);
        mean
    }
}
