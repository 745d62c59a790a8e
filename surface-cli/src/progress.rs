//! How far the work is, on standard error: a bar on a terminal, or a line now and then.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use surface_core::build::peak_mib;
use surface_core::progress::{Cancelled, Counted, Progress, StopFlag};

use crate::args::ProgressForm;
use crate::term::colours;

/// Time between two plain lines.
const BETWEEN: Duration = Duration::from_secs(10);

/// Tells how far the work is, and stops it on request.
pub struct Bar {
    shown: Shown,
    stop: StopFlag,
    job: Job,
}

/// The stages of a job, and which one is under way.
#[derive(Debug, Default)]
struct Job {
    names: Vec<&'static str>,
    /// Stages that are over or under way.
    at: usize,
}

impl Job {
    /// The name of a stage that begins, and its number where the job has it. What is told again is the
    /// same stage; those that do not come are passed over.
    fn stage(&mut self, name: &str) -> String {
        let current = self.at.checked_sub(1).map(|k| self.names[k]);
        if current != Some(name) {
            let next = self.names[self.at..].iter().position(|n| *n == name);
            let Some(next) = next else {
                return name.to_owned();
            };
            self.at += next + 1;
        }
        format!("{name} ({} of {})", self.at, self.names.len())
    }
}

enum Shown {
    Bar(ProgressBar),
    /// And where they go.
    Lines(Lines, Box<dyn Write + Send>),
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
            ProgressForm::Plain => {
                let lines = Lines::new(BETWEEN, Instant::now());
                Shown::Lines(lines, Box::new(std::io::stderr()))
            }
            _ => Shown::Nothing,
        };
        Self {
            shown,
            stop: stop.clone(),
            job: Job::default(),
        }
    }
}

