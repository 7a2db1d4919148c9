//! Advice: held against a search of its own over the same limits, against traced rays, and against the limits themselves.

use crate::cli_stage::Place;
use crate::truth::Dice;
use gridbeat::artefact::Degree;
use gridbeat::frame::{Electrons, Window};
use gridbeat::plan::advise::{Advice, Recommended, advise};
use gridbeat::plan::remedies::{Base, Remedy};
use gridbeat::plan::verify::{Plan, verify};
use gridbeat::predict::{Settings, predict, verdict};
use gridbeat::render::rays::{self, RaySettings};
use gridbeat::render::{Run, fast};
use gridbeat::scene::{Edit, NoPictures, OpenScene, Scene, parse, parse_edited};

/// A scene of a seed, of a small camera: the wall in or nearly in focus, scanned or not, with a subject or none.
fn text_of(seed: u64) -> String {
    let mut dice = Dice::new(0xad_0000 + seed);
    let distance = dice.between(3.0, 6.0);
    let pitch = dice.between(1.4, 3.0);
    let drive = match seed % 4 {
        0 => "{kind: steady}".to_owned(),
        1 => "{kind: scanned, refresh_hz: 1920, scan: 16}".to_owned(),
        2 => "{kind: scanned, refresh_hz: 3840, scan: 16}".to_owned(),
        _ => "{kind: pwm, refresh_hz: 960}".to_owned(),
    };
    let subject = if seed.is_multiple_of(2) {
        format!("subject: {{distance_m: {:.3}}}\n", distance * dice.between(0.6, 0.85))
    } else {
        String::new()
    };
    let limits = format!(
        "limits: {{framing_percent: {:.1}, turn_deg: 3, subject_blur_photosites: {:.1}{}}}\n",
        dice.between(2.0, 12.0),
        dice.between(1.5, 6.0),
        if seed.is_multiple_of(3) { ", without: [diffuser, low_pass, front_low_pass]" } else { "" }
    );
    format!(
        "wall: {{pixel_pitch_mm: {pitch:.3}, size_px: [2400, 1600]}}\n\
         drive: {drive}\n\
         lens: {{focal_mm: {:.1}, f_number: {:.2}, focus: {{on: wall}}}}\n\
         effects: {{diffraction: convolved}}\n\
         camera: {{photosites: [960, 540], photosite_pitch_um: 6, frame_rate_fps: 25, shutter_speed: 1/{:.0}}}\n\
         placement: {{distance_m: {distance:.3}}}\n{subject}{limits}",
        dice.between(20.0, 60.0),
        dice.between(2.0, 5.6),
        dice.between(50.0, 130.0),
    )
}

