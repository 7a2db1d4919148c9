//! Files: what is written reads back the same, and what cannot be written leaves nothing behind.

use std::fs;
use std::io::{self, Cursor, Seek, Write};
use std::path::{Path, PathBuf};

use gridbeat::colour;
use gridbeat::develop::{ColourSpace, DeliveryTransfer};
use gridbeat::frame::{Electrons, Picture, Plane, RawFrame, Window};
use gridbeat::output::{
    self, Coding, Depth, EncodeError, ExrElectrons, ExrPicture, Format, JsonSidecar, Notes,
    OutputError, PngLevels, PngPicture, Sink, TiffElectrons, TiffLevels, TiffPicture,
};

const SRGB: Coding = Coding { space: ColourSpace::Bt709, transfer: DeliveryTransfer::Srgb };
const LINEAR: Coding = Coding { space: ColourSpace::Bt2020, transfer: DeliveryTransfer::Linear };
const WIDTH: usize = 13;
const HEIGHT: usize = 37;

fn notes() -> Notes {
    Notes::new("night train, Gleis 3 ½").with("Frame", "7").with("Comment", "moiré test")
}

/// Values from below 0 to above 1, different in every place.
fn picture() -> Picture {
    let plane = |c: usize| Plane {
        width: WIDTH,
        height: HEIGHT,
        data: (0..WIDTH * HEIGHT).map(|i| (i * 3 + c) as f32 / 1200.0 - 0.1).collect(),
    };
    Picture { planes: [plane(0), plane(1), plane(2)] }
}

fn window() -> Window {
    Window { x: 5, y: 8, width: WIDTH as u32, height: HEIGHT as u32 }
}

fn raw(planes: usize) -> RawFrame {
    let plane = |c: usize| (0..WIDTH * HEIGHT).map(|i| (i * 131 + c * 7919) as u16).collect();
    RawFrame { window: window(), planes: (0..planes).map(plane).collect() }
}

fn electrons(planes: usize) -> Electrons {
    let plane = |c: usize| Plane {
        width: WIDTH,
        height: HEIGHT,
        data: (0..WIDTH * HEIGHT).map(|i| (i * i) as f32 / 7.0 + c as f32 * 1e5).collect(),
    };
    Electrons { window: window(), planes: (0..planes).map(plane).collect() }
}

fn bytes(format: &dyn Format) -> Vec<u8> {
    let mut sink = Cursor::new(Vec::new());
    format.encode(&mut sink).unwrap();
    sink.into_inner()
}

/// Every format with its contents, for the tests that hold for all.
fn each_format(check: impl Fn(&str, &dyn Format)) {
    let (picture, notes) = (picture(), notes());
    let (mosaic, full) = (raw(1), raw(3));
    let (light, lights) = (electrons(1), electrons(3));
    let json = serde_json::json!({"scene": "night-train", "pitch_photosites": 1.4});
    for depth in [Depth::Eight, Depth::Sixteen] {
        check("png", &PngPicture { picture: &picture, depth, coding: SRGB, notes: &notes });
    }
    for raw in [&mosaic, &full] {
        check("png", &PngLevels { raw, notes: &notes });
        check("tif", &TiffLevels { raw, notes: &notes });
    }
    check("tif", &TiffPicture { picture: &picture, notes: &notes });
    for electrons in [&light, &lights] {
        check("tif", &TiffElectrons { electrons, notes: &notes });
        check("exr", &ExrElectrons { electrons, notes: &notes });
    }
    check("exr", &ExrPicture { picture: &picture, coding: LINEAR, notes: &notes });
    check("json", &JsonSidecar { value: &json });
}

/// Rounded to the nearest of `top` steps, worked out in f64.
fn level(value: f32, top: f64) -> u16 {
    (f64::from(value).clamp(0.0, 1.0) * top).round() as u16
}

