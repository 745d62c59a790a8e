//! Old and new heights joined with their weights.

use super::blend::Blend;
use crate::field::{CellMeans, FieldRows, LatticeError, RailNode};
use crate::numeric::to_f32;

/// The rows of the new state. Where the weight is 0 everything is the old rows' to the last bit,
/// where it is 1 the new rows'; between, heights and slopes are blended (the slope with the change
/// of the weight). `datum_m` is what all old heights are uncertain by together: the new ones stand on
/// them, so it is in both; the rest of their errors is taken as independent.
///
/// # Errors
/// [`LatticeError`] when the two are not the same rows.
pub fn splice_rows(
    old: &FieldRows,
    new: &FieldRows,
    blend: &Blend,
    datum_m: f64,
) -> Result<FieldRows, LatticeError> {
    old.check()?;
    new.check()?;
    if new.z_m.len() != old.z_m.len() || new.first_row != old.first_row {
        return Err(LatticeError::Length {
            name: "new rows",
            found: new.z_m.len(),
            expected: old.z_m.len(),
        });
    }
    let mut out = old.clone();
    let columns = old.lattice.columns;
    for local in 0..old.rows {
        let row = old.first_row + local;
        for column in 0..columns {
            let w = blend.at(row, column);
            if w > 0.0 {
                let k = local * columns + column;
                let [along, across] = blend.slopes(row, column);
                node(&mut out, new, k, (w, [along, across]), datum_m);
            }
        }
        for (side, is_left) in [(&mut out.left, true), (&mut out.right, false)] {
            let fresh = if is_left { &new.left } else { &new.right };
            let column = edge_column(new, local, is_left);
            let slopes = blend.slopes(row, column);
            let weight = (blend.at(row, column), slopes);
            side[local] = splice_node(side[local], fresh[local], weight, datum_m);
        }
    }
    Ok(out)
}

/// What single cells say of the new state: the old or the new points', whichever count more in its
/// height (where only one of both has a height, its own), over the surface `joined` of the rows `was` and
/// `new`.
#[must_use]
pub fn splice_cells(
    [old_cells, new_cells]: &[CellMeans; 2],
    [was, new, joined]: [&FieldRows; 3],
    blend: &Blend,
) -> CellMeans {
    let mut out = old_cells.clone();
    let columns = joined.lattice.columns;
    for k in 0..out.weight.len().min(new_cells.weight.len()) {
        let weight = blend.at(joined.first_row + k / columns, k % columns);
        let takes_new = takes_new(weight, [was.z_m[k], new.z_m[k]]);
        if takes_new {
            (out.over_m[k], out.weight[k]) = (new_cells.over_m[k], new_cells.weight[k]);
        }
        let own = if takes_new { new } else { was };
        let raised_m = joined.z_m[k] - own.z_m[k];
        if raised_m.is_finite() && raised_m != 0.0 {
            out.raise(k, raised_m);
        }
    }
    out
}

/// Whether the new points make more of a spliced height than the old ones, as [`splice_node`] does it.
fn takes_new(weight: f64, [was_m, new_m]: [f64; 2]) -> bool {
    match weight {
        w if w <= 0.0 => false,
        w if w >= 1.0 || !was_m.is_finite() => true,
        w => w > 0.5 && new_m.is_finite(),
    }
}

/// The outermost column of a row that has an old or new mark of being inside.
fn edge_column(rows: &FieldRows, local: usize, is_left: bool) -> usize {
    let columns = rows.lattice.columns;
    let inside = |c: &usize| rows.flags[local * columns + c] & crate::field::flags::INSIDE != 0;
    let found = if is_left {
        (0..columns).rev().find(inside)
    } else {
        (0..columns).find(inside)
    };
    found.unwrap_or(0)
}

fn node(
    out: &mut FieldRows,
    new: &FieldRows,
    k: usize,
    (w, slopes): (f64, [f64; 2]),
    datum_m: f64,
) {
    let of = |rows: &FieldRows| RailNode {
        z_m: rows.z_m[k],
        sigma_m: rows.sigma_m[k],
        slope_s: rows.slope_s[k],
        slope_t: rows.slope_t[k],
        flags: rows.flags[k],
    };
    if takes_new(w, [out.z_m[k], new.z_m[k]]) {
        out.n[k] = new.n[k];
    }
    let joined = splice_node(of(out), of(new), (w, slopes), datum_m);
    out.z_m[k] = joined.z_m;
    out.sigma_m[k] = joined.sigma_m;
    out.slope_s[k] = joined.slope_s;
    out.slope_t[k] = joined.slope_t;
    out.flags[k] = joined.flags;
    out.wavelength_m[k] = splice_wavelength(out.wavelength_m[k], new.wavelength_m[k], w);
}

