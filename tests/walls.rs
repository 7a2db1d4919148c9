//! Walls that are more than one flat sheet, against closed forms.

use crate::stage;
use crate::truth::{closed_form, render};
use glam::{DMat3, DVec2, DVec3};
use gridbeat::frame::{Electrons, Window};
use gridbeat::scene::{Edit, NoPictures, Scene, parse_edited};
use gridbeat::wall::drive::DriveKind;
use gridbeat::wall::{Bend, Build, Reflection, Spread, WallImage};
use std::f64::consts::FRAC_PI_2;
use std::sync::Arc;

fn largest_difference(a: &Electrons, b: &Electrons) -> f64 {
    let pairs = a.planes[0].data.iter().zip(&b.planes[0].data);
    let mean =
        b.planes[0].data.iter().map(|v| f64::from(*v)).sum::<f64>() / b.planes[0].data.len() as f64;
    pairs.map(|(a, b)| f64::from((a - b).abs())).fold(0.0, f64::max) / mean
}

#[test]
fn an_arc_without_bound_is_the_flat_wall() {
    let mut worst = 0.0_f64;
    for (disc, turn) in [(0.0, [0.0; 3]), (6.0, [0.0; 3]), (2.0, [14.0, -6.0, 3.0])] {
        let mut flat = stage::plain();
        stage::waves(&mut flat, 29.0, 0.2);
        stage::place(&mut flat, 2.1, disc, DVec2::new(0.01, 0.02), turn);
        let window = stage::window(&flat, 5, -3, 200, 120);
        let straight = render(&flat, 0, window);
        for convex in [false, true] {
            let differ = |radius_m: f64| {
                let mut bent = flat.clone();
                bent.wall.build.bend = Some(Bend { radius_m, convex, facet_columns: 40 });
                largest_difference(&render(&bent, 0, window), &straight)
            };
            let (near, far) = (differ(3.0), differ(1e9));
            println!("disc {disc}, {turn:?}, convex {convex}: {near:.2e} at 3 m, {far:.2e}");
            assert!(near > 1e-3, "a bend of 3 m shows");
            worst = worst.max(far);
        }
    }
    assert!(worst <= 1e-6, "{worst}");
}

#[test]
fn facets_meet_edge_to_edge_and_touch_their_circle() {
    for (convex, side) in [(false, 1.0), (true, -1.0)] {
        let mut wall = stage::plain().wall;
        let bend = Bend { radius_m: 0.9, convex, facet_columns: 40 };
        wall.build.bend = Some(bend);
        let faces = wall.faces();
        assert_eq!(faces.len(), 6);
        let half_m = 20.0 * wall.pitch_m;
        // Twice the angle of a right triangle with legs of the radius and half a facet.
        let step = 2.0 * libm::atan(half_m / 0.9);
        assert!((wall.facet_angle_rad() - step).abs() < 1e-12);
        let axis = DVec3::new(0.0, 0.0, side * 0.9);
        for face in &faces {
            let out = face.centre_m - axis;
            assert!((out.length() - 0.9).abs() < 1e-12, "on the circle");
            assert!((face.axes.z_axis + side * out / 0.9).length() < 1e-12, "tangent");
            assert!((face.axes.determinant() - 1.0).abs() < 1e-12);
        }
        for pair in faces.windows(2) {
            let (right, left) = (DVec2::new(half_m, 0.1), DVec2::new(-half_m, 0.1));
            assert!((pair[0].world(right) - pair[1].world(left)).length() < 1e-12, "edge to edge");
            assert!(pair[0].centre_m.x < pair[1].centre_m.x, "from left to right");
        }
        // The ends of a concave arc come forward.
        assert!(side * faces[0].centre_m.z > 0.01);
        let (far, cosine) = wall.met(DVec3::new(0.0, 0.0, 0.5), DVec3::NEG_Z).expect("met");
        assert!((far - 0.5).abs() < 0.005 && cosine > 0.99, "{far} {cosine}");
    }
}

