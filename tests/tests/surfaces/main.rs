//! The main job from scans to a build folder, held against known truth and measured ground.

mod autzen;
mod breaklines_demo;
mod demo;
mod formats;
mod levelling;
mod plane_laz;
mod report_page;
mod resolved;
mod roughness;
mod seams;
