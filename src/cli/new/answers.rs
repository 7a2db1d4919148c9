//! Questions, answers, and the scene that they make.

use crate::units::{exact_rate, parse_length_m, parse_shutter_s};
use std::fmt::Write as _;

/// The questions as options.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Asked {
    /// Pixel pitch of the wall, mm: the number after the P on its sheet
    #[arg(long, value_name = "MM")]
    pub pitch_mm: Option<String>,
    /// Refresh on the wall's sheet, Hz
    #[arg(long, value_name = "HZ")]
    pub refresh_hz: Option<String>,
    /// Brightness on the wall's sheet, cd/m² (nits)
    #[arg(long, value_name = "NITS")]
    pub white_nits: Option<String>,
    /// Class of camera: large_sensor, large_sensor_no_low_pass, small_line_skipping or global_shutter
    #[arg(long, value_name = "CLASS")]
    pub camera: Option<String>,
    /// Frames per second
    #[arg(long, value_name = "FPS")]
    pub frame_rate_fps: Option<String>,
    /// Shutter: an angle such as 180, or a speed such as 1/50
    #[arg(long, value_name = "SHUTTER")]
    pub shutter: Option<String>,
    /// Focal length, mm
    #[arg(long, value_name = "MM")]
    pub focal_mm: Option<String>,
    /// Stop, as an f-number
    #[arg(long, value_name = "F")]
    pub stop: Option<String>,
    /// Distance from camera to wall, m; or with its unit, such as 18ft
    #[arg(long, value_name = "M")]
    pub wall_m: Option<String>,
    /// Distance from camera to what is in focus, m; or with its unit
    #[arg(long, value_name = "M")]
    pub focus_m: Option<String>,
}

/// An answer.
#[derive(Debug, Clone, PartialEq)]
enum Answer {
    /// Not asked yet.
    Open,
    /// Nobody knows.
    Unknown,
    /// A number in the question's unit, or a word.
    Number(f64),
    Text(String),
}

/// How a question is answered.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Form {
    Number { low: f64, high: f64 },
    Length { low: f64, high: f64 },
    Shutter,
    Camera,
}

struct Question {
    option: &'static str,
    words: &'static str,
    form: Form,
}

const QUESTIONS: [Question; 10] = [
    Question {
        option: "--pitch-mm",
        words: "Pixel pitch of the wall, mm (P1.9 on its sheet is 1.9)?",
        form: Form::Number { low: 0.1, high: 100.0 },
    },
    Question {
        option: "--refresh-hz",
        words: "Refresh on its sheet, Hz (such as 3840)?",
        form: Form::Number { low: 10.0, high: 100_000.0 },
    },
    Question {
        option: "--white-nits",
        words: "Brightness on its sheet, nits (such as 1000)?",
        form: Form::Number { low: 1.0, high: 100_000.0 },
    },
    Question {
        option: "--camera",
        words: "Camera: 1 large sensor, 2 large sensor without low-pass filter, 3 small body that skips lines, 4 global shutter?",
        form: Form::Camera,
    },
    Question {
        option: "--frame-rate-fps",
        words: "Frames per second (such as 24 or 23.976)?",
        form: Form::Number { low: 0.1, high: 1000.0 },
    },
    Question {
        option: "--shutter",
        words: "Shutter: an angle such as 180, or a speed such as 1/50?",
        form: Form::Shutter,
    },
    Question {
        option: "--focal-mm",
        words: "Focal length, mm?",
        form: Form::Number { low: 1.0, high: 2000.0 },
    },
    Question {
        option: "--stop",
        words: "Stop (such as 2.8)?",
        form: Form::Number { low: 0.5, high: 64.0 },
    },
    Question {
        option: "--wall-m",
        words: "From camera to wall, m (or such as 18ft)?",
        form: Form::Length { low: 0.05, high: 1000.0 },
    },
    Question {
        option: "--focus-m",
        words: "From camera to what is in focus, m (or such as 10ft)?",
        form: Form::Length { low: 0.05, high: 1000.0 },
    },
];

const PITCH: usize = 0;
const REFRESH: usize = 1;
const WHITE: usize = 2;
const CAMERA: usize = 3;
const RATE: usize = 4;
const SHUTTER: usize = 5;
const FOCAL: usize = 6;
const STOP: usize = 7;
const WALL: usize = 8;
const FOCUS: usize = 9;

