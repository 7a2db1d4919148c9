use super::*;
use crate::scene::{NoPictures, parse};

fn scene(more: &str) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.6, size_px: [1600, 900]}}\nlens: {{focal_mm: 50, f_number: 2.8}}\n\
         placement: {{distance_m: 5}}\ncamera: {{photosites: [1920, 1080], photosite_pitch_um: 8}}\n\
         effects: {{diffraction: convolved}}\n{more}\n"
    );
    parse(&text, "focus", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
}

#[test]
fn discs_and_foci_are_each_others_inverse() {
    let discs = Discs { aperture_m: 0.05 / 2.8, focal_m: 0.05, wall_m: 5.0, photosite_m: 8e-6 };
    for focus_m in [0.3, 2.0, 4.9, 5.0, 7.0, 100.0] {
        let disc = discs.of_focus(focus_m);
        assert!((discs.focus_m(disc).expect("a focus") / focus_m - 1.0).abs() < 1e-9);
        assert_eq!(disc > 0.0, focus_m < 5.0);
    }
    // Handbook §2: f 50 mm, f/2.8, focus 5 m, subject 6 m: 30.0625 µm.
    let discs = Discs { wall_m: 6.0, ..discs };
    assert!((discs.of_focus(5.0) * 8.0 - 30.0625).abs() < 1e-4);
    // Behind infinity there is nothing.
    let beyond = -1.01 * discs.aperture_m * 0.05 / 6.0 / 8e-6;
    assert_eq!(discs.focus_m(beyond), None);
}

#[test]
fn the_focus_stops_where_the_verdict_turns_and_all_beyond_is_clean() {
    let scene = scene("");
    let found = nearest_focus(&scene).expect("the wall in sight");
    assert!(found.stops.len() >= 4, "{found:?}");
    let now = found.stops.iter().find(|s| s.present).expect("the present stop");
    let safe = now.before_wall.safe.expect("a limit");
    assert!(!now.before_wall.all_clean && !now.before_wall.none_clean);
    let judged = |focus_m: f64| {
        let mut at = scene.steady_wall();
        at.lens.focus_m = focus_m;
        verdict(&at, &settings(2.6e-3 * 0.05 / 5.0 / 8e-6)).judged().degree
    };
    assert_eq!(judged(safe.from_lens_m), Degree::Clean);
    // A little nearer to the wall it is not clean.
    let wall_m = found.wall_from_lens_m;
    let nearer = wall_m - (wall_m - safe.from_lens_m) * 0.97;
    assert!(judged(nearer) > Degree::Clean, "{safe:?}");
    for share in (2..150).map(|i| 1.0 + f64::from(i) / 100.0) {
        let farther = wall_m - (wall_m - safe.from_lens_m) * share;
        if farther > 0.3 {
            assert_eq!(judged(farther), Degree::Clean, "{share}: {farther}");
        }
    }
    // As planned it may come nearer than with all that may be off.
    if let Some(planned) = now.before_wall.planned {
        assert!(planned.from_wall_m <= safe.from_wall_m * (1.0 + 1e-9), "{planned:?} {safe:?}");
    }
    let mark = safe.from_lens_m + 0.05 * safe.from_lens_m / (safe.from_lens_m - 0.05);
    assert!((safe.from_mark_m - mark).abs() < 1e-12);
}

#[test]
fn a_wider_stop_and_a_low_pass_filter_let_the_focus_nearer() {
    let found = nearest_focus(&scene("")).expect("the wall in sight");
    let limits: Vec<f64> =
        found.stops.iter().filter_map(|s| Some(s.before_wall.safe?.from_wall_m)).collect();
    assert!(limits.len() >= 3, "{found:?}");
    assert!(limits.is_sorted(), "{limits:?}");
    let filtered = nearest_focus(&scene("filters: {low_pass: strong}")).expect("the wall in sight");
    let of = |f: &NearestFocus| {
        let now = f.stops.iter().find(|s| s.present).expect("now");
        now.before_wall.safe.map_or(0.0, |s| s.from_wall_m)
    };
    assert!(of(&filtered) < of(&found), "{} {}", of(&filtered), of(&found));
}

#[test]
fn a_wall_too_fine_to_be_seen_is_clean_in_focus() {
    let fine = "wall: {pixel_pitch_mm: 0.4, size_px: [4000, 2000]}\nlens: {focal_mm: 24, f_number: 4}\n\
                placement: {distance_m: 12}\ncamera: {photosites: [960, 540], photosite_pitch_um: 8}\n";
    let scene = parse(fine, "fine", &NoPictures).unwrap_or_else(|e| panic!("{e:?}"));
    let found = nearest_focus(&scene).expect("the wall in sight");
    assert!(found.stops.iter().all(|s| s.before_wall.all_clean), "{found:?}");
    assert!(found.lines(&scene.tolerances)[0].contains("clean even in focus"));
    let away = fine.replace("distance_m: 12", "distance_m: 12, pan_deg: 60");
    let scene = parse(&away, "away", &NoPictures).unwrap_or_else(|e| panic!("{e:?}"));
    assert!(nearest_focus(&scene).is_none());
}
