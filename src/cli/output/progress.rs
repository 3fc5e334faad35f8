//! Bars on standard error, hidden where nobody looks.

use std::io::IsTerminal;
use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::analysis::Progress;

/// A bar for work of `length` steps.
pub(super) fn bar(quiet: bool, length: usize, what: &'static str) -> ProgressBar {
    let bar = ProgressBar::new(length as u64);
    if quiet || !std::io::stderr().is_terminal() {
        bar.set_draw_target(ProgressDrawTarget::hidden());
    }
    if let Ok(style) = ProgressStyle::with_template("{msg} {bar:30} {pos}/{len} {eta}") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar
}

/// A bar for each step of an analysis, one after the other.
#[derive(Debug)]
pub(super) struct Bars {
    quiet: bool,
    now: Mutex<Option<ProgressBar>>,
}

impl Bars {
    pub(super) fn new(quiet: bool) -> Self {
        let now = Mutex::new(None);
        Self { quiet, now }
    }

    /// Puts a bar, or none, in the place of the one before; a bar is a courtesy, and one that
    /// another thread has left broken is left alone.
    fn put(&self, bar: Option<ProgressBar>) {
        if let Ok(mut now) = self.now.lock()
            && let Some(before) = std::mem::replace(&mut *now, bar)
        {
            before.finish_and_clear();
        }
    }
}

impl Progress for Bars {
    fn begin(&self, what: &'static str, parts: usize) {
        self.put(Some(bar(self.quiet, parts, what)));
    }

    fn advance(&self, parts: usize) {
        if let Ok(now) = self.now.lock()
            && let Some(bar) = &*now
        {
            bar.inc(parts as u64);
        }
    }

    fn end(&self) {
        self.put(None);
    }
}