/// Area of a polygon by the sum of its edges' cross products, times two.
fn area(corners: &[DVec2]) -> f64 {
    let next = corners.iter().cycle().skip(1);
    corners.iter().zip(next).map(|(a, b)| a.perp_dot(*b)).sum::<f64>().abs() / 2.0
}

#[test]
fn no_emitter_across_a_joint_is_lost_or_doubled() {
    // Light of an emitter = its image's area in photosites, times the light of a white that fills the view, times pixel over
    // emitter: the image by a pinhole, corner by corner.
    for (convex, seam_m) in [(false, 0.0), (true, 0.0), (false, 2e-3)] {
        let mut scene = stage::plain();
        scene.wall.panel_columns = 40;
        scene.wall.build.bend = Some(Bend { radius_m: 0.4, convex, facet_columns: 40 });
        scene.wall.build.seam_m = seam_m;
        let lit = |i: u32, j: u32| (115..125).contains(&i) && (75..85).contains(&j);
        let image = stage::show(&scene.wall, |_, i, j| f64::from(u8::from(lit(i, j))));
        scene.content = Arc::new(image);
        stage::place(&mut scene, 4.3, 0.7, DVec2::ZERO, [7.0, -4.0, 2.0]);
        let frame = render(&scene, 0, stage::window(&scene, 0, 0, 200, 160));
        let total: f64 = frame.planes[0].data.iter().map(|v| f64::from(*v)).sum();

        let per_m = scene.lens.image_m() / scene.camera.photosite_m;
        let image_of = |place_m: DVec3| {
            let c = scene.pose.turn.transpose() * (place_m - scene.pose.lens_m);
            c.truncate() * (per_m / -c.z)
        };
        let mut expected = 0.0;
        let white = closed_form(&scene).into_iter().sum::<f64>() / 3.0;
        // All three colours have emitters of one size, and a white wall's light is theirs in equal parts of area.
        let pitch_m = scene.wall.pitch_m;
        for face in scene.wall.faces() {
            let [columns, rows] = face.size();
            for row in 0..rows {
                for column in 0..columns {
                    let [i, j] = face.pixel(column, row);
                    if !lit(i, j) {
                        continue;
                    }
                    let middle = DVec2::new(
                        f64::from(column) + 0.5 - f64::from(columns) / 2.0,
                        f64::from(rows) / 2.0 - f64::from(row) - 0.5,
                    ) * pitch_m;
                    for (emitter, share) in scene.wall.emitters.iter().zip(shares(&scene)) {
                        let (w, h) = (0.34e-3, 0.75e-3);
                        let corners = [(-w, -h), (w, -h), (w, h), (-w, h)]
                            .map(|(x, y)| middle + emitter.offset_m + DVec2::new(x, y))
                            .map(|corner| image_of(face.world(corner)));
                        expected +=
                            white * share * area(&corners) * pitch_m * pitch_m / (4.0 * w * h);
                    }
                }
            }
        }
        let off = total / expected - 1.0;
        println!("convex {convex}, seam {seam_m}: {off:.2e}");
        assert!(off.abs() < 1e-4, "convex {convex}, seam {seam_m}: {off}");
    }
}

/// Share of each emitter colour in the electrons of white, by rendering-free arithmetic: one colour at a time.
fn shares(scene: &Scene) -> [f64; 3] {
    let sum = |scene: &Scene| closed_form(scene).into_iter().sum::<f64>();
    let all = sum(scene);
    [0, 1, 2].map(|c| {
        let mut one = scene.clone();
        for row in &mut one.camera.matrix {
            for (k, value) in row.iter_mut().enumerate() {
                if k != c {
                    *value = 0.0;
                }
            }
        }
        sum(&one) / all
    })
}

