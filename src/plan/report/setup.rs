//! The set-up drawn to scale, from above and from the side: the wall, the camera and what its frame takes in, the plane in
//! focus, the depth of field, and who or what stands before the wall.

use super::page::escaped;
use crate::scene::Scene;
use crate::scene::derived::derived;
use crate::units::{length, number};
use glam::{DVec2, DVec3};
use std::f64::consts::PI;
use std::fmt::Write as _;

/// Width of a drawing, in its own units; text is 11 of them high.
const WIDTH: f64 = 360.0;
/// Room for drawing in it.
const ROOM: [f64; 2] = [330.0, 270.0];
/// Left of the drawing, for the camera's back.
const LEFT: f64 = 24.0;
/// The drawing goes so many times as far as the wall, so that what lies behind it shows a little.
const BEYOND: f64 = 1.12;
/// A minute of arc, radians: what normal sight (20/20) resolves.
const ARC_MINUTE_RAD: f64 = PI / 10_800.0;

/// Largest blur disc on the sensor that looks sharp, metres: a minute of arc in the picture as it is watched.
pub fn sharp_disc_m(scene: &Scene) -> f64 {
    let height_m = f64::from(scene.camera.sensor_window().height) * scene.camera.photosite_m;
    height_m * scene.viewing.distance_heights * libm::tan(ARC_MINUTE_RAD)
}

/// Nearest and farthest distance from the lens, metres along its axis, that look sharp; the farthest is `None` at infinity.
///
/// A thin lens whose focus is s makes of a point at d a disc of c = A·v·|1/s − 1/d|, with A = f/N the aperture and v the image's
/// distance (R. Kingslake, Optics in Photography, 1992, chapter 5, in another form). Set to [`sharp_disc_m`]: 1/d = 1/s ± c/(A·v).
pub fn depth_of_field_m(scene: &Scene) -> (f64, Option<f64>) {
    let lens = &scene.lens;
    let per_metre = sharp_disc_m(scene) / (lens.focal_m / lens.f_number * lens.image_m());
    let focus = 1.0 / lens.focus_m;
    let far = focus - per_metre;
    (1.0 / (focus + per_metre), (far > 0.0).then(|| 1.0 / far))
}

/// Which side it is looked at from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum From {
    Above,
    Side,
}

/// A drawing in metres: to the right is towards the wall, down is to the camera's right, or down.
impl From {
    fn flat(self, p: DVec3) -> DVec2 {
        match self {
            Self::Above => DVec2::new(-p.z, p.x),
            Self::Side => DVec2::new(-p.z, -p.y),
        }
    }
}

/// What is drawn, in metres.
struct Shapes {
    wall: Vec<[DVec2; 2]>,
    /// An arc from the side: its facets lie behind each other.
    bent_aside: bool,
    /// From the lens along both edges of the frame.
    edges: [[DVec2; 2]; 2],
    axis: [DVec2; 2],
    focus: Option<[DVec2; 2]>,
    sharp: Option<[DVec2; 4]>,
    foreground: Option<[DVec2; 2]>,
    subject: Option<DVec2>,
    lens: DVec2,
    forward: DVec2,
}

/// Direction in the world in which a point of the sensor looks, a metre deep along the axis; distortion left out.
fn looks(scene: &Scene, point: DVec2) -> DVec3 {
    let camera = &scene.camera;
    let off = point - DVec2::new(f64::from(camera.columns), f64::from(camera.rows)) / 2.0;
    let off = off * camera.photosite_m / scene.lens.image_m();
    scene.pose.turn * DVec3::new(off.x * scene.lens.squeeze, -off.y, -1.0)
}