#[test]
fn png_pictures_read_back() {
    let (picture, notes) = (picture(), notes());
    for depth in [Depth::Eight, Depth::Sixteen] {
        let data = bytes(&PngPicture { picture: &picture, depth, coding: SRGB, notes: &notes });
        let mut reader = png::Decoder::new(Cursor::new(data)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        let info = reader.info();
        assert_eq!((info.width, info.height), (WIDTH as u32, HEIGHT as u32));
        assert_eq!(info.color_type, png::ColorType::Rgb);
        let got: Vec<u16> = match depth {
            Depth::Eight => pixels.iter().map(|b| u16::from(*b)).collect(),
            Depth::Sixteen => {
                pixels.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect()
            }
        };
        let top = if depth == Depth::Eight { 255.0 } else { 65535.0 };
        assert_eq!(got.len(), WIDTH * HEIGHT * 3);
        for (i, value) in got.iter().enumerate() {
            let want = level(picture.planes[i % 3].data[i / 3], top);
            assert_eq!(*value, want, "{i}");
        }
        assert_eq!(info.srgb, Some(png::SrgbRenderingIntent::RelativeColorimetric));
        let texts: Vec<(String, String)> =
            info.utf8_text.iter().map(|t| (t.keyword.clone(), t.get_text().unwrap())).collect();
        let want = [
            ("Software", concat!("gridbeat ", env!("CARGO_PKG_VERSION"))),
            ("Title", "night train, Gleis 3 ½"),
            ("Frame", "7"),
            ("Comment", "moiré test"),
        ];
        assert_eq!(texts, want.map(|(k, t)| (k.to_owned(), t.to_owned())));
    }
}

/// Colour tags: code points of ITU-T H.273 tables 2 and 3, full range; gAMA and cHRM where they say
/// the same.
#[test]
fn png_tells_its_colours() {
    let (picture, notes) = (picture(), notes());
    let spaces = [(ColourSpace::Bt709, 1), (ColourSpace::Bt2020, 9), (ColourSpace::P3D65, 12)];
    let transfers = [
        (DeliveryTransfer::Bt709, 1, None),
        (DeliveryTransfer::Linear, 8, Some(100_000)),
        (DeliveryTransfer::Srgb, 13, Some(45_455)),
    ];
    for (space, primaries) in spaces {
        for (transfer, function, gamma) in transfers {
            let coding = Coding { space, transfer };
            let depth = Depth::Eight;
            let data = bytes(&PngPicture { picture: &picture, depth, coding, notes: &notes });
            let reader = png::Decoder::new(Cursor::new(data)).read_info().unwrap();
            let info = reader.info();
            let cicp = info.coding_independent_code_points.unwrap();
            assert_eq!((cicp.color_primaries, cicp.transfer_function), (primaries, function));
            assert_eq!((cicp.matrix_coefficients, cicp.is_video_full_range_image), (0, true));
            assert_eq!(info.gama_chunk.map(|g| g.into_scaled()), gamma);
            let is_srgb = (primaries, function) == (1, 13);
            assert_eq!(info.srgb.is_some(), is_srgb);
            let red = info.chrm_chunk.unwrap().red;
            let want = match space {
                ColourSpace::Bt709 => colour::BT709,
                ColourSpace::Bt2020 => colour::BT2020,
                _ => colour::P3_D65,
            };
            assert!((f64::from(red.0.into_value()) - want.primaries_xy[0][0]).abs() < 1e-5);
        }
    }
    let coding = Coding { space: ColourSpace::CameraRgb, transfer: DeliveryTransfer::Linear };
    let camera = PngPicture { picture: &picture, depth: Depth::Eight, coding, notes: &notes };
    let reader = png::Decoder::new(Cursor::new(bytes(&camera))).read_info().unwrap();
    let info = reader.info();
    assert!(info.coding_independent_code_points.is_none() && info.chrm_chunk.is_none());
}

#[test]
fn png_levels_read_back() {
    for planes in [1, 3] {
        let raw = raw(planes);
        let data = bytes(&PngLevels { raw: &raw, notes: &notes() });
        let mut reader = png::Decoder::new(Cursor::new(data)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        let got: Vec<u16> =
            pixels.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect();
        let want: Vec<u16> =
            (0..WIDTH * HEIGHT * planes).map(|i| raw.planes[i % planes][i / planes]).collect();
        assert_eq!(got, want);
        assert!(reader.info().coding_independent_code_points.is_none());
        assert!(reader.info().srgb.is_none() && reader.info().gama_chunk.is_none());
    }
}

fn tiff_reader(format: &dyn Format) -> tiff::decoder::Decoder<Cursor<Vec<u8>>> {
    tiff::decoder::Decoder::new(Cursor::new(bytes(format))).unwrap()
}

#[test]
fn tiff_files_read_back() {
    use tiff::decoder::DecodingResult;
    use tiff::tags::Tag;
    let (picture, notes) = (picture(), notes());
    let mut reader = tiff_reader(&TiffPicture { picture: &picture, notes: &notes });
    assert_eq!(reader.dimensions().unwrap(), (WIDTH as u32, HEIGHT as u32));
    assert_eq!(reader.colortype().unwrap(), tiff::ColorType::RGB(16));
    let DecodingResult::U16(got) = reader.read_image().unwrap() else { panic!("not 16 bit") };
    for (i, value) in got.iter().enumerate() {
        let want = level(picture.planes[i % 3].data[i / 3], 65535.0);
        assert_eq!(*value, want, "{i}");
    }
    let software = reader.get_tag_ascii_string(Tag::Software).unwrap();
    assert_eq!(software, concat!("gridbeat ", env!("CARGO_PKG_VERSION")));
    let description = reader.get_tag_ascii_string(Tag::ImageDescription).unwrap();
    assert_eq!(description, "Scene: night train, Gleis 3 ½\nFrame: 7\nComment: moiré test");
    for planes in [1, 3] {
        let raw = raw(planes);
        let mut reader = tiff_reader(&TiffLevels { raw: &raw, notes: &notes });
        let DecodingResult::U16(got) = reader.read_image().unwrap() else { panic!("not 16 bit") };
        let want: Vec<u16> =
            (0..WIDTH * HEIGHT * planes).map(|i| raw.planes[i % planes][i / planes]).collect();
        assert_eq!(got, want);
        let electrons = electrons(planes);
        let mut reader = tiff_reader(&TiffElectrons { electrons: &electrons, notes: &notes });
        let DecodingResult::F32(got) = reader.read_image().unwrap() else { panic!("not float") };
        let want: Vec<f32> = (0..WIDTH * HEIGHT * planes)
            .map(|i| electrons.planes[i % planes].data[i / planes])
            .collect();
        assert_eq!(got, want);
    }
}

#[test]
fn exr_files_read_back() {
    use exr::prelude::*;
    let check = |format: &dyn Format, want: &[(&str, &[f32])], primaries: Option<f32>| {
        let image = read()
            .no_deep_data()
            .largest_resolution_level()
            .all_channels()
            .first_valid_layer()
            .all_attributes()
            .from_buffered(Cursor::new(bytes(format)))
            .unwrap();
        assert_eq!(image.layer_data.size, Vec2(WIDTH, HEIGHT));
        let found: Vec<(String, Vec<f32>)> = image
            .layer_data
            .channel_data
            .list
            .iter()
            .map(|c| (c.name.to_string(), c.sample_data.values_as_f32().collect()))
            .collect();
        assert_eq!(found.len(), want.len());
        for (name, data) in want {
            let channel = found.iter().find(|(n, _)| n == name).unwrap();
            assert_eq!(channel.1, *data, "{name}");
        }
        let words = image.layer_data.attributes;
        assert_eq!(
            words.software_name.unwrap().to_string(),
            concat!("gridbeat ", env!("CARGO_PKG_VERSION"))
        );
        // The library's letters are the bytes of UTF-8.
        let comments: Vec<u8> = words.comments.unwrap().as_slice().to_vec();
        let want = "Scene: night train, Gleis 3 ½\nFrame: 7\nComment: moiré test";
        assert_eq!(String::from_utf8(comments).unwrap(), want);
        assert_eq!(image.attributes.chromaticities.map(|c| c.red.0), primaries);
    };
    let (picture, notes) = (picture(), notes());
    let [r, g, b] = [0, 1, 2].map(|c| picture.planes[c].data.as_slice());
    let format = ExrPicture { picture: &picture, coding: LINEAR, notes: &notes };
    check(&format, &[("R", r), ("G", g), ("B", b)], Some(0.708));
    let light = electrons(1);
    let format = ExrElectrons { electrons: &light, notes: &notes };
    check(&format, &[("electrons", light.planes[0].data.as_slice())], None);
    let lights = electrons(3);
    let [r, g, b] = [0, 1, 2].map(|c| lights.planes[c].data.as_slice());
    let format = ExrElectrons { electrons: &lights, notes: &notes };
    check(&format, &[("R", r), ("G", g), ("B", b)], None);
}

#[test]
fn json_keeps_order_and_ends_with_a_newline() {
    let value = serde_json::json!({"z": 1, "a": [0.1, null], "ü": "½"});
    let text = String::from_utf8(bytes(&JsonSidecar { value: &value })).unwrap();
    assert_eq!(text, "{\n  \"z\": 1,\n  \"a\": [\n    0.1,\n    null\n  ],\n  \"ü\": \"½\"\n}\n");
}

#[test]
fn equal_frames_give_equal_files() {
    each_format(|name, format| {
        let one = bytes(format);
        for threads in [1, 3] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            // A format need not be shared between threads: the pool lends its threads to what the
            // encoder spawns.
            let again = pool.in_place_scope(|_| bytes(format));
            assert!(again == one, "{name} on {threads} threads");
        }
    });
}

/// Frames that break their own promise are refused, not read past their end.
#[test]
fn broken_frames_are_refused() {
    let notes = notes();
    let mut short = raw(1);
    short.planes[0].pop();
    let mut two = electrons(3);
    two.planes.pop();
    let mut torn = picture();
    torn.planes[2].data.pop();
    let none = Picture { planes: [0; 3].map(|_| Plane::filled(0, 0, 0.0)) };
    let coding = SRGB;
    let formats: [&dyn Format; 10] = [
        &PngLevels { raw: &short, notes: &notes },
        &TiffLevels { raw: &short, notes: &notes },
        &TiffElectrons { electrons: &two, notes: &notes },
        &ExrElectrons { electrons: &two, notes: &notes },
        &PngPicture { picture: &torn, depth: Depth::Eight, coding, notes: &notes },
        &TiffPicture { picture: &torn, notes: &notes },
        &ExrPicture { picture: &torn, coding, notes: &notes },
        &PngPicture { picture: &none, depth: Depth::Eight, coding, notes: &notes },
        &TiffPicture { picture: &none, notes: &notes },
        &ExrPicture { picture: &none, coding, notes: &notes },
    ];
    for (i, format) in formats.iter().enumerate() {
        let refused = format.encode(&mut Cursor::new(Vec::new()));
        assert!(matches!(refused, Err(EncodeError::Format(_))), "{i}: {refused:?}");
    }
}

/// A disk that is full after some bytes.
struct Full {
    sink: Cursor<Vec<u8>>,
    room: usize,
}

impl Write for Full {
    fn write(&mut self, data: &[u8]) -> io::Result<usize> {
        let end = self.sink.position() as usize + data.len();
        if end > self.room {
            return Err(io::ErrorKind::StorageFull.into());
        }
        self.sink.write(data)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Seek for Full {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        self.sink.seek(to)
    }
}

fn is_full(result: &Result<(), EncodeError>) -> bool {
    matches!(result, Err(EncodeError::Io(e)) if e.kind() == io::ErrorKind::StorageFull)
}

/// Wherever the disk fills up, the encoder says so: no panic, no success, no other reason.
#[test]
fn every_format_reports_a_full_disk() {
    each_format(|name, format| {
        let whole = bytes(format).len();
        for room in (0..whole).step_by((whole / 40).max(1)).chain([whole - 1]) {
            let result = format.encode(&mut Full { sink: Cursor::new(Vec::new()), room });
            assert!(is_full(&result), "{name} with room for {room} of {whole}: {result:?}");
        }
        assert!(format.encode(&mut Full { sink: Cursor::new(Vec::new()), room: whole }).is_ok());
    });
}

/// The system's own full disk.
#[cfg(target_os = "linux")]
#[test]
fn a_real_full_device_is_reported() {
    each_format(|name, format| {
        let mut device = fs::File::options().write(true).open("/dev/full").unwrap();
        let result = format.encode(&mut device);
        assert!(is_full(&result), "{name}: {result:?}");
    });
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<String> =
        entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// Writes half a file, then fails as told.
struct Failing(io::ErrorKind);

impl Format for Failing {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        sink.write_all(&vec![7; 3 << 20])?;
        Err(io::Error::from(self.0).into())
    }
}

#[test]
fn files_are_whole_and_ordinary() {
    let folder = tempfile::tempdir().unwrap();
    each_format(|name, format| {
        let file = folder.path().join(format!("frame.{name}"));
        output::write(&file, true, format).unwrap();
        assert_eq!(fs::read(&file).unwrap(), bytes(format));
    });
    assert_eq!(names(folder.path()), ["frame.exr", "frame.json", "frame.png", "frame.tif"]);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let plain = folder.path().join("plain");
        fs::write(&plain, "x").unwrap();
        let mode = |p: &Path| fs::metadata(p).unwrap().permissions().mode();
        assert_eq!(mode(&folder.path().join("frame.png")), mode(&plain));
    }
}

#[test]
fn existing_files_are_kept_unless_told() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("frame.json");
    fs::write(&file, "old").unwrap();
    let value = serde_json::json!(1);
    let refused = output::write(&file, false, &JsonSidecar { value: &value }).unwrap_err();
    assert_eq!(
        refused.to_string(),
        format!(
            "{} is already there: pass --overwrite to replace it, or choose another folder with --out",
            file.display()
        )
    );
    assert!(output::check_free(&file, false).is_err() && output::check_free(&file, true).is_ok());
    assert_eq!(fs::read_to_string(&file).unwrap(), "old");
    // A failed replacement keeps the old file, too.
    let failed = output::write(&file, true, &Failing(io::ErrorKind::StorageFull));
    assert!(matches!(failed, Err(OutputError::DiskFull(_))));
    assert_eq!(fs::read_to_string(&file).unwrap(), "old");
    output::write(&file, true, &JsonSidecar { value: &value }).unwrap();
    assert_eq!(fs::read_to_string(&file).unwrap(), "1\n");
    assert_eq!(names(folder.path()), ["frame.json"]);
}