#[test]
fn a_black_wall_in_ambient_light_has_the_closed_form_s_level() {
    // L = ρ·E/π (Lambert), seen as a white of that luminance.
    let mut worst = 0.0_f64;
    for (bend, diffuser) in [(None, 1.0), (Some(3.0), 1.0), (None, 0.6)] {
        for ambient_lx in [50.0, 2000.0] {
            let mut scene = stage::plain();
            let reflection = Reflection { reflectance: 0.07, ambient_lx };
            scene.wall.build.reflection = reflection;
            scene.wall.build.bend =
                bend.map(|radius_m| Bend { radius_m, convex: false, facet_columns: 40 });
            if diffuser < 1.0 {
                scene.wall.diffuser = Some(gridbeat::wall::Diffuser {
                    stand_off_m: 2e-3,
                    scatter_rad: 0.3,
                    transmission: diffuser,
                });
            }
            scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| 0.0));
            stage::place(&mut scene, 2.0, 3.0, DVec2::ZERO, [0.0; 3]);
            let frame = render(&scene, 0, stage::window(&scene, 11, 4, 120, 80));
            let mut bright = scene.clone();
            bright.wall.diffuser = None;
            bright.wall.brightness = 1.0;
            bright.wall.white_nits = 0.07 * ambient_lx / std::f64::consts::PI * diffuser.powi(2);
            let expected = closed_form(&bright).into_iter().sum::<f64>() / 3.0;
            for value in &frame.planes[0].data {
                worst = worst.max((f64::from(*value) / expected - 1.0).abs());
            }
        }
    }
    println!("worst {worst:.2e}");
    assert!(worst < 1e-3, "{worst}");
}

#[test]
fn a_turned_cabinet_is_the_cabinet_seen_by_a_turned_camera() {
    // A cabinet 80 × 60 as it hangs; turning it and the camera back gives the same picture.
    let mut hung = stage::plain();
    hung.drive.kind = DriveKind::Scanned;
    hung.drive.scan = 16;
    hung.camera.exposure_s = 1.0 / 3000.0;
    hung.wall.emitters[1].offset_m.y = 0.3e-3;
    (hung.wall.columns, hung.wall.rows) = (80, 60);
    (hung.wall.panel_columns, hung.wall.panel_rows) = (80, 60);
    stage::waves(&mut hung, 17.0, 0.2);
    stage::place(&mut hung, 2.2, 1.0, DVec2::new(0.01, -0.01), [6.0, 2.0, 1.0]);
    let window = stage::window(&hung, 3, 5, 150, 120);
    let upright = render(&hung, 0, window);
    for quarters in 1..4_u8 {
        let mut turned = hung.clone();
        turned.wall.build.turned = vec![quarters];
        let seen = render(&turned, 0, window);
        assert!(largest_difference(&seen, &upright) > 0.05, "a turn shows");

        // The cabinet as built, its codes where the turn brings them from, and the camera turned back.
        let mut plain = hung.clone();
        let swapped = quarters % 2 == 1;
        let (columns, rows) = if swapped { (60, 80) } else { (80, 60) };
        (plain.wall.columns, plain.wall.rows) = (columns, rows);
        (plain.wall.panel_columns, plain.wall.panel_rows) = (columns, rows);
        let mut codes: [Vec<u16>; 3] = Default::default();
        for row in 0..rows {
            for column in 0..columns {
                // Clockwise: what is built to the right hangs below, then left, then above.
                let (x, y) = match quarters {
                    1 => (79 - row, column),
                    2 => (79 - column, 59 - row),
                    _ => (row, 59 - column),
                };
                for (to, from) in codes.iter_mut().zip(&hung.content.codes) {
                    to.push(from[(y * 80 + x) as usize]);
                }
            }
        }
        plain.content = Arc::new(WallImage { columns, rows, codes });
        let back = DMat3::from_rotation_z(FRAC_PI_2 * f64::from(quarters));
        plain.pose.lens_m = back * plain.pose.lens_m;
        plain.pose.turn = back * plain.pose.turn;
        let off = largest_difference(&render(&plain, 0, window), &seen);
        println!("{quarters} quarters: {off:.2e}");
        assert!(off < 1e-6, "{quarters} quarters: {off}");
    }
}

