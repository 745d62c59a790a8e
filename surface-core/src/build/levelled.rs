//! The points of the road in order of its sections, with what every setup is worth: what fitting,
//! finding breaklines and halving all begin with.

use super::BuildError;
use super::clock::StageClock;
use super::folder::BuildFolder;
use super::heights::HeightFitter;
use super::ingest::Ingested;
use super::params::FitParams;
use super::plain_runs::PlainRuns;
use super::road::KnownSetup;
use super::sections::sort_by_section;
use super::surface::LevelledPoints;
use super::trust::{Trusted, learn_setups};
use crate::cloud::TileStore;
use crate::field::{Lattice, Mark};
use crate::progress::Progress;
use crate::ribbon::Ribbon;
use crate::setups::SetupModels;

/// The course whose points are sorted and levelled.
#[derive(Debug, Clone, Copy)]
pub(super) struct Course<'a> {
    pub ribbon: &'a Ribbon,
    pub lattice: &'a Lattice,
    pub setups: &'a [KnownSetup],
    /// Surveyed heights that hold all setups.
    pub marks: &'a [Mark],
}

/// Points by section of the lattice, and their setups.
#[derive(Debug)]
pub(super) struct LevelledRoad {
    pub points: TileStore,
    pub trusted: Trusted,
    /// Memory for the sections that are under way.
    pub flight_bytes: u64,
}

impl LevelledRoad {
    /// Sort the cloud by section and learn from it what its setups are worth. The cloud's own
    /// squares and grid are gone afterwards.
    pub fn new(
        cloud: Ingested,
        course: Course,
        params: &FitParams,
        folder: &BuildFolder,
        clock: &mut StageClock,
        progress: &mut dyn Progress,
    ) -> Result<Self, BuildError> {
        let points = sort_by_section(
            &cloud.tiles,
            course.ribbon,
            course.lattice,
            &folder.scratch("road"),
            params,
            progress,
        )?;
        let z_steps_m = cloud.z_steps_m.clone();
        drop(cloud);
        clock.lap("sort");
        let trusted = trusted(&points, &z_steps_m, course, params, progress)?;
        clock.lap("level");
        Ok(Self {
            points,
            trusted,
            flight_bytes: params.flight_bytes(),
        })
    }

    /// The points, with what is taken off each setup's heights.
    pub fn held(&self) -> LevelledPoints<'_> {
        LevelledPoints {
            points: &self.points,
            setups: &self.trusted.models,
            flight_bytes: self.flight_bytes,
        }
    }

    /// Fits heights from the levelled points.
    pub fn fitter<'a>(&'a self, course: Course<'a>, bridge_m: f64) -> HeightFitter<'a> {
        HeightFitter {
            points: &self.points,
            ribbon: course.ribbon,
            lattice: course.lattice,
            setups: &self.trusted.models,
            bridge_m,
            flight_bytes: self.flight_bytes,
            plain: PlainRuns::default(),
        }
    }
}

/// Learn what every setup is worth from the sorted points.
pub(super) fn trusted(
    points: &TileStore,
    z_steps_m: &[f64],
    course: Course,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<Trusted, BuildError> {
    let fitter = HeightFitter {
        points,
        ribbon: course.ribbon,
        lattice: course.lattice,
        setups: &SetupModels::of_steps(z_steps_m),
        bridge_m: params.bridge_m,
        flight_bytes: params.flight_bytes(),
        plain: PlainRuns::default(),
    };
    learn_setups(&fitter, course.setups, course.marks, params.noise, progress)
}
