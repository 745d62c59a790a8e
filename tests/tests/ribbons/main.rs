//! The road found in clouds: invented ones with a known truth, and a measured one.

mod course_autzen;
mod course_demo;
mod edges;
mod scans;