#[test]
fn each_cabinet_has_its_own_clock_and_gain() {
    let mut scene = stage::plain();
    scene.drive.kind = DriveKind::Scanned;
    scene.drive.scan = 16;
    scene.camera.exposure_s = 1.0 / 3000.0;
    scene.wall.build.spread = Spread { gain: 0.1, white: 0.0, clock_s: 50e-6 };
    stage::waves(&mut scene, 23.0, 0.3);
    let faces = scene.wall.faces();
    assert_eq!(faces.len(), 6);
    for face in [&faces[1], &faces[4]] {
        let middle = face.centre_m.truncate();
        stage::place(&mut scene, 2.0, 1.0, middle, [0.0; 3]);
        let window = stage::window(&scene, 0, 0, 100, 100);
        let seen = render(&scene, 0, window);
        // The whole wall late by this cabinet's clock, and as bright as it.
        let mut whole = scene.clone();
        whole.wall.build = Build::default();
        whole.drive.clock.phase_s -= face.clock_s;
        whole.wall.brightness *= face.gain[0];
        let off = largest_difference(&render(&whole, 0, window), &seen);
        assert!(face.clock_s.abs() > 1e-6 && (face.gain[0] - 1.0).abs() > 1e-3);
        assert!(off < 2e-6, "{off}");
    }
}

#[test]
fn cabinets_spread_as_asked_and_seeds_repeat() {
    let mut wall = stage::plain().wall;
    (wall.panel_columns, wall.panel_rows) = (4, 4);
    wall.build.spread = Spread { gain: 0.04, white: 0.02, clock_s: 7e-6 };
    let faces = wall.faces();
    let n = faces.len() as f64;
    assert_eq!(faces.len(), 2400);
    assert_eq!(faces, wall.faces());
    let spread = |value: &dyn Fn(usize) -> f64| {
        let mean = (0..faces.len()).map(value).sum::<f64>() / n;
        let square = (0..faces.len()).map(|i| (value(i) - mean).powi(2)).sum::<f64>() / n;
        (mean, square.sqrt())
    };
    // Of 2400 normal draws the standard deviation is known to 1/√4800 = 1.4 %; 4 of those, and the cut at three deviations
    // takes another 0.7 %.
    let near = |found: f64, asked: f64| (found / asked - 1.0).abs() < 0.065;
    let (mean, clock) = spread(&|i| faces[i].clock_s);
    assert!(near(clock, 7e-6) && mean.abs() < 4.0 * 7e-6 / n.sqrt(), "{mean} {clock}");
    let (_, colour) = spread(&|i| faces[i].gain[0] / faces[i].gain[1]);
    assert!(near(colour, 0.02 * 2.0_f64.sqrt()), "{colour}");
    let (_, gain) = spread(&|i| faces[i].gain[2]);
    assert!(near(gain, 0.04_f64.hypot(0.02)), "{gain}");
    let other =
        gridbeat::wall::Wall { build: Build { seed: 9, ..wall.build.clone() }, ..wall.clone() };
    assert_ne!(faces, other.faces());
}

#[test]
fn so_many_emitters_are_dead_and_dark_in_every_frame() {
    let mut wall = stage::plain().wall;
    wall.build.dead = 0.01;
    let full = stage::show(&wall, |_, _, _| 1.0);
    let mut image = full.clone();
    wall.put_out_dead(&mut image);
    let counts = [0, 1, 2].map(|c| image.codes[c].iter().filter(|code| **code == 0).count());
    // Binomial of 38400: 384 on average, standard deviation 19.5.
    for count in counts {
        assert!((count as f64 - 384.0).abs() < 5.0 * 19.5, "{counts:?}");
    }
    let same = [0, 1].map(|c| {
        image.codes[c].iter().zip(&image.codes[c + 1]).filter(|(a, b)| **a == 0 && a == b).count()
    });
    assert!(same.iter().all(|n| *n < 25), "colours die apart: {same:?}");
    let alive = image.codes.iter().flatten().filter(|c| **c != 0).all(|c| *c == 4095);
    assert!(alive);
}