/// A file that turns up while the frame is encoded is not replaced.
#[test]
fn a_file_that_turns_up_meanwhile_is_kept() {
    struct Racing(PathBuf);
    impl Format for Racing {
        fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
            fs::write(&self.0, "theirs")?;
            Ok(sink.write_all(b"ours")?)
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("frame.png");
    let refused = output::write(&file, false, &Racing(file.clone()));
    assert!(matches!(refused, Err(OutputError::Exists(_))), "{refused:?}");
    assert_eq!(fs::read_to_string(&file).unwrap(), "theirs");
    assert_eq!(names(folder.path()), ["frame.png"]);
}

#[test]
fn failures_leave_nothing_and_say_why() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("frame.png");
    let shown = file.display();
    let full = output::write(&file, false, &Failing(io::ErrorKind::StorageFull)).unwrap_err();
    assert_eq!(
        full.to_string(),
        format!(
            "cannot write {shown}: the disk is full, and nothing of the file was kept; free some \
             space, or choose another disk with --out"
        )
    );
    let other = output::write(&file, false, &Failing(io::ErrorKind::TimedOut)).unwrap_err();
    assert_eq!(
        other.to_string(),
        format!(
            "cannot write {shown}: timed out; nothing of the file was kept; check the disk, or \
             choose another folder with --out"
        )
    );
    let torn = RawFrame { window: window(), planes: vec![] };
    let wrong = output::write(&file, false, &PngLevels { raw: &torn, notes: &notes() });
    assert_eq!(
        wrong.unwrap_err().to_string(),
        format!("cannot write {shown}: the frame must have one or three whole planes")
    );
    assert!(names(folder.path()).is_empty());
}

