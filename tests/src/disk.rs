//! Disks of any size, for tests of what happens on small ones.

use std::path::Path;
use std::process::Command;

use crate::python::skip;

/// Mounts a disk of `$1` bytes at `$2`, runs `$3` there, and then what follows.
const SCRIPT: &str = "mount -t tmpfs -o size=\"$1\" none \"$2\" && cd \"$2\" && eval \"$3\" && shift 3 && exec \"$@\"";

/// A command that runs what is appended to it where `place` is an empty disk of `bytes` in memory,
/// after the shell has run `before` there. Nobody else sees that disk, and it goes with the command.
/// `None`, said loudly, where the system does not allow it.
#[must_use]
pub fn small_disk(place: &Path, bytes: u64, before: &str) -> Option<Command> {
    let with = |before: &str| {
        let mut command = Command::new("unshare");
        command.args(["-rm", "sh", "-c", SCRIPT, "sh", &bytes.to_string()]);
        command
            .arg(place)
            .arg(if before.is_empty() { ":" } else { before });
        command
    };
    let allowed = with("").arg("true").output();
    if allowed.is_ok_and(|run| run.status.success()) {
        return Some(with(before));
    }
    skip("no disk can be mounted here, so that none is too small");
    None
}
