//! The drive as the electronics give it: published numbers through the keys of a scene, and what a sheet may claim.

use gridbeat::diag::summary;
use gridbeat::scene::derived::{ClockNumbers, Derived, derived};
use gridbeat::scene::{Edit, NoPictures, Scene, describe, parse_edited, resolved};
use gridbeat::wall::drive::DriveKind;

const BASE: &str = "wall: {pixel_pitch_mm: 2.6, size_px: [1920, 1080]}
lens: {focal_mm: 24, f_number: 4}
placement: {distance_m: 3}
";

fn read(edits: &[&str]) -> Result<Scene, Vec<String>> {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    parse_edited(BASE, "base", &edits, &NoPictures)
        .map_err(|problems| problems.iter().map(summary).collect())
}

fn with(edits: &[&str]) -> Scene {
    read(edits).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

fn clocks(edits: &[&str]) -> ClockNumbers {
    derived(&with(edits)).drive.clocks.expect("clocks")
}

/// Notes about the drive.
fn notes(scene: &Scene) -> Vec<String> {
    scene.notes.iter().filter(|n| n.key.starts_with("drive")).map(summary).collect()
}

/// The decimal text of a number in `result`, rounded as printed there, is `value`.
fn printed(result: &str, text: &str, value: f64) {
    assert!(result.split([' ', ':']).any(|word| word == text), "{text} is not in '{result}'");
    let decimals = text.split_once('.').map_or(0, |(_, part)| part.len());
    assert_eq!(format!("{value:.decimals$}"), text, "{result}");
}

#[test]
fn every_published_number_comes_out_of_the_keys_of_a_scene() {
    let table = include_str!("data/drive_arithmetic.csv");
    let results: Vec<&str> = table
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.rsplit(',').next().expect("a column"))
        .collect();
    assert_eq!(results.len(), 7);
    let unsplit = ["drive.kind=scanned", "drive.advanced.grey_bits=16", "drive.refresh_hz=10"];
    let twenty = "drive.advanced.grey_clock_mhz=20";
    let slow = "drive.video_hz=10";
    let c = clocks(&[&unsplit[..], &[twenty, slow, "drive.scan=1"]].concat());
    printed(results[0], "305.176", c.refresh_limit_hz);
    let c = clocks(&[&unsplit[..], &[twenty, slow, "drive.scan=16"]].concat());
    printed(results[1], "19.0735", c.refresh_limit_hz);
    let c = clocks(&[
        "drive.kind=scanned",
        "drive.advanced.grey_bits=16",
        "drive.refresh_hz=2000",
        "drive.video_hz=50",
        "drive.scan=1",
        "drive.advanced.grey_clock_mhz=140",
    ]);
    printed(results[2], "131.072", c.clock_needed_hz / 1e6);
    let c = clocks(&[
        "drive.kind=split",
        "drive.advanced.grey_bits=14",
        "drive.advanced.sub_periods=64",
        "drive.video_hz=60",
        "drive.scan=16",
        twenty,
    ]);
    printed(results[3], "256", f64::from(c.clocks_per_turn));
    printed(results[3], "4882.81", c.refresh_limit_hz);
    printed(results[3], "13.1072", c.all_levels_s * 1e3);
    let c = clocks(&["drive.video_hz=60", "drive.scan=16", twenty]);
    printed(results[4], "20833", c.clocks_per_row_and_frame);
    printed(results[4], "14.3466", c.bits_limit);
    let c = clocks(&[
        "drive.kind=split",
        "drive.advanced.grey_clock_mhz=80",
        "drive.advanced.sub_periods=64",
        "drive.advanced.clocks_per_turn=600",
        "drive.advanced.switch_clocks=50",
        "drive.video_hz=60",
        "drive.scan=32",
    ]);
    printed(results[5], "3840", c.refresh_held_hz);
    printed(results[5], "99.84", c.clock_use_share * 100.0);
    printed(results[5], "38400", c.grey_levels as f64);
    printed(results[5], "15.2288", c.grey_levels_bits);
    printed(results[5], "0.0288462", c.lit_share);
    let short = [
        "drive.video_hz=60",
        "drive.scan=16",
        "drive.advanced.grey_clock_mhz=30",
        "drive.advanced.on_time_error_ns=-50",
    ];
    let c = clocks(&short);
    printed(results[6], "-16.67", c.shortest_pulse_s * 1e9);
    assert!(results[6].ends_with("dark") && c.dark_clocks == 1);
    let scene = with(&short);
    assert!(describe(&scene).contains("pulses of up to 1 clocks stay dark"));
    assert_eq!(
        notes(&scene),
        [
            "drive.advanced.on_time_error_ns: pulses of up to 1 clocks, 50 ns, stay dark: the darkest greys of this wall are black (rendered as if they were lit: look at dark content on the wall itself)"
        ]
    );
}