const SCENE: &str = "
wall:
  pixel_pitch_mm: 2.5
  cabinets: [6, 2]
  cabinet_px: [32, 24]
  arc: {radius_m: 2, side: convex, facet_px: 64}
  seam_mm: 1
  cabinets_turned: {clockwise_deg: 180, which: every_second_column}
  cabinet_spread: {brightness_percent: 3, white_percent: 2, clock_us: 10}
  dead_emitters_per_million: 100
  reflectance_percent: 6
  ambient_lx: 80
lens: {focal_mm: 35, f_number: 4}
camera: {photosites: [160, 120]}
placement: {distance_m: 2}
";

fn scene(edits: &[&str]) -> Scene {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    parse_edited(SCENE, "walls", &edits, &NoPictures).expect("a valid scene")
}

#[test]
fn a_scene_file_s_wall_arrives_in_si_and_each_part_has_a_switch() {
    let build = scene(&[]).wall.build;
    assert_eq!(build.bend, Some(Bend { radius_m: 2.0, convex: true, facet_columns: 64 }));
    assert!((build.seam_m - 1e-3).abs() < 1e-15);
    assert_eq!(build.turned, [0, 2, 0, 2, 0, 2, 0, 2, 0, 2, 0, 2]);
    assert!((build.spread.gain - 0.03).abs() < 1e-15 && (build.spread.white - 0.02).abs() < 1e-15);
    assert!((build.spread.clock_s - 10e-6).abs() < 1e-18 && (build.dead - 1e-4).abs() < 1e-15);
    assert_eq!(build.reflection, Reflection { reflectance: 0.06, ambient_lx: 80.0 });
    let off = |key: &str| scene(&[&format!("effects.wall.{key}=off")]).wall.build;
    assert_eq!(off("arc"), Build { bend: None, ..build.clone() });
    assert_eq!(off("seams"), Build { seam_m: 0.0, ..build.clone() });
    assert_eq!(off("turned"), Build { turned: Vec::new(), ..build.clone() });
    assert_eq!(off("spread"), Build { spread: Spread::default(), ..build.clone() });
    assert_eq!(off("dead_emitters"), Build { dead: 0.0, ..build.clone() });
    let dark = Reflection { ambient_lx: 0.0, ..build.reflection };
    assert_eq!(off("reflection"), Build { reflection: dark, ..build.clone() });
}

#[test]
fn faults_of_a_wall_s_build_are_told() {
    let told = |edits: &str| {
        let edits: Vec<Edit> =
            edits.split(" & ").map(|edit| edit.parse().expect("an edit")).collect();
        // Said without the scene, whose content would fill pages.
        let Err(problems) = parse_edited(SCENE, "walls", &edits, &NoPictures) else {
            panic!("accepted");
        };
        problems.iter().map(|p| format!("{}: {}", p.key, p.message)).collect::<Vec<_>>().join("\n")
    };
    assert!(told("wall.arc.facet_px=50").contains("not a whole number of facets of 50"));
    assert!(told("wall.arc.facet_px=48").contains("not a whole number of cabinets of 32"));
    let round = told("wall.arc.radius_m=0.1 & wall.pixel_pitch_mm=20");
    assert!(round.contains("around a circle of this radius"), "{round}");
    let quarter = told("wall.cabinets_turned.clockwise_deg=45");
    assert!(quarter.contains("45° is no quarter turn"), "{quarter}");
    let none = told("wall.cabinets_turned.which={one: [7, 1]}");
    assert!(none.contains("no cabinet in column 7, row 1: the wall has 6 × 2"), "{none}");
}

