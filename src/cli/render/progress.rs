//! Progress on a terminal, silence elsewhere; and Ctrl-C.

use crate::render::Run;
use anyhow::anyhow;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Steps of the bar for one render.
const STEPS: u64 = 1000;

/// A bar over all renders of a command.
#[derive(Debug)]
pub(in crate::cli) struct Progress {
    bar: ProgressBar,
    done: u64,
    cancel: Arc<AtomicBool>,
}

impl Progress {
    /// A bar for so many renders; hidden when `quiet` or when standard error is no terminal.
    pub(in crate::cli) fn new(renders: usize, quiet: bool, cancel: Arc<AtomicBool>) -> Self {
        let bar = if quiet || !std::io::stderr().is_terminal() {
            ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden())
        } else {
            ProgressBar::new(STEPS * renders as u64)
        };
        if let Ok(style) =
            ProgressStyle::with_template("{bar:30} {percent:>3} %  {msg}  {eta} left")
        {
            bar.set_style(style);
        }
        Self { bar, done: 0, cancel }
    }

    /// What the next render reports to.
    pub(in crate::cli) fn run(&self, words: String) -> Run {
        self.bar.set_message(words);
        let (bar, start) = (self.bar.clone(), STEPS * self.done);
        let report = move |share: f64| {
            bar.set_position(start + (share.clamp(0.0, 1.0) * STEPS as f64) as u64);
        };
        Run { cancel: self.cancel.clone(), progress: Some(Arc::new(report)) }
    }

    /// Another render is done.
    pub(in crate::cli) fn next(&mut self) {
        self.done += 1;
        self.bar.set_position(STEPS * self.done);
    }

    /// True once Ctrl-C was pressed.
    pub(in crate::cli) fn is_stopped(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// A flag that Ctrl-C (and a request to end) sets.
pub(in crate::cli) fn stop_on_ctrl_c() -> anyhow::Result<Arc<AtomicBool>> {
    let cancel = Arc::new(AtomicBool::new(false));
    let flag = cancel.clone();
    ctrlc::set_handler(move || flag.store(true, Ordering::Relaxed))
        .map_err(|e| anyhow!("cannot listen for Ctrl-C: {e}"))?;
    Ok(cancel)
}
