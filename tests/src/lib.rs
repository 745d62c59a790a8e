//! The proving ground and helpers of the tests that cross crates.

pub mod browser;
pub mod datasets;
pub mod disk;
pub mod proving;
pub mod python;