#[test]
fn turns_of_a_known_length_are_rendered_with_their_darkness() {
    let edits = [
        "drive.kind=split",
        "drive.advanced.grey_clock_mhz=80",
        "drive.advanced.sub_periods=64",
        "drive.advanced.clocks_per_turn=600",
        "drive.advanced.switch_clocks=50",
        "drive.video_hz=60",
        "drive.scan=32",
    ];
    let scene = with(&edits);
    let timing = scene.drive.timing();
    // 650 clocks of 12.5 ns a turn, 50 of them dark; 38400 levels hold 15 whole bits.
    assert!((timing.slot_s - 8.125e-6).abs() < 1e-15, "{}", timing.slot_s);
    assert!((timing.pulse_s - 7.5e-6).abs() < 1e-15, "{}", timing.pulse_s);
    assert!(matches!(scene.drive.kind, DriveKind::Split { bits: 15, .. }));
    // 64 rounds of 32 turns leave 1/60 s − 16.64 ms = 26.67 µs of darkness.
    assert!((scene.drive.dark_frame_s - (1.0 / 60.0 - 64.0 * 32.0 * 8.125e-6)).abs() < 1e-12);
    // Full white is lit for GS/(N·(GS + T_SW)), less that darkness and the one clock of 64·512 that 15 bits leave out.
    let share = 600.0 / (32.0 * 650.0) * 0.9984 * 32_767.0 / 32_768.0;
    assert!((timing.top_duty() / share - 1.0).abs() < 1e-9, "{}", timing.top_duty());
    assert_eq!(notes(&scene), Vec::<String>::new());
    let data = resolved(&scene);
    assert_eq!(data["drive"]["sheet"]["clocks"]["switch_clocks"], 50);
    for line in [
        "  grey clock             80 MHz, 64 turns a video frame of 600 + 50 clocks: 99.84 % in use, up to 3846.154 Hz",
        "  grey levels held       38400 above black, 15.23 bits",
    ] {
        let told = describe(&scene);
        assert!(told.lines().any(|l| l == line), "{line}\nnot in\n{told}");
    }
}

/// Edits, the note that they bring, and what is rendered then.
type Claim = (&'static [&'static str], &'static str, fn(&Derived, &Scene) -> bool);

