//! `surface fit` from the outside. One program, so that its tests share a scan and a build.

mod answers;
mod course;
mod faults;
mod given;
mod kills;
mod refused;
mod resume;
mod room;
