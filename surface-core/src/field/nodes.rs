//! From windows to the field: nodes of the lattice, its ends at the edges, and places beside
//! breaklines.

use super::RowLimits;
use super::around::SLOPE_CHANGE;
use super::bend::wider_m;
use super::flags;
use super::joint::find_jointly;
use super::kernel::{CUT, Fitted, KernelParams, REACH, REACH_M_STEPS, Room, Window};
use super::lattice::{FieldRows, Lattice, RailNode};
use super::told::Ground;
use crate::numeric::{floor_i32, to_f32, to_index};

/// A cell with this share of its points set aside is flagged.
const OUTLIER_SHARE: f64 = 0.2;
/// σ of a bridged height is this share at least of what a slope that changes by [`SLOPE_CHANGE`]
/// makes over the gap: a plane through both sides errs by an eighth in the middle of a parabola.
const GAP_DOUBT: f64 = 0.1;
/// Cells next to a rail that may be empty without it counting as bridged: the edge cuts through
/// the last cell, which may hold no point of the road.
const RAIL_REACH: i32 = 1;
/// A place beside a breakline has a height if something this near in s and t tells its side, metres: the
/// foot of a kerb lies in the shadow of its face for some centimetres. At 0.05 m spacing rails along such a
/// side are missing with half of it (`in_finer_cells_of_a_dense_scan`).
const BESIDE_M: f64 = 0.1;

/// Fill `rows` of the field from the window, heights of plain ground jointly; `limits` are the edges at those
/// rows.
pub fn fit_rows(window: &Window, limits: &RowLimits, params: KernelParams, rows: &mut FieldRows) {
    let offset = offset_rows(rows.first_row, window.first_row);
    let mut room = Room::default();
    let mut ground = vec![Ground::Apart; rows.z_m.len()];
    for local in 0..rows.rows {
        let (right, left) = (limits.right_t_m[local], limits.left_t_m[local]);
        for column in 0..rows.lattice.columns {
            let t = rows.lattice.column_t_m(column);
            if t <= left && t >= right {
                let at = [local, local + offset, column];
                ground[local * rows.lattice.columns + column] =
                    fit_node(window, params, rows, at, &mut room);
            }
        }
        let mut rail = |t, is_left| {
            let row = local + offset;
            fit_rail(window, params, row, (t, is_left), &mut room)
        };
        rows.left[local] = rail(left, true);
        rows.right[local] = rail(right, false);
    }
    find_jointly(window, offset, params.level_m, &ground, rows);
}

