//! Runs that are killed, and run again.

use std::process::{Command, Stdio};
use std::time::Duration;

use crate::course::{ended, killed_when, names, scan, surface, undisturbed};

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
