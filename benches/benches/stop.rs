//! How long does it take from Ctrl-C until `fit` has stopped?
//!
//! Run: `cargo bench -p surface-benches --bench stop`: the demo's scan, stopped at 24 moments evenly
//! spread over the time of a whole run. `SURFACE_BENCH_MILLION=100` takes a circuit of 4 km with about so
//! many points instead. Each run begins anew, so that every stage is met. The degenerate case is a stop
//! in the last moment, which may find the run at its end.
//! Fails when a run took more than a second to stop.

use std::error::Error;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use surface_benches::data::{demo_scan, long_scan};
use surface_benches::process::{load, run, surface};

/// Moments of a run at which it is stopped.
const MOMENTS: u32 = 24;
/// Longest time that a stop may take.
const MOST: Duration = Duration::from_secs(1);

/// Start `fit`, stop it after `wait`; how long that took, or nothing where it had ended before.
fn stopped_after(
    command: &mut Command,
    wait: Duration,
) -> Result<Option<Duration>, Box<dyn Error>> {
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()?;
    std::thread::sleep(wait);
    if child.try_wait()?.is_some() {
        return Ok(None);
    }
    let asked = Instant::now();
    Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()?;
    while child.try_wait()?.is_none() {
        std::thread::sleep(Duration::from_millis(1));
    }
    Ok(Some(asked.elapsed()))
}

fn main() -> Result<(), Box<dyn Error>> {
    let scan = match std::env::var("SURFACE_BENCH_MILLION") {
        Ok(million) => long_scan(million.parse()?)?,
        Err(_) => demo_scan()?,
    };
    let program = surface()?;
    let folder = tempfile::tempdir_in(scan.cloud.parent().ok_or("a folder")?)?;
    let fit = |name: &str| {
        let mut command = Command::new(&program);
        command
            .arg("fit")
            .arg(&scan.cloud)
            .arg("--out")
            .arg(folder.path().join(name));
        command
    };
    println!("{}: {} points; {}", scan.what, scan.points, load());
    let whole = run(&mut fit("whole"), &[0, 1])?.seconds;
    let mut took = Vec::new();
    for k in 0..MOMENTS {
        let wait = Duration::from_secs_f64(whole * (f64::from(k) + 0.5) / f64::from(MOMENTS));
        let name = k.to_string();
        if let Some(time) = stopped_after(&mut fit(&name), wait)? {
            println!(
                "  after {:>6.1} s: {:>4} ms",
                wait.as_secs_f64(),
                time.as_millis()
            );
            took.push(time);
        }
        // A run that ended before leaves its products instead of its records.
        std::fs::remove_dir_all(folder.path().join(&name)).or_else(|error| {
            let gone = error.kind() == std::io::ErrorKind::NotFound;
            if gone { Ok(()) } else { Err(error) }
        })?;
    }
    took.sort_unstable();
    let most = *took
        .last()
        .ok_or("every run had ended before it was stopped")?;
    println!(
        "  {} stops of a run of {whole:.1} s: median {} ms, longest {} ms (aim 1000)",
        took.len(),
        took[took.len() / 2].as_millis(),
        most.as_millis()
    );
    if most > MOST {
        return Err("a stop took more than a second".into());
    }
    Ok(())
}
