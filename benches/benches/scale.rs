//! What does a whole circuit cost, and does the cost grow with its points alone?
//!
//! Run: `cargo bench -p surface-benches --bench scale`: 20, 100, 200 and 250 million points of one
//! invented course of 4 km, each fitted in 2 GiB by two threads, beside bare decoding of the same
//! points. `SURFACE_BENCH_MILLION=20,100` takes others. A scan is made on its first run
//! (250 million points: half an hour, 2 GB) and kept in `target/bench-data`.
//! The degenerate case is the thinnest scan: its cost is that of the road's area, not of its points.
//! Fails when a peak is more than a tenth over the memory that was given.

use std::error::Error;
use std::process::Command;

use surface_benches::bare::{decode_if_asked, decoding};
use surface_benches::data::{Scan, long_scan};
use surface_benches::process::{Run, load, run, say, say_stages, surface, typed};

/// Memory that each fit gets, GiB.
const GIB: f64 = 2.0;
/// How far over its memory a run may go.
const OVER: f64 = 1.1;

fn fitting(scan: &Scan) -> Result<Run, Box<dyn Error>> {
    let out = tempfile::tempdir_in(scan.cloud.parent().ok_or("a folder")?)?;
    let mut command = Command::new(surface()?);
    command.arg("fit").arg(&scan.cloud);
    command.args(["--memory", &GIB.to_string(), "--threads", "2"]);
    command.arg("--out").arg(out.path().join("build"));
    println!("  {}", typed(&command));
    let done = run(&mut command, &[0, 1])?;
    say_stages(&out.path().join("build"), scan.points)?;
    Ok(done)
}

fn measure(million: f64) -> Result<(Scan, Run), Box<dyn Error>> {
    let scan = long_scan(million)?;
    println!("\n{}: {} points; {}", scan.what, scan.points, load());
    let bare = run(&mut decoding(&scan, 2)?, &[0])?;
    say("bare decoding, 2 threads", scan.points, &bare);
    let fit = fitting(&scan)?;
    say("fit, 2 threads", scan.points, &fit);
    println!(
        "    fit / bare decoding: {:.2} of the time (aim 2 at 100 M), {:.2} of the processor time; {:.2} of its memory",
        fit.seconds / bare.seconds,
        fit.busy_s / bare.busy_s,
        fit.peak_mib / (1024.0 * GIB)
    );
    Ok((scan, fit))
}

fn main() -> Result<(), Box<dyn Error>> {
    if decode_if_asked()? {
        return Ok(());
    }
    let asked = std::env::var("SURFACE_BENCH_MILLION").unwrap_or_default();
    let asked: Result<Vec<f64>, _> = asked
        .split(',')
        .filter(|t| !t.is_empty())
        .map(str::parse)
        .collect();
    let mut millions = asked?;
    if millions.is_empty() {
        millions = vec![20.0, 100.0, 200.0, 250.0];
    }
    let done: Result<Vec<_>, _> = millions.into_iter().map(measure).collect();
    let done = done?;
    let (first, fit) = &done[0];
    for (scan, other) in &done[1..] {
        println!(
            "  {:.1} M over {:.1} M points: {:.2} times the time (aim 10.5 for ten times)",
            scan.points as f64 / 1e6,
            first.points as f64 / 1e6,
            other.seconds / fit.seconds
        );
    }
    let over = done
        .iter()
        .filter(|(_, r)| r.peak_mib > OVER * 1024.0 * GIB);
    match over.count() {
        0 => Ok(()),
        n => Err(format!("{n} runs took more than {GIB} GiB").into()),
    }
}