fn offset_rows(first: usize, window_first: i64) -> usize {
    let first = i64::try_from(first).unwrap_or(i64::MAX);
    usize::try_from(first - window_first).unwrap_or(0)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
fn fit_node(
    window: &Window,
    params: KernelParams,
    rows: &mut FieldRows,
    [local, row, column]: [usize; 3],
    room: &mut Room,
) -> Ground {
    let anchor = row * window.columns + column;
    let out = local * window.columns + column;
    rows.flags[out] = flags::INSIDE;
    let Some(gap_m) = gap_around(window, row, column, params.bridge_m) else {
        rows.flags[out] |= standing(window, anchor);
        return Ground::Apart;
    };
    let at = [
        row as f64 * window.lattice.s_step_m,
        column as f64 * window.lattice.t_step_m,
    ];
    let Some(found) = window.fit(at, anchor, 0.5 * gap_m, params.level_m, room) else {
        rows.flags[out] |= standing(window, anchor);
        return Ground::Apart;
    };
    rows.z_m[out] = found.plane.z0;
    rows.sigma_m[out] = to_f32(found.sigma_m.max(GAP_DOUBT * gap_m * SLOPE_CHANGE));
    rows.wavelength_m[out] = to_f32(found.resolved_m);
    rows.slope_s[out] = to_f32(found.plane.slope_u);
    rows.slope_t[out] = to_f32(found.plane.slope_v);
    rows.n[out] = window.n[anchor];
    rows.flags[out] |= node_flags(window, anchor, found.stepped);
    found.ground
}

fn node_flags(window: &Window, anchor: usize, stepped: bool) -> u8 {
    let n = window.n[anchor];
    let mut out = if n == 0 { flags::BRIDGED } else { 0 };
    if n > 0 && n < 3 {
        out |= flags::SPARSE;
    }
    out | standing(window, anchor) | if stepped { flags::STEP } else { 0 }
}

/// Whether many of a cell's points were set aside as not road; without a height, all that came.
fn standing(window: &Window, anchor: usize) -> u8 {
    let (n, aside) = (window.n[anchor], window.set_aside[anchor]);
    if aside >= 3 && f64::from(aside) > OUTLIER_SHARE * f64::from(n + aside) {
        flags::OUTLIERS
    } else {
        0
    }
}

/// How wide the gap is in which a cell lies: 0 with points of its own, else the narrower of the
/// gaps along s and t, between cells with points on both sides; `None` when wider than `bridge_m`
/// or open to one side (that would be extrapolation). All cells across a gap get the same answer.
#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
fn gap_around(window: &Window, row: usize, column: usize, bridge_m: f64) -> Option<f64> {
    let has = |r: usize, c: usize| window.cells.w[r * window.columns + c] > 0.0;
    if has(row, column) {
        return Some(0.0);
    }
    let limit = |h: f64| bridged_cells(bridge_m, h);
    let (hs, ht) = (window.lattice.s_step_m, window.lattice.t_step_m);
    let up = (1..=limit(hs)).find(|d| row + d < window.rows && has(row + d, column));
    let down = (1..=limit(hs)).find(|&d| row >= d && has(row - d, column));
    let left = (1..=limit(ht)).find(|d| column + d < window.columns && has(row, column + d));
    let right = (1..=limit(ht)).find(|&d| column >= d && has(row, column - d));
    let whole = |a: usize, b: usize, h: f64| Some(a + b - 1).filter(|&cells| cells <= limit(h));
    let along = up.zip(down).and_then(|(a, b)| whole(a, b, hs));
    let across = left.zip(right).and_then(|(a, b)| whole(a, b, ht));
    let [along, across] = [(along, hs), (across, ht)].map(|(cells, h)| cells.map(|n| n as f64 * h));
    [along, across].into_iter().flatten().min_by(f64::total_cmp)
}

/// Whole cells `step_m` apart in a hole of `bridge_m`.
fn bridged_cells(bridge_m: f64, step_m: f64) -> usize {
    to_index(bridge_m / step_m + 1e-9)
}

/// Rows before and after a run that the windows of its nodes reach into: the wide one that tells slope
/// and bend, where the plane's is as wide as it may be, or half a hole of `bridge_m` wide.
#[must_use]
pub fn halo_rows(lattice: &Lattice, bridge_m: f64) -> usize {
    let widest_m = (REACH_M_STEPS * lattice.t_step_m).max(0.5 * bridge_m);
    let wide_m = wider_m(widest_m, lattice.t_step_m);
    let cut = to_index((CUT * wide_m / lattice.s_step_m - 1e-9).ceil());
    REACH
        .max(cut)
        .max(bridged_cells(bridge_m, lattice.s_step_m))
}

/// The field on an edge: fitted at the edge itself from the cells inside it. Where the last cells
/// inside are empty by more than a step there is no height: nothing is carried outwards.
#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
fn fit_rail(
    window: &Window,
    params: KernelParams,
    row: usize,
    (t_m, is_left): (f64, bool),
    room: &mut Room,
) -> RailNode {
    let t = t_m - window.lattice.column_t_m(0);
    let ht = window.lattice.t_step_m;
    let nearest = floor_i32(t / ht + 0.5);
    let inwards = if is_left { -1 } else { 1 };
    let steps = RAIL_REACH.max(floor_i32(params.bridge_m / ht / 2.0));
    let anchor = (0..=steps).find_map(|d| {
        let column = usize::try_from(nearest + inwards * d).ok()?;
        let k = row * window.columns + column;
        (column < window.columns && window.cells.w[k] > 0.0).then_some((k, d))
    });
    let Some((anchor, distance)) = anchor else {
        return RailNode::VOID;
    };
    let s = row as f64 * window.lattice.s_step_m;
    let least_b = 0.5 * f64::from(distance) * ht;
    let Some(found) = window.fit([s, t], anchor, least_b, params.level_m, room) else {
        return RailNode::VOID;
    };
    let bridged = if distance > RAIL_REACH {
        flags::BRIDGED
    } else {
        0
    };
    rail_node(&found, bridged)
}

fn rail_node(found: &Fitted, marks: u8) -> RailNode {
    RailNode {
        z_m: found.plane.z0,
        sigma_m: to_f32(found.sigma_m),
        slope_s: to_f32(found.plane.slope_u),
        slope_t: to_f32(found.plane.slope_v),
        flags: flags::INSIDE | marks,
    }
}

/// The field at places (s, t) beside breaklines, s unwrapped as the window's rows are; each from
/// what it sees of its own side. No height where nothing within a step, or [`BESIDE_M`] if that is more, is
/// in sight.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "rows are far below 2^53")]
pub fn fit_places(window: &Window, params: KernelParams, places: &[[f64; 2]]) -> Vec<RailNode> {
    let lattice = window.lattice;
    let s0 = window.first_row as f64 * lattice.s_step_m;
    let reach = to_index((BESIDE_M / lattice.t_step_m - 1e-9).ceil()).clamp(1, REACH);
    let mut room = Room::default();
    let mut fit = |&[s, t]: &[f64; 2]| {
        let (s, t) = (s - s0, t - lattice.column_t_m(0));
        let row = usize::try_from(floor_i32(s / lattice.s_step_m + 0.5)).ok()?;
        let column = usize::try_from(floor_i32(t / lattice.t_step_m + 0.5)).ok()?;
        if row >= window.rows || column >= window.columns {
            return None;
        }
        let anchor = row * window.columns + column;
        let sight_m = (2.0 * reach as f64 + 1.0) * lattice.t_step_m.max(lattice.s_step_m);
        let sight = window.cuts.around([s, t], sight_m);
        let mut seen = 0;
        window.around(anchor, reach, |k| {
            window.each_of(k, sight.as_ref(), |_| seen += 1)
        });
        let found =
            (seen > 0).then(|| window.fit([s, t], anchor, 0.0, params.level_m, &mut room))??;
        Some(rail_node(&found, flags::STEP))
    };
    places
        .iter()
        .map(|p| fit(p).unwrap_or(RailNode::VOID))
        .collect()
}
