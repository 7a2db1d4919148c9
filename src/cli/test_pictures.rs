//! `gridbeat test-pictures`: even greys and fine lines for a real wall, and how to shoot them.

use crate::develop::{ColourSpace, DeliveryTransfer};
use crate::frame::{Picture, Plane};
use crate::output::{self, Coding, Depth, Format, Notes, PngPicture, Text};
use crate::wall::WallTransfer;
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// What stands below the options.
const AFTER_HELP: &str = "\
Example:
  gridbeat test-pictures --size 1920x1080 --out wall_test

Pictures are 8-bit PNGs, to be shown pixel for pixel. A text beside them says how to shoot them.

A wall at full white is bright, and a wall or lamp that flickers can trigger seizures in
photosensitive people. Warn everybody before you switch a picture on.";

/// Arguments of `gridbeat test-pictures`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// Columns and rows of the wall, in its own pixels
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = size)]
    pub size: (u32, u32),

    /// Folder for the pictures; made if need be
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,

    /// The wall's transfer curve, from code to light: srgb, or a gamma such as 2.2
    #[arg(long, value_name = "CURVE", default_value = "srgb", value_parser = curve)]
    pub curve: WallTransfer,

    /// Replace files that are there already
    #[arg(long)]
    pub overwrite: bool,

    /// Print nothing
    #[arg(long, short)]
    pub quiet: bool,
}

fn size(text: &str) -> Result<(u32, u32), String> {
    let side = |t: &str| t.trim().parse::<u32>().ok().filter(|n| (16..=16_384).contains(n));
    text.split_once(['x', '×'])
        .and_then(|(w, h)| Some((side(w)?, side(h)?)))
        .ok_or_else(|| "write columns x rows, such as 1920x1080, each from 16 to 16384".into())
}

fn curve(text: &str) -> Result<WallTransfer, String> {
    if text == "srgb" {
        return Ok(WallTransfer::Srgb);
    }
    match text.parse::<f64>() {
        Ok(g) if (1.0..=4.0).contains(&g) => Ok(WallTransfer::Gamma(g)),
        _ => Err("write srgb, or a gamma from 1 to 4 such as 2.2".into()),
    }
}

/// Even greys, percent of full light.
const GREYS: [f64; 6] = [100.0, 50.0, 18.0, 5.0, 2.0, 1.0];

/// A picture for the wall.
struct Test {
    name: String,
    /// For the text.
    about: String,
    code: Box<dyn Fn(u32, u32) -> u8>,
}

fn tests(curve: WallTransfer) -> Vec<Test> {
    let mut out = Vec::new();
    for (i, percent) in GREYS.into_iter().enumerate() {
        let code = (curve.code(percent / 100.0) * 255.0).round().clamp(0.0, 255.0) as u8;
        let light = curve.level(f64::from(code) / 255.0) * 100.0;
        out.push(Test {
            name: format!("{}_grey_{percent:03}.png", i + 1),
            about: format!("even, {percent} % of full light (code {code}: {light:.2} %)"),
            code: Box::new(move |_, _| code),
        });
    }
    let fine = |on: bool| if on { 255 } else { 0 };
    out.push(Test {
        name: "7_lines_upright.png".into(),
        about: "upright lines, one wall pixel on, one off".into(),
        code: Box::new(move |x, _| fine(x % 2 == 0)),
    });
    out.push(Test {
        name: "8_lines_flat.png".into(),
        about: "flat lines, one wall pixel on, one off".into(),
        code: Box::new(move |_, y| fine(y % 2 == 0)),
    });
    out.push(Test {
        name: "9_black.png".into(),
        about: "black: the room's own light on the wall".into(),
        code: Box::new(|_, _| 0),
    });
    out
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let tests = tests(args.curve);
    let text = procedure(args, &tests);
    let names: Vec<PathBuf> = tests
        .iter()
        .map(|t| args.out.join(&t.name))
        .chain([args.out.join("how_to_shoot.txt")])
        .collect();
    for name in &names {
        output::check_free(name, args.overwrite)?;
    }
    output::prepare_folder(&args.out)?;
    let (width, height) = (args.size.0 as usize, args.size.1 as usize);
    let transfer = DeliveryTransfer::Srgb;
    let coding = Coding { space: ColourSpace::Bt709, transfer };
    for (test, name) in tests.iter().zip(&names) {
        let mut plane = Plane::filled(width, height, 0.0);
        for (i, value) in plane.data.iter_mut().enumerate() {
            let code = (test.code)((i % width) as u32, (i / width) as u32);
            *value = f32::from(code) / 255.0;
        }
        let picture = Picture { planes: [plane.clone(), plane.clone(), plane] };
        let notes = Notes::new("wall test").with("Shows", &test.about);
        let contents = PngPicture { picture: &picture, depth: Depth::Eight, coding, notes: &notes };
        output::write(name, args.overwrite, &contents as &dyn Format)?;
    }
    output::write(&names[tests.len()], args.overwrite, &Text(&text))?;
    if !args.quiet {
        writeln!(
            std::io::stdout(),
            "{} pictures of {width} × {height} px and how_to_shoot.txt in {}",
            tests.len(),
            args.out.display()
        )?;
    }
    Ok(ExitCode::SUCCESS)
}