const CAMERAS: [&str; 4] =
    ["large_sensor", "large_sensor_no_low_pass", "small_line_skipping", "global_shutter"];

/// All answers.
pub(super) struct Answers {
    all: Vec<Answer>,
    /// Options that could not be understood.
    pub(super) wrong: Vec<String>,
}

impl Answers {
    /// Those on the command line.
    pub(super) fn of(asked: &Asked) -> Self {
        let given = [
            &asked.pitch_mm,
            &asked.refresh_hz,
            &asked.white_nits,
            &asked.camera,
            &asked.frame_rate_fps,
            &asked.shutter,
            &asked.focal_mm,
            &asked.stop,
            &asked.wall_m,
            &asked.focus_m,
        ];
        let mut answers = Self { all: vec![Answer::Open; QUESTIONS.len()], wrong: Vec::new() };
        for (number, text) in given.into_iter().enumerate() {
            if let Some(text) = text
                && let Err(why) = answers.answer(number, text)
            {
                answers.wrong.push(format!("{} {text}: {why}", QUESTIONS[number].option));
            }
        }
        answers
    }

    /// Questions without an answer.
    pub(super) fn open(&self) -> impl Iterator<Item = usize> {
        (0..self.all.len()).filter(|i| self.all[*i] == Answer::Open)
    }

