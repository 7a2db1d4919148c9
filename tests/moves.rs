//! Moves of the camera: every frame is that of a camera that stands where the move has brought it.

use crate::bad_scenes::{hold, more};
use gridbeat::render::Run;
use gridbeat::scene::{ContentPictures, NoPictures, Rgba16, Scene, parse};
use gridbeat::shoot::{Engine, Shot};
use gridbeat::wall::content::Rgb16;
use std::borrow::Cow;

fn scene(lines: &str) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.6, size_px: [400, 200]}}\ncontent: random\n\
         camera: {{photosites: [96, 64], photosite_pitch_um: 8, readout: {{rolling: {{readout_ms: 10}}}}, \
         frame_rate_fps: 25, shutter_speed: 1/50}}\neffects: {{diffraction: off, noise: off}}\n{lines}\n"
    );
    parse(&text, "case", &NoPictures).unwrap_or_else(|e| panic!("{text}{e:#?}"))
}

const LENS: &str = "lens: {focal_mm: 35, f_number: 2.8, focus: {on: wall}}";

fn close(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() < 1e-9 * wanted.abs().max(1.0), "{what}: {found}, not {wanted}");
}

#[test]
fn a_frame_of_a_move_is_the_frame_of_a_camera_that_stands_there() {
    let moving = scene(&format!(
        "{LENS}\nplacement: {{distance_m: 3, pan_deg: 2}}\nmoves: {{between: linear, keyframes: [\
         {{at_frame: 10, distance_m: 2, lateral_m: 0.5}}, {{at_frame: 20, pan_deg: -8, roll_deg: 4, focal_mm: 55}}]}}"
    ));
    // By hand: frame 5 is half-way to the first keyframe and a quarter of the way to the second.
    let places = [
        (0, "35", "{distance_m: 3, pan_deg: 2}"),
        (5, "40", "{distance_m: 2.5, lateral_m: 0.25, pan_deg: -0.5, roll_deg: 1}"),
        (10, "45", "{distance_m: 2, lateral_m: 0.5, pan_deg: -3, roll_deg: 2}"),
        (20, "55", "{distance_m: 2, lateral_m: 0.5, pan_deg: -8, roll_deg: 4}"),
        (400, "55", "{distance_m: 2, lateral_m: 0.5, pan_deg: -8, roll_deg: 4}"),
    ];
    let render = |scene: &Scene, frame: u32| {
        let shot = Shot::new(scene, Engine::Fast).expect("can be shot");
        shot.electrons(frame, &Run::default()).expect("not cancelled")
    };
    for (frame, focal_mm, place) in places {
        let lens = LENS.replace("35", focal_mm);
        let standing = scene(&format!("{lens}\nplacement: {place}"));
        let (found, wanted) = (render(&moving, frame), render(&standing, frame));
        assert!(wanted.planes[0].data.iter().any(|e| *e > 100.0), "light");
        assert!(found == wanted, "frame {frame}");
    }
    assert!(render(&moving, 4) != render(&moving, 5));
}

/// A see-through picture of one pixel.
struct OnePixel;

impl ContentPictures for OnePixel {
    fn load(&self, file: &str) -> Result<Rgb16, String> {
        Err(format!("picture '{file}' is not there"))
    }

    fn load_with_opacity(&self, _: &str) -> Result<Rgba16, String> {
        Ok(Rgba16 { columns: 1, rows: 1, data: vec![u16::MAX; 4] })
    }
}

