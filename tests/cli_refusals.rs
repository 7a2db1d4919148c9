//! What the program says and leaves behind when it cannot go on.

use crate::cli_stage::Place;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Runs, and expects this exit code and this one message, and no output.
fn refused(place: &Place, args: &[&str], code: i32, message: &str) {
    let (got, out, err) = place.run(args);
    assert_eq!((got, out.as_str(), err.as_str()), (code, "", message), "{args:?}");
}

#[test]
fn command_lines_that_make_no_sense() {
    let place = Place::new();
    for (args, message) in [
        (
            &["--frames", "0"][..],
            "invalid value '0' for '--frames <N or FIRST..LAST>': write a number of frames, such as \
             24, or FIRST..LAST, such as 10..19, with frames from 0 to 999999",
        ),
        (
            &["--frames", "5..2"],
            "invalid value '5..2' for '--frames <N or FIRST..LAST>': frame 5 comes after frame 2; \
             write the earlier one first",
        ),
        (
            &["--crop", "1,2,3"],
            "invalid value '1,2,3' for '--crop <X,Y,WIDTH,HEIGHT>': write four whole numbers, such \
             as 1800,1000,320,180: first column, first row, columns, rows",
        ),
        (
            &["--set", "lens"],
            "invalid value 'lens' for '--set <KEY=VALUE>': 'lens' has no '='; write KEY=VALUE, such \
             as lens.focal_mm=50",
        ),
        (&["--threads", "0"], "invalid value '0' for '--threads <N>': 0 is not in 1..=1024"),
    ] {
        let all = [&["render", "night_train.yaml"], args].concat();
        let message = format!("error: {message}\n\nFor more information, try '--help'.\n");
        refused(&place, &all, 2, &message);
    }
    assert_eq!(place.names("."), ["night_train.yaml"]);
}

#[test]
fn scenes_that_are_missing_or_wrong() {
    let place = Place::new();
    refused(&place, &["render", "nope.yaml"], 2, "error: scene 'nope.yaml' is not there\n");
    refused(
        &place,
        &["render", "night_train.yaml", "--set", "lens.focl_mm=3"],
        1,
        "error: lens.focl_mm: unknown key\n |\n = help: did you mean `focal_mm`?\n\n\
         night_train.yaml: 1 problem\n",
    );
    refused(
        &place,
        &["render", "night_train.yaml", "--crop", "90,60,20,20"],
        1,
        "error: camera.crop: the crop ends at column 110 and row 80; the sensor has 96 × 64 \
         photosites\n |\n = help: make the crop smaller or move it up and left\n\n\
         night_train.yaml: 1 problem\n",
    );
    refused(
        &place,
        &["render", "night_train.yaml", "--crop", "9,6,1,1"],
        2,
        "error: the picture cannot be developed: a crop of 1 × 1 photosites does not hold every \
         colour: 2 × 2 is the smallest\n",
    );
    assert_eq!(place.names("."), ["night_train.yaml"]);
}

#[test]
fn a_content_picture_that_is_missing_is_named_with_its_line() {
    let place = Place::new();
    let scene = fs::read_to_string(place.path("night_train.yaml")).expect("the scene");
    let scene = scene.replace(
        "{stripes: {width_px: 8, light_percent: 80, dark_percent: 10}}",
        "{image: {file: plates/window.png}}",
    );
    fs::write(place.path("plate.yaml"), scene).expect("written");
    let (code, out, err) = place.run(&["render", "plate.yaml"]);
    assert_eq!((code, out.as_str()), (1, ""));
    assert!(err.contains("picture 'plates/window.png' is not there"), "{err}");
    assert!(err.contains("--> plate.yaml:2:"), "{err}");
    assert!(err.ends_with("plate.yaml: 1 problem\n"), "{err}");
    assert!(!place.path("out").exists());
}

#[test]
fn files_that_are_there_already_are_kept_unless_told() {
    let place = Place::new();
    fs::create_dir_all(place.path("o")).expect("a folder");
    fs::write(place.path("o/night_train_0001_raw.tiff"), "mine").expect("a file");
    let args = ["render", "night_train.yaml", "--only", "raw", "--out", "o", "--frames", "2"];
    refused(
        &place,
        &args,
        2,
        "error: o/night_train_0001_raw.tiff is already there: pass --overwrite to replace it, or \
         choose another folder with --out\n",
    );
    // Found before anything was rendered.
    assert_eq!(place.names("o"), ["night_train_0001_raw.tiff"]);
    place.gridbeat(&args).arg("--overwrite").assert().success();
    assert_eq!(place.names("o").len(), 3);
    assert!(fs::read(place.path("o/night_train_0001_raw.tiff")).expect("a file").len() > 1000);
}

