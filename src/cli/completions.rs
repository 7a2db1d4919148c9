//! `gridbeat completions SHELL`: a completion script on standard output.

use super::Cli;
use clap::CommandFactory;
use clap_complete::{Shell, generate};
use std::io::Write;
use std::process::ExitCode;

/// Arguments of `gridbeat completions`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The shell
    pub shell: Shell,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    // Through a buffer: the generator does not forgive a reader that goes away.
    let mut script = Vec::new();
    generate(args.shell, &mut Cli::command(), "gridbeat", &mut script);
    std::io::stdout().lock().write_all(&script)?;
    Ok(ExitCode::SUCCESS)
}
