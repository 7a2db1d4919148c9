//! Scene → photoelectrons of every photosite: the fast engine, and the slow check (`rays`).

pub mod agree;
pub mod explain;
pub mod fast;
pub mod rays;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// What does not change the picture: progress and cancelling. (Threads are rayon's.)
#[derive(Clone, Default)]
pub struct Run {
    /// Set to stop early; a stopped render returns [`Cancelled`].
    pub cancel: Arc<AtomicBool>,
    /// Called with the share of the work done, 0 to 1, from any thread.
    pub progress: Option<Arc<dyn Fn(f64) + Send + Sync>>,
}

impl Run {
    /// True once the render should stop.
    pub fn is_cancelled(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
    }
}

/// The render was stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("stopped before the frame was complete; nothing was written")]
pub struct Cancelled;