impl Progress for Bar {
    fn plan(&mut self, stages: &[&'static str]) {
        self.job = Job {
            names: stages.to_vec(),
            at: 0,
        };
    }

    fn stage(&mut self, name: &str, total: u64, counted: Counted) {
        let name = self.job.stage(name);
        match &mut self.shown {
            Shown::Bar(bar) => {
                bar.set_style(style(template(total, colours()), counted));
                bar.set_message(name);
                bar.set_length(total);
                bar.reset();
            }
            Shown::Lines(lines, _) => lines.stage(&name, (total, counted), Instant::now()),
            Shown::Nothing => {}
        }
    }

    fn advance(&mut self, units: u64) -> Result<(), Cancelled> {
        match &mut self.shown {
            Shown::Bar(bar) => bar.inc(units),
            Shown::Lines(lines, out) => {
                if let Some(line) = lines.advance(units, Instant::now(), peak_mib) {
                    // Nobody may be listening any more; the work goes on.
                    let _ = writeln!(out, "{line}");
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

/// What the bar looks like where the end is not known.
const ENDLESS: &str = "{msg} {spinner} {amount} in {elapsed}, {rate}, peak {peak} MiB";
/// With colours, and without.
const BARS: [&str; 2] = [
    "{msg} [{bar:30.cyan}] {percent:>3} %, {rate}, {eta} left, peak {peak} MiB",
    "{msg} [{bar:30}] {percent:>3} %, {rate}, {eta} left, peak {peak} MiB",
];

fn template(total: u64, colours: bool) -> &'static str {
    match (total, colours) {
        (0, _) => ENDLESS,
        (_, true) => BARS[0],
        (_, false) => BARS[1],
    }
}

fn style(template: &str, counted: Counted) -> ProgressStyle {
    let counted = counted.name();
    // What cannot be written to a string is not shown.
    let peak = |_: &ProgressState, out: &mut dyn std::fmt::Write| {
        let _ = write!(out, "{}", peak_mib());
    };
    let amount = move |state: &ProgressState, out: &mut dyn std::fmt::Write| {
        let _ = write!(out, "{} {counted}", rounded(state.pos() as f64));
    };
    let rate = move |state: &ProgressState, out: &mut dyn std::fmt::Write| {
        let _ = write!(out, "{} {counted}/s", rounded(state.per_sec()));
    };
    // A test holds every template; a plain bar is better than no run.
    ProgressStyle::with_template(template)
        .unwrap_or_else(|_| ProgressStyle::default_bar())
        .with_key("peak", peak)
        .with_key("amount", amount)
        .with_key("rate", rate)
}

/// A line now and then.
struct Lines {
    stage: String,
    total: u64,
    counted: Counted,
    done: u64,
    began: Instant,
    told: Instant,
    between: Duration,
}

impl Lines {
    fn new(between: Duration, now: Instant) -> Self {
        Self {
            stage: String::new(),
            total: 0,
            counted: Counted::Steps,
            done: 0,
            began: now,
            told: now,
            between,
        }
    }

    fn stage(&mut self, name: &str, (total, counted): (u64, Counted), now: Instant) {
        self.stage = name.to_owned();
        self.total = total;
        self.counted = counted;
        self.done = 0;
        self.began = now;
    }

    /// The next line, if it is time for one.
    fn advance(&mut self, units: u64, now: Instant, peak: impl Fn() -> u64) -> Option<String> {
        self.done += units;
        if now - self.told < self.between {
            return None;
        }
        self.told = now;
        let seconds = (now - self.began).as_secs_f64().max(1e-9);
        let rate = self.done as f64 / seconds;
        let (stage, peak, counted) = (&self.stage, peak(), self.counted.name());
        let (share, left) = (self.share(), self.left(rate));
        let rate = rounded(rate);
        Some(format!(
            "{stage}: {share}, {rate} {counted}/s{left}, peak {peak} MiB"
        ))
    }

    /// How far the stage is.
    fn share(&self) -> String {
        match self.total {
            0 => format!("{} {}", rounded(self.done as f64), self.counted.name()),
            total => format!("{:.0} %", 100.0 * self.done as f64 / total as f64),
        }
    }

    /// How long the stage will take yet, where that is known.
    fn left(&self, rate: f64) -> String {
        let left = self.total.saturating_sub(self.done) as f64 / rate;
        match left.is_finite() && self.total > 0 {
            true => format!(", {left:.0} s left"),
            false => String::new(),
        }
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
    use std::sync::{Arc, Mutex};

    use indicatif::TermLike;

    /// Keeps what is shown.
    #[derive(Debug, Clone, Default)]
    struct Screen(Arc<Mutex<String>>);

    impl Screen {
        fn shown(&self) -> String {
            self.0.lock().unwrap().clone()
        }
    }

    impl Write for Screen {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            let text = String::from_utf8_lossy(bytes);
            self.0.lock().unwrap().push_str(&text);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    impl TermLike for Screen {
        fn width(&self) -> u16 {
            120
        }
        fn move_cursor_up(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn move_cursor_down(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn move_cursor_right(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn move_cursor_left(&self, _: usize) -> std::io::Result<()> {
            Ok(())
        }
        fn write_line(&self, text: &str) -> std::io::Result<()> {
            self.write_str(&format!("{text}\n"))
        }
        fn write_str(&self, text: &str) -> std::io::Result<()> {
            self.0.lock().unwrap().push_str(text);
            Ok(())
        }
        fn clear_line(&self) -> std::io::Result<()> {
            Ok(())
        }
        fn flush(&self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_stop_reaches_the_work() {
        for form in [ProgressForm::Auto, ProgressForm::Plain, ProgressForm::None] {
            let stop = StopFlag::default();
            let mut bar = Bar::new(form, &stop);
            bar.stage("test", 0, Counted::Steps);
            assert!(bar.advance(1).is_ok());
            stop.stop();
            assert!(bar.advance(1).is_err());
        }
    }

    #[test]
    fn every_bar_is_drawn_as_it_is_written_and_says_what_it_counts() {
        for (total, colours) in [(0, true), (8, true), (8, false)] {
            let template = template(total, colours);
            assert!(ProgressStyle::with_template(template).is_ok(), "{template}");
            let screen = Screen::default();
            let target = ProgressDrawTarget::term_like(Box::new(screen.clone()));
            let bar = ProgressBar::with_draw_target(Some(total), target);
            bar.set_style(style(template, Counted::Stations));
            bar.set_message("sort");
            bar.inc(2);
            bar.force_draw();
            let shown = screen.shown();
            let known = match total {
                0 => "2.00 stations in ",
                _ => " 25 %, ",
            };
            for part in ["sort ", " stations/s, ", known, " MiB"] {
                assert!(shown.contains(part), "{part:?} in {shown:?}");
            }
        }
    }

    #[test]
    fn plain_lines_are_written_as_they_come() {
        let screen = Screen::default();
        let lines = Lines::new(Duration::ZERO, Instant::now());
        let mut bar = Bar {
            shown: Shown::Lines(lines, Box::new(screen.clone())),
            stop: StopFlag::default(),
            job: Job::default(),
        };
        bar.plan(&["hash", "read"]);
        bar.stage("hash", 400, Counted::Bytes);
        bar.advance(100).unwrap();
        bar.advance(100).unwrap();
        let shown = screen.shown();
        let lines: Vec<&str> = shown.lines().collect();
        assert_eq!(lines.len(), 2, "{shown}");
        for (line, begin) in lines
            .iter()
            .zip(["hash (1 of 2): 25 %, ", "hash (1 of 2): 50 %, "])
        {
            assert!(
                line.starts_with(begin) && line.contains(" bytes/s, "),
                "{line}"
            );
        }
    }

    #[test]
    fn a_stage_is_numbered_in_its_job_even_if_others_are_passed_over() {
        let mut job = Job {
            names: vec!["hash", "read", "edges", "sort", "hash"],
            at: 0,
        };
        let told = ["hash", "edges", "edges", "export", "hash"].map(|name| job.stage(name));
        let expected = [
            "hash (1 of 5)",
            "edges (3 of 5)",
            "edges (3 of 5)",
            "export",
            "hash (5 of 5)",
        ];
        assert_eq!(told, expected);
        assert_eq!(Job::default().stage("inspect"), "inspect");
    }

    #[test]
    fn a_plain_line_comes_each_ten_seconds_and_says_how_far_and_how_long() {
        let start = Instant::now();
        let at = |s| start + Duration::from_secs(s);
        let mut lines = Lines::new(BETWEEN, start);
        lines.stage("read", (100_000_000, Counted::Points), at(2));
        assert_eq!(lines.advance(10_000_000, at(9), || 80), None);
        let line = lines.advance(10_000_000, at(12), || 80).unwrap();
        assert_eq!(line, "read: 20 %, 2.00 M points/s, 40 s left, peak 80 MiB");
        assert_eq!(lines.advance(1, at(21), || 80), None);
        lines.stage("sort", (0, Counted::Stations), at(21));
        let line = lines.advance(600, at(41), || 81).unwrap();
        assert_eq!(line, "sort: 600 stations, 30.0 stations/s, peak 81 MiB");
    }

    #[test]
    fn numbers_have_three_digits() {
        let shown = [0.0, 1.234, 123.4, 56_789.0, 1_920_000.0, 4.5e8].map(rounded);
        assert_eq!(shown, ["0.00", "1.23", "123", "56.8 k", "1.92 M", "450 M"]);
    }
}
