//! gridbeat: parse the command line, run, print the error, exit code.

use clap::Parser;
use gridbeat::cli::{self, Cli};
use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run(&Cli::parse()) {
        Ok(code) => code,
        Err(error) if cli::is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            // Nobody may be listening any more, and that must not bring us down.
            let _ = writeln!(std::io::stderr(), "error: {error}");
            ExitCode::from(cli::FAILED)
        }
    }
}