fn shapes(scene: &Scene, from: From) -> Shapes {
    let pose = &scene.pose;
    let (lens_m, forward) = (pose.lens_m, -pose.turn.z_axis);
    let window = scene.camera.sensor_window();
    let (x, y) = (f64::from(window.x), f64::from(window.y));
    let (w, h) = (f64::from(window.width), f64::from(window.height));
    let points = match from {
        From::Above => [DVec2::new(x, y + h / 2.0), DVec2::new(x + w, y + h / 2.0)],
        From::Side => [DVec2::new(x + w / 2.0, y), DVec2::new(x + w / 2.0, y + h)],
    };
    let edges = points.map(|point| looks(scene, point));
    // How deep along the axis the wall lies, or as far as it is away.
    let met = |along: DVec3| scene.wall.met(lens_m, along).map(|(far, _)| far);
    let plane = |along: DVec3| (along.z < -1e-3).then(|| -lens_m.z / along.z);
    let depth = met(forward).or_else(|| plane(forward)).unwrap_or(0.0);
    let reach = BEYOND * depth.clamp(lens_m.z.abs(), 2.0 * lens_m.length().max(0.1));
    let end = |along: DVec3| {
        let far = met(along).or_else(|| plane(along)).unwrap_or(reach);
        lens_m + along * far.min(1.6 * reach)
    };
    let at = |p: DVec3| from.flat(p);
    let across = |depth: f64| edges.map(|along| lens_m + along * depth);
    let (near, far) = depth_of_field_m(scene);
    let far = far.unwrap_or(reach).min(reach);
    let sharp = (near < reach).then(|| {
        let ([a, b], [c, d]) = (across(near), across(far));
        [at(a), at(b), at(d), at(c)]
    });
    let focus = (scene.lens.focus_m <= reach).then(|| across(scene.lens.focus_m).map(at));
    let foreground = scene.foreground.as_ref().map(|f| {
        let (width_m, height_m) = f.size_m();
        let half = match from {
            From::Above => pose.turn.x_axis * width_m / 2.0,
            From::Side => pose.turn.y_axis * height_m / 2.0,
        };
        [at(f.centre_m - half), at(f.centre_m + half)]
    });
    let wall = scene
        .wall
        .sheets()
        .into_iter()
        .flat_map(|(face, size_m)| {
            let half = size_m / 2.0;
            let line = |a: DVec2, b: DVec2| [at(face.world(a)), at(face.world(b))];
            match from {
                From::Above => vec![line(DVec2::new(-half.x, 0.0), DVec2::new(half.x, 0.0))],
                From::Side => [-half.x, half.x]
                    .map(|x| line(DVec2::new(x, -half.y), DVec2::new(x, half.y)))
                    .to_vec(),
            }
        })
        .collect();
    let subject = scene.subject_m.filter(|_| foreground.is_none());
    Shapes {
        wall,
        bent_aside: from == From::Side && scene.wall.build.bend.is_some(),
        edges: edges.map(|along| [at(lens_m), at(end(along))]),
        axis: [at(lens_m), at(end(forward))],
        focus,
        sharp,
        foreground,
        subject: subject.map(|m| at(lens_m + forward * m)),
        lens: at(lens_m),
        forward: at(lens_m + forward) - at(lens_m),
    }
}

impl Shapes {
    /// Everything that must be in the drawing.
    fn points(&self) -> Vec<DVec2> {
        let mut all: Vec<DVec2> = self.wall.iter().flatten().copied().collect();
        all.extend(self.edges.iter().flatten());
        all.extend(self.axis);
        all.extend(self.focus.iter().flatten());
        all.extend(self.sharp.iter().flatten());
        all.extend(self.foreground.iter().flatten());
        all.extend(self.subject);
        all
    }
}

/// The least and the most of points.
fn extent(points: &[DVec2]) -> [DVec2; 2] {
    let start = [DVec2::INFINITY, DVec2::NEG_INFINITY];
    points.iter().fold(start, |[low, high], p| [low.min(*p), high.max(*p)])
}

/// Distance of a point from the line through two others, metres.
fn near_line(p: DVec2, [a, b]: [DVec2; 2]) -> f64 {
    let along = (b - a).normalize_or_zero();
    (p - a).perp_dot(along).abs()
}

/// A round step of at least so much.
fn step_from(least: f64) -> f64 {
    let ten = libm::pow(10.0, libm::floor(libm::log10(least)));
    [1.0, 2.0, 5.0, 10.0].map(|m| m * ten).into_iter().find(|s| *s >= least).unwrap_or(least)
}

