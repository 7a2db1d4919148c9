//! Predicted frames for a report: the whole frame made smaller, a part of it pixel for pixel, and what is not in the plate.

use super::super::render::progress::Progress;
use crate::artefact::{Degree, Kind};
use crate::develop::{
    ColourSpace, DeliveryTransfer, deviation_picture, overview, preview_crop, scale_end,
};
use crate::frame::Picture;
use crate::measure::Trio;
use crate::output::{Coding, Depth, Format, Notes, PngPicture};
use crate::plan::report::Shown;
use crate::predict::{Settings, predict};
use crate::scene::Scene;
use crate::shoot::Twins;
use crate::units::percent;
use glam::DVec2;
use std::io::Cursor;

/// Renders that a scene needs.
pub(super) const RENDERS: usize = 2;
/// Largest width and height of the whole frame.
const WHOLE: (u32, u32) = (900, 700);
/// Columns and rows of the part: narrow enough for a telephone, so that nothing scales it.
const PART: (u32, u32) = (336, 240);

/// Renders a scene's first frame. It is developed for screens, whatever the delivery's colours and curve.
pub(super) fn of(scene: &Scene, progress: &mut Progress) -> anyhow::Result<Vec<Shown>> {
    let mut scene = scene.clone();
    scene.deliveries.truncate(1);
    for delivered in &mut scene.deliveries {
        delivered.delivery.colour_space = ColourSpace::Bt709;
        delivered.delivery.transfer = DeliveryTransfer::Srgb;
    }
    let name = scene.name.clone();
    let finding = predict(&scene, &Settings::full());
    let twins = Twins::new(scene);
    let scene = twins.scene();
    let mut shots = twins.shots(1, 0)?;
    let run = progress.run(format!("{name}: frame"));
    let shot = shots.captured();
    let electrons = shot.electrons(0, &run)?;
    let picture = shot.picture(&shot.raw(&electrons, 0))?;
    let light = shot.light_of(&electrons, 0)?;
    drop(electrons);
    progress.next();
    let run = progress.run(format!("{name}: the same without artefacts"));
    let twin = shots.beside(0, light, &run)?;
    progress.next();
    let trio = Trio {
        captured: &twin.captured.planes,
        lattice: &twin.lattice.planes,
        ideal: &twin.ideal.planes,
        given: &twin.given,
        white: twin.white,
    };
    let field = trio.ratio_field()?;
    // The part is where the worst fringes are, else the middle.
    let fringes = |kind| {
        let found = finding.of(kind).filter(|f| f.worst.degree != Degree::Clean);
        found.map(|f| (f.worst.multiple, f.point))
    };
    let worst = [fringes(Kind::Moire), fringes(Kind::PixelStructure)].into_iter().flatten();
    let point = worst.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, point)| point);
    let size = (picture.width() as u32, picture.height() as u32);
    let (corner, part) = part(scene, size, point);
    let look = |picture: &Picture| shown(picture, &name);
    let whole = overview(&picture, WHOLE.0, WHOLE.1);
    let mut all = Vec::new();
    // A picture too small to be made smaller stands for itself below.
    if let Ok(whole) = whole {
        all.push(Shown {
            alt: format!("The whole predicted frame of {name}, made smaller."),
            caption: "The whole frame, made smaller: for the framing, not for judging. Scaling hides moiré or makes one.".to_owned(),
            exact: false,
            ..look(&whole)?
        });
    }
    let cut = |picture: &Picture| preview_crop(picture, corner, part, 1);
    let place =
        format!("{} × {} pixels from column {}, row {}", part.0, part.1, corner.0, corner.1);
    all.push(Shown {
        alt: format!("A part of the predicted frame of {name}, {place}, pixel for pixel."),
        caption: format!(
            "A part of the frame 1:1 ({place}), {}. Look at it on a screen at 100 %; print makes a moiré of its own.",
            if point.is_some() { "where moiré or pixels are worst" } else { "its middle" }
        ),
        exact: true,
        ..look(&cut(&picture)?)?
    });
    let planes = cut(&Picture { planes: field.planes })?.planes;
    let end = scale_end(&planes);
    let map = deviation_picture(&planes, end, "CAPTURED / IDEAL")?;
    all.push(Shown {
        alt: format!("What the camera adds to the plate in that part of {name}: mid-grey is nothing, white and black are {} more and less.", percent(end)),
        caption: format!(
            "The same part, artefacts alone: what is recorded against the plate as it should look, without noise. Mid-grey is no difference, white {} more light, black {} less; checked grey where nothing can be said.",
            percent(end),
            percent(end)
        ),
        exact: true,
        ..look(&map)?
    });
    Ok(all)
}

/// Corner and size of the part that is shown, in the picture's pixels; around a place of the sensor, else in the middle.
fn part(scene: &Scene, size: (u32, u32), point: Option<DVec2>) -> ((u32, u32), (u32, u32)) {
    let window = scene.camera.sensor_window();
    let corner = DVec2::new(f64::from(window.x), f64::from(window.y));
    let extent = DVec2::new(f64::from(window.width), f64::from(window.height));
    let share = point.map_or(DVec2::splat(0.5), |p| (p - corner) / extent);
    let cut = |whole: u32, most: u32, share: f64| {
        let length = most.min(whole);
        let start = libm::round(share * f64::from(whole) - f64::from(length) / 2.0);
        (start.clamp(0.0, f64::from(whole - length)) as u32, length)
    };
    let (x, width) = cut(size.0, PART.0, share.x);
    let (y, height) = cut(size.1, PART.1, share.y);
    ((x, y), (width, height))
}

/// A picture as a PNG, still without words.
fn shown(picture: &Picture, name: &str) -> anyhow::Result<Shown> {
    let coding = Coding { space: ColourSpace::Bt709, transfer: DeliveryTransfer::Srgb };
    let notes = Notes::new(name);
    let mut bytes = Cursor::new(Vec::new());
    PngPicture { picture, depth: Depth::Eight, coding, notes: &notes }.encode(&mut bytes)?;
    Ok(Shown {
        png: bytes.into_inner(),
        size: (picture.width(), picture.height()),
        exact: true,
        alt: String::new(),
        caption: String::new(),
    })
}
