//! Test material where writing fails, and its files in the hands of readers that did not write them.

#[cfg(target_os = "linux")]
use crate::cli_refusals::Mounted;
use crate::cli_stage::Place;
use crate::generate::{RECIPE, camera, encoded, levels, same, tree};
use gridbeat::develop::ColourSpace;
use gridbeat::frame::{Picture, Plane, Window};
use gridbeat::output::{DngLevels, Notes, Y4mSequence};
use gridbeat::sensor::Mosaic;
use std::fs;
use std::io::Cursor;

#[cfg(target_os = "linux")]
const RUN: [&str; 4] = ["generate", "windows.yml", "--quiet", "--out"];

#[cfg(target_os = "linux")]
fn place() -> Place {
    let place = Place::new();
    fs::write(place.path("windows.yml"), RECIPE).expect("a recipe");
    place
}

#[cfg(target_os = "linux")]
fn mount(place: &Place, options: &str) -> bool {
    let mut mount = std::process::Command::new("mount");
    mount.args(["-o", options]).arg(place.path("small")).status().is_ok_and(|s| s.success())
}

/// A disk that fills up: what is complete stays, nothing else does, and with more room the run goes on to the same bytes.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_keeps_complete_samples_and_the_run_goes_on() {
    let place = place();
    place.gridbeat(&[&RUN[..], &["whole"]].concat()).assert().success();
    let whole = tree(&place.path("whole"));
    let bytes: usize = whole.values().map(Vec::len).sum();
    let small = place.path("small");
    // Room for about half of the samples, files taking whole pages of 4 KiB.
    let pages: usize = whole.values().map(|b| b.len().div_ceil(4096)).sum();
    let Some(_disk) = Mounted::disk(&small, &format!("size={}k", 2 * pages)) else { return };
    let (code, out, error) = place.run(&[&RUN[..], &["small", "--threads", "1"]].concat());
    assert_eq!((code, out.as_str()), (2, ""), "{error}");
    assert!(
        error.contains("cannot write small/samples/00000/0000000")
            && error
                .contains("the disk is full, and nothing of the file was kept; free some space"),
        "{error}"
    );
    // Whole samples, each with the bytes that it has elsewhere; no manifest, nothing under way.
    let there = tree(&small);
    let entries = |t: &std::collections::BTreeMap<_, _>| {
        let is_entry = |p: &&std::path::PathBuf| p.ends_with("entry.json");
        t.keys().filter(is_entry).count()
    };
    assert!((1..6).contains(&entries(&there)), "{} of 6 in {bytes} bytes", entries(&there));
    for (name, found) in &there {
        assert!(whole.get(name) == Some(found), "{}", name.display());
    }
    assert_eq!(there.len(), 14 * entries(&there) + 1);
    // No manifest where not all is there.
    let (code, _, error) = place.run(&[&RUN[..], &["small", "--join"]].concat());
    assert!(code == 2 && error.contains("samples are not there yet"), "{error}");
    // With more room, the same command goes on.
    assert!(mount(&place, "remount,size=64m"), "a disk that was mounted can be made larger");
    place.gridbeat(&[&RUN[..], &["small"]].concat()).assert().success();
    same(&whole, &tree(&small));
}

/// A folder that turns read-only half-way: said with the way out, nothing lost, and the run goes on when it can be written again.
#[cfg(target_os = "linux")]
#[test]
fn a_read_only_folder_is_named_and_keeps_its_samples() {
    let place = place();
    place.gridbeat(&[&RUN[..], &["whole"]].concat()).assert().success();
    let small = place.path("small");
    let Some(_disk) = Mounted::disk(&small, "size=64m") else { return };
    let half = ["small", "--shard", "1/2"];
    place.gridbeat(&[&RUN[..], &half].concat()).assert().success();
    let before = tree(&small);
    assert!(mount(&place, "remount,ro"), "a disk that was mounted can be made read-only");
    for more in [&["small"][..], &["small", "--shard", "2/2"]] {
        let (code, _, error) = place.run(&[&RUN[..], more].concat());
        assert!(
            code == 2
                && error.contains("cannot write small/samples/00000/0000000")
                && error.contains("does not let you write (read-only filesystem")
                && error.contains("choose another folder with --out"),
            "{error}"
        );
        same(&before, &tree(&small));
    }
    let (code, _, error) = place.run(&[&RUN[..], &["small/new"]].concat());
    assert!(code == 2 && error.contains("cannot write small/new: the folder small"), "{error}");
    assert!(mount(&place, "remount,rw"), "and writable again");
    place.gridbeat(&[&RUN[..], &["small"]].concat()).assert().success();
    same(&tree(&place.path("whole")), &tree(&small));
}

