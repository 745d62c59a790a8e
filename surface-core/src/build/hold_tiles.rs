//! One square of the cloud held to the mesh.

use super::BuildError;
use super::hold_params::HoldParams;
use super::ingest::Ingested;
use super::params::DeviationPoints;
use crate::cloud::{PackedPoint, TileKey};
use crate::deviation::{DeviationCells, SectionCells, SectionPoints};
use crate::export::HeldPoint;
use crate::mesh::SurfaceMesh;

/// What one square gives.
#[derive(Debug, Default)]
pub(super) struct TileResult {
    pub cells: SectionCells,
    /// Points with a distance.
    pub on_mesh: u64,
    /// Points over the mesh, but out of reach.
    pub too_far: u64,
    /// Points that go to `deviation.laz`.
    pub kept: Vec<HeldPoint>,
}

/// Holds squares of points to a mesh.
pub(super) struct Holder<'a> {
    mesh: &'a SurfaceMesh,
    points: &'a Ingested,
    cells: &'a DeviationCells,
    params: &'a HoldParams,
    /// Added to local coordinates to get those of the mesh.
    shift_m: [f64; 3],
}

impl<'a> Holder<'a> {
    pub fn new(
        mesh: &'a SurfaceMesh,
        points: &'a Ingested,
        cells: &'a DeviationCells,
        params: &'a HoldParams,
    ) -> Self {
        let (frame, base) = (points.frame.origin_m, mesh.origin_m());
        let shift_m = [0, 1, 2].map(|k| frame[k] - base[k]);
        Self {
            mesh,
            points,
            cells,
            params,
            shift_m,
        }
    }

    pub fn tile(&self, key: TileKey) -> Result<TileResult, BuildError> {
        let mut packed: Vec<PackedPoint> = Vec::new();
        self.points.tiles.read(key, &mut packed)?;
        let mut out = TileResult::default();
        let [mut x, mut y, mut d] = [const { Vec::new() }; 3];
        for point in &packed {
            let xyz_m = point.metres();
            let d_m = self
                .mesh
                .signed_distance(self.on_mesh(xyz_m))
                .unwrap_or(f64::NAN);
            if d_m.abs() > self.params.search_m {
                out.too_far += 1;
                continue;
            }
            x.push(xyz_m[0]);
            y.push(xyz_m[1]);
            d.push(d_m);
            out.on_mesh += u64::from(!d_m.is_nan());
            if self.wanted(d_m) {
                let (intensity, setup) = (point.intensity, point.setup);
                out.kept.push(HeldPoint {
                    xyz_m,
                    d_m,
                    intensity,
                    setup,
                });
            }
        }
        out.cells = self.cells.section(&SectionPoints {
            intensity: &[],
            key,
            u_m: &x,
            v_m: &y,
            d_m: &d,
            across_m: (0.0, 0.0),
            ground: &|x, y| self.ground(x, y),
        })?;
        Ok(out)
    }

    /// How many cells of a square without points lie on the mesh.
    pub fn bare_cells(&self, key: TileKey) -> Result<u64, BuildError> {
        let nothing = SectionPoints {
            intensity: &[],
            key,
            u_m: &[],
            v_m: &[],
            d_m: &[],
            across_m: (0.0, 0.0),
            ground: &|x, y| self.ground(x, y),
        };
        Ok(self.cells.section(&nothing)?.count())
    }

    fn on_mesh(&self, local_m: [f64; 3]) -> [f64; 3] {
        [0, 1, 2].map(|k| local_m[k] + self.shift_m[k])
    }

    /// Nothing is known of a mesh but where it is.
    fn ground(&self, x: f64, y: f64) -> Option<u8> {
        let [x, y, _] = self.on_mesh([x, y, 0.0]);
        self.mesh.height_at(x, y).map(|_| 0)
    }

    fn wanted(&self, d_m: f64) -> bool {
        match self.params.deviation_points {
            DeviationPoints::All => !d_m.is_nan(),
            DeviationPoints::Beyond => d_m.abs() > self.params.tolerance_m,
            DeviationPoints::None => false,
        }
    }
}
