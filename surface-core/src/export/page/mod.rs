//! The report page: `report.html`, one file that any browser opens without a network.
//!
//! The page's script, style and frame are made from `surface-core/page` and committed as one
//! template; this module packs what the script draws. Numbers are quantised, written as
//! differences in bytes ([`pack`]), deflated section by section and put into the page in base64.

mod assemble;
mod base64;
mod cells;
mod data;
mod grid;
mod layers;
mod pack;
mod profile;
#[cfg(test)]
mod tests;

pub use assemble::ReportPage;
pub use data::{PageData, PageSection};
pub use grid::PageGrid;
pub use profile::{Profile, ProfilePoint, SpotProfiles};