#[test]
fn a_camera_may_stand_inside_an_arc_and_look_to_its_side() {
    // A half circle of 3 m: at 80° to the right the wall stands nearly square to the view from the middle.
    let text = "
wall: {pixel_pitch_mm: 5, size_px: [1880, 400], arc: {radius_m: 3, facet_px: 94}}
lens: {focal_mm: 35, f_number: 4, focus: {on: wall}}
camera: {photosites: [320, 200]}
placement: {distance_m: 3, pan_deg: 80}
";
    let seen = parse_edited(text, "arc", &[], &NoPictures).expect("a valid scene");
    assert!((seen.lens.focus_m + seen.lens.image_m() - 3.0).abs() < 0.01, "{}", seen.lens.focus_m);
    let words = gridbeat::scene::describe(&seen);
    let place = words.lines().find(|line| line.contains("looks at")).expect("a line");
    assert!(place.contains("2.9") && place.contains(" before the wall's centre"), "{place}");
    let frame = render(&seen, 0, Window { x: 0, y: 0, width: 320, height: 200 });
    assert!(frame.planes[0].data.iter().all(|v| *v > 0.0), "the wall fills the frame");
    let aimed = ["placement.pan_deg=0", "placement.aim_m=[4.19, 0.1]"].map(|e| e.parse::<Edit>());
    let [_, aim] = aimed.map(|e| e.expect("an edit"));
    let aimed = parse_edited(text, "arc", &[aim], &NoPictures).expect("a valid scene");
    let turn = aimed.pose.turn * DVec3::NEG_Z;
    let pan_deg = libm::atan2(turn.x, -turn.z).to_degrees();
    assert!((pan_deg - 80.0).abs() < 0.5, "4.19 m along an arc of 3 m are 80°: {pan_deg}");
}

#[test]
fn an_arc_s_back_is_refused() {
    let text = "
wall: {pixel_pitch_mm: 5, size_px: [1880, 400], arc: {radius_m: 3, facet_px: 94}}
lens: {focal_mm: 24, f_number: 4}
camera: {photosites: [320, 200], photosite_pitch_um: 90}
placement: {distance_m: 5, lateral_m: 4, aim_m: [-2, 0]}
";
    let Err(problems) = parse_edited(text, "arc", &[], &NoPictures) else { panic!("accepted") };
    let text = problems.iter().map(|p| p.message.clone()).collect::<Vec<_>>().join("\n");
    assert!(text.contains("show the camera their back"), "{text}");
}

#[test]
fn a_facet_grazed_by_the_axis_is_refused_and_one_in_the_frame_is_noted() {
    // A convex arc of 3 m seen from 6 m before its middle, 9 m from its axis: a line that touches the circle leaves the
    // camera asin(3/9) = 19.47° aside, and meets what it touches at 90° off the normal.
    let text = |pan: f64| {
        format!(
            "
wall: {{pixel_pitch_mm: 5, size_px: [1880, 400], arc: {{radius_m: 3, facet_px: 10, side: convex}}}}
lens: {{focal_mm: 300, f_number: 4}}
camera: {{photosites: [320, 200], photosite_pitch_um: 6}}
placement: {{distance_m: 6, measured_from: lens, pan_deg: {pan}}}
"
        )
    };
    let told = |pan| parse_edited(&text(pan), "arc", &[], &NoPictures);
    let seen = told(10.0).expect("valid");
    assert!(seen.notes.iter().all(|n| !n.message.contains("85°")), "{:?}", seen.notes);
    // Met at asin(9/3 · sin 19.4°) = 85.2° off the normal of the circle, to the half degree that a facet is wide.
    let Err(problems) = told(19.43) else { panic!("accepted") };
    assert_eq!(problems.len(), 1, "{problems:?}");
    let problem = &problems[0];
    assert!(
        problem.message.starts_with("the lens axis meets a facet of the arc at 8"),
        "{problem:?}"
    );
    assert!(problem.message.ends_with("° off its normal; allowed: up to 85°"), "{problem:?}");
    let noted = told(19.3).expect("valid");
    let note =
        noted.notes.iter().find(|n| n.message.contains("from more than 85°")).expect("a note");
    assert_eq!(note.key, "placement");
}

