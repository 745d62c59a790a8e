//! Parts of the library against something outside the project: published values, measured files
//! and general-purpose libraries; and the house's own rules.
//!
//! One program, because every program of tests costs a fresh machine seconds to link.

mod banded;
mod crs;
mod deviation_laz;
mod layering;
mod levelling;
mod line;
mod mesh;
mod patch;
mod readers;
mod readers_faults;
mod readers_measured;
mod robust;
mod roughness;
mod scattered_franke;
mod second_opinion;
mod trade_facts;
