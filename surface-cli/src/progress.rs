//! How far the work is, on standard error: a bar on a terminal, or a line now and then.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use surface_core::build::peak_mib;
use surface_core::progress::{Cancelled, Progress, StopFlag};

use crate::args::ProgressForm;
use crate::term::colours;

/// Time between two plain lines.
const BETWEEN: Duration = Duration::from_secs(10);

/// Tells how far the work is, and stops it on request.
pub struct Bar {
    shown: Shown,
    stop: StopFlag,
}

enum Shown {
    Bar(ProgressBar),
    Lines(Lines),
    Nothing,
}

impl Bar {
    /// Progress in the form that was asked for; the work ends when `stop` is set.
    pub fn new(form: ProgressForm, stop: &StopFlag) -> Self {
        let shown = match form {
            ProgressForm::Auto if std::io::stderr().is_terminal() => {
                let target = ProgressDrawTarget::stderr();
                Shown::Bar(ProgressBar::with_draw_target(None, target))
            }
            ProgressForm::Plain => Shown::Lines(Lines::new(Instant::now())),
            _ => Shown::Nothing,
        };
        Self {
            shown,
            stop: stop.clone(),
        }
    }
}

impl Progress for Bar {
    fn stage(&mut self, name: &str, total: u64) {
        match &mut self.shown {
            Shown::Bar(bar) => {
                bar.set_style(style(total));
                bar.set_message(name.to_owned());
                bar.set_length(total);
                bar.reset();
            }
            Shown::Lines(lines) => lines.stage(name, total, Instant::now()),
            Shown::Nothing => {}
        }
    }

    fn advance(&mut self, units: u64) -> Result<(), Cancelled> {
        match &mut self.shown {
            Shown::Bar(bar) => bar.inc(units),
            Shown::Lines(lines) => {
                if let Some(line) = lines.advance(units, Instant::now(), peak_mib) {
                    // Nobody may be listening any more; the work goes on.
                    let _ = writeln!(std::io::stderr(), "{line}");
                }
            }
            Shown::Nothing => {}
        }
        self.stop.check()
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Shown::Bar(bar) = &self.shown {
            bar.finish_and_clear();
        }
    }
}

fn style(total: u64) -> ProgressStyle {
    let template = match (total, colours()) {
        (0, _) => "{msg:>10} {spinner} {human_pos} in {elapsed}, {human_rate}/s, peak {peak} MiB",
        (_, true) => {
            "{msg:>10} [{bar:40.cyan}] {percent:>3} %, {human_rate}/s, {eta} left, peak {peak} MiB"
        }
        (_, false) => {
            "{msg:>10} [{bar:40}] {percent:>3} %, {human_rate}/s, {eta} left, peak {peak} MiB"
        }
    };
    // What cannot be written to a string is not shown.
    let peak = |_: &ProgressState, out: &mut dyn std::fmt::Write| {
        let _ = write!(out, "{}", peak_mib());
    };
    let rate = |state: &ProgressState, out: &mut dyn std::fmt::Write| {
        let _ = write!(out, "{}", rounded(state.per_sec()));
    };
    ProgressStyle::with_template(template)
        .unwrap_or_else(|_| ProgressStyle::default_bar())
        .with_key("peak", peak)
        .with_key("human_rate", rate)
}

/// One line each [`BETWEEN`].
struct Lines {
    stage: String,
    total: u64,
    done: u64,
    began: Instant,
    told: Instant,
}

impl Lines {
    fn new(now: Instant) -> Self {
        Self {
            stage: String::new(),
            total: 0,
            done: 0,
            began: now,
            told: now,
        }
    }

    fn stage(&mut self, name: &str, total: u64, now: Instant) {
        self.stage = name.to_owned();
        self.total = total;
        self.done = 0;
        self.began = now;
    }

    /// The next line, if it is time for one.
    fn advance(&mut self, units: u64, now: Instant, peak: impl Fn() -> u64) -> Option<String> {
        self.done += units;
        if now - self.told < BETWEEN {
            return None;
        }
        self.told = now;
        let seconds = (now - self.began).as_secs_f64().max(1e-9);
        let rate = self.done as f64 / seconds;
        let share = match self.total {
            0 => rounded(self.done as f64),
            total => format!("{:.0} %", 100.0 * self.done as f64 / total as f64),
        };
        let left = self.total.saturating_sub(self.done) as f64 / rate;
        let left = match left.is_finite() && self.total > 0 {
            true => format!(", {left:.0} s left"),
            false => String::new(),
        };
        let (stage, rate, peak) = (&self.stage, rounded(rate), peak());
        Some(format!("{stage}: {share}, {rate}/s{left}, peak {peak} MiB"))
    }
}

/// Three digits and a unit: 1.92 M.
fn rounded(value: f64) -> String {
    let (scaled, unit) = match value {
        v if v >= 1e6 => (v / 1e6, " M"),
        v if v >= 1e4 => (v / 1e3, " k"),
        v => (v, ""),
    };
    let digits = match scaled {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        _ => 2,
    };
    format!("{scaled:.digits$}{unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stop_reaches_the_work() {
        for form in [ProgressForm::Auto, ProgressForm::Plain, ProgressForm::None] {
            let stop = StopFlag::default();
            let mut bar = Bar::new(form, &stop);
            bar.stage("test", 0);
            assert!(bar.advance(1).is_ok());
            stop.stop();
            assert!(bar.advance(1).is_err());
        }
    }

    #[test]
    fn a_plain_line_comes_each_ten_seconds_and_says_how_far_and_how_long() {
        let start = Instant::now();
        let at = |s| start + Duration::from_secs(s);
        let mut lines = Lines::new(start);
        lines.stage("read", 100_000_000, at(2));
        assert_eq!(lines.advance(10_000_000, at(9), || 80), None);
        let line = lines.advance(10_000_000, at(12), || 80).unwrap();
        assert_eq!(line, "read: 20 %, 2.00 M/s, 40 s left, peak 80 MiB");
        assert_eq!(lines.advance(1, at(21), || 80), None);
        lines.stage("sort", 0, at(21));
        let line = lines.advance(600, at(41), || 81).unwrap();
        assert_eq!(line, "sort: 600, 30.0/s, peak 81 MiB");
    }

    #[test]
    fn numbers_have_three_digits() {
        let shown = [0.0, 1.234, 123.4, 56_789.0, 1_920_000.0, 4.5e8].map(rounded);
        assert_eq!(shown, ["0.00", "1.23", "123", "56.8 k", "1.92 M", "450 M"]);
    }
}