#[test]
fn missing_and_misplaced_folders_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let value = serde_json::json!(1);
    let json = JsonSidecar { value: &value };
    let gone = folder.path().join("gone");
    let file = gone.join("a.json");
    assert_eq!(
        output::write(&file, false, &json).unwrap_err().to_string(),
        format!(
            "cannot write {}: the folder {} does not exist; make it first, or choose another with \
             --out",
            file.display(),
            gone.display()
        )
    );
    // A folder where the file should be.
    fs::create_dir(&gone).unwrap();
    for overwrite in [false, true] {
        assert_eq!(
            output::write(&gone, overwrite, &json).unwrap_err().to_string(),
            format!(
                "{} is a folder, so no file can be written there: move it away, or choose another \
                 folder with --out",
                gone.display()
            )
        );
    }
    // A file where the folder should be.
    let blocked = folder.path().join("blocked");
    fs::write(&blocked, "x").unwrap();
    let file = blocked.join("a.json");
    let want = format!(
        "cannot write {}: {} is a file, not a folder; choose another folder with --out",
        file.display(),
        blocked.display()
    );
    assert_eq!(output::write(&file, false, &json).unwrap_err().to_string(), want);
    assert_eq!(output::prepare_folder(&file).unwrap_err().to_string(), want);
    assert_eq!(names(folder.path()), ["blocked", "gone"]);
}

