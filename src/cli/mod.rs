//! The command line: one file a command, progress, printing of diagnostics.
//!
//! Exit codes: 0 done; 1 the scene was refused, its problems printed; 2 something went wrong, or the
//! command line was not understood; 130 stopped with Ctrl-C.

pub mod advise;
pub mod check;
pub mod compare;
pub mod completions;
pub mod difference;
pub mod explain;
pub mod generate;
pub mod measure;
pub mod new;
pub mod predict;
pub mod presets;
pub mod render;
pub mod report;
pub mod schema;
pub mod score;
pub mod shortlist;
pub mod sweep;
pub mod test_pictures;
pub mod unknowns;

use std::process::ExitCode;

/// Exit code of a scene that was refused.
pub const REFUSED: u8 = 1;
/// Exit code of everything that goes wrong.
pub const FAILED: u8 = 2;
/// Exit code after Ctrl-C.
pub const STOPPED: u8 = 130;

/// What stands below the list of commands.
const AFTER_HELP: &str = "\
Exit codes: 0 done · 1 the scene was refused, its problems printed · 2 something went wrong ·
130 stopped with Ctrl-C";

/// Predicts what a camera will record of an LED video wall: moiré, scan bands, flicker and stepping
#[derive(Debug, clap::Parser)]
#[command(name = "gridbeat", version, after_help = AFTER_HELP, max_term_width = 100)]
pub struct Cli {
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, clap::Subcommand)]
pub enum Command {
    /// Ask what a crew knows of a set-up, write a scene of it, and say what will show
    New(new::Args),
    /// Render the frames that the camera would record of a scene
    Render(render::Args),
    /// Predict what will show: flicker, scan bands, moiré, pixel structure, and how bad, without rendering
    Predict(predict::Args),
    /// Vary one or two keys over their ranges: a map of what is clean, as a drawing, a table and data
    Sweep(sweep::Args),
    /// Compare named variants of a scene: a contact sheet, verdicts, and what each costs in sharpness, light and money
    Compare(compare::Args),
    /// Find the smallest changes that make a scene clean, each held against rendered frames
    Advise(advise::Args),
    /// Choose from a kit: every combination over every shot of a list, ranked by price and margin
    Shortlist(shortlist::Args),
    /// Write a report: one HTML file with drawings, pictures, verdicts, questions, and a card for the set
    Report(report::Args),
    /// Check a scene: problems, notes, and how it was understood
    Check(check::Args),
    /// Print the keys of a scene file, as JSON Schema for an editor or as a list
    Schema(schema::Args),
    /// Explain one photosite: which emitters light it, when, and what each blur and the sensor do
    Explain(explain::Args),
    /// Measure bands, flicker and moiré: of a scene's frames, or of pictures
    Measure(measure::Args),
    /// Write pictures for a real wall, to measure it with a real camera, and how to shoot them
    TestPictures(test_pictures::Args),
    /// Generate labelled captures from a recipe, for software that finds, measures or removes artefacts
    Generate(generate::Args),
    /// Score repaired frames against the truth of generated samples
    Score(score::Args),
    /// Compare two frames: difference in numbers, and amplified as a picture
    Difference(difference::Args),
    /// List the presets: generic kit to start from, with every value
    Presets(presets::Args),
    /// Print a script that completes gridbeat's commands in a shell
    Completions(completions::Args),
}

/// Runs a command.
pub fn run(cli: &Cli) -> anyhow::Result<ExitCode> {
    match &cli.command {
        Command::New(args) => new::run(args),
        Command::Render(args) => render::run(args),
        Command::Predict(args) => predict::run(args),
        Command::Sweep(args) => sweep::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Advise(args) => advise::run(args),
        Command::Shortlist(args) => shortlist::run(args),
        Command::Report(args) => report::run(args),
        Command::Check(args) => check::run(args),
        Command::Schema(args) => schema::run(args),
        Command::Explain(args) => explain::run(args),
        Command::Measure(args) => measure::run(args),
        Command::TestPictures(args) => test_pictures::run(args),
        Command::Generate(args) => generate::run(args),
        Command::Score(args) => score::run(args),
        Command::Difference(args) => difference::run(args),
        Command::Presets(args) => presets::run(args),
        Command::Completions(args) => completions::run(args),
    }
}

/// An error with all that stands behind it in one sentence.
fn in_full(error: anyhow::Error) -> anyhow::Error {
    if is_broken_pipe(&error) { error } else { anyhow::anyhow!("{error:#}") }
}

/// True when the reader of our output has gone, as `head` does: no fault of ours.
pub fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        let io = cause.downcast_ref::<std::io::Error>().map(std::io::Error::kind);
        let json = cause.downcast_ref::<serde_json::Error>().and_then(|e| e.io_error_kind());
        io.or(json) == Some(std::io::ErrorKind::BrokenPipe)
    })
}