#[test]
fn a_foreground_must_not_come_behind_the_wall_in_any_frame() {
    // A picture of 2 m stands 0.4 m before the wall and faces the camera: turned by β about its middle, its corner is
    // sin β m nearer to the wall, which it meets at β = 23.6°.
    let text = |to_deg: f64| {
        format!(
            "wall: {{pixel_pitch_mm: 2.6, size_px: [400, 200]}}\n{LENS}\nsubject: {{in_front_of_wall_m: 0.4}}\n\
             foreground: {{file: x.png, height_m: 2}}\nplacement: {{distance_m: 3}}\n\
             moves: {{between: linear, keyframes: [{{at_frame: 10, pan_deg: {to_deg}}}, {{at_frame: 20, pan_deg: 0}}]}}\n"
        )
    };
    assert!(parse(&text(20.0), "case", &OnePixel).is_ok());
    let Err(problems) = parse(&text(30.0), "case", &OnePixel) else { panic!("accepted") };
    let told: Vec<&str> = problems.iter().map(|p| p.message.as_str()).collect();
    let start = "in frame 8: a corner of the foreground stands ";
    assert!(told.len() == 1 && told[0].starts_with(start), "{told:?}");
}

#[test]
fn a_gentle_move_eases_off_and_in() {
    let moving = scene(&format!(
        "{LENS}\nplacement: {{distance_m: 3, measured_from: lens}}\nmoves: {{keyframes: [{{at_frame: 40, distance_m: 2}}]}}"
    ));
    // 3s² − 2s³ of the way: 5/32 after a quarter.
    for (frame, way) in [(0, 0.0), (10, 5.0 / 32.0), (20, 0.5), (40, 1.0), (41, 1.0)] {
        let here = moving.at_frame(frame);
        close(here.pose.lens_m.z, 3.0 - way, "place");
        // The focus stays on the wall.
        close(here.lens.focus_m, 3.0 - way, "focus");
    }
}

#[test]
fn a_focus_pull_leaves_the_camera_where_it_is() {
    let moving = scene(
        "lens: {focal_mm: 35, f_number: 2.8, focus: {distance_m: 1.2}}\n\
         placement: {distance_m: 3, measured_from: lens}\n\
         moves: {between: linear, keyframes: [{at_frame: 5, focus_m: 1.2}, {at_frame: 15, focus_m: 3}]}",
    );
    for (frame, focus_m) in [(0, 1.2), (5, 1.2), (10, 2.1), (15, 3.0)] {
        let here = moving.at_frame(frame);
        close(here.lens.focus_m, focus_m, "focus");
        assert_eq!(here.pose, moving.pose);
    }
}

#[test]
fn a_subject_stays_where_it_stands() {
    // 1 m from the lens that is 3 m from the wall: 2 m in front of it, whatever the camera does.
    let moving = scene(
        "lens: {focal_mm: 35, f_number: 2.8}\nsubject: {distance_m: 1}\n\
         placement: {distance_m: 3, measured_from: lens}\nmoves: {keyframes: [{at_frame: 8, distance_m: 2.4}]}",
    );
    let there = moving.at_frame(8);
    close(there.subject_m.expect("a subject"), 0.4, "subject");
    close(there.lens.focus_m, 0.4, "focus on the subject");
}

#[test]
fn a_time_is_that_of_the_middle_of_a_frames_light() {
    // 10 ms of readout and 20 ms of exposure: frame 3's light is half over 135 ms after the start.
    let at = |when: &str| {
        let scene = scene(&format!(
            "{LENS}\nplacement: {{distance_m: 3}}\nmoves: {{between: linear, keyframes: [{{{when}, lateral_m: 0.9}}]}}"
        ));
        scene.at_frame(1).pose.lens_m.x
    };
    close(at("at_frame: 3"), 0.3, "by frame");
    close(at("at_s: 0.135"), 0.3, "by time");
}

#[test]
fn what_stands_still_is_not_copied_and_moves_can_be_switched_off() {
    let lines = format!("{LENS}\nplacement: {{distance_m: 3}}\n");
    let moves = "moves: {keyframes: [{at_frame: 4, distance_m: 2}]}";
    let standing = scene(&lines);
    assert!(matches!(standing.at_frame(7), Cow::Borrowed(_)));
    let moving = scene(&format!("{lines}{moves}"));
    assert_eq!(moving.at_frame(4).at_frame(9).pose, moving.at_frame(4).pose);
    // The twins of a scene go with it.
    assert_eq!(moving.ideal().at_frame(2).pose, moving.at_frame(2).pose);
    let text = "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200]}\neffects: {moves: off}\n";
    let off = parse(&format!("{text}{lines}{moves}\n"), "case", &NoPictures).expect("fine");
    assert!(off.moves.is_none() && matches!(off.at_frame(4), Cow::Borrowed(_)));
}

