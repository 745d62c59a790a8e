//! How long does the main job take and how much memory, beside bare decoding of the same file
//! and beside the script that a user would write instead?
//!
//! Run: `cargo bench -p surface-benches --bench fit`: the demo's scan (4 million points) and a
//! dense one of 25 million; `SURFACE_BENCH_MILLION=50` takes a larger one, `SURFACE_BENCH_TIMES=3`
//! the fastest of three runs, `SURFACE_BENCH_CIRCUIT=20` a course of 4 km with 20 million points
//! alone, as `scale` has it. Scans are made on the first run and kept in `target/bench-data`.
//! Every figure is a process's own, taken from outside. The degenerate case is the demo's scan:
//! few points to a metre of road, so that what does not depend on points weighs most.
//! The script gets the finished ribbon and need not find the road; both have the same spacing.

use std::error::Error;
use std::path::Path;
use std::process::Command;

use surface_benches::bare::{decode_if_asked, decoding};
use surface_benches::data::{Scan, demo_scan, dense_scan, long_scan};
use surface_benches::process::{Run, builds, least, load, run, say, say_stages, surface, typed};
use surface_tests::python::venv;

fn number(name: &str, otherwise: f64) -> f64 {
    let text = std::env::var(name).ok();
    text.and_then(|t| t.parse().ok()).unwrap_or(otherwise)
}

fn fitting(scan: &Scan, threads: usize, out: &Path) -> Result<Command, Box<dyn Error>> {
    let mut command = Command::new(surface()?);
    command.arg("fit").arg(&scan.cloud);
    command.args(["--threads", &threads.to_string(), "--out"]);
    command.arg(out);
    Ok(command)
}

/// `surface deviation` of the finished mesh on one thread: of all, and of what is left when the decoding
/// of its points is taken off.
fn deviating(scan: &Scan, build: &Path, bare: &Run) -> Result<(), Box<dyn Error>> {
    let mut command = Command::new(surface()?);
    command.arg("deviation").arg(build.join("surface.ply"));
    command.arg(&scan.cloud).args(["--threads", "1", "--out"]);
    command.arg(build.with_file_name("deviation"));
    println!("  {}", typed(&command));
    let done = run(&mut command, &[0, 1])?;
    say("deviation, 1 thread", scan.points, &done);
    let rate = |busy_s: f64| scan.points as f64 / busy_s / 1e6;
    println!(
        "    {:.2} M points/s of processor time; without decoding {:.2} (aim 5)",
        rate(done.busy_s),
        rate(done.busy_s - bare.busy_s)
    );
    Ok(())
}

fn script(scan: &Scan, build: &Path, out: &Path) -> Option<Command> {
    let mut command = Command::new(venv()?);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("python/medians_delaunay.py");
    command.arg(script).arg(&scan.cloud);
    command.args(["--spacing", "0.10", "--ribbon"]);
    command.arg(build.join("ribbon.geojson"));
    command.arg("--out").arg(out);
    Some(command)
}

fn measure(scan: &Scan) -> Result<(), Box<dyn Error>> {
    let times = surface_core::numeric::to_index(number("SURFACE_BENCH_TIMES", 1.0)).max(1);
    println!("\n{}: {} points; {}", scan.what, scan.points, load());
    let folder = tempfile::tempdir_in(scan.cloud.parent().ok_or("a folder")?)?;
    let build = folder.path().join("build");
    let mut of_two = Vec::new();
    let mut seconds = Vec::new();
    for threads in [2, 1] {
        let bare: Result<Vec<Run>, _> = (0..times)
            .map(|_| run(&mut decoding(scan, threads)?, &[0]))
            .collect();
        let bare = least(bare?, |run| run.seconds)?;
        say(
            &format!("bare decoding, {threads} threads"),
            scan.points,
            &bare,
        );
        let mut command = fitting(scan, threads, &build)?;
        println!("  {}", typed(&command));
        let fit = least(builds(&mut command, &build, times)?, |run| run.seconds)?;
        say(&format!("fit, {threads} threads"), scan.points, &fit);
        say_stages(&build, scan.points)?;
        println!(
            "    fit / bare decoding: {:.2} of the time (aim 2), {:.2} of the processor time",
            fit.seconds / bare.seconds,
            fit.busy_s / bare.busy_s
        );
        seconds.push(fit.seconds);
        of_two.push(fit);
        if threads == 1 {
            deviating(scan, &build, &bare)?;
        }
    }
    println!(
        "  1 thread / 2 threads: {:.2} (aim 1.8)",
        seconds[1] / seconds[0]
    );
    if let Some(mut command) = script(scan, &build, &folder.path().join("script.ply")) {
        println!("  {}", typed(&command));
        let slow = run(&mut command, &[0])?;
        say("script", scan.points, &slow);
        println!("    {}", slow.stdout.trim());
        let fit = &of_two[0];
        println!(
            "    script / fit, 2 threads: {:.1} times the time (aim 10), {:.1} times the processor time, {:.1} times the memory (aim 10)",
            slow.seconds / fit.seconds,
            slow.busy_s / fit.busy_s,
            slow.peak_mib / fit.peak_mib
        );
    }
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    if decode_if_asked()? {
        return Ok(());
    }
    let circuit = number("SURFACE_BENCH_CIRCUIT", 0.0);
    if circuit > 0.0 {
        return measure(&long_scan(circuit)?);
    }
    measure(&demo_scan()?)?;
    measure(&dense_scan(number("SURFACE_BENCH_MILLION", 25.0))?)
}
