//! How far a long simulation has come, on a terminal.

use std::io::{IsTerminal, stderr};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

/// What is over sooner shows no bar.
const PATIENCE: Duration = Duration::from_millis(500);

/// A bar on standard error; nothing where that is no terminal.
pub struct Progress {
    seconds: u64,
    began: Instant,
    next: u64,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// Of `seconds` simulated ones.
    pub fn new(seconds: f64) -> Self {
        let next = if stderr().is_terminal() { 1 } else { u64::MAX };
        Self { seconds: seconds.ceil() as u64, began: Instant::now(), next, bar: None }
    }

    /// So many whole seconds are done.
    #[inline]
    pub fn at(&mut self, second: u64) {
        if second >= self.next {
            self.show(second);
        }
    }

    #[cold]
    fn show(&mut self, second: u64) {
        self.next = second + 1;
        if self.bar.is_none() && self.began.elapsed() > PATIENCE {
            let template = "{wide_bar} {pos} of {len} s simulated, {eta} to go";
            let style =
                ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
            self.bar = Some(ProgressBar::new(self.seconds).with_style(style));
        }
        if let Some(bar) = &self.bar {
            bar.set_position(second);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