/// Y4M through a reader of its own: size, rate, layout, number of frames, and every code, worked here from BT.709's formula.
#[test]
fn sequences_are_read_by_an_independent_library() {
    let (width, height) = (6, 4);
    let plane = |frame: usize, c: usize| {
        let value = |i: usize| ((i * 7 + c * 5 + frame * 3) % 24) as f32 / 23.0;
        Plane { width, height, data: (0..width * height).map(value).collect() }
    };
    let pictures: Vec<Picture> =
        (0..3).map(|f| Picture { planes: [plane(f, 0), plane(f, 1), plane(f, 2)] }).collect();
    let space = ColourSpace::Bt709;
    let bytes = encoded(&Y4mSequence { pictures: &pictures, space, fps: 29.97 });
    let mut reader = y4m::decode(Cursor::new(bytes)).expect("it opens");
    assert_eq!((reader.get_width(), reader.get_height()), (width, height));
    assert_eq!((reader.get_framerate().num, reader.get_framerate().den), (30000, 1001));
    assert!(matches!(reader.get_colorspace(), y4m::Colorspace::C444p10));
    for picture in &pictures {
        let frame = reader.read_frame().expect("a frame");
        let codes = |bytes: &[u8]| -> Vec<f64> {
            bytes.chunks(2).map(|b| f64::from(u16::from_le_bytes([b[0], b[1]]))).collect()
        };
        let [y, cb, cr] =
            [frame.get_y_plane(), frame.get_u_plane(), frame.get_v_plane()].map(codes);
        assert_eq!((y.len(), cb.len(), cr.len()), (24, 24, 24));
        for i in 0..width * height {
            let [r, g, b] = [0, 1, 2].map(|c| f64::from(picture.planes[c].data[i]));
            // ITU-R BT.709-6, items 3.2 to 3.4: differences over 1.8556 and 1.5748; 10 bits: 64 + 876 Y', 512 + 896 C.
            let luma = 0.2126 * r + 0.7152 * g + 0.0722 * b;
            let want = [
                64.0 + 876.0 * luma,
                512.0 + 896.0 * (b - luma) / 1.8556,
                512.0 + 896.0 * (r - luma) / 1.5748,
            ];
            for (want, got) in want.into_iter().zip([y[i], cb[i], cr[i]]) {
                assert!((want - got).abs() <= 0.5 + 1e-3, "{i}: {got}, not {want}");
            }
        }
    }
    assert!(reader.read_frame().is_err(), "more frames than were written");
}

/// The colour matrix of a DNG, as an independent raw library reads it: a row of D65's per camera colour, to a millionth.
#[test]
fn camera_raw_files_carry_their_colour_matrix() {
    let raw = levels(Window { x: 0, y: 0, width: 32, height: 24 }, 1);
    let camera = camera(Mosaic::Bayer([0, 1, 1, 2]));
    let notes = Notes::new("night-train");
    let bytes = encoded(&DngLevels { raw: &raw, camera: &camera, notes: &notes });
    let image = rawloader::decode(&mut Cursor::new(&bytes)).expect("it opens");
    for (read, wrote) in image.xyz_to_cam.iter().zip(&camera.from_xyz) {
        for (read, wrote) in read.iter().zip(wrote) {
            assert!((f64::from(*read) - wrote).abs() < 1e-6, "{:?}", image.xyz_to_cam);
        }
    }
}
