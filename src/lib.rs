//! gridbeat predicts what a camera records of an LED video wall: moiré, scan bands, flicker and
//! stepping.
//!
//! This page is a tour of the library. The program is a thin layer on top of it ([`cli`]); what it
//! can be asked is in the README.
//!
//! # From a scene to a picture
//!
//! A **scene** is a wall, what it shows, how its light is switched, a lens, a camera, and where the
//! camera stands. It is written in YAML and read by [`scene::parse`], which returns either a checked
//! [`Scene`](scene::Scene) in SI units, or every problem in it, each with its place in the text.
//!
//! A scene is **shot**: rendered to **photoelectrons** (what light frees in each photosite before
//! any noise), **exposed** to **raw levels** (the camera's integers), and **developed** to a picture.
//!
//! ```
//! use gridbeat::render::Run;
//! use gridbeat::scene::{self, NoPictures};
//! use gridbeat::shoot::{Engine, Shot};
//!
//! let text = "
//! wall:
//!   pixel_pitch_mm: 2.6
//!   size_px: [512, 512]
//! content:
//!   solid: {light_percent: 20}
//! lens:
//!   focal_mm: 35
//!   f_number: 4
//! camera:
//!   crop: {x: 1900, y: 1060, width: 32, height: 24}
//! placement:
//!   distance_m: 5
//! ";
//! let scene = scene::parse(text, "tour", &NoPictures).expect("a scene without faults");
//! let shot = Shot::new(&scene, Engine::Fast)?;
//! let electrons = shot.electrons(0, &Run::default())?; // frame 0
//! let raw = shot.raw(&electrons, 0);
//! let picture = shot.picture(&raw)?;
//! assert_eq!((picture.width(), picture.height()), (32, 24));
//! assert!(electrons.planes[0].data.iter().all(|e| *e > 0.0));
//! # Ok::<(), gridbeat::shoot::ShootError>(())
//! ```
//!
//! # Words
//!
//! - **wall pixel**: three **emitters** (red, green, blue) on a lattice of the wall's **pitch**;
//!   **photosite**: one cell of the sensor. *Pixel* alone is said of pictures only.
//! - **code value**: the number that the wall is sent; **level**: the light it asks for, 0 to 1.
//! - **drive**: how a level becomes light over time. **Refresh**: one round of the wall's flashing;
//!   **scan**: how many rows take turns in it, each in its **slot**; **grey clock**: the smallest
//!   portion of light of a split drive.
//! - **moiré**: the wall's lattice against the photosites'. **Scan bands**: flashes against the rows
//!   of a rolling shutter. **Flicker**: light that differs from frame to frame. **Stepping**: too few
//!   grey levels. **Pixel structure**: emitters seen one by one.
//! - **clean shutter**: an exposure of a whole number of the drive's periods: no bands.
//! - **open value**: a number that is given as a range or as `unknown` ([`scene::OpenScene`],
//!   [`predict::unknowns`]).
//! - **fast engine** ([`render::fast`]) and **slow check** ([`render::rays`]): two renderers that
//!   share nothing but the scene, so that one can audit the other.
//! - **steady-wall frame**: the same wall, its light held at its mean; **ideal frame**: that, and no
//!   gaps between its emitters ([`Scene::steady_wall`](scene::Scene::steady_wall),
//!   [`Scene::ideal`](scene::Scene::ideal)). Captured against steady-wall shows bands and flicker;
//!   steady-wall against ideal shows moiré and pixel structure.
//!
//! # Units and axes
//!
//! SI everywhere: metres, seconds, radians, cd/m². A field's name ends in its unit (`pitch_m`,
//! `exposure_s`). People's units (`2.6 mm`, `1/50`, `10 ft 6 in`) end at [`scene::written`] and
//! [`units`].
//!
//! ```
//! use gridbeat::units;
//! assert!((units::parse_length_m("10 ft 6 in").unwrap() - 3.2004).abs() < 1e-12);
//! assert_eq!(units::parse_shutter_s("1/50").unwrap(), 0.02);
//! assert_eq!(units::exact_rate(23.976), 24_000.0 / 1001.0);
//! ```
//!
//! The **world** is right-handed. The wall's face lies in z = 0 and looks towards +z, its centre is
//! the origin; x goes to the right for a viewer who faces the wall, y up. The **camera** has x right,
//! y up, z backward. **Wall pixel** (0, 0) and **photosite** (0, 0) are top left; a photosite's centre
//! is at (0.5, 0.5). Pictures are upright. People's pan (right), tilt (up) and roll (clockwise, seen
//! from behind) are mapped onto this in one place, `scene/check/place.rs`.
//!
//! **Time** is counted in seconds from the start of frame 0. Row r of frame n is exposed from
//! n/fps + r·(line time) on:
//!
//! ```
//! # use gridbeat::scene::{self, NoPictures};
//! # let scene = scene::parse("
//! # wall: {pixel_pitch_mm: 2.6, size_px: [64, 64]}
//! # lens: {focal_mm: 35, f_number: 4}
//! # camera: {frame_rate_fps: 25, photosites: [3840, 2160], readout: {rolling: {readout_ms: 10.8}}}
//! # placement: {distance_m: 5}
//! # ", "time", &NoPictures).unwrap();
//! // 25 frames a second, 2160 rows read out in 10.8 ms: 5 µs a row.
//! let start_s = scene.camera.row_start_s(3, 1000);
//! assert!((start_s - (3.0 / 25.0 + 1000.0 * 5e-6)).abs() < 1e-12);
//! ```
//!
//! # A drive has no time steps
//!
//! The light of an exposure is the exact on-time of the emitter between its two ends
//! ([`wall::drive`]). That is why a clean shutter comes out clean to the last digit:
//!
//! ```
//! # use gridbeat::scene::{self, NoPictures};
//! let text = "
//! wall: {pixel_pitch_mm: 2.6, size_px: [64, 64]}
//! drive: {kind: scanned, refresh_hz: 1920, scan: 16}
//! lens: {focal_mm: 35, f_number: 4}
//! camera: {shutter_speed: 1/960}
//! placement: {distance_m: 5}
//! ";
//! let scene = scene::parse(text, "clean", &NoPictures).unwrap();
//! let timing = scene.drive.timing();
//! let light = |start_s: f64| {
//!     let (from, to) = (timing.edge(start_s, 3, 0), timing.edge(start_s + 1.0 / 960.0, 3, 0));
//!     timing.on_time_s(0.4, &from, &to) // level 0.4 of a row in slot 3, in seconds
//! };
//! // Two refreshes, whenever the row opens; each is 0.4 of a slot of 1/(1920·16) s.
//! for start_s in [0.0, 1.0e-4, 3.3e-4, 7.77e-3] {
//!     assert!((light(start_s) - 2.0 * 0.4 / (1920.0 * 16.0)).abs() < 1e-12);
//! }
//! ```
//!
//! # Rooms
//!
//! Dependencies point one way, from the last room to the first:
//!
//! | room | what is in it |
//! | --- | --- |
//! | [`units`] | quantities as people write them |
//! | [`math`] | no words of the trade |
//! | [`frame`] | buffers with size, meaning and unit |
//! | [`diag`] | problems and notes as data |
//! | [`colour`] | observer, spaces, light of an emitter |
//! | [`artefact`] | waves in pictures, what the eye makes of them, degrees |
//! | [`wall`], [`optics`], [`sensor`], [`develop`] | the physics; these four do not know each other |
//! | [`scene`] | from text to a checked scene, and what follows from it in closed form |
//! | [`render`] | scene to photoelectrons, two ways |
//! | [`predict`] | scene to answers in closed form, no pixels |
//! | [`plan`] | keys of a scene varied, judged side by side, drawn |
//! | [`shoot`] | render, expose, develop |
//! | [`measure`] | pictures to numbers: waves, bands, flicker, readout |
//! | [`input`], [`output`] | files |
//! | [`cli`] | the program |
//!
//! The same scene gives the same bits on every machine and for any number of threads.

// Tests hold the portable functions against the platform's own, as a second opinion.
#![cfg_attr(
    test,
    allow(clippy::disallowed_methods, reason = "tests use std's functions as a second opinion")
)]

pub mod artefact;
pub mod cli;
pub mod colour;
pub mod develop;
pub mod diag;
pub mod frame;
pub mod generate;
pub mod input;
pub mod math;
pub mod measure;
pub mod optics;
pub mod output;
pub mod plan;
pub mod predict;
pub mod render;
pub mod scene;
pub mod sensor;
pub mod shoot;
pub mod units;
pub mod wall;
