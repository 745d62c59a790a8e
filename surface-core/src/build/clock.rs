//! How long each stage took and how much memory the process has had: the run's own book-keeping,
//! kept apart from everything that is compared.

use std::time::Instant;

use crate::report::{RunReport, StageRun};

/// Times the stages of a run.
#[derive(Debug)]
pub(super) struct StageClock {
    started: Instant,
    stages: Vec<StageRun>,
    taken_over: Vec<String>,
}

impl StageClock {
    pub fn start() -> Self {
        Self {
            started: Instant::now(),
            stages: Vec::new(),
            taken_over: Vec::new(),
        }
    }

    /// The stage that ran since the last call (or the start) is over.
    pub fn lap(&mut self, stage: &str) {
        let seconds = self.started.elapsed().as_secs_f64();
        self.stages.push(StageRun {
            stage: stage.to_owned(),
            seconds,
            peak_mib: peak_mib(),
        });
        self.started = Instant::now();
    }

    /// `stage` was whole already.
    pub fn taken_over(&mut self, stage: &str) {
        self.taken_over.push(stage.to_owned());
    }

    pub fn report(self) -> RunReport {
        RunReport {
            threads: rayon::current_num_threads(),
            stages: self.stages,
            taken_over: self.taken_over,
        }
    }
}

/// Highest resident memory of this process so far, MiB; 0 where `/proc` does not tell.
#[must_use]
pub fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kib = line.and_then(|l| l.trim().strip_suffix("kB")?.trim().parse::<u64>().ok());
    kib.unwrap_or(0) / 1024
}
