//! Does `fit` keep to the memory that it is given, however many points there are?
//!
//! Run: `cargo bench -p surface-benches --bench memory`: 50 million points of an invented course
//! in 1 GiB. The scan is made on the first run (minutes) and kept in `target/bench-data`.
//! `SURFACE_BENCH_MILLION=10` measures on fewer points, `SURFACE_BENCH_GIB=2` in more memory.
//! The degenerate cases are the least memory that is accepted, with two threads and with many. Fails
//! when the process's own peak is more than a tenth over what it was given.

use std::error::Error;
use std::process::Command;

use surface_benches::data::{Scan, dense_scan};
use surface_benches::process::{Run, load, run, say_stages, surface, typed};

/// How far over its memory a run may go.
const OVER: f64 = 1.1;
/// The least memory that `fit` accepts, GiB.
const LEAST_GIB: f64 = 0.3;
/// More threads than that is meant for: each holds a section.
const MANY: usize = 16;

fn number(name: &str, otherwise: f64) -> f64 {
    let text = std::env::var(name).ok();
    text.and_then(|t| t.parse().ok()).unwrap_or(otherwise)
}

fn measure(scan: &Scan, gib: f64, threads: usize) -> Result<Run, Box<dyn Error>> {
    let out = tempfile::tempdir_in(scan.cloud.parent().ok_or("a folder")?)?;
    let mut command = Command::new(surface()?);
    command.arg("fit").arg(&scan.cloud);
    command.args(["--memory", &gib.to_string()]);
    command.args(["--threads", &threads.to_string()]);
    command.arg("--out").arg(out.path().join("build"));
    println!("\n{}", typed(&command));
    let done = run(&mut command, &[0, 1])?;
    println!(
        "  {:.1} s, {:.2} M points/s, {:.0} % of two cores; peak {:.0} MiB of {:.0}: {:.2} times",
        done.seconds,
        scan.points as f64 / done.seconds / 1e6,
        50.0 * done.busy_s / done.seconds,
        done.peak_mib,
        1024.0 * gib,
        done.peak_mib / (1024.0 * gib),
    );
    say_stages(&out.path().join("build"), scan.points)?;
    Ok(done)
}

fn main() -> Result<(), Box<dyn Error>> {
    let scan = dense_scan(number("SURFACE_BENCH_MILLION", 50.0))?;
    println!("{}: {} points; {}", scan.what, scan.points, load());
    let mut over = Vec::new();
    let asked = number("SURFACE_BENCH_GIB", 1.0);
    for (gib, threads) in [(asked, 2), (LEAST_GIB, 2), (LEAST_GIB, MANY)] {
        let done = measure(&scan, gib, threads)?;
        if done.peak_mib > OVER * 1024.0 * gib {
            over.push(format!(
                "{:.0} MiB where {gib} GiB were given to {threads} threads",
                done.peak_mib
            ));
        }
    }
    match over.is_empty() {
        true => Ok(()),
        false => Err(over.join("; ").into()),
    }
}
