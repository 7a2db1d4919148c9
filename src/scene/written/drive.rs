//! The drive of the wall, as written.

use super::schema;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How a wall dims below full brightness (`wall.brightness_percent`).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DimmingFile {
    /// By less current: pulses keep their length.
    Current,
    /// By shorter pulses, with fewer grey clocks: pictures move into the low greys.
    Pulse,
    /// By less current down to a brightness, by shorter pulses below it.
    Mixed(MixedFile),
    /// Not known: rendered as by shorter pulses.
    Unknown,
}

/// Dimming by current and pulse.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct MixedFile {
    /// Brightness down to which the current dims alone.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub pulse_below_percent: f64,
}

impl Default for MixedFile {
    fn default() -> Self {
        Self { pulse_below_percent: 50.0 }
    }
}

/// How the wall's light is switched over time.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DriveFile {
    /// How light is spread over a refresh.
    pub kind: DriveKindFile,
    /// Refreshes per second, as the wall's sheet has them.
    #[schemars(
        range(min = 1.0, max = 1_000_000.0),
        extend("x-default" = "the whole multiple of the video rate nearest to 3840")
    )]
    pub refresh_hz: Option<f64>,
    /// Video rate for which the sheet gives that refresh.
    #[schemars(schema_with = "schema::rate", extend("x-default" = "60"))]
    pub sheet_video_hz: Option<f64>,
    /// How the refresh follows the video rate that the wall is fed.
    pub refresh_lock: RefreshLockFile,
    /// Video frames per second on the wall; 23.976 and its family are taken exactly.
    #[schemars(schema_with = "schema::rate", extend("x-default" = "the camera's frame rate"))]
    pub video_hz: Option<f64>,
    /// Rows that take turns: 16 means that one row in 16 is lit at a time.
    #[schemars(
        range(min = 1, max = 1024),
        extend("x-default" = "16; 1 when kind is pwm or steady")
    )]
    pub scan: Option<u32>,
    /// Rise from dark to full light.
    #[schemars(range(min = 0.0, max = 1_000_000.0))]
    pub rise_ns: f64,
    /// Fall from full light to dark.
    #[schemars(range(min = 0.0, max = 1_000_000.0))]
    pub fall_ns: f64,
    /// Delay of the red, green and blue pulses.
    #[schemars(inner(range(min = -1_000_000.0, max = 1_000_000.0)))]
    pub delay_ns: [f64; 3],
    /// Whether wall and camera share a clock.
    pub genlock: GenlockFile,
    /// What only the maker of the wall's control usually knows.
    pub advanced: DriveAdvancedFile,
}

impl Default for DriveFile {
    fn default() -> Self {
        Self {
            kind: DriveKindFile::Scanned,
            refresh_hz: None,
            sheet_video_hz: None,
            refresh_lock: RefreshLockFile::NearestWhole,
            video_hz: None,
            scan: None,
            rise_ns: 20.0,
            fall_ns: 20.0,
            delay_ns: [0.0; 3],
            genlock: GenlockFile::Locked(LockedFile::default()),
            advanced: DriveAdvancedFile::default(),
        }
    }
}

/// How the refresh follows the video rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RefreshLockFile {
    /// A whole number of refreshes a video frame, the one nearest to the sheet's refresh.
    NearestWhole,
    /// As many refreshes a video frame as at the sheet's own video rate.
    SameCount,
    /// None: the refresh runs on across video frames, exactly as fast as given.
    None,
}

/// How light is spread over a refresh.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DriveKindFile {
    /// Constant light.
    Steady,
    /// One pulse a refresh, all rows at once.
    Pwm,
    /// One pulse a refresh, rows taking turns.
    Scanned,
    /// The light of a video frame spread in small portions over its refreshes.
    Split(SplitFile),
    /// As measured: time and light from a file.
    Waveform(WaveformFile),
}

/// A measured waveform. The light of every level has its shape; it starts with the wall's clock, straight between samples,
/// its mean the light of the level.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["file"]))]
pub struct WaveformFile {
    /// CSV with a heading: a column `time_s`, `time_ms` or `time_us` and a column `light`, in any unit; its path from the
    /// scene file's folder.
    #[schemars(extend("x-default" = "none: must be given"))]
    pub file: String,
    /// Time after which it repeats, counted from the first sample.
    #[schemars(
        range(min = 0.001, max = 1_000_000.0),
        extend("x-default" = "all whole refreshes in the file (`refresh_hz`), or else the whole file")
    )]
    pub period_ms: Option<f64>,
}

