//! How rough is the road along a wheel path, and down to which wavelength does the surface carry it?
//!
//! A [`WheelPath`] is a line on the road with evenly spaced stations; a [`Profile`] is the heights
//! along it. From profiles come indices ([`iri_mm_per_m`], [`straightedge_gaps`], the spectrum of
//! [`bands`] and its [`fit_iso8608`]), [`find_events`], and [`carried`]: a surface held, band by
//! band, against two halves of the points that made it.

mod events;
mod fidelity;
mod geometry;
mod halved;
mod indices;
mod iso8608;
mod path;
mod profile;
mod quarter_car;
mod straightedge;
mod texture;

pub use events::{Event, EventKind, EventParams, find_events};
pub use fidelity::{
    CHANNELS, CarriedBand, Channels, LEAST_GAIN, Sampling, carried, resolved_wavelength_m,
    worst_band_db,
};
pub use geometry::{RadiusRule, crossfalls, grades, vertical_curvatures_per_m};
pub use halved::{
    Halved, PointMeans, TRACK_WIDTH_M, TRACKS, TrackProfiles, WINDOW_M, WINDOW_STEP_M, WavelengthAt,
};
pub use indices::{FeltEvent, IndexParams, Indices, Radius, SECTIONS_M, Section};
pub use iso8608::{
    Band, CLASS_A_M3, CLASS_RATIO, FIT_PER_M, Iso8608Fit, REFERENCE_PER_M, band_limits, band_mean,
    bands, class_of, fit_iso8608,
};
pub use path::{PathError, PathPoint, WheelPath};
pub use profile::{Profile, Run};
pub use quarter_car::{
    IRI_SPEED_M_S, QuarterCar, body_accelerations_m_s2, iri_mm_per_m, suspension_strokes,
};
pub use straightedge::{Gap, STRAIGHTEDGE_M, rolling_gaps, straightedge_gaps};
pub use texture::{Texture, TextureError, TextureSpectrum};
