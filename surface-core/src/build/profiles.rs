//! Heights along wheel paths: from the mesh, from the height field.

use super::BuildError;
use crate::export::FieldStore;
use crate::field::{FieldRows, Lattice, SECTION_ROWS};
use crate::mesh::SurfaceMesh;
use crate::numeric::{floor_i32, to_index};
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::roughness::{Profile, WheelPath};

/// Heights at the stations of a path.
pub(super) fn profile(path: &WheelPath, z_m: Vec<f64>) -> Profile {
    Profile {
        step_m: path.step_m,
        z_m,
        closed: path.closed,
    }
}

/// Heights of a mesh along a path, relative to the ribbon's origin: where it lies one above the
/// other, those nearest to the field's `near`, which knows the leg.
pub(super) fn from_mesh(
    mesh: &SurfaceMesh,
    ribbon: &Ribbon,
    path: &WheelPath,
    near: &Profile,
) -> Profile {
    let shift = [0, 1, 2].map(|k| ribbon.frame.origin_m[k] - mesh.origin_m()[k]);
    let places: Vec<[f64; 2]> = path
        .points
        .iter()
        .map(|p| [p.xy_m[0] + shift[0], p.xy_m[1] + shift[1]])
        .collect();
    let mut z_m = vec![f64::NAN; places.len()];
    let near_m: Vec<f64> = near.z_m.iter().map(|z| z + shift[2]).collect();
    mesh.heights_near(&places, &near_m, &mut z_m);
    z_m.iter_mut().for_each(|z| *z -= shift[2]);
    profile(path, z_m)
}

/// Bilinear height between the four nodes around a place; NaN without all four.
fn bilinear(rows: &FieldRows, lattice: &Lattice, at: RibbonPoint) -> f64 {
    let u = at.s / lattice.s_step_m;
    let v = (at.t - lattice.column_t_m(0)) / lattice.t_step_m;
    let (row, column) = (to_index(u), floor_i32(v));
    let Ok(column) = usize::try_from(column) else {
        return f64::NAN;
    };
    let (fu, fv) = (u - row as f64, v - column as f64);
    let local = row.saturating_sub(rows.first_row);
    let z = |r: usize, c: usize| {
        let there = local + r < rows.rows && column + c < lattice.columns;
        if there {
            rows.z_m[(local + r) * lattice.columns + column + c]
        } else {
            f64::NAN
        }
    };
    // A node that has no share is not asked: the last row of an open course has none after it.
    let row_at = |r: usize| match fv {
        0.0 => z(r, 0),
        _ => (1.0 - fv) * z(r, 0) + fv * z(r, 1),
    };
    match fu {
        0.0 => row_at(0),
        _ => (1.0 - fu) * row_at(0) + fu * row_at(1),
    }
}

/// Heights of the field at places of the ribbon, in their order.
pub(super) fn heights_of_field(
    field: &FieldStore,
    places: &[RibbonPoint],
) -> Result<Vec<f64>, BuildError> {
    let lattice = *field.lattice();
    let section = |p: &RibbonPoint| {
        let row = to_index(p.s / lattice.s_step_m);
        (row / SECTION_ROWS).min(lattice.sections() - 1)
    };
    let mut order: Vec<usize> = (0..places.len())
        .filter(|&k| places[k].s.is_finite())
        .collect();
    order.sort_by_key(|&k| section(&places[k]));
    let mut out = vec![f64::NAN; places.len()];
    let mut known: Option<(usize, FieldRows)> = None;
    for k in order {
        let wanted = section(&places[k]);
        if known.as_ref().is_none_or(|(s, _)| *s != wanted) {
            known = Some((wanted, field.section_and_next(wanted)?));
        }
        if let Some((_, rows)) = &known {
            out[k] = bilinear(rows, &lattice, places[k]);
        }
    }
    Ok(out)
}

/// Heights of the field along a path.
pub(super) fn from_field(field: &FieldStore, path: &WheelPath) -> Result<Profile, BuildError> {
    let places: Vec<RibbonPoint> = path.points.iter().map(|p| p.at).collect();
    Ok(profile(path, heights_of_field(field, &places)?))
}

/// Heights of the field along paths of the same stations, read once for all.
pub(super) fn along_all(
    field: &FieldStore,
    paths: &[WheelPath],
) -> Result<Vec<Profile>, BuildError> {
    let places: Vec<RibbonPoint> = paths.iter().flat_map(|p| &p.points).map(|p| p.at).collect();
    let heights = heights_of_field(field, &places)?;
    let stations = heights.len() / paths.len().max(1);
    let own = paths.iter().zip(heights.chunks(stations.max(1)));
    Ok(own.map(|(path, z)| profile(path, z.to_vec())).collect())
}
