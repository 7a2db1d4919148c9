//! A fresh folder with a small scene in it, and the real program to run there.

use assert_cmd::Command;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A night train's window: 96 × 64 photosites of a wall 2.2 photosites a pitch, scanned, in focus.
pub const SCENE: &str = "\
wall: {pixel_pitch_mm: 2.6, size_px: [120, 80], white_nits: 900, brightness_percent: 2, dimming: current}
content: {stripes: {width_px: 8, light_percent: 80, dark_percent: 10}}
lens: {focal_mm: 35, f_number: 4}
placement: {distance_m: 7}
camera: {photosites: [96, 64], photosite_pitch_um: 6, shutter_speed: 1/1000}
";

/// The folder.
pub struct Place {
    home: TempDir,
}

impl Place {
    /// A folder with [`SCENE`] as `night_train.yaml`.
    pub fn new() -> Self {
        let home = tempfile::tempdir().expect("a folder");
        fs::write(home.path().join("night_train.yaml"), SCENE).expect("the scene");
        Self { home }
    }

    /// A path in it.
    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.home.path().join(name)
    }

    /// The program, in the folder.
    pub fn gridbeat(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_gridbeat"));
        command.current_dir(self.home.path()).args(args).env("NO_COLOR", "1");
        command
    }

    /// `gridbeat render night_train.yaml`, quiet, into a folder, and more arguments; must succeed.
    pub fn render(&self, out: &str, more: &[&str]) {
        let args = ["render", "night_train.yaml", "--quiet", "--out", out];
        self.gridbeat(&[&args, more].concat()).assert().success().stdout("").stderr("");
    }

    /// Exit code, standard output, standard error.
    pub fn run(&self, args: &[&str]) -> (i32, String, String) {
        let output = self.gridbeat(args).output().expect("it runs");
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
        (output.status.code().unwrap_or(-1), text(output.stdout), text(output.stderr))
    }

    /// Names in a folder, sorted; none if it is not there.
    pub fn names(&self, folder: &str) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.path(folder)) else { return Vec::new() };
        let name = |e: std::io::Result<fs::DirEntry>| e.expect("an entry").file_name();
        let mut names: Vec<String> =
            entries.map(|e| name(e).to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    /// Every file of a folder with its bytes.
    pub fn contents(&self, folder: &str) -> Vec<(String, Vec<u8>)> {
        let read = |name: String| {
            let bytes = fs::read(self.path(folder).join(&name)).expect("a file");
            (name, bytes)
        };
        self.names(folder).into_iter().map(read).collect()
    }

    /// The shot's sidecar.
    pub fn sidecar(&self, folder: &str) -> serde_json::Value {
        let text = fs::read_to_string(self.path(folder).join("night_train_shot.json"));
        serde_json::from_str(&text.expect("the sidecar")).expect("JSON")
    }

    /// Width, height and levels of a 16-bit TIFF.
    pub fn levels(&self, file: &str) -> (u32, u32, Vec<u16>) {
        let bytes = fs::read(self.path(file)).expect("the raw file");
        let mut tiff = tiff::decoder::Decoder::new(std::io::Cursor::new(bytes)).expect("TIFF");
        let (width, height) = tiff.dimensions().expect("a size");
        let tiff::decoder::DecodingResult::U16(levels) = tiff.read_image().expect("levels") else {
            panic!("not 16 bits")
        };
        (width, height, levels)
    }
}