#[test]
fn preparing_makes_the_folder_and_leaves_it_empty() {
    let folder = tempfile::tempdir().unwrap();
    let deep = folder.path().join("out/night train/3");
    output::prepare_folder(&deep).unwrap();
    output::prepare_folder(&deep).unwrap();
    assert!(names(&deep).is_empty());
}

/// A folder that cannot be written in: one without the right to, or for an all-powerful user one of
/// the kernel's own.
#[cfg(target_os = "linux")]
#[test]
fn read_only_folders_are_named_before_and_after_the_render() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    let mut folder = home.path().join("locked");
    fs::create_dir(&folder).unwrap();
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(folder.join("try"), "x").is_ok() {
        folder = PathBuf::from("/sys/kernel");
    }
    let file = folder.join("frame.json");
    let value = serde_json::json!(1);
    let refused = output::write(&file, false, &JsonSidecar { value: &value }).unwrap_err();
    assert_eq!(
        refused.to_string(),
        format!(
            "cannot write {}: the folder {} does not let you write (permission denied); choose \
             another folder with --out",
            file.display(),
            folder.display()
        )
    );
    let refused = output::prepare_folder(&folder).unwrap_err();
    assert!(matches!(refused, OutputError::NotWritable { .. }), "{refused}");
    assert!(!file.exists());
}
