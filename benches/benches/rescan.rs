//! What does it cost to rebuild a tenth of a course, over building all of it?
//!
//! Run: `cargo bench -p surface-benches --bench rescan`: the demo's scan (4 million points), then
//! what a second scan saw within 33 m of a new panel. `SURFACE_BENCH_TIMES=3` takes the least of three
//! runs. Every figure is a process's own, taken from outside; the ratio is of processor time, which
//! a busy machine blurs less. The degenerate cases are the same scan again, after which at most
//! the surroundings of a kerb are rebuilt, and a dry run, which writes nothing.

use std::error::Error;
use std::path::Path;
use std::process::Command;

use surface_benches::data::{Scan, demo_scan, rescan_of_a_tenth};
use surface_benches::process::{Run, builds, least, load, run, surface, typed};

/// How often each command is run.
fn times() -> usize {
    let times = std::env::var("SURFACE_BENCH_TIMES").ok();
    times.and_then(|t| t.parse().ok()).unwrap_or(1).max(1)
}

fn stages(report: &serde_json::Value) {
    for stage in report["run"]["stages"].as_array().into_iter().flatten() {
        println!(
            "    {:<16} {:>6.2} s",
            stage["stage"].as_str().unwrap_or_default(),
            stage["seconds"].as_f64().unwrap_or_default()
        );
    }
}

fn rescan(
    (build, out): (&Path, Option<&Path>),
    scan: &Scan,
    (what, whole): (&str, &Run),
) -> Result<(), Box<dyn Error>> {
    let mut command = Command::new(surface()?);
    command.arg("rescan").arg(build).arg(&scan.cloud);
    command.args(["--format", "json"]);
    match out {
        Some(out) => command.arg("--out").arg(out),
        None => command.arg("--dry-run"),
    };
    println!("  {}", typed(&command));
    let runs: Result<Vec<Run>, _> = (0..times()).map(|_| run(&mut command, &[0, 1])).collect();
    let part = least(runs?, |run| run.busy_s)?;
    let report: serde_json::Value = serde_json::from_str(&part.stdout)?;
    println!(
        "  {what}: {} points, {} of {} sections fitted, {} changes: {:.2} s, {:.2} s of processor time, peak {:.0} MiB",
        scan.points,
        report["rebuilt"]["fitted"],
        report["rebuilt"]["sections"],
        report["changes"].as_array().map_or(0, Vec::len),
        part.seconds,
        part.busy_s,
        part.peak_mib
    );
    stages(&report);
    println!(
        "  over the whole: {:.3} of the processor time (aim 0.2), {:.3} of the time",
        part.busy_s / whole.busy_s,
        part.seconds / whole.seconds
    );
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    let (demo, tenth) = (demo_scan()?, rescan_of_a_tenth()?);
    let folder = tempfile::tempdir_in(demo.cloud.parent().ok_or("a folder")?)?;
    let (build, next) = (folder.path().join("build"), folder.path().join("next"));
    println!("{}; {}", demo.what, load());
    let mut command = Command::new(surface()?);
    command.arg("fit").arg(&demo.cloud).arg("--out").arg(&build);
    println!("  {}", typed(&command));
    let whole = least(builds(&mut command, &build, times())?, |run| run.busy_s)?;
    println!(
        "  the whole: {} points, {:.2} s, {:.2} s of processor time",
        demo.points, whole.seconds, whole.busy_s
    );
    rescan((&build, Some(&next)), &tenth, ("after works", &whole))?;
    rescan(
        (&next, Some(&folder.path().join("same"))),
        &tenth,
        ("the same road again", &whole),
    )?;
    rescan((&build, None), &tenth, ("a dry run", &whole))
}