/// Both drawings, from above and from the side, each with its title and its SVG.
pub(super) fn drawings(scene: &Scene) -> [(&'static str, String); 2] {
    let views = [From::Above, From::Side].map(|from| (from, shapes(scene, from)));
    // One scale for both.
    let boxes = views.each_ref().map(|(_, shapes)| extent(&shapes.points()));
    let left = boxes[0][0].x.min(boxes[1][0].x);
    let right = boxes[0][1].x.max(boxes[1][1].x);
    let high = boxes.iter().map(|[low, high]| high.y - low.y).fold(0.0, f64::max);
    let scale = (ROOM[0] / (right - left).max(1e-3)).min(ROOM[1] / high.max(1e-3));
    let about = words(scene).join("; ");
    let mut out = views.iter().zip(boxes).map(|((from, shapes), [low, high])| {
        let title = match from {
            From::Above => "From above; the camera's right is below",
            From::Side => "From the side, as seen from the camera's right",
        };
        let size = [left, low.y, high.y];
        (title, draw(shapes, size, scale, &format!("{title}, to scale: {about}")))
    });
    // There are two.
    let empty = || ("", String::new());
    [out.next().unwrap_or_else(empty), out.next().unwrap_or_else(empty)]
}

fn draw(shapes: &Shapes, [left, top, bottom]: [f64; 3], scale: f64, about: &str) -> String {
    let (above, below) = (14.0, 44.0);
    let room = ((bottom - top) * scale).max(24.0);
    let middle = (top + bottom) / 2.0;
    let place = |p: DVec2| {
        DVec2::new(LEFT + (p.x - left) * scale, above + room / 2.0 + (p.y - middle) * scale)
    };
    let height = above + room + below;
    let mut out = format!(
        "<svg class=\"drawing\" viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" aria-label=\"{}\" font-size=\"11\">\n",
        escaped(about)
    );
    // Writing to a string does not fail, here and below.
    let line = |out: &mut String, [a, b]: [DVec2; 2], how: &str| {
        let (a, b) = (place(a), place(b));
        let _ = writeln!(
            out,
            "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" {how}/>",
            a.x, a.y, b.x, b.y
        );
    };
    if let Some(sharp) = shapes.sharp {
        let corners = sharp.map(place).map(|p| format!("{:.1},{:.1}", p.x, p.y)).join(" ");
        let _ = writeln!(
            out,
            "<polygon points=\"{corners}\" fill=\"url(#sharp)\" stroke=\"#2d6480\" stroke-width=\"0.5\"/>"
        );
    }
    line(&mut out, shapes.axis, AXIS);
    for edge in shapes.edges {
        line(&mut out, edge, EDGE);
    }
    // A focus on the wall looks out from behind it.
    if let Some([a, b]) = shapes.focus
        && shapes.wall.iter().flatten().any(|p| near_line(*p, [a, b]) * scale < 4.0)
    {
        line(&mut out, [a, b], FOCUS_BEHIND);
    }
    for wall in &shapes.wall {
        line(&mut out, *wall, if shapes.bent_aside { BENT } else { WALL });
    }
    if let Some(focus) = shapes.focus {
        line(&mut out, focus, FOCUS);
    }
    if let Some(foreground) = shapes.foreground {
        line(&mut out, foreground, SUBJECT);
    }
    if let Some(p) = shapes.subject.map(place) {
        let _ = writeln!(out, "<g transform=\"translate({:.1} {:.1})\">{DIAMOND}</g>", p.x, p.y);
    }
    let lens = place(shapes.lens);
    let turn_deg = libm::atan2(shapes.forward.y, shapes.forward.x) * 180.0 / PI;
    let _ = writeln!(
        out,
        "<g transform=\"translate({:.1} {:.1}) rotate({turn_deg:.1})\">{CAMERA}</g>",
        lens.x, lens.y
    );
    // A scale from the wall's plane to the camera.
    let base = above + room + 14.0;
    let step = step_from(30.0 / scale);
    let wall_x = place(DVec2::ZERO).x;
    let count = libm::floor((wall_x - LEFT) / scale / step + 1e-9).max(1.0);
    let first = wall_x - count * step * scale;
    let _ = writeln!(
        out,
        "<path d=\"M{first:.1} {base:.1}H{wall_x:.1}\" stroke=\"#161616\" fill=\"none\"/>"
    );
    for i in 0..=(count as u32) {
        let x = wall_x - f64::from(i) * step * scale;
        let _ = writeln!(
            out,
            "<path d=\"M{x:.1} {base:.1}v4\" stroke=\"#161616\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            base + 15.0,
            number(f64::from(i) * step)
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">metres from the wall's plane</text>\n</svg>",
        ((first + wall_x) / 2.0).clamp(80.0, WIDTH - 80.0),
        base + 27.0
    );
    out
}

const WALL: &str = "stroke=\"#000000\" stroke-width=\"4.5\"";
const BENT: &str = "stroke=\"#000000\" stroke-width=\"1.4\"";
const EDGE: &str = "stroke=\"#161616\" stroke-width=\"0.9\"";
const AXIS: &str = "stroke=\"#6b6b6b\" stroke-width=\"0.7\" stroke-dasharray=\"8 3 1 3\"";
const FOCUS_BEHIND: &str = "stroke=\"#1d4a5f\" stroke-width=\"10\" stroke-dasharray=\"5 3\"";
const FOCUS: &str = "stroke=\"#1d4a5f\" stroke-width=\"2.2\" stroke-dasharray=\"5 3\"";
const SUBJECT: &str = "stroke=\"#7a2f12\" stroke-width=\"3\" stroke-dasharray=\"1.5 1.5\"";
const DIAMOND: &str =
    "<path d=\"M0 -5L4 0L0 5L-4 0Z\" fill=\"#ffffff\" stroke=\"#7a2f12\" stroke-width=\"1.6\"/>";
const CAMERA: &str = "<path d=\"M0 -4V4L-6 2.5V-2.5ZM-6 -5.5H-20V5.5H-6Z\" fill=\"#161616\"/>";

/// A metre-long thing in words, to the millimetre or centimetre.
fn metres(m: f64) -> String {
    length(libm::round(m * 1000.0) / 1000.0)
}

/// What is drawn, with its numbers.
fn words(scene: &Scene) -> Vec<String> {
    legend(scene).into_iter().map(|(_, words)| words).collect()
}

/// The lines of the drawings, each with a sample and its numbers.
pub(super) fn legend(scene: &Scene) -> Vec<(String, String)> {
    let numbers = derived(scene);
    let sample = |inner: &str| {
        format!(
            "<svg viewBox=\"0 0 40 14\" width=\"40\" height=\"14\" aria-hidden=\"true\">{inner}</svg>"
        )
    };
    let stroke = |how: &str| sample(&format!("<line x1=\"1\" y1=\"7\" x2=\"39\" y2=\"7\" {how}/>"));
    let moved =
        |inner: &str, x: u32| sample(&format!("<g transform=\"translate({x} 7)\">{inner}</g>"));
    let (width_m, height_m) = scene.wall.size_m();
    let mut wall = format!(
        "the wall: {} wide, {} high, {} from pixel to pixel",
        metres(width_m),
        metres(height_m),
        length(scene.wall.pitch_m)
    );
    if let Some(bend) = scene.wall.build.bend {
        let way = if bend.convex { "towards the camera" } else { "around the camera" };
        let _ = write!(wall, ", on an arc of {} radius that bends {way}", metres(bend.radius_m));
    }
    let lens_m = scene.pose.lens_m;
    let mut camera = format!(
        "the camera (its size is a symbol): lens {} before the wall's plane",
        metres(lens_m.z)
    );
    for (value, [minus, plus], of) in
        [(lens_m.x, ["left", "right"], "of"), (lens_m.y, ["below", "above"], "")]
    {
        if value.abs() >= 5e-4 {
            let side = if value < 0.0 { minus } else { plus };
            let of = if of.is_empty() { String::new() } else { format!(" {of}") };
            let _ = write!(camera, ", {} {side}{of} its middle", metres(value.abs()));
        }
    }
    let mut view = format!(
        "what the frame takes in: {}° across, {}° upright",
        number(libm::round(numbers.view.across_deg * 10.0) / 10.0),
        number(libm::round(numbers.view.upright_deg * 10.0) / 10.0)
    );
    if let (Some(w), Some(h)) = (numbers.view.width_at_wall_m, numbers.view.height_at_wall_m) {
        let _ = write!(view, "; at the wall {} by {}", metres(w), metres(h));
    }
    let focus = format!(
        "in focus: {} from the sensor-plane mark, {} from the lens",
        metres(numbers.lens.focus_from_sensor_m),
        metres(scene.lens.focus_m)
    );
    let (near, far) = depth_of_field_m(scene);
    let far = far.map_or("infinity".into(), metres);
    let sharp = format!(
        "depth of field: {} to {far} from the lens looks sharp (blur of a minute of arc for who watches from {} picture heights)",
        metres(near),
        number(scene.viewing.distance_heights)
    );
    let sharp_sample = sample(
        "<rect x=\"1\" y=\"1\" width=\"38\" height=\"12\" fill=\"url(#sharp)\" stroke=\"#2d6480\" stroke-width=\"0.5\"/>",
    );
    let mut all = vec![
        (stroke(WALL), wall),
        (moved(CAMERA, 30), camera),
        (stroke(EDGE), view),
        (stroke(AXIS), "the lens axis".to_owned()),
        (stroke(FOCUS), focus),
        (sharp_sample, sharp),
    ];
    if let Some(f) = &scene.foreground {
        let (w, h) = f.size_m();
        let (_, depth_m) = f.seen_from(&scene.pose);
        all.push((
            stroke(SUBJECT),
            format!(
                "what stands before the wall: {} wide, {} high, {} from the lens",
                metres(w),
                metres(h),
                metres(depth_m)
            ),
        ));
    } else if let Some(m) = scene.subject_m {
        all.push((moved(DIAMOND, 20), format!("the subject: {} from the lens", metres(m))));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::transfer::blur_disc_m;
    use crate::scene::{NoPictures, parse};

    fn scene(more: &str) -> Scene {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.5, size_px: [1600, 800]}}\nplacement: {{distance_m: 6, measured_from: lens}}\n{more}\n"
        );
        parse(&text, "setup", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
    }

    #[test]
    fn the_ends_of_the_depth_of_field_have_the_disc_that_looks_sharp() {
        let scene = scene("lens: {focal_mm: 50, f_number: 2.8, focus: {distance_m: 3}}");
        let disc_m = sharp_disc_m(&scene);
        // 2160 rows of 6 µm, 3.2 picture heights, a minute of arc.
        assert!((disc_m - 12.96e-3 * 3.2 * 2.908_882e-4).abs() < 1e-10, "{disc_m}");
        let (near, far) = depth_of_field_m(&scene);
        let far = far.expect("not infinity");
        assert!(near < scene.lens.focus_m && scene.lens.focus_m < far);
        // The optics' own blur disc, written elsewhere.
        for end in [near, far] {
            let found = blur_disc_m(&scene.lens, end).abs();
            assert!((found / disc_m - 1.0).abs() < 1e-9, "{end}: {found}");
        }
        let wide = self::scene("lens: {focal_mm: 18, f_number: 16, focus: {distance_m: 3}}");
        assert_eq!(depth_of_field_m(&wide).1, None);
    }

    #[test]
    fn the_frame_s_edges_end_where_it_ends_on_the_wall() {
        let scene = scene("lens: {focal_mm: 35, f_number: 4}");
        let view = derived(&scene).view;
        for (from, want) in
            [(From::Above, view.width_at_wall_m), (From::Side, view.height_at_wall_m)]
        {
            let shapes = shapes(&scene, from);
            let [[_, a], [_, b]] = shapes.edges;
            let found = (a - b).length();
            assert!((found - want.expect("a plane")).abs() < 1e-9, "{found}");
        }
    }

    #[test]
    fn a_scale_has_round_steps() {
        assert_eq!(
            [0.3, 1.0, 1.2, 4.0, 7.0, 23.0].map(step_from),
            [0.5, 1.0, 2.0, 5.0, 10.0, 50.0]
        );
    }
}
