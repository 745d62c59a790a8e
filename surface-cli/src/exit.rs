//! The one table of exit codes.

use std::process::ExitCode;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// 0: done, and within tolerance where one was asked for.
    Done,
    /// 1: done, tolerance not met; the report says where.
    Beyond,
    /// 2: usage, input or run error.
    Error,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Done => 0,
            Exit::Beyond => 1,
            Exit::Error => 2,
        })
    }
}
