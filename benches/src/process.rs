//! Runs of other programs, their time and memory taken from outside.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use surface_tests::python::target_dir;

/// How often a run's memory is looked at. The system keeps the peak itself, so that only what a
/// run takes in its last moment can be missed.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// Ticks of processor time a second in `/proc` (fixed by the kernel's interface).
const TICKS_PER_S: f64 = 100.0;

/// What a run took.
#[derive(Debug, Clone)]
pub struct Run {
    /// From start to end, seconds.
    pub seconds: f64,
    /// Processor time of all threads, seconds; 0 where `/proc` does not tell.
    pub busy_s: f64,
    /// Highest resident memory, MiB; 0 where `/proc` does not tell.
    pub peak_mib: f64,
    /// Exit code.
    pub code: i32,
    /// Standard output.
    pub stdout: String,
}

/// Run a command to its end. Its standard error goes to ours.
///
/// # Errors
/// When it cannot be started, or ends with a code that is not in `good`.
pub fn run(command: &mut Command, good: &[i32]) -> Result<Run, Box<dyn Error>> {
    let answer = tempfile::NamedTempFile::new()?;
    let started = Instant::now();
    let mut child = command.stdout(Stdio::from(answer.reopen()?)).spawn()?;
    let folder = PathBuf::from(format!("/proc/{}", child.id()));
    let (mut peak_mib, mut busy_s) = (0.0f64, 0.0f64);
    let status = loop {
        peak_mib = peak_mib.max(peak(&folder).unwrap_or(0.0));
        busy_s = busy_s.max(busy(&folder).unwrap_or(0.0));
        match child.try_wait()? {
            Some(status) => break status,
            None => std::thread::sleep(LOOK_EVERY),
        }
    };
    let seconds = started.elapsed().as_secs_f64();
    let code = status.code().unwrap_or(-1);
    if !good.contains(&code) {
        return Err(format!("{command:?} ended with {status}").into());
    }
    Ok(Run {
        seconds,
        busy_s,
        peak_mib,
        code,
        stdout: fs::read_to_string(answer.path())?,
    })
}

/// So many runs, each of which makes the build folder `out` anew: a build that is there and whole would
/// not be made again.
///
/// # Errors
/// As [`run`], and when what an earlier run left cannot be removed.
pub fn builds(command: &mut Command, out: &Path, times: usize) -> Result<Vec<Run>, Box<dyn Error>> {
    let mut runs = Vec::new();
    for _ in 0..times.max(1) {
        if out.exists() {
            fs::remove_dir_all(out)?;
        }
        runs.push(run(command, &[0, 1])?);
    }
    Ok(runs)
}

/// The run with the least of something, with the highest peak of all of them.
///
/// # Errors
/// When there is none.
pub fn least(runs: Vec<Run>, of: impl Fn(&Run) -> f64) -> Result<Run, Box<dyn Error>> {
    let peak_mib = runs.iter().map(|r| r.peak_mib).fold(0.0, f64::max);
    let best = runs.into_iter().min_by(|a, b| of(a).total_cmp(&of(b)));
    let best = best.ok_or("no run to choose from")?;
    Ok(Run { peak_mib, ..best })
}

fn peak(folder: &Path) -> Option<f64> {
    let status = fs::read_to_string(folder.join("status")).ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    let kib: f64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kib / 1024.0)
}

/// Processor time so far: the 14th and 15th field of `stat`, counted behind the program's name.
fn busy(folder: &Path) -> Option<f64> {
    let stat = fs::read_to_string(folder.join("stat")).ok()?;
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = |k: usize| fields.get(k)?.parse::<f64>().ok();
    Some((ticks(11)? + ticks(12)?) / TICKS_PER_S)
}

/// Processor time that this process has used so far in all its threads, seconds.
#[must_use]
pub fn processor_s() -> f64 {
    busy(Path::new("/proc/self")).unwrap_or(0.0)
}

/// Say what a run over `points` points took.
pub fn say(what: &str, points: u64, run: &Run) {
    println!(
        "  {what:<26} {:>8.2} s  {:>7.2} M points/s  {:>5.0} % of a core  peak {:>6.0} MiB",
        run.seconds,
        points as f64 / run.seconds / 1e6,
        100.0 * run.busy_s / run.seconds,
        run.peak_mib
    );
}

/// Say what each stage of a finished `fit` of `points` points took.
///
/// # Errors
/// When the build has no report.
pub fn say_stages(build: &Path, points: u64) -> Result<(), Box<dyn Error>> {
    let text = fs::read_to_string(build.join("report.json"))?;
    let report: serde_json::Value = serde_json::from_str(&text)?;
    for stage in report["run"]["stages"].as_array().into_iter().flatten() {
        let seconds = stage["seconds"].as_f64().unwrap_or_default();
        println!(
            "    {:<24} {seconds:>8.2} s  {:>7.2} M points/s  peak so far {} MiB",
            stage["stage"].as_str().unwrap_or_default(),
            points as f64 / seconds.max(1e-3) / 1e6,
            stage["peak_mib"]
        );
    }
    Ok(())
}

/// The command as a user would type it.
#[must_use]
pub fn typed(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    let words: Vec<_> = words.map(|w| w.to_string_lossy().into_owned()).collect();
    words.join(" ")
}

/// The command line `surface`, built as users get it; the program that `SURFACE_BIN` names where
/// that is set, to compare two of them.
///
/// # Errors
/// When it cannot be built.
pub fn surface() -> Result<PathBuf, Box<dyn Error>> {
    if let Some(other) = std::env::var_os("SURFACE_BIN") {
        return Ok(other.into());
    }
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut build = Command::new(cargo);
    build.args(["build", "--release", "--quiet", "-p", "surface-cli"]);
    run(
        build.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("..")),
        &[0],
    )?;
    Ok(target_dir().join("release/surface"))
}

/// Other programs at work at the start: a figure taken on a busy machine says so.
#[must_use]
pub fn load() -> String {
    let load = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let last_minute = load.split(' ').next().unwrap_or("unknown").to_owned();
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    format!("{threads} cores, load before the run {last_minute}")
}
