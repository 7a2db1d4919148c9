//! `gridbeat schema`: the JSON Schema of a scene file, or its keys as a plain list.

use crate::scene::written;
use std::io::Write;
use std::process::ExitCode;

/// Arguments of `gridbeat schema`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Print a plain list instead: key, unit, default, meaning
    #[arg(long)]
    pub keys: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let mut out = std::io::stdout().lock();
    if args.keys {
        out.write_all(written::key_reference().as_bytes())?;
    } else {
        serde_json::to_writer_pretty(&mut out, &written::editor_schema())?;
        writeln!(out)?;
    }
    Ok(ExitCode::SUCCESS)
}