fn procedure(args: &Args, tests: &[Test]) -> String {
    let (width, height) = args.size;
    let curve = match args.curve {
        WallTransfer::Srgb => "the sRGB curve".to_owned(),
        WallTransfer::Gamma(g) => format!("gamma {g}"),
    };
    let mut out = format!(
        "Wall test, {width} x {height} pixels, made for a wall with {curve}\n\n\
         CAUTION\n\
         Full white on a large wall is bright enough to hurt eyes that are used to the dark, draws the most power the wall can\n\
         draw, and heats it. Some walls must not show it for long: ask the wall's technician, who also switches it. Start dark,\n\
         go up in steps, and keep full white short. Flicker, also flicker that is only seen by a camera or in the corner of\n\
         an eye, can trigger seizures in photosensitive people, and migraine: say aloud what comes before each picture, let\n\
         people leave, and stop at once if anybody feels unwell. Do not play the takes in a loop to people who have not been\n\
         warned. Power, rigging and emergency lighting are the business of licensed people and of the local rules.\n\n\
         THE PICTURES\n"
    );
    for test in tests {
        let _ = writeln!(out, "  {:<22}{}", test.name, test.about);
    }
    out += "\n\
        SETTING UP\n\
        1. Show the pictures pixel for pixel: no scaling, no colour management, no processing for contrast or noise.\n\
        2. Note brightness, refresh and scan of the wall as its controller shows them, and its video rate.\n\
        3. Camera on a tripod, straight to the wall, at the distance and focal length of the shot. Record with the least\n\
        \x20  processing there is: raw or a log curve, no sharpening, no noise reduction, no stabiliser, no lens correction.\n\
        4. Expose so that nothing clips; the same settings for all pictures but the exposure time.\n\
        5. Switch off other light, or shoot picture 9 too: what it shows is not the wall's.\n\n\
        MOIRE\n\
        6. Picture 1 (or 2, where it clips), focus on the wall: the worst case. Then with the focus where the actor will be.\n\
        7. gridbeat measure FRAME --patch X,Y,WIDTH,HEIGHT names period, direction and contrast; waves below its noise floor\n\
        \x20  are said to be so. Give several frames of a still take to see what moves.\n\
        8. Pictures 7 and 8 have the finest detail that the wall can show: content with such lines makes moire of its own.\n\n\
        SCAN BANDS AND FLICKER\n\
        9. Pictures 1 to 6, each at the shutter of the shot and one step to either side: at least ten frames, not compressed\n\
        \x20  more than need be. Dark greys often band where white does not.\n\
        10. gridbeat measure FRAME FRAME FRAME --fps RATE: depth of the bands, lines from band to band, roll, flicker.\n\n\
        READOUT\n\
        11. Point the camera at a white card or wall lit by a lamp of known flicker alone. Lamps on mains that are not made\n\
        \x20   flicker-free do so at twice its frequency: 100 a second on 50 Hz mains, 120 on 60 Hz (common practice, no\n\
        \x20   source; the mains itself strays by about a tenth of a percent). Defocus, fill the frame, shutter 1/500 to 1/2000 s.\n\
        12. gridbeat measure FRAME --lamp-hz 100 tells how long the readout takes. Crop nothing away above or below. A lamp\n\
        \x20   dimmed by pulses of some hundred a second, if its rate is known, gives more bands and a surer number.\n\
        13. A wall whose rows take turns (scan) is no such lamp: its rows move the bands.\n";
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn greys_are_light_not_code() {
        let all = super::tests(WallTransfer::Srgb);
        // sRGB: 18 % of light is code 118 (encoded 0.4613).
        assert!(all[2].about.contains("code 118"), "{}", all[2].about);
        assert_eq!((all[0].code)(3, 4), 255);
        let gamma = super::tests(WallTransfer::Gamma(2.2));
        // 0.01^(1/2.2)·255 = 31.4.
        assert!(gamma[5].about.contains("code 31"), "{}", gamma[5].about);
        let lines = &all[6].code;
        assert_eq!([lines(0, 5), lines(1, 5), lines(2, 6)], [255, 0, 255]);
    }

    #[test]
    fn sizes_and_curves_are_read() {
        assert_eq!(size("1920x1080"), Ok((1920, 1080)));
        assert!(size("1920").is_err() && size("0x10").is_err() && size("99999x20").is_err());
        assert_eq!(curve("srgb"), Ok(WallTransfer::Srgb));
        assert_eq!(curve("2.4"), Ok(WallTransfer::Gamma(2.4)));
        assert!(curve("0.2").is_err());
    }
}
