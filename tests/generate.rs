//! Test material: samples are pure functions of recipe and number, whatever stops or splits a run; files hold what the truth says.

use crate::cli_stage::Place;
use gridbeat::frame::{Picture, Plane, RawFrame, Window};
use gridbeat::generate::Recipe;
use gridbeat::input::rendered;
use gridbeat::output::{DngCamera, DngLevels, Format, Notes, Y4mSequence};
use gridbeat::sensor::Mosaic;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

pub(crate) const RECIPE: &str = "\
name: windows
scene: night_train.yaml
count: 6
seed: 5
size_px: [48, 32]
part: anywhere
set: {content: {solid: {light_percent: 40}}}
together:
  wall:
    - {name: fine, set: {wall.pixel_pitch_mm: 2.6}}
    - {name: coarse, set: {wall.pixel_pitch_mm: 3.1}}
vary:
  lens.focal_mm: {uniform: [33, 37]}
  placement.distance_m: {log_uniform: [6, 8]}
  lens.focus.distance_m: {follows: placement.distance_m, times: {uniform: [0.9, 1]}}
  camera.shutter_speed: {choice: [1/1000, 1/250]}
split: {whole: wall}
";

/// A folder with a scene and a recipe.
fn place(recipe: &str) -> Place {
    let place = Place::new();
    fs::write(place.path("windows.yml"), recipe).expect("a recipe");
    place
}

fn generate(place: &Place, out: &str, more: &[&str]) {
    let args = ["generate", "windows.yml", "--quiet", "--out", out];
    place.gridbeat(&[&args, more].concat()).assert().success();
}

/// Every file below a folder with its bytes.
pub(crate) fn tree(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![root.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(root).expect("inside").to_owned();
                found.insert(name, fs::read(&path).expect("a file"));
            }
        }
    }
    found
}

pub(crate) fn same(a: &BTreeMap<PathBuf, Vec<u8>>, b: &BTreeMap<PathBuf, Vec<u8>>) {
    let names = |t: &BTreeMap<PathBuf, Vec<u8>>| t.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(a), names(b));
    let unlike: Vec<_> =
        a.iter().filter(|(name, bytes)| b[*name] != **bytes).map(|(n, _)| n).collect();
    assert!(unlike.is_empty(), "other bytes: {unlike:?}");
}

fn truth(place: &Place, out: &str, sample: u64) -> Value {
    let path = place.path(format!("{out}/samples/00000/{sample:08}/truth.json"));
    serde_json::from_str(&fs::read_to_string(path).expect("a truth")).expect("JSON")
}

#[test]
fn samples_have_the_same_bytes_for_any_threads_and_shards() {
    let place = place(RECIPE);
    generate(&place, "one", &["--threads", "1"]);
    let one = tree(&place.path("one"));
    // Six samples of 6 pictures, 2 maps, 4 masks, truth and entry; and four files beside them.
    assert_eq!(one.len(), 6 * 14 + 4);
    generate(&place, "three", &["--threads", "3"]);
    same(&one, &tree(&place.path("three")));
    for shard in ["3/3", "1/3"] {
        generate(&place, "parts", &["--shard", shard]);
    }
    let early = place.run(&["generate", "windows.yml", "--out", "parts", "--join"]);
    assert!(early.0 == 2 && early.2.contains("2 of 6 samples are not there yet"), "{early:?}");
    let mut second = place.gridbeat(&["generate", "windows.yml", "--quiet", "--out", "parts"]);
    second
        .env("SLURM_ARRAY_TASK_ID", "2")
        .env("SLURM_ARRAY_TASK_MIN", "1")
        .env("SLURM_ARRAY_TASK_COUNT", "3");
    second.assert().success();
    generate(&place, "parts", &["--join"]);
    same(&one, &tree(&place.path("parts")));
    // Samples differ from each other, and the manifest lists each once.
    let manifest = String::from_utf8(one[Path::new("manifest.jsonl")].clone()).expect("text");
    assert_eq!(manifest.lines().count(), 6);
    let of = |i: u64| &one[&PathBuf::from(format!("samples/00000/{i:08}/captured_linear.png"))];
    assert!((1..6).all(|i| of(i) != of(0)));
    // Whole groups are in one split.
    let mut splits: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for line in manifest.lines() {
        let entry: Value = serde_json::from_str(line).expect("JSON");
        let word = |key: &str| entry[key].as_str().expect("a word").to_owned();
        splits.entry(word("group")).or_default().push(word("split"));
    }
    assert!(
        splits.len() == 2 && splits.values().all(|s| s.iter().all(|one| *one == s[0])),
        "{splits:?}"
    );
}