    /// A question in words.
    pub(super) fn question(&self, number: usize) -> &'static str {
        QUESTIONS[number].words
    }

    /// Takes an answer; why not, in words.
    pub(super) fn answer(&mut self, number: usize, text: &str) -> Result<(), String> {
        let text = text.trim();
        let plain = text.to_lowercase().replace('’', "'");
        if ["", "?", "don't know", "dont know", "unknown"].contains(&plain.as_str()) {
            self.all[number] = Answer::Unknown;
            return Ok(());
        }
        let within = |value: f64, low: f64, high: f64| {
            if value.is_finite() && (low..=high).contains(&value) {
                Ok(Answer::Number(value))
            } else {
                Err(format!("write a number from {low} to {high}, or nothing if you don't know"))
            }
        };
        let number_in = |text: &str| text.replace(',', ".").parse::<f64>().unwrap_or(f64::NAN);
        self.all[number] = match QUESTIONS[number].form {
            Form::Number { low, high } => {
                let text = plain.trim_start_matches(['p', 'f', '/']);
                let text = text.trim_end_matches(|c: char| c.is_alphabetic() || c == ' ');
                within(number_in(text), low, high)?
            }
            Form::Length { low, high } => {
                match number_in(&plain) {
                    metres if metres.is_finite() => within(metres, low, high)?,
                    _ => match parse_length_m(text) {
                        Ok(metres) => within(metres, low, high)?,
                        Err(_) => return Err(
                            "write metres, such as 5.5, or a length with its unit, such as 18ft"
                                .into(),
                        ),
                    },
                }
            }
            Form::Shutter => {
                let angle = number_in(plain.trim_end_matches(['°', ' ']).trim_end_matches("deg"));
                if angle.is_finite() && angle > 4.0 && angle <= 360.0 {
                    Answer::Text(format!("shutter_angle_deg: {angle}"))
                } else if parse_shutter_s(&plain).is_some_and(|s| s > 0.0 && s <= 1.0)
                    && plain.contains('/')
                {
                    Answer::Text(format!("shutter_speed: {}", plain.replace(' ', "")))
                } else {
                    return Err("write an angle of 4 to 360, or a speed such as 1/50".into());
                }
            }
            Form::Camera => {
                let by_number =
                    plain.parse::<usize>().ok().and_then(|n| CAMERAS.get(n.wrapping_sub(1)));
                let by_name = CAMERAS.iter().find(|name| **name == plain.replace(' ', "_"));
                match by_number.or(by_name) {
                    Some(name) => Answer::Text((*name).to_owned()),
                    None => return Err(format!("write 1 to 4, or one of {}", CAMERAS.join(", "))),
                }
            }
        };
        Ok(())
    }

    fn number(&self, which: usize) -> Option<f64> {
        match self.all[which] {
            Answer::Number(value) => Some(value),
            _ => None,
        }
    }

    fn text(&self, which: usize) -> Option<&str> {
        match &self.all[which] {
            Answer::Text(text) => Some(text),
            _ => None,
        }
    }

    /// A value, or what stands for one that is not known.
    fn or(&self, which: usize, unknown: &str) -> String {
        self.number(which).map_or_else(|| unknown.to_owned(), |value| format!("{value}"))
    }

    /// The scene, commented.
    pub(super) fn scene(&self) -> String {
        let mut out = String::new();
        let preset =
            if self.number(PITCH).is_some_and(|mm| mm > 3.2) { "stage" } else { "fine_indoor" };
        let brightness = self.brightness_percent();
        let rate = self.number(RATE).unwrap_or(24.0);
        let shutter = self.text(SHUTTER).unwrap_or("shutter_angle_deg: 180");
        let assumed = |which: usize, what: &str| {
            if self.all[which] == Answer::Unknown || self.all[which] == Answer::Open {
                format!("   # not known: {what}")
            } else {
                String::new()
            }
        };
        let camera = self.text(CAMERA).unwrap_or("large_sensor_no_low_pass");
        let focus = match (self.number(FOCUS), self.number(WALL)) {
            (Some(m), _) => format!("{{distance_m: {m}}}"),
            (None, _) => "{on: wall}".into(),
        };
        // Writing to a string does not fail.
        let _ = write!(
            out,
            "# Written by `gridbeat new` from what a crew knows. `unknown` and [low, high] are values that nobody knew: ask, and\n\
             # write the number in their place. `gridbeat schema --keys` lists every key there is.\n\
             \n\
             wall:\n  \
               preset: {preset}            # typical kit for the rest, not a product\n  \
               pixel_pitch_mm: {}{}\n  \
               white_nits: {}{}\n  \
               brightness_percent: {brightness}     # so bright that white is 2 1/2 stops above mid-grey at this stop and shutter\n\
             \n\
             drive:\n  \
               refresh_hz: {}{}\n\
             \n\
             camera:\n  \
               preset: {camera}{}\n  \
               frame_rate_fps: {rate}{}\n  \
               {shutter}{}\n\
             \n\
             lens:\n  \
               focal_mm: {}{}\n  \
               f_number: {}{}\n  \
               focus: {focus}{}\n\
             \n\
             placement:\n  \
               distance_m: {}{}\n",
            self.or(PITCH, "unknown"),
            assumed(PITCH, "the usual range"),
            self.or(WHITE, "unknown"),
            assumed(WHITE, "the usual range"),
            self.or(REFRESH, "unknown"),
            assumed(REFRESH, "the usual range"),
            assumed(CAMERA, "the class that shows most moiré"),
            assumed(RATE, "24 taken"),
            assumed(SHUTTER, "180° taken"),
            self.or(FOCAL, "[24, 75]"),
            assumed(FOCAL, "from wide to short tele"),
            self.or(STOP, "[2, 5.6]"),
            assumed(STOP, "from open to half closed"),
            assumed(FOCUS, "on the wall, where moiré is worst"),
            self.or(WALL, "[3, 8]"),
            assumed(WALL, "what a studio allows"),
        );
        out
    }

    /// What share of its brightness the wall would run at, percent: white 2½ stops above the mid-grey of a reflected-light meter,
    /// L = K·N²/(t·S) with K = 12.5 (ISO 2720) at the default exposure index of 800.
    fn brightness_percent(&self) -> f64 {
        let n = self.number(STOP).unwrap_or(2.8);
        let rate = exact_rate(self.number(RATE).unwrap_or(24.0));
        let exposure_s = match self.text(SHUTTER).and_then(|s| s.split_once(": ")) {
            Some(("shutter_angle_deg", angle)) => angle.parse().unwrap_or(180.0) / 360.0 / rate,
            Some((_, speed)) => parse_shutter_s(speed).unwrap_or(0.5 / rate),
            None => 0.5 / rate,
        };
        let white = 12.5 * n * n / (exposure_s * 800.0) * libm::exp2(2.5);
        let share = white / self.number(WHITE).unwrap_or(1000.0);
        (share.clamp(0.01, 1.0) * 1000.0).round() / 10.0
    }
}
