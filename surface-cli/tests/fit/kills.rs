//! `surface fit` killed at any moment of the whole run, and run again.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::course::{
    alike, command, ended, killed_when, names, products, scan, surface, undisturbed,
};

/// Moments that [`a_run_killed_at_any_of_many_moments_ends_with_the_same_bytes`] tries.
const MOMENTS: u32 = 60;
/// Seed of the moments.
const SEED: u64 = 20;

/// Numbers from 0 to 1.
fn moments(seed: u64) -> impl Iterator<Item = f64> {
    let mut state = seed;
    std::iter::repeat_with(move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        f64::from(u32::try_from(state >> 32).unwrap_or(0)) / f64::from(u32::MAX)
    })
}

/// Every third moment is in the last tenth of the run, where stages are short: page, pictures,
/// other formats, manifest, names. Each folder is killed twice before it may end.
///
/// `cargo test -p surface-cli --test fit -- --ignored --nocapture any_of_many_moments`
#[test]
#[ignore = "60 moments take some minutes; the command is above"]
fn a_run_killed_at_any_of_many_moments_ends_with_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let (known, out) = (dir.path().join("known"), dir.path().join("out"));
    let of = |out| command(&scan(), out, &["--also", "gltf,csv"]);
    let start = Instant::now();
    ended(&of(&known).output().unwrap());
    let (whole, expected) = (start.elapsed(), products(&known));
    let mut landed = 0;
    for (k, moment) in (0..MOMENTS).zip(moments(SEED)) {
        let late = k % 3 == 0;
        let share = if late { 0.9 + 0.1 * moment } else { moment };
        let start = Instant::now();
        let now = || start.elapsed() >= whole.mul_f64(share);
        landed += u32::from(killed_when(of(&out), now));
        if k % 2 == 1 {
            ended(&of(&out).output().unwrap());
            alike(&products(&out), &expected);
            std::fs::remove_dir_all(&out).unwrap();
        }
    }
    println!(
        "{landed} of {MOMENTS} kills met a run of {:.1} s",
        whole.as_secs_f64()
    );
    // A run that goes on is shorter than the whole one, so that many moments come after its end.
    assert!(landed > MOMENTS / 4, "{landed}");
}

#[test]
fn scratch_files_of_a_killed_comparison_go_with_the_next_one() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("scratch");
    std::fs::create_dir(&folder).unwrap();
    let hold = |out: &str| {
        let mut command: Command = surface();
        command
            .arg("deviation")
            .arg(undisturbed().join("surface.ply"))
            .arg(scan())
            .arg("--out")
            .arg(dir.path().join(out))
            .arg("--scratch")
            .arg(&folder);
        command
    };
    assert!(killed_when(hold("a"), || !names(&folder).is_empty()));
    let killed = names(&folder);
    assert_eq!(killed.len(), 1);
    // What another run that is still at work has there stays with it.
    let mut living = hold("b");
    living.stdout(Stdio::null()).stderr(Stdio::null());
    let mut living = living.spawn().unwrap();
    while names(&folder).is_empty() || names(&folder) == killed {
        assert!(living.try_wait().unwrap().is_none());
        std::thread::sleep(Duration::from_micros(200));
    }
    ended(&hold("a").output().unwrap());
    ended(&living.wait_with_output().unwrap());
    assert!(names(&folder).is_empty(), "{:?}", names(&folder));
}