#[test]
fn twenty_kills_change_nothing() {
    let recipe = RECIPE.replace("count: 6", "count: 40");
    let place = place(&recipe);
    generate(&place, "whole", &[]);
    let whole = tree(&place.path("whole"));
    let mut seed = 12345_u64;
    let mut hit = 0;
    for _ in 0..20 {
        let mut child = Command::new(env!("CARGO_BIN_EXE_gridbeat"))
            .current_dir(place.path(""))
            .args(["generate", "windows.yml", "--quiet", "--out", "killed"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("it runs");
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        std::thread::sleep(Duration::from_millis(5 + (seed >> 33) % 90));
        hit += u32::from(child.try_wait().expect("a child").is_none());
        let _ = child.kill();
        child.wait().expect("it ends");
    }
    assert!(hit >= 5, "only {hit} kills met a run under way");
    // Nothing half-written is in a sample's place.
    if let Ok(folders) = fs::read_dir(place.path("killed/samples/00000")) {
        for folder in folders.map(|f| f.expect("an entry").path()) {
            let name = folder.file_name().expect("a name").to_string_lossy().into_owned();
            assert!(
                name.starts_with(".gridbeat-") || folder.join("entry.json").is_file(),
                "{name}"
            );
        }
    }
    generate(&place, "killed", &[]);
    same(&whole, &tree(&place.path("killed")));
}

/// 1 + M + B is captured over ideal, to the precision of the files: floats, and 16-bit pictures.
#[test]
fn maps_add_up_to_captured_over_ideal() {
    let exact =
        RECIPE.replace("split:", "write: {pictures: exr, maps: exr, noise: without}\nsplit:");
    let coded = RECIPE.replace("split:", "write: {maps: png16, noise: without}\nsplit:");
    for (recipe, is_exact) in [(exact, true), (coded, false)] {
        let place = place(&recipe);
        generate(&place, "out", &[]);
        let (mut given, mut bands_rms) = (0, 0.0);
        for sample in 0..6 {
            let folder = place.path(format!("out/samples/00000/{sample:08}"));
            let truth = truth(&place, "out", sample);
            let read = |name: &str| {
                let ending = if is_exact { "exr" } else { "png" };
                let planes =
                    rendered(&folder.join(format!("{name}.{ending}"))).expect("a picture").planes;
                let words = &truth["files"][format!("{name}.{ending}")];
                let (offset, scale) = (words["offset"].as_f64(), words["scale"].as_f64());
                let value = move |v: f32| match (offset, scale) {
                    (Some(_), Some(_)) if v == 0.0 => f64::NAN,
                    (Some(offset), Some(scale)) => offset + scale * f64::from(v),
                    _ if is_exact => f64::from(v),
                    _ => f64::from(v) / 65535.0,
                };
                planes
                    .into_iter()
                    .map(|p| p.data.into_iter().map(value).collect())
                    .collect::<Vec<Vec<f64>>>()
            };
            let captured = read("captured_noise_free_linear");
            let ideal = read("ideal_noise_free_linear");
            let (moire, bands) = (read("moire"), read("bands"));
            let of = |name: &str| truth["files"][name]["scale"].as_f64().unwrap_or(0.0);
            let half_steps = 0.51 * (of("moire.png") + of("bands.png"));
            for c in 0..3 {
                for i in 0..48 * 32 {
                    let sum = 1.0 + moire[c][i] + bands[c][i];
                    // Whole numbers end at 0 and at full scale.
                    let is_inside = captured[c][i] > 0.0 && captured[c][i] < 1.0;
                    let is_cut = !(is_exact || is_inside);
                    if !sum.is_finite() || is_cut {
                        continue;
                    }
                    given += 1;
                    bands_rms += bands[c][i] * bands[c][i];
                    let ratio = captured[c][i] / ideal[c][i];
                    // Half a step of each picture, and of each map (its range over 65534 steps).
                    let step = 0.5 / 65535.0;
                    let bar = match is_exact {
                        true => 2e-6 * ratio.abs().max(1.0),
                        false => step * (1.0 + ratio) / ideal[c][i] * 1.01 + half_steps,
                    };
                    assert!((sum - ratio).abs() <= bar, "sample {sample}: {sum} {ratio} ± {bar}");
                }
            }
        }
        assert!(given > 10_000, "{given} given");
        assert!((bands_rms / f64::from(given)).sqrt() > 1e-3, "no bands in any sample");
    }
}

#[test]
fn the_truth_tells_what_was_drawn_and_what_shows() {
    let place = place(RECIPE);
    generate(&place, "out", &[]);
    for sample in 0..6 {
        let truth = truth(&place, "out", sample);
        let number = |v: &Value| v.as_str().expect("text").parse::<f64>().expect("a number");
        let drawn = &truth["drawn"];
        assert!((33.0..=37.0).contains(&number(&drawn["lens.focal_mm"])));
        let distance = number(&drawn["placement.distance_m"]);
        assert!((6.0..=8.0).contains(&distance));
        let ratio = number(&drawn["lens.focus.distance_m"]) / distance;
        assert!((0.8999..=1.0001).contains(&ratio), "{ratio}");
        assert_eq!(
            truth["parameters"]["lens"]["focal_m"].as_f64().expect("a length"),
            number(&drawn["lens.focal_mm"]) / 1000.0
        );
        // The light of the rows, by the drive's clockwork, is that of the picture's bands where the wall is even: mean 1.
        let rows = truth["frames"][0]["row_gain"].as_array().expect("levels").last().expect("one")
            ["rows"]
            .clone();
        let rows: Vec<f64> =
            rows.as_array().expect("rows").iter().map(|v| v.as_f64().expect("a number")).collect();
        assert_eq!(rows.len(), 32);
        let mean = rows.iter().sum::<f64>() / 32.0;
        assert!((mean - 1.0).abs() < 0.1, "{mean}");
        assert!(
            truth["components"]["places"][0]["waves"].as_array().is_some_and(|w| !w.is_empty())
        );
        assert!(
            truth["predicted"]["verdict"].is_string()
                && truth["frames"][0]["measured"]["fringes"].is_object()
        );
        assert!(truth["frames"][0]["noise_rms_percent_of_ideal"][1].as_f64().expect("noise") > 0.1);
    }
}

#[test]
fn conditions_and_balance_hold() {
    let recipe = RECIPE.replace("count: 6", "count: 4").replace(
        "split:",
        "conditions: {moire_percent: [1, 100]}\nbalance: [spoils, noticeable]\ntries: 60\nsplit:",
    );
    let place = place(&recipe);
    let (code, out, error) = place.run(&["generate", "windows.yml", "--out", "out"]);
    assert!(code == 0, "{out}{error}");
    let manifest = fs::read_to_string(place.path("out/manifest.jsonl")).expect("a manifest");
    let mut drawn = 0;
    for (i, line) in manifest.lines().enumerate() {
        let entry: Value = serde_json::from_str(line).expect("JSON");
        if entry["skipped"].is_string() {
            continue;
        }
        drawn += 1;
        assert_eq!(entry["verdict"], ["spoils", "noticeable"][i % 2]);
        let truth = truth(&place, "out", i as u64);
        assert!(
            truth["predicted"]["kinds"]["moire"]["contrast_percent"].as_f64().expect("a number")
                >= 1.0
        );
    }
    assert!(drawn > 0);
    // What cannot be met is said, and nothing is made up.
    let never = RECIPE.replace("split:", "conditions: {bands_percent: [90, 95]}\ntries: 3\nsplit:");
    fs::write(place.path("windows.yml"), never).expect("a recipe");
    let (code, _, error) = place.run(&["generate", "windows.yml", "--out", "never"]);
    assert!(
        code == 1
            && error.contains("no sample could be drawn")
            && error.contains("scan bands of 90 % to 95 %"),
        "{error}"
    );
}

#[test]
fn a_folder_is_checked_mended_and_kept_to_one_recipe() {
    let place = place(RECIPE);
    generate(&place, "out", &[]);
    let whole = tree(&place.path("out"));
    let (code, words, _) = place.run(&["generate", "--verify", "out"]);
    assert!(code == 0 && words.contains("6 samples, 78 files: all as in the manifest"), "{words}");
    let file = "out/samples/00000/00000003/moire.png";
    let mut bytes = fs::read(place.path(file)).expect("a file");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(place.path(file), bytes).expect("written");
    fs::write(place.path("out/samples/00000/00000001/stray.txt"), "x").expect("written");
    let (code, _, error) = place.run(&["generate", "--verify", "out"]);
    assert!(
        code == 2 && error.contains("00000003/moire.png: its contents have changed"),
        "{error}"
    );
    assert!(
        error.contains("stray.txt: is not in the manifest")
            && error.contains("run the recipe again"),
        "{error}"
    );
    // Its folder taken away, the same command makes it anew.
    for sample in ["00000001", "00000003"] {
        fs::remove_dir_all(place.path(format!("out/samples/00000/{sample}"))).expect("gone");
    }
    generate(&place, "out", &[]);
    same(&whole, &tree(&place.path("out")));
    // Another recipe, another scene: not over this.
    fs::write(place.path("windows.yml"), RECIPE.replace("seed: 5", "seed: 6")).expect("a recipe");
    let (code, _, error) = place.run(&["generate", "windows.yml", "--out", "out"]);
    assert!(code == 2 && error.contains("out holds samples of another recipe"), "{error}");
    same(&whole, &tree(&place.path("out")));
    fs::create_dir(place.path("mine")).expect("a folder");
    fs::write(place.path("mine/letter.txt"), "dear").expect("written");
    let (code, _, error) = place.run(&["generate", "windows.yml", "--out", "mine"]);
    assert!(code == 2 && error.contains("'letter.txt'"), "{error}");
}

#[test]
fn recipes_are_refused_with_line_value_and_what_is_allowed() {
    for (from, to, wants) in [
        ("count: 6", "count: 0", &["count", "0 found", "1 to 100000000"][..]),
        ("count: 6", "cuont: 6", &["cuont", "no such key", "count"]),
        (
            "uniform: [33, 37]",
            "uniform: [37, 33]",
            &["vary.lens.focal_mm.uniform", "lower number first"],
        ),
        ("log_uniform: [6, 8]", "log_uniform: [0, 8]", &["above 0"]),
        ("split: {whole: wall}", "split: {whole: camera}", &["'camera' does not vary", "wall"]),
        ("size_px: [48, 32]", "size_px: [48]", &["size_px", "two numbers"]),
        ("part: anywhere", "part: left", &["part", "'left'", "middle, anywhere"]),
        ("scene: night_train.yaml", "scene: nowhere.yaml", &["nowhere.yaml", "`scene`"]),
        ("{name: fine, ", "{", &["together.wall[1].name", "missing"]),
        ("split: {whole: wall}", "write: {stages: raw, y4m: true}", &["write.y4m", "delivered"]),
    ] {
        let place = place(&RECIPE.replace(from, to));
        let (code, _, error) = place.run(&["generate", "windows.yml", "--out", "out"]);
        assert!(code == 1 || code == 2, "{to}: {code}");
        for want in wants {
            assert!(error.contains(want), "{to}: '{want}' is not in: {error}");
        }
        assert!(!place.path("out").exists(), "{to}: something was written");
    }
    let place = place(&RECIPE.replace("lens.focal_mm: {uniform", "lens.focal_length: {uniform"));
    let (code, _, error) = place.run(&["generate", "windows.yml", "--out", "out"]);
    assert!(code == 1 && error.contains("lens.focal_length"), "{error}");
    assert!(Recipe::read("name: x\n", "x").is_err());
}

#[test]
fn job_files_name_recipe_folder_and_count() {
    let place = place(RECIPE);
    for (scheduler, wants) in [("slurm", "--array=1-8"), ("kubernetes", "completions: 8")] {
        let (code, text, _) = place.run(&[
            "generate",
            "windows.yml",
            "--out",
            "all",
            "--shards",
            "8",
            "--print-job",
            scheduler,
        ]);
        assert!(code == 0 && text.contains(wants) && text.contains("windows.yml"), "{text}");
    }
}

pub(crate) fn levels(window: Window, planes: usize) -> RawFrame {
    let size = (window.width * window.height) as usize;
    let plane = |p: usize| (0..size).map(|i| 256 + ((i * 37 + p * 11) % 3800) as u16).collect();
    RawFrame { window, planes: (0..planes).map(plane).collect() }
}

pub(crate) fn camera(mosaic: Mosaic) -> DngCamera {
    DngCamera {
        mosaic,
        black_level: 256,
        white_level: 4095,
        from_xyz: [[0.9, -0.3, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.7]],
        neutral: [0.5, 1.0, 0.625],
        exposure_s: 1.0 / 48.0,
        f_number: 2.8,
        exposure_index: 800.0,
        focal_mm: 35.0,
    }
}

pub(crate) fn encoded(contents: &dyn Format) -> Vec<u8> {
    let mut sink = Cursor::new(Vec::new());
    contents.encode(&mut sink).expect("a file");
    sink.into_inner()
}

/// Opened by an independent raw library: pattern, levels, white balance, and every photosite, wherever the crop begins.
#[test]
fn camera_raw_files_are_read_by_an_independent_library() {
    for (x, y, pattern) in [(0, 0, "RGGB"), (1, 0, "GRBG"), (0, 1, "GBRG"), (1, 1, "BGGR")] {
        let raw = levels(Window { x: 10 + x, y: 20 + y, width: 32, height: 24 }, 1);
        let camera = camera(Mosaic::Bayer([0, 1, 1, 2]));
        let notes = Notes::new("night-train");
        let bytes = encoded(&DngLevels { raw: &raw, camera: &camera, notes: &notes });
        let image = rawloader::decode(&mut Cursor::new(&bytes)).expect("it opens");
        assert_eq!((image.width, image.height, image.cpp), (32, 24, 1));
        assert_eq!(image.cfa.name, pattern);
        assert_eq!((image.blacklevels[0], image.whitelevels[0]), (256, 4095));
        let rawloader::RawImageData::Integer(data) = image.data else { panic!("floats") };
        assert_eq!(data, raw.planes[0]);
        // Gains over green: 1 over neutral.
        let [r, g, b, _] = image.wb_coeffs;
        assert!((r / g - 2.0).abs() < 1e-4 && (b / g - 1.6).abs() < 1e-4, "{:?}", image.wb_coeffs);
    }
}

/// A second reader: LibRaw, through Python's rawpy, where that is at hand.
#[test]
fn camera_raw_files_are_read_by_libraw() {
    let program = "import rawpy,sys\n\
        with rawpy.imread(sys.argv[1]) as r:\n\
        \x20 print(r.raw_pattern.tolist(), r.color_desc.decode(), r.black_level_per_channel[:3], r.white_level,\n\
        \x20   r.raw_image_visible.shape, int(r.raw_image_visible.astype('uint64').sum()), int(r.raw_image_visible[3, 5]))\n";
    let has = Command::new("python3").args(["-c", "import rawpy"]).output();
    if !has.is_ok_and(|o| o.status.success()) {
        println!("skipped: python3 with rawpy is not at hand");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let raw = levels(Window { x: 3, y: 2, width: 64, height: 48 }, 1);
    let notes = Notes::new("night-train");
    let bytes = encoded(&DngLevels {
        raw: &raw,
        camera: &camera(Mosaic::Bayer([0, 1, 1, 2])),
        notes: &notes,
    });
    let file = folder.path().join("a.dng");
    fs::write(&file, bytes).expect("written");
    let output =
        Command::new("python3").args(["-c", program]).arg(&file).output().expect("it runs");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let sum: u64 = raw.planes[0].iter().map(|v| u64::from(*v)).sum();
    let at = raw.planes[0][3 * 64 + 5];
    // Column 3 is green, then red: the pattern's first row is green, red.
    let want = format!("[256, 256, 256] 4095 (48, 64) {sum} {at}");
    assert!(text.trim_end().ends_with(&want), "{text} {}", String::from_utf8_lossy(&output.stderr));
    assert!(text.starts_with("[[1, 0], [2, 3]]") || text.starts_with("[[1, 0], [2, 1]]"), "{text}");
}

/// Codes of the primaries and of white and black at 10 bits, by BT.709 (Y' = 0.2126 R' + 0.7152 G' + 0.0722 B'; 64 to 940, 512 ± 448),
/// worked by hand.
#[test]
fn sequences_have_the_codes_of_bt_709() {
    let colours = [[0.0; 3], [1.0; 3], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]];
    let plane = |c: usize| Plane {
        width: 4,
        height: 1,
        data: colours.map(|rgb: [f32; 3]| rgb[c]).to_vec(),
    };
    let pictures = vec![Picture { planes: [plane(0), plane(1), plane(2)] }; 2];
    let space = gridbeat::develop::ColourSpace::Bt709;
    let ten = encoded(&Y4mSequence { pictures: &pictures, space, fps: 23.976 });
    let line = ten.iter().position(|b| *b == b'\n').expect("a header") + 1;
    let header = String::from_utf8_lossy(&ten[..line - 1]).into_owned();
    assert_eq!(header, "YUV4MPEG2 W4 H1 F24000:1001 Ip A1:1 C444p10 XCOLORRANGE=LIMITED");
    let frame = &ten[line..];
    assert_eq!(frame.len(), 2 * (6 + 4 * 3 * 2));
    assert_eq!(&frame[..6], b"FRAME\n");
    let codes: Vec<u16> =
        frame[6..30].chunks(2).map(|b| u16::from_le_bytes([b[0], b[1]])).collect();
    assert_eq!(codes, [64, 940, 250, 127, 512, 512, 409, 960, 512, 512, 960, 471]);
}

/// The data card's own program, where Python with numpy and OpenCV is at hand.
#[test]
fn the_card_s_program_reads_samples() {
    let has = Command::new("python3").args(["-c", "import numpy, cv2"]).output();
    if !has.is_ok_and(|o| o.status.success()) {
        println!("skipped: python3 with numpy and cv2 is not at hand");
        return;
    }
    let place = place(RECIPE);
    generate(&place, "out", &[]);
    let output = Command::new("python3")
        .arg(place.path("out/read_samples.py"))
        .arg(place.path("out"))
        .output()
        .expect("it runs");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(text.lines().count(), 6, "{text} {}", String::from_utf8_lossy(&output.stderr));
    for line in text.lines() {
        let off = line.split("off by ").nth(1).and_then(|o| o.parse::<f64>().ok());
        assert!(off.is_some_and(|off| off < 2e-2), "{line}");
    }
}

/// The ideal in place of a repair is perfect; the frame as it was has all of its artefact.
#[test]
fn perfect_and_untouched_repairs_score_so() {
    // Floats: moiré this strong has colours beyond what whole numbers hold.
    let place = place(&RECIPE.replace(
        "split:",
        "write: {pictures: exr}
split:",
    ));
    generate(&place, "out", &[]);
    for (folder, from) in
        [("perfect", "ideal_noise_free_linear.exr"), ("untouched", "captured_linear.exr")]
    {
        fs::create_dir(place.path(folder)).expect("a folder");
        for sample in 0..6 {
            let file = place.path(format!("out/samples/00000/{sample:08}/{from}"));
            fs::copy(file, place.path(format!("{folder}/{sample:08}.exr"))).expect("copied");
        }
    }
    let of = |folder: &str| -> Value {
        let (code, text, error) = place.run(&["score", "out", folder, "--json"]);
        assert!(code == 0, "{error}");
        serde_json::from_str::<Value>(&text).expect("JSON")["together"]["all"].clone()
    };
    let (perfect, untouched) = (of("perfect"), of("untouched"));
    let number = |v: &Value, key: &str| v[key].as_f64().unwrap_or(f64::NAN);
    assert!(number(&perfect, "left_percent") < 0.01, "{perfect}");
    assert!(perfect["off_percent"][1].as_f64().expect("a number") < 0.05, "{perfect}");
    assert!(number(&untouched, "artefact_percent") > 1.0, "{untouched}");
    for key in ["moire_left", "bands_left"] {
        assert!(
            (number(&untouched, key) - 1.0).abs() < 0.05 && number(&perfect, key).abs() < 0.01,
            "{key}: {untouched} {perfect}"
        );
    }
    let off = &untouched["off_percent"];
    assert!(
        (off[0].as_f64().expect("a number") - off[1].as_f64().expect("a number")).abs() < 1e-6,
        "{untouched}"
    );
    // A frame that is missing is named, and counts as not scored.
    fs::remove_file(place.path("perfect/00000002.exr")).expect("gone");
    let (code, text, error) = place.run(&["score", "out", "perfect"]);
    assert!(
        code == 2
            && error.contains("sample 2: no repaired captured_linear")
            && text.contains("all"),
        "{error}{text}"
    );
}

/// Every stage and format, degraded pictures, sequences; scaled ones are not scored, the linear ones beside them are.
#[test]
fn every_stage_and_format_is_written_and_scaled_ones_are_not_scored() {
    let write = "frames: 2\nwrite:\n  stages: [linear, raw, log, delivered]\n  dng: true\n  maps: exr\n  \
                 degrade: [{scale_percent: 50}, {denoise_px: 1}, {sharpen_percent: 50}, {jpeg_quality: 80}]\nsplit:";
    let recipe = RECIPE.replace("split:", write).replace("count: 6", "count: 1");
    let place = place(&recipe);
    generate(&place, "out", &[]);
    let folder = place.path("out/samples/00000/00000000");
    let size = |name: &str| {
        let planes = rendered(&folder.join(name)).expect("a picture").planes;
        (planes.len(), planes[0].width, planes[0].height)
    };
    for frame in ["f0000", "f0001"] {
        assert_eq!(size(&format!("captured_linear_{frame}.png")), (3, 48, 32));
        assert_eq!(size(&format!("captured_log_{frame}.png")), (3, 48, 32));
        assert_eq!(size(&format!("captured_raw_{frame}.png")), (1, 48, 32));
        assert_eq!(size(&format!("ideal_noise_free_delivered_{frame}.png")), (3, 24, 16));
        assert!(folder.join(format!("captured_raw_{frame}.dng")).is_file());
        let map = folder.join(format!("moire_{frame}.exr"));
        let about = exr::meta::MetaData::read_from_file(&map, true).expect("a header");
        let names: Vec<String> =
            about.headers[0].channels.list.iter().map(|c| c.name.to_string()).collect();
        assert_eq!(names, ["M.B", "M.G", "M.R"]);
        assert_eq!(size(&format!("moire_{frame}.exr")), (3, 48, 32));
    }
    let truth = truth(&place, "out", 0);
    assert_eq!(truth["degraded"][0]["scale_percent"], 50.0);
    fs::create_dir(place.path("same")).expect("a folder");
    for name in ["captured_linear_f0001", "captured_delivered_f0001"] {
        let from = folder.join(format!("{name}.png"));
        fs::copy(from, place.path(format!("same/00000000.{name}.png"))).expect("copied");
    }
    let (code, text, error) =
        place.run(&["score", "out", "same", "--file", "captured_linear_f0001"]);
    assert!(code == 0 && text.contains("all"), "{text}{error}");
    let (code, _, error) =
        place.run(&["score", "out", "same", "--file", "captured_delivered_f0001"]);
    assert!(code == 2 && error.contains("sample 0: its delivered pictures are scaled"), "{error}");
    // As one file of a sequence.
    let video = recipe.replace("dng: true", "y4m: true").replace("{scale_percent: 50}, ", "");
    fs::write(place.path("windows.yml"), video).expect("a recipe");
    generate(&place, "video", &[]);
    let file = place.path("video/samples/00000/00000000/captured_delivered.y4m");
    let bytes = fs::read(file).expect("a sequence");
    let head = bytes.iter().position(|b| *b == b'\n').expect("a header") + 1;
    assert!(String::from_utf8_lossy(&bytes[..head]).starts_with("YUV4MPEG2 W48 H32 F24:1 "));
    assert_eq!(bytes.len() - head, 2 * (6 + 3 * 48 * 32 * 2));
}