#[test]
fn a_folder_that_cannot_be_one() {
    let place = Place::new();
    fs::write(place.path("file"), "x").expect("a file");
    refused(
        &place,
        &["render", "night_train.yaml", "--out", "file/deep"],
        2,
        "error: cannot write file/deep: file is a file, not a folder; choose another folder with \
         --out\n",
    );
    assert_eq!(place.names("."), ["file", "night_train.yaml"]);
}

/// Takes away what a test has mounted, whatever happens in it.
#[cfg(target_os = "linux")]
pub(crate) struct Mounted<'a>(&'a Path);

#[cfg(target_os = "linux")]
impl<'a> Mounted<'a> {
    /// A disk of its own at a folder; `None`, said aloud, where the user may not.
    pub(crate) fn disk(at: &'a Path, options: &str) -> Option<Self> {
        fs::create_dir_all(at).expect("a folder");
        let mount = Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(at)
            .stderr(Stdio::null())
            .status();
        if mount.is_ok_and(|s| s.success()) {
            return Some(Self(at));
        }
        println!("skipped: this user may not mount a small disk for the test");
        None
    }
}

#[cfg(target_os = "linux")]
impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0).status();
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_read_only_folder_is_named_before_the_render() {
    use std::os::unix::fs::PermissionsExt;
    let place = Place::new();
    let locked = place.path("locked");
    fs::create_dir(&locked).expect("a folder");
    fs::set_permissions(&locked, fs::Permissions::from_mode(0o555)).expect("locked");
    // An all-powerful user may write there all the same: for that one, a disk mounted read-only.
    let all_powerful = fs::write(locked.join("try"), "x").is_ok();
    let mut why = "permission denied";
    let _disk = if all_powerful {
        let Some(disk) = Mounted::disk(&locked, "ro,size=64k") else { return };
        why = "read-only filesystem or storage medium";
        Some(disk)
    } else {
        None
    };
    let message = |folder: &str| {
        format!(
            "error: cannot write {folder}: the folder locked does not let you write ({why}); choose \
             another folder with --out\n"
        )
    };
    refused(&place, &["render", "night_train.yaml", "--out", "locked"], 2, &message("locked"));
    refused(
        &place,
        &["render", "night_train.yaml", "--out", "locked/new"],
        2,
        &message("locked/new"),
    );
    assert!(place.names("locked").iter().all(|name| name == "try"));
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_leaves_nothing_of_the_frame() {
    let place = Place::new();
    let small = place.path("small");
    // Room for the raw levels and the 8-bit picture, not for all.
    let Some(_disk) = Mounted::disk(&small, "size=64k") else { return };
    let (code, out, err) = place.run(&["render", "night_train.yaml", "--out", "small"]);
    assert_eq!((code, out.as_str()), (2, ""), "{err}");
    let start = "error: cannot write small/night_train_0000_";
    let end = ": the disk is full, and nothing of the file was kept; free some space, or choose \
               another disk with --out\n";
    assert!(err.starts_with(start) && err.ends_with(end), "{err}");
    assert!(place.names("small").is_empty(), "{:?}", place.names("small"));
}

/// Waits until something is so; fails after a minute.
#[cfg(unix)]
fn until(what: &str, so: impl Fn() -> bool) {
    let start = Instant::now();
    while !so() {
        assert!(start.elapsed() < Duration::from_secs(60), "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[cfg(unix)]
fn start(place: &Place, args: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_gridbeat"))
        .current_dir(place.path("."))
        .args(args)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts")
}

/// Presses Ctrl-C and gives exit code and standard error.
#[cfg(unix)]
fn stop(child: Child) -> (Option<i32>, String) {
    let pressed = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(pressed.expect("kill runs").success());
    let output = child.wait_with_output().expect("it ends");
    assert!(output.stdout.is_empty());
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

#[cfg(unix)]
#[test]
fn ctrl_c_in_the_first_frame_leaves_nothing() {
    let place = Place::new();
    let child = start(
        &place,
        &[
            "render",
            "night_train.yaml",
            "--slow-check",
            "--rays",
            "65536",
            "--set",
            "effects.diffraction=off",
        ],
    );
    // The folder is made and tried just before the render starts, and Ctrl-C is listened for then.
    until("the folder is there", || place.path("out/night_train").exists());
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(stop(child), (Some(130), "stopped: nothing was written\n".into()));
    assert_eq!(place.names("."), ["night_train.yaml"]);
}

/// A frame that is made anew replaces the old one when it is complete, and not before.
#[cfg(unix)]
#[test]
fn ctrl_c_while_overwriting_keeps_the_old_frame() {
    let place = Place::new();
    let (code, _, err) = place.run(&["render", "night_train.yaml", "--out", "o"]);
    assert_eq!(code, 0, "{err}");
    let old: Vec<(String, Vec<u8>)> = place
        .names("o")
        .into_iter()
        .map(|name| (name.clone(), fs::read(place.path(format!("o/{name}"))).expect("a file")))
        .collect();
    // The first picture is made within a moment; the second one would take hours.
    let child = start(
        &place,
        &[
            "render",
            "night_train.yaml",
            "--out",
            "o",
            "--overwrite",
            "--frames",
            "1",
            "--also",
            "steady-wall",
            "--slow-check",
            "--rays",
            "256",
            "--set",
            "effects.diffraction=off",
            "--set",
            "camera.noise_seed=2",
        ],
    );
    let parts = || {
        let entries = fs::read_dir(place.path("o")).expect("a folder");
        entries
            .filter(|e| {
                let name = e.as_ref().expect("an entry").file_name();
                name.to_string_lossy().starts_with(".gridbeat-")
            })
            .count()
    };
    until("the first picture is made", || parts() >= 2);
    assert_eq!(stop(child), (Some(130), "stopped: nothing was written\n".into()));
    assert_eq!(parts(), 0);
    assert_eq!(place.names("o").len(), old.len());
    for (name, bytes) in old {
        assert!(fs::read(place.path(format!("o/{name}"))).expect("a file") == bytes, "{name}");
    }
}

#[cfg(unix)]
#[test]
fn ctrl_c_later_keeps_the_frames_that_are_complete() {
    let place = Place::new();
    let child = start(&place, &["render", "night_train.yaml", "--out", "o", "--frames", "5000"]);
    let third = place.path("o/night_train_0002_raw.tiff");
    until("the third frame is under way", || third.exists());
    let (code, err) = stop(child);
    assert_eq!(code, Some(130));
    let json = place.sidecar("o");
    let frames = json["frames"].as_array().expect("frames");
    let n = frames.len();
    assert!((2..5000).contains(&n), "{n}");
    assert_eq!(err, format!("stopped: {n} of 5000 frames are complete, in o\n"));
    // The files are those of the complete frames, and no others.
    let mut listed: Vec<String> = frames
        .iter()
        .flat_map(|f| f["files"].as_array().expect("files"))
        .map(|name| name.as_str().expect("a name").to_owned())
        .collect();
    listed.push("night_train_shot.json".into());
    listed.sort();
    assert_eq!(place.names("o"), listed);
}

/// A reader that has seen enough is no error.
#[cfg(unix)]
#[test]
fn a_pipe_that_closes_is_success() {
    let place = Place::new();
    let mut child = start(&place, &["schema", "--keys"]);
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), &b""[..]));
}

#[test]
fn tables_that_no_machine_holds() {
    // A fine wall from 40 m, focused at arm's length through a fast long lens: three thousand pixels across the blur.
    let place = Place::new();
    let near = "wall: {pixel_pitch_mm: 1, size_px: [300, 200]}\n\
                lens: {focal_mm: 85, f_number: 1.4, focus: {distance_m: 0.9}}\n\
                camera: {crop: {x: 1900, y: 1000, width: 32, height: 32}}\n\
                placement: {distance_m: 40}\n";
    fs::write(place.path("near.yaml"), near).expect("a scene");
    let (code, out, err) = place.run(&["render", "near.yaml", "--threads", "1"]);
    assert_eq!((code, out.as_str()), (2, ""));
    let (note, err) = err.split_once("\n\nerror: ").expect(&err);
    assert!(note.starts_with("note: lens.focus: the wall's blur disc is "), "{note}");
    let (before, after) = err.split_once(" GiB (").expect(err);
    let words = "the tables of blur for this frame would take ";
    let gib: f64 = before.strip_prefix(words).and_then(|n| n.parse().ok()).expect(err);
    assert!(gib > 8.0, "{gib}");
    assert_eq!(
        after,
        "allowed: 8 GiB), because so many wall pixels lie inside the blur: focus nearer to the wall, stop down, or \
         give a small crop to --slow-check, which needs no tables\n"
    );
    assert_eq!(place.names("."), ["near.yaml", "night_train.yaml"]);
    // A single photosite needs the same tables.
    let explain = ["explain", "near.yaml", "--photosite", "1910,1010", "--rays", "1"];
    let (code, out, told) = place.run(&explain);
    assert_eq!((code, out.as_str()), (2, ""));
    let told = told.split_once("error: ").expect(&told).1;
    assert!(told.starts_with(words) && told.contains(after), "{told}");
}