#[test]
fn a_move_says_how_far_it_would_smear() {
    // Sideways 0.2 m a second, exposed 20 ms: 4 mm of the wall. The note's number is that of sensor photosites.
    let moving = scene(
        "lens: {focal_mm: 40, f_number: 2.8, focus: {distance_m: 4}}\n\
         placement: {distance_m: 4, measured_from: lens}\n\
         moves: {between: linear, keyframes: [{at_frame: 25, lateral_m: 0.2}]}",
    );
    // v = f·d/(d − f), 4 mm · v/d / 8 µm.
    let image_m = 0.04 * 4.0 / 3.96;
    let wanted: f64 = 0.004 * image_m / 4.0 / 8e-6;
    assert!((wanted - 5.05).abs() < 0.005, "{wanted}");
    let note = moving.notes.iter().find(|n| n.key == "moves").expect("a note");
    assert!(note.message.contains("by up to 5.1 photosites in an exposure"), "{}", note.message);
}

#[test]
fn moves_that_cannot_be_are_refused() {
    hold(vec![
        more(
            "moves: {between: linear}",
            &[
                "line 4, moves.keyframes: missing; allowed: a list of 1 to 1000 groups of keys (at_frame, at_s, distance_m, lateral_m, vertical_m, aim_m, pan_deg, tilt_deg, roll_deg, focal_mm, focus_m) (add `keyframes:` under `moves`)",
            ],
        ),
        more(
            "moves: {keyframes: [{distance_m: 2}]}",
            &[
                "line 4, moves.keyframes[1]: missing: when is the camera there? (add `at_frame:` or `at_s:`)",
            ],
        ),
        more(
            "moves: {keyframes: [{at_frame: 2, at_s: 1, distance_m: 2}]}",
            &[
                "line 4, moves.keyframes[1].at_s: given together with `at_frame` (keep one of `at_frame`, `at_s`)",
            ],
        ),
        more(
            "moves: {keyframes: [{at_frame: 5, distance_m: 2}, {at_frame: 5, distance_m: 1}]}",
            &[
                "line 4, moves.keyframes[2]: not after the keyframe before it (write keyframes in the order of time)",
            ],
        ),
        more(
            "moves: {keyframes: [{at_frame: 5}]}",
            &[
                "line 4, moves.keyframes[1]: nothing moves (add what moves, such as `distance_m:`, `pan_deg:`, `focal_mm:` or `focus_m:`)",
            ],
        ),
        more(
            "moves: {keyframes: [{at_frame: 5, aim_m: [1, 0]}, {at_frame: 9, pan_deg: 4}]}",
            &[
                "line 4, moves.keyframes[2].pan_deg: the camera is turned by `aim_m` at one time and by pan and tilt at another (turn it by `aim_m` all through the shot, or by `pan_deg` and `tilt_deg`)",
            ],
        ),
        more(
            "moves: {keyframes: [{at_frame: 4, pan_deg: 120}]}",
            &[
                "line 4, moves.keyframes: in frame 3: the wall is behind the camera: its lens axis never meets the wall (placement.pan_deg) (pan and tilt count from straight at the wall; keep each within ±85°)",
            ],
        ),
        more(
            "moves: {keyframes: [{at_frame: 4, focal_m: 50}]}",
            &["line 4, moves.keyframes[1].focal_m: unknown key (did you mean `focal_mm`?)"],
        ),
        more(
            "moves: {keyframes: []}",
            &[
                "line 4, moves.keyframes: a list of 0 found; allowed: a list of 1 to 1000 groups of keys (at_frame, at_s, distance_m, lateral_m, vertical_m, aim_m, pan_deg, tilt_deg, roll_deg, focal_mm, focus_m) (write `keyframes: […]`)",
            ],
        ),
    ]);
}