#[test]
fn an_arc_with_gaps_is_met_in_its_middle_too() {
    // Four facets: the axis looks through the gap between the second and the third.
    let text = "
wall: {pixel_pitch_mm: 10, cabinets: [4, 2], cabinet_px: [64, 64], arc: {radius_m: 5}, seam_mm: 1}
content: {solid: {light_percent: 30}}
lens: {focal_mm: 35, f_number: 4}
camera: {photosites: [160, 120]}
placement: {distance_m: 6, measured_from: lens}
";
    for side in ["concave", "convex"] {
        let edit: Edit = format!("wall.arc.side={side}").parse().expect("an edit");
        let scene = parse_edited(text, "arc", &[edit], &NoPictures).expect("valid");
        let derived = gridbeat::scene::derived::derived(&scene);
        let middle = &derived.wall_on_sensor[0];
        assert!(middle.place == "middle" && middle.sees_the_wall, "{side}");
        // Facets touch the circle in their middles and meet R/cos(α/2) from its axis.
        let corner_m = 5.0 / libm::cos(scene.wall.facet_angle_rad() / 2.0) - 5.0;
        let depth_m = if side == "concave" { 6.0 + corner_m } else { 6.0 - corner_m };
        assert!((middle.depth_m - depth_m).abs() < 1e-9, "{side}: {}", middle.depth_m);
        // Whole, with no dark around it: the gaps count as wall.
        assert!(scene.notes.iter().all(|n| !n.key.starts_with("placement")), "{:?}", scene.notes);
    }
    // Along the axis no tape is held here, and who asks for that is told.
    let edit = "placement.measured_along=lens_axis".parse().expect("an edit");
    let scene = parse_edited(text, "arc", &[edit], &NoPictures).expect("valid");
    let told = scene.notes.iter().find(|n| n.key == "placement.measured_along").expect("a note");
    assert_eq!(
        told.message,
        "in front of an arc the distance counts square to the plane that touches its middle, not along the lens axis"
    );
}

#[test]
fn an_arc_whose_cabinets_are_not_told_of_takes_its_facets_for_them() {
    let mut wall = stage::plain().wall;
    (wall.panel_columns, wall.panel_rows) = (wall.columns, wall.rows);
    wall.build.bend = Some(Bend { radius_m: 0.9, convex: false, facet_columns: 40 });
    let facets = wall.faces();
    wall.build.spread = Spread { gain: 0.05, white: 0.0, clock_s: 0.0 };
    let cabinets = wall.faces();
    assert_eq!((facets.len(), cabinets.len(), wall.cabinet_count()), (6, 6, [6, 1]));
    for (facet, cabinet) in facets.iter().zip(&cabinets) {
        assert_eq!((facet.first, facet.block), (cabinet.first, cabinet.block));
        assert!((facet.centre_m - cabinet.centre_m).length() < 1e-12);
        assert!((facet.axes.z_axis - cabinet.axes.z_axis).length() < 1e-12);
    }
    assert!(cabinets.iter().any(|c| c.gain != cabinets[0].gain), "they differ");
    // Every one is turned, not the first alone.
    let text = "
wall: {pixel_pitch_mm: 10, size_px: [256, 128], arc: {radius_m: 5, facet_px: 64}, cabinets_turned: {clockwise_deg: 180}}
content: {solid: {light_percent: 30}}
lens: {focal_mm: 35, f_number: 4}
camera: {photosites: [160, 120]}
placement: {distance_m: 6}
";
    let scene = parse_edited(text, "arc", &[], &NoPictures).expect("valid");
    assert_eq!(scene.wall.build.turned, [2; 4]);
}