fn opened(text: &str) -> (OpenScene, Scene) {
    let open = OpenScene::read(text, "advice", &[]).expect("read");
    let scene = parse(text, "advice", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"));
    (open, scene)
}

fn advised(text: &str) -> Advice {
    let (open, scene) = opened(text);
    let base = Base { open: &open, scene: &scene, pictures: &NoPictures };
    advise(&base, &Run::default()).expect("frames")
}

fn set(key: &str, value: impl ToString) -> Edit {
    Edit { key: key.into(), value: value.to_string() }
}

/// What a search without our remedies finds: grids of keys, alone and in some pairs, judged in full and rendered.
fn by_brute_force(text: &str) -> Option<Vec<Edit>> {
    let (open, scene) = opened(text);
    let limits = &scene.limits;
    let subject = scene.subject_m;
    let blur = |s: &Scene| {
        let (f, n, focus, d) =
            (s.lens.focal_m, s.lens.f_number, s.lens.focus_m, subject.unwrap_or(1.0));
        // Handbook §2: c = f²/N·|d − s|/(d·(s − f)).
        f * f / n * (d - focus).abs() / (d * (focus - f)) / s.camera.photosite_m
    };
    let mut lists: Vec<Vec<Vec<Edit>>> = Vec::new();
    let exposures = [1.0 / 192.0, 1.0 / 96.0, 1.0 / 60.0, 1.0 / 48.0, 1.0 / 40.0];
    lists.push(
        exposures.iter().map(|s| vec![set("camera.shutter_speed", format!("{s} s"))]).collect(),
    );
    let wall_m = scene.pose.lens_m.z + scene.lens.image_m();
    let foci = (1..=24).map(|i| wall_m * (1.0 - 0.03 * f64::from(i)));
    lists.push(foci.map(|m| vec![set("lens.focus.distance_m", m)]).collect());
    let share = |i: i32| 1.0 + limits.framing * f64::from(i) / 4.0 * 0.99;
    let focal_mm = scene.lens.focal_m * 1e3;
    lists.push(
        (-4..=4)
            .filter(|i| *i != 0)
            .map(|i| vec![set("lens.focal_mm", focal_mm * share(i))])
            .collect(),
    );
    if !limits.without.iter().any(|w| w == "low_pass") {
        lists.push(vec![vec![set("filters.low_pass", "{preset: strong}")]]);
        let sheet = "{stand_off_mm: 6, scatter_fwhm_deg: 20, transmission_percent: 70}";
        lists.push(vec![vec![set("wall.diffuser", sheet)]]);
    }
    let mut all: Vec<Vec<Edit>> = lists.iter().flatten().cloned().collect();
    for (i, first) in lists.iter().enumerate() {
        for second in &lists[i + 1..] {
            let pairs = first
                .iter()
                .flat_map(|a| second.iter().map(move |b| [a.clone(), b.clone()].concat()));
            all.extend(pairs);
        }
    }
    all.into_iter().find(|edits| {
        let Ok(changed) = parse_edited(text, "advice", edits, &NoPictures) else { return false };
        if subject.is_some() && blur(&changed) > limits.subject_blur {
            return false;
        }
        let stops = (changed.camera.exposure_s / scene.camera.exposure_s).log2();
        if stops < -limits.light_stops {
            return false;
        }
        let clean = |p: gridbeat::predict::Prediction| p.judged().degree == Degree::Clean;
        if !clean(verdict(&changed, &Settings::quick()))
            || !clean(predict(&changed, &Settings::full()))
        {
            return false;
        }
        let plan = Plan { open: &open, edits, pictures: &NoPictures };
        verify(&plan, &Run::default()).expect("frames").is_clean()
    })
}

/// A part of the scene as it would be, by rays and by the fast engine.
fn rays_agree(text: &str, found: &Recommended) {
    let mut edits = found.edits.clone();
    edits.push(set("content", "{solid: {light_percent: 18}}"));
    let mut scene = parse_edited(text, "advice", &edits, &NoPictures).expect("a scene");
    scene.camera.noise = false;
    let window = Window { x: 420, y: 240, width: 48, height: 32 };
    let settings = |seed| RaySettings { samples: 2048, seed };
    let by_rays =
        |seed| rays::render(&scene, 0, window, &settings(seed), &Run::default()).expect("rays");
    let frame = fast::render(&scene, 0, window, &Run::default()).expect("a frame");
    let (a, b) = (by_rays(1), by_rays(2));
    // Over blocks of 8 × 8, where a wave that is seen is not yet averaged away: rays are noisy where blur is wide.
    let blocks = |value: &dyn Fn(usize) -> f64| -> Vec<f64> {
        let block = |n: usize| {
            let (x, y) = (n % 6 * 8, n / 6 * 8);
            (0..64).map(|i| value((y + i / 8) * 48 + x + i % 8)).sum::<f64>() / 64.0
        };
        (0..24).map(block).collect()
    };
    let at = |e: &Electrons, i: usize| f64::from(e.planes[0].data[i]);
    let off = blocks(&|i| (at(&a, i) + at(&b, i)) / 2.0 / at(&frame, i) - 1.0);
    let noise = blocks(&|i| (at(&a, i) - at(&b, i)) / 2.0 / at(&frame, i));
    let rms = |v: &[f64]| (v.iter().map(|x| x * x).sum::<f64>() / v.len() as f64).sqrt();
    let (off, noise) = (rms(&off), rms(&noise));
    println!("{:?}: off {off:.4}, noise {noise:.4}", found.edits);
    assert!(off <= 1.6 * noise + 0.003 && noise < 0.02, "{text}\n{:?}: {off} {noise}", found.edits);
}

fn held(seed: u64) -> (bool, bool) {
    let text = text_of(seed);
    let (_, scene) = opened(&text);
    let advice = advised(&text);
    assert!(advice.recommended.is_sorted_by(|a, b| a.cost <= b.cost));
    for found in &advice.recommended {
        let names: Vec<&str> = found.changes.iter().map(|c| c.remedy.name()).collect();
        assert!(names.iter().all(|n| !scene.limits.without.iter().any(|w| w == n)), "{names:?}");
        // What it says to set makes that scene, and it is clean there.
        let changed = parse_edited(&text, "advice", &found.edits, &NoPictures).expect("a scene");
        assert_eq!(predict(&changed, &Settings::full()).judged().degree, Degree::Clean);
        assert!(found.lost_stops <= scene.limits.light_stops + 1e-9);
        let size = |s: &Scene| s.lens.focal_m / s.pose.lens_m.z;
        if !names.iter().any(|n| *n == Remedy::Pan.name()) {
            let change = (size(&changed) / size(&scene) - 1.0).abs();
            assert!(change <= scene.limits.framing + 1e-6, "{names:?} {change}");
        }
        // Exposure is what it was.
        let light = |s: &Scene| {
            s.camera.exposure_s * s.lens.transmission / s.lens.f_number.powi(2)
                * s.camera.exposure_index
        };
        let stops = (light(&changed) / light(&scene)).log2();
        let diffused = names.iter().any(|n| *n == Remedy::Diffuser.name());
        assert!(stops.abs() < 0.02 || diffused, "{names:?} {stops}");
    }
    (!advice.present.is_clean(), !advice.recommended.is_empty())
}

#[test]
fn a_clean_change_is_found_where_a_search_finds_one() {
    for seed in [0, 1, 6] {
        let (fails, found) = held(seed);
        let text = text_of(seed);
        if fails && !found {
            assert_eq!(by_brute_force(&text), None, "{text}");
        }
        println!("{seed}: fails {fails}, found {found}");
    }
}

#[test]
#[ignore = "minutes: fifty scenes"]
fn a_clean_change_is_found_in_fifty_scenes_where_a_search_finds_one() {
    let (mut count, mut found_of, mut seed) = (0, 0, 0);
    while count < 50 {
        let (fails, found) = held(seed);
        if fails {
            count += 1;
            found_of += u32::from(found);
            if !found {
                assert_eq!(by_brute_force(&text_of(seed)), None, "{}", text_of(seed));
            }
            if count % 5 == 0
                && let Some(first) = advised(&text_of(seed)).recommended.first()
            {
                rays_agree(&text_of(seed), first);
            }
        }
        seed += 1;
    }
    println!("{found_of} of 50 have advice; the search finds nothing for the others");
    assert!(found_of >= 10);
}

#[test]
fn rays_do_not_contradict_what_is_recommended() {
    let text = text_of(1);
    let advice = advised(&text);
    let first = advice.recommended.first().expect("advice");
    rays_agree(&text, first);
}

#[test]
fn nothing_is_recommended_beyond_the_limits_and_that_is_said() {
    let all: Vec<&str> = Remedy::ALL.iter().map(|r| r.name()).collect();
    let without: Vec<&str> = all.iter().copied().filter(|n| *n != "shutter").collect();
    let text =
        text_of(1).replace("limits: {", &format!("limits: {{without: [{}], ", without.join(", ")));
    let text = text.replace(", without: [diffuser, low_pass, front_low_pass]", "");
    let advice = advised(&text);
    assert!(!advice.present.is_clean() && advice.recommended.is_empty());
    assert_eq!(advice.tried.len(), 1);
    let place = Place::new();
    std::fs::write(place.path("scene.yaml"), &text).expect("the scene");
    let (code, stdout, stderr) = place.run(&["advise", "scene.yaml"]);
    assert_eq!(code, 0, "{stderr}");
    assert!(stdout.contains("nothing within the limits makes it clean"), "{stdout}");
}

#[test]
fn limits_that_run_backwards_are_refused_with_their_line() {
    let place = Place::new();
    let text = text_of(1).replace("limits: {", "limits: {distance_m: [6, 3], ");
    std::fs::write(place.path("scene.yaml"), text).expect("the scene");
    let (code, _, stderr) = place.run(&["advise", "scene.yaml"]);
    assert_eq!(code, 1);
    for word in ["limits.distance_m", "from 6 to 3 m is no range", "swap the two", "scene.yaml:"] {
        assert!(stderr.contains(word), "{word}: {stderr}");
    }
}