/// What the joined height resolves: of a blend, what both do. `f32::max` takes the known one of the
/// two where the other is missing.
fn splice_wavelength(old: f32, new: f32, w: f64) -> f32 {
    if w >= 1.0 { new } else { old.max(new) }
}

/// One height of the new state, where the weight is `w` and changes by `slopes` along s and t.
///
/// Between 0 and 1 the old height stays where the new one is missing.
#[must_use]
pub fn splice_node(
    old: RailNode,
    new: RailNode,
    (w, slopes): (f64, [f64; 2]),
    datum_m: f64,
) -> RailNode {
    if w <= 0.0 {
        return old;
    }
    if w >= 1.0 || !old.z_m.is_finite() {
        return new_node(new, datum_m);
    }
    if !new.z_m.is_finite() {
        return old;
    }
    let between = |a: f64, b: f64| a + w * (b - a);
    let d = new.z_m - old.z_m;
    let slope = |a: f32, b: f32, by: f64| to_f32(between(a.into(), b.into()) + by * d);
    // The datum's error is in the old height, and not in what the fit of the new points tells.
    let old_m = f64::from(old.sigma_m);
    let datum_m = datum_m.min(old_m);
    let own_m = (old_m.powi(2) - datum_m.powi(2)).sqrt();
    let apart_m = (w * f64::from(new.sigma_m)).hypot((1.0 - w) * own_m);
    RailNode {
        z_m: between(old.z_m, new.z_m),
        sigma_m: to_f32(datum_m.hypot(apart_m)),
        slope_s: slope(old.slope_s, new.slope_s, slopes[0]),
        slope_t: slope(old.slope_t, new.slope_t, slopes[1]),
        flags: if w > 0.5 { new.flags } else { old.flags },
    }
}

/// A height of the new points alone: its fit tells how well it is known over the old surface, and the
/// old surface is uncertain by `datum_m` itself.
#[must_use]
pub fn new_node(new: RailNode, datum_m: f64) -> RailNode {
    RailNode {
        sigma_m: to_f32(datum_m.hypot(new.sigma_m.into())),
        ..new
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(z_m: f64, sigma_m: f32) -> RailNode {
        RailNode {
            z_m,
            sigma_m,
            ..RailNode::VOID
        }
    }

    #[test]
    fn what_is_new_is_no_surer_than_what_it_stands_on() {
        let (old, new) = (node(1.0, 5e-4), node(1.01, 4e-4));
        let at = |w| splice_node(old, new, (w, [0.0; 2]), 3e-4);
        let sigma_mm = |w| 1e3 * f64::from(at(w).sigma_m);
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-4, "{a} {b}");
        // √(0.3² + 0.4²), and half way √(0.3² + (0.4² + 0.4²)/4), of the old √(0.5² − 0.3²) being its own.
        close(sigma_mm(1.0), 0.5);
        close(sigma_mm(0.5), 0.41231);
        close(sigma_mm(1e-9), 0.5);
        assert_eq!(at(0.0).sigma_m.to_bits(), old.sigma_m.to_bits());
        let hole = splice_node(node(f64::NAN, f32::NAN), new, (0.5, [0.0; 2]), 3e-4);
        close(1e3 * f64::from(hole.sigma_m), 0.5);
        assert!(new_node(node(f64::NAN, f32::NAN), 3e-4).sigma_m.is_nan());
    }

    #[test]
    fn cells_are_of_the_points_that_make_the_height() {
        let hole = f64::NAN;
        assert!(!takes_new(0.0, [1.0, 1.0]) && takes_new(1.0, [1.0, hole]));
        assert!(!takes_new(0.5, [1.0, 1.0]) && takes_new(0.6, [1.0, 1.0]));
        // As `splice_node`: an old hole is filled, a new one leaves the old height.
        assert!(takes_new(0.1, [hole, 1.0]) && !takes_new(0.9, [1.0, hole]));
        for (w, z_m) in [(0.1, [hole, 1.01]), (0.9, [1.0, hole])] {
            let joined = splice_node(node(z_m[0], 5e-4), node(z_m[1], 5e-4), (w, [0.0; 2]), 0.0);
            let own = z_m[usize::from(takes_new(w, z_m))];
            assert_eq!(joined.z_m.to_bits(), own.to_bits());
        }
    }
}