#[test]
fn a_sheet_that_claims_too_much_is_told_so() {
    let clock = |mhz: &'static str| ["drive.video_hz=60", "drive.scan=16", mhz];
    let table: [Claim; 7] = [
        // 2^16 − 1 clocks over 64 turns: 1024 a turn, 62.9 MHz. 20 MHz: 20833 of a row's frame, 325 a turn.
        (
            &["drive.kind=split", "drive.refresh_hz=3840", "drive.advanced.grey_bits=16"],
            "drive.advanced.grey_bits: 16 bits at 3840 Hz need a grey clock of 62.91 MHz; 20 MHz holds 20800 levels, 14 bits (rendered with what the electronics hold; check the sheet and `drive.advanced`)",
            |_, s| matches!(s.drive.kind, DriveKind::Split { bits: 14, .. }),
        ),
        // One pulse a refresh: all 2^14 clocks in each.
        (
            &["drive.kind=scanned", "drive.refresh_hz=3840", "drive.advanced.grey_bits=14"],
            "drive.refresh_hz: 3840 Hz needs a grey clock of 1007 MHz (16 rows of 16384 + 0 clocks); 20 MHz holds 60 Hz (rendered with what the electronics hold; check the sheet and `drive.advanced`)",
            |d, s| s.drive.refresh_hz == 60.0 && d.drive.refresh_hz == Some(60.0),
        ),
        // 20 MHz/(16·(300 + 25)·60) = 64.1.
        (
            &[
                "drive.kind=split",
                "drive.refresh_hz=7680",
                "drive.advanced.clocks_per_turn=300",
                "drive.advanced.switch_clocks=25",
            ],
            "drive.refresh_hz: 7680 Hz needs a grey clock of 39.94 MHz (16 rows of 300 + 25 clocks); 20 MHz holds 3840 Hz (rendered with what the electronics hold; check the sheet and `drive.advanced`)",
            |_, s| s.drive.refresh_hz == 3840.0 && s.drive.refreshes() == 64,
        ),
        (
            &[
                "drive.kind={split: {order: bit_reversed}}",
                "drive.refresh_hz=7680",
                "drive.advanced.clocks_per_turn=330",
            ],
            "drive.refresh_hz: 7680 Hz needs a grey clock of 40.55 MHz (16 rows of 330 + 0 clocks); 20 MHz holds 1920 Hz (rendered with what the electronics hold; check the sheet and `drive.advanced`)",
            |_, s| s.drive.refreshes() == 32,
        ),
        (
            &["drive.refresh_hz=7680", "drive.advanced.sub_periods=64"],
            "drive.refresh_hz: the sheet's 7680 Hz are not what 64 turns of each row in a video frame give: 3840 Hz at 60 fps (rendered with the turns; check the sheet, `sub_periods` and `sheet_video_hz`)",
            |_, s| s.drive.refresh_hz == 3840.0,
        ),
        (
            &["drive.advanced.sub_periods=64", "drive.advanced.grey_bits=14"],
            "drive.advanced.grey_bits: 14 bits in every refresh of 3840 Hz need a grey clock of 1007 MHz; 20 MHz holds 8 bits (rendered with what the electronics hold; check the sheet and `drive.advanced`)",
            |_, s| s.drive.refresh_hz == 3840.0,
        ),
        // 1024 pixels · 14 bits · 60 Hz = 860 160 bits a second.
        (
            &[
                "drive.kind=split",
                "drive.advanced.pixels_per_data_line=1024",
                "drive.advanced.data_rate_mhz=0.7",
            ],
            "drive.advanced.data_rate_mhz: 1024 pixels of 14 bits at 60 fps are 122.9 % of a data line's 0.7 million bits a second; it holds 48.83 a second, or 11 bits (rendered with what the electronics hold; check the sheet and `drive.advanced`)",
            |d, s| {
                let line = d.drive.data_line.as_ref().expect("a data line");
                matches!(s.drive.kind, DriveKind::Split { bits: 11, .. })
                    && line.most_bits == 11
                    && line.use_share < 1.0
            },
        ),
    ];
    for (edits, wanted, holds) in table {
        let scene = with(&[&clock("drive.advanced.grey_clock_mhz=20")[..], edits].concat());
        assert_eq!(notes(&scene), [wanted], "{edits:?}");
        assert!(holds(&derived(&scene), &scene), "{edits:?}: {:?}", scene.drive);
    }
    // Nothing is said where all fits, and the bits of the clocks are taken where none are claimed.
    let fits = ["drive.kind=split", "drive.refresh_hz=3840"];
    let scene = with(&[&clock("drive.advanced.grey_clock_mhz=20")[..], &fits].concat());
    assert_eq!(notes(&scene), Vec::<String>::new());
    assert!(matches!(scene.drive.kind, DriveKind::Split { bits: 14, .. }));
}