/// Split drive.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct SplitFile {
    /// In which refreshes the left-over portions land.
    pub order: SplitOrderFile,
}

impl Default for SplitFile {
    fn default() -> Self {
        Self { order: SplitOrderFile::Even }
    }
}

/// Order of a split drive.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SplitOrderFile {
    /// As evenly as possible.
    Even,
    /// In bit-reversed order; the number of refreshes a frame is a power of two.
    BitReversed,
}

/// Details of the wall's control.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DriveAdvancedFile {
    /// Bits of grey of a split drive: 2^bits − 1 grey clocks a video frame.
    #[schemars(range(min = 1, max = 20))]
    pub grey_bits: u32,
    /// Dark time at the end of each row's turn.
    #[schemars(range(min = 0.0, max = 1_000_000.0))]
    pub dark_per_slot_us: f64,
    /// Dark time at the end of each refresh.
    #[schemars(range(min = 0.0, max = 1_000_000.0))]
    pub dark_per_refresh_us: f64,
    /// Dark time at the end of each video frame.
    #[schemars(range(min = 0.0, max = 1_000_000.0))]
    pub dark_per_frame_us: f64,
    /// Grey clock of the drivers.
    #[schemars(range(min = 0.001, max = 1000.0))]
    pub grey_clock_mhz: Option<f64>,
    /// Turns of each row in a video frame: the sub-periods of the drivers, and the refreshes of the wall.
    #[schemars(
        range(min = 1, max = 65_536),
        extend("x-default" = "as many as the refresh asks for")
    )]
    pub sub_periods: Option<u32>,
    /// Grey clocks of a row's turn.
    #[schemars(
        range(min = 1, max = 1_048_576),
        extend("x-default" = "as many as the bits of grey ask for")
    )]
    pub clocks_per_turn: Option<u32>,
    /// Grey clocks of darkness between two turns, while the drivers switch rows.
    #[schemars(range(min = 0, max = 65_536))]
    pub switch_clocks: u32,
    /// How much longer than its clocks a pulse is lit; below 0 shorter, and the darkest levels stay dark. Reported, not
    /// rendered.
    #[schemars(range(min = -100_000.0, max = 100_000.0))]
    pub on_time_error_ns: f64,
    /// Pixels whose values of one colour come down one data line.
    #[schemars(range(min = 1, max = 1_000_000))]
    pub pixels_per_data_line: Option<u32>,
    /// Bits a second on a data line, in millions.
    #[schemars(range(min = 0.001, max = 100_000.0))]
    pub data_rate_mhz: Option<f64>,
    /// How often the values are sent.
    pub data_sent: DataSentFile,
}

/// How often a wall's pixel values are sent down the data lines.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DataSentFile {
    /// Once a video frame: the drivers keep them.
    EachVideoFrame,
    /// Once a refresh.
    EachRefresh,
}

impl Default for DriveAdvancedFile {
    fn default() -> Self {
        Self {
            grey_bits: 14,
            dark_per_slot_us: 0.0,
            dark_per_refresh_us: 0.0,
            dark_per_frame_us: 0.0,
            grey_clock_mhz: None,
            sub_periods: None,
            clocks_per_turn: None,
            switch_clocks: 0,
            on_time_error_ns: 0.0,
            pixels_per_data_line: None,
            data_rate_mhz: None,
            data_sent: DataSentFile::EachVideoFrame,
        }
    }
}

/// The wall's clock against the camera's.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum GenlockFile {
    /// Wall and camera share a clock.
    Locked(LockedFile),
    /// Each runs on its own.
    Free(FreeFile),
}

/// A shared clock.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct LockedFile {
    /// How far the wall's video frame is ahead when the camera's frame starts; 360 is one video
    /// frame of the wall.
    #[schemars(range(min = -3600.0, max = 3600.0))]
    pub phase_deg: f64,
}

/// Two clocks.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct FreeFile {
    /// How much faster the wall's clock runs, in millionths.
    #[schemars(range(min = -10_000.0, max = 10_000.0))]
    pub drift_ppm: f64,
    /// How far the wall's video frame is ahead when the camera's first frame starts; 360 is one
    /// video frame of the wall.
    #[schemars(range(min = -3600.0, max = 3600.0))]
    pub phase_deg: f64,
}

impl Default for FreeFile {
    fn default() -> Self {
        Self { drift_ppm: 20.0, phase_deg: 0.0 }
    }
}
