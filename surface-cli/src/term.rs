//! What a person sees: progress on a terminal, errors with a hint.

use std::io::{IsTerminal, Write};

use indicatif::{ProgressBar, ProgressStyle};
use surface_core::progress::{Cancelled, Progress, StopFlag};

/// A bar on standard error while that is a terminal, silence otherwise; Ctrl-C stops the run.
pub struct Terminal {
    bar: ProgressBar,
    stop: StopFlag,
}

impl Terminal {
    /// Take over Ctrl-C: the first asks the run to stop cleanly, the second ends it at once.
    pub fn new() -> Self {
        let stop = StopFlag::default();
        let flag = stop.clone();
        // A second handler cannot be set; then Ctrl-C simply ends the process.
        let _ = ctrlc::set_handler(move || {
            if flag.is_set() {
                std::process::exit(2);
            }
            flag.stop();
        });
        let bar = if std::io::stderr().is_terminal() {
            ProgressBar::new(0)
        } else {
            ProgressBar::hidden()
        };
        Self { bar, stop }
    }

    /// Take the bar away.
    pub fn done(&self) {
        self.bar.finish_and_clear();
    }
}

fn style(total: u64) -> ProgressStyle {
    let text = if total > 0 {
        "{msg:14} {bar:40} {percent:>3} %  {per_sec} {eta} left"
    } else {
        "{msg:14} {spinner} {human_pos}"
    };
    ProgressStyle::with_template(text).unwrap_or_else(|_| ProgressStyle::default_bar())
}

impl Progress for Terminal {
    fn stage(&mut self, name: &str, total: u64) {
        self.bar.reset();
        self.bar.set_style(style(total));
        self.bar.set_length(total);
        self.bar.set_message(name.to_owned());
    }

    fn advance(&mut self, units: u64) -> Result<(), Cancelled> {
        self.bar.inc(units);
        self.stop.check()
    }
}

/// The error with its causes, and a `hint:` line with the remedy.
pub fn print_error(error: &anyhow::Error) {
    let mut text = format!("error: {error}");
    for cause in error.chain().skip(1) {
        let cause = cause.to_string();
        if !text.contains(&cause) {
            text.push_str(&format!(": {cause}"));
        }
    }
    let hint = crate::cmd::hint(error);
    // Standard error may be closed; there is nobody left to tell.
    let _ = writeln!(std::io::stderr(), "{text}\nhint: {hint}");
}

/// Print the answer; a reader that went away (a closed pipe) is no error.
pub fn print_answer(text: &str) -> anyhow::Result<()> {
    match std::io::stdout().write_all(text.as_bytes()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}
