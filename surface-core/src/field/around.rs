//! What is seen around a place, in columns, so that sums over a window take two at a time.

use super::kernel::Seen;
use crate::numeric::exp_of_minus;

/// D(d) = 8π²·A·d for S(k) = A·k⁻³.
pub(super) const STRUCTURE: f64 = 78.957;
/// Slope of the road that is expected to differ between a node and its window.
pub(super) const SLOPE_CHANGE: f64 = 0.004;
/// Squared over distance: what a change of slope adds to a height's variance.
pub(super) const OF_SLOPE: f64 = SLOPE_CHANGE * SLOPE_CHANGE * 0.25;

/// Observations around a place; rows without one have weight 0.
#[derive(Debug, Default)]
pub(super) struct Around {
    /// From the place along s and t, metres.
    pub u: Vec<f64>,
    pub v: Vec<f64>,
    /// Height, metres.
    pub z: Vec<f64>,
    /// Of the observation, m²: 1/σ² is its own weight.
    pub variance: Vec<f64>,
    /// Its own weight; once weighed, times the Gaussian of the window.
    pub w: Vec<f64>,
    /// Squared distance, m²; there once weighed.
    pub d2: Vec<f64>,
}

/// Columns of observations by cell, as a [`super::Window`] keeps them.
#[derive(Debug, Default)]
pub(super) struct SeenColumns {
    pub w: Vec<f64>,
    pub s: Vec<f64>,
    pub t: Vec<f64>,
    pub z: Vec<f64>,
    /// 1/w; 1 where that is 0.
    pub variance: Vec<f64>,
}

impl SeenColumns {
    pub fn with_room(cells: usize) -> Self {
        let room = || Vec::with_capacity(cells);
        Self {
            w: room(),
            s: room(),
            t: room(),
            z: room(),
            variance: room(),
        }
    }

    pub fn push(&mut self, seen: Seen) {
        self.w.push(seen.w);
        self.s.push(seen.s);
        self.t.push(seen.t);
        self.z.push(seen.z);
        self.variance.push(variance_of(seen.w));
    }

    pub fn at(&self, k: usize) -> Seen {
        Seen {
            w: self.w[k],
            s: self.s[k],
            t: self.t[k],
            z: self.z[k],
        }
    }
}

fn variance_of(w: f64) -> f64 {
    if w > 0.0 { w.recip() } else { 1.0 }
}

impl Around {
    pub fn clear(&mut self) {
        let columns = [&mut self.u, &mut self.v, &mut self.z, &mut self.variance];
        columns.into_iter().for_each(Vec::clear);
        self.w.clear();
        self.d2.clear();
    }

    /// Add the observations of cells that lie side by side, seen from (s, t).
    #[inline]
    pub fn extend(&mut self, from: &SeenColumns, cells: std::ops::Range<usize>, [s, t]: [f64; 2]) {
        self.u.extend(from.s[cells.clone()].iter().map(|x| x - s));
        self.v.extend(from.t[cells.clone()].iter().map(|x| x - t));
        self.z.extend_from_slice(&from.z[cells.clone()]);
        self.variance
            .extend_from_slice(&from.variance[cells.clone()]);
        self.w.extend_from_slice(&from.w[cells]);
    }

    /// Add what is seen from (s, t).
    #[inline]
    pub fn push(&mut self, seen: Seen, [s, t]: [f64; 2]) {
        self.u.push(seen.s - s);
        self.v.push(seen.t - t);
        self.z.push(seen.z);
        self.variance.push(variance_of(seen.w));
        self.w.push(seen.w);
    }

    /// Multiply weights by the Gaussian of a window of width `b_m`.
    pub fn weigh(&mut self, b_m: f64) {
        let half = 0.5 / (b_m * b_m);
        let n = self.w.len();
        self.d2.resize(n, 0.0);
        let (u, v) = (&self.u[..n], &self.v[..n]);
        let (w, d2) = (&mut self.w[..n], &mut self.d2[..n]);
        for k in 0..n {
            d2[k] = u[k] * u[k] + v[k] * v[k];
            w[k] *= exp_of_minus(half * d2[k]);
        }
    }

    /// Put the variance that is expected at each observation into `out`, m²: its own with that of
    /// the road over the distance, which differs by √(8π²A·d) over d (its structure function).
    pub fn scatter_m2(&self, level_m: f64, out: &mut Vec<f64>) {
        let road = STRUCTURE * level_m;
        let both = self.variance.iter().zip(&self.d2);
        out.clear();
        out.extend(both.map(|(variance, d2)| variance + road * d2.sqrt()));
    }
}
