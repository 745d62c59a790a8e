//! Shared pieces of the benches: scans that are made once, and runs whose time and memory are
//! taken from outside.

pub mod bare;
pub mod data;
pub mod one_system;
pub mod process;