#[test]
fn electronics_that_contradict_themselves_are_refused() {
    let table: [(&[&str], &str); 5] = [
        (
            &[
                "drive.kind=split",
                "drive.video_hz=120",
                "drive.scan=32",
                "drive.advanced={grey_clock_mhz: 80, sub_periods: 64, clocks_per_turn: 600, switch_clocks: 50}",
            ],
            "drive.advanced.grey_clock_mhz: 64 turns of 32 rows of 600 + 50 clocks at 120 fps need 159.7 MHz, not 80 MHz (32 turns fit: check `drive.advanced` and the video rate)",
        ),
        (
            &[
                "drive.video_hz=60",
                "drive.scan=32",
                "drive.advanced={grey_clock_mhz: 1, clocks_per_turn: 600}",
            ],
            "drive.advanced.grey_clock_mhz: 1 MHz does not hold one refresh a video frame: 2048 rows of 600 + 0 clocks need 73.73 MHz (check `drive.advanced`, `scan` and the video rate)",
        ),
        (
            &["drive.advanced={switch_clocks: 5, dark_per_slot_us: 1}"],
            "drive.advanced.dark_per_slot_us: given together with `switch_clocks` (keep one of `switch_clocks`, `dark_per_slot_us`)",
        ),
        (
            &[
                "drive.advanced={pixels_per_data_line: 4096, data_rate_mhz: 10, data_sent: each_refresh}",
            ],
            "drive.advanced.data_rate_mhz: 4096 pixels of 14 bits at 3840 refreshes a second are 2202 % of a data line's 10 million bits a second; it holds 174.4 a second, or 0 bits (check `pixels_per_data_line`, `data_rate_mhz` and `data_sent`)",
        ),
        (
            &["drive.kind={split: {order: bit_reversed}}", "drive.advanced.sub_periods=60"],
            "drive.advanced.sub_periods: bit_reversed needs a power of two of refreshes a video frame, not 60",
        ),
    ];
    for (edits, wanted) in table {
        assert_eq!(read(edits).err(), Some(vec![wanted.to_string()]), "{edits:?}");
    }
    for (edit, wanted) in [
        (
            "drive.advanced.clocks_per_turn=9",
            "drive.advanced.clocks_per_turn: without a grey clock this key has no effect (add `grey_clock_mhz`, or take the key out)",
        ),
        (
            "drive.advanced.data_rate_mhz=9",
            "drive.advanced.data_rate_mhz: without `pixels_per_data_line` this key has no effect (add `pixels_per_data_line`, or take the key out)",
        ),
    ] {
        assert_eq!(notes(&with(&[edit])), [wanted]);
    }
}

#[test]
fn the_refresh_follows_the_rate_that_the_wall_is_fed() {
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9 * b, "{a}, not {b}");
    // 3840/50 = 76.8: nearest is 77.
    let scene = with(&["drive.refresh_hz=3840", "drive.video_hz=50"]);
    near(scene.drive.refresh_hz, 3850.0);
    assert_eq!(scene.drive.refreshes(), 77);
    assert_eq!(
        notes(&scene),
        [
            "drive.refresh_hz: the sheet's 3840 Hz at 60 fps become 3850 Hz: fed 50 fps, the wall refreshes 77 times a video frame (a wall refreshes a whole number of times a video frame; `refresh_lock` says how this one counts)"
        ]
    );
    let told = describe(&scene);
    for line in [
        "  refresh                3850 Hz, 77 times a video frame at 50 fps",
        "  on the sheet           3840 Hz at 60 fps",
    ] {
        assert!(told.lines().any(|l| l == line), "{line}\nnot in\n{told}");
    }
    // The count of the sheet's own rate kept: 64 times 50.
    let same = ["drive.refresh_hz=3840", "drive.video_hz=50", "drive.refresh_lock=same_count"];
    let scene = with(&same);
    near(scene.drive.refresh_hz, 3200.0);
    assert_eq!(notes(&scene).len(), 1);
    // 3840 at 30 fps is 128 times.
    let scene = with(&[&same[..], &["drive.sheet_video_hz=30"]].concat());
    near(scene.drive.refresh_hz, 6400.0);
    // What fits says nothing; a rounded rate is one that fits.
    for edits in [
        &["drive.refresh_hz=3840", "drive.video_hz=24"][..],
        &["drive.refresh_hz=3840", "drive.video_hz=60", "drive.refresh_lock=same_count"],
        &["drive.refresh_hz=3836.16", "camera.frame_rate_fps=23.976"],
    ] {
        assert_eq!(notes(&with(edits)), Vec::<String>::new(), "{edits:?}");
    }
    // Every kind of drive follows, and what is rendered repeats with the video frame.
    for kind in ["pwm", "scanned", "split"] {
        let kind = format!("drive.kind={kind}");
        let scene = with(&[&kind, "drive.refresh_hz=3840", "drive.video_hz=25"]);
        assert_eq!(scene.drive.refreshes(), 154, "{kind}");
        near(scene.drive.timing().frame_s, 0.04);
        assert_eq!(derived(&scene).drive.refreshes_per_video_frame, Some(154.0));
    }
    // Unless the refresh is tied to nothing.
    let scene = with(&["drive.refresh_hz=3840", "drive.video_hz=50", "drive.refresh_lock=none"]);
    near(scene.drive.refresh_hz, 3840.0);
    near(scene.drive.timing().frame_s, 1.0 / 3840.0);
    // The turns of the electronics are counted a video frame, whatever the sheet's rate.
    let scene = with(&["drive.advanced.sub_periods=64", "drive.video_hz=50"]);
    near(scene.drive.refresh_hz, 3200.0);
}
