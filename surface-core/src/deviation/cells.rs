//! One section's signed distances → its cells. Pure, so sections may run on any thread.

use super::frame::{CellFrame, FrameError, Span};
use super::histogram::Histogram;
use super::map::Cell;
use super::robust::{RobustMean, UNIT_M, own_scale};
use crate::cloud::TileKey;
use crate::numeric::{round_i32, to_f32, to_index, to_u8, to_u32};

/// The points of one section, and the surface that is there.
#[derive(Clone, Copy)]
pub struct SectionPoints<'a> {
    /// Which section of the frame (ribbon: (section, 0); plane: tile).
    pub key: TileKey,
    /// s or x of each point, metres.
    pub u_m: &'a [f64],
    /// t or y of each point, metres.
    pub v_m: &'a [f64],
    /// Cloud minus surface along the surface's upward normal, metres; NaN where the point has no
    /// surface under it.
    pub d_m: &'a [f64],
    /// Intensity of each point, 0..=65535; empty where nobody asks for it.
    pub intensity: &'a [u16],
    /// What is looked at across the ribbon, from right to left, metres (ignored for tiles).
    pub across_m: (f64, f64),
    /// What the surface is at (u, v): `None` where there is none, else the field's marks
    /// ([`crate::field::flags`]; 0 when nothing is known).
    pub ground: &'a (dyn Fn(f64, f64) -> Option<u8> + Sync),
}

/// The cells of one section, with what could not be held to the surface.
#[derive(Debug, Clone, Default)]
pub struct SectionCells {
    /// (row, cell), by row, then column.
    pub(super) cells: Vec<(i32, Cell)>,
    pub(super) histogram: Histogram,
    pub(super) points_off_surface: u64,
    pub(super) cells_off_surface: u64,
}

impl SectionCells {
    /// How many cells hold surface or points.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.cells.len() as u64
    }
}

/// Turns points with signed distances into cells with a robust mean, a spread and a count.
///
/// ```
/// use surface_core::deviation::{CellFrame, Closure, DeviationCells, MapBuilder, SectionPoints};
/// let frame = CellFrame::ribbon(&[0.0, 10.0], Closure::Open, 0.25)?;
/// let cells = DeviationCells::new(frame.clone());
/// let (u, v, d) = (vec![5.1; 9], vec![0.1; 9], vec![-0.004; 9]);
/// let road = |_s: f64, t: f64| (t.abs() < 3.0).then_some(0);
/// let section = cells.section(&SectionPoints {
///     key: (0, 0), u_m: &u, v_m: &v, d_m: &d, intensity: &[], across_m: (-3.0, 3.0),
///     ground: &road,
/// })?;
/// let mut builder = MapBuilder::new(frame);
/// builder.push(section);
/// let map = builder.finish();
/// assert!((f64::from(map.get(20, 0).unwrap().mean_m) + 0.004).abs() < 1e-6);
/// assert_eq!(map.summary(&[], 0.005).coverage.cells_without_points, 959);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct DeviationCells {
    frame: CellFrame,
}

impl DeviationCells {
    /// Cells of this layout.
    #[must_use]
    pub fn new(frame: CellFrame) -> Self {
        Self { frame }
    }

    /// The cells of one section. The order of the points does not change a bit of the result:
    /// distances are counted in micrometres and sorted within each cell.
    ///
    /// # Errors
    /// [`FrameError::NoSection`] for a key outside the course.
    pub fn section(&self, points: &SectionPoints<'_>) -> Result<SectionCells, FrameError> {
        let span = self.frame.span(points.key)?;
        let (first_column, columns) = self.frame.columns(points.key, points.across_m);
        let window = Window {
            span,
            first_column,
            columns,
            cell_m: self.frame.cell_m(),
        };
        let mut out = SectionCells::default();
        let sorted = Sorted::new(&window, points, &mut out);
        for k in 0..window.len() {
            window.finish_cell(k, &sorted, points.ground, &mut out);
        }
        Ok(out)
    }
}

/// Index of a point that is in no cell.
const NOT_LOOKED_AT: u32 = u32::MAX;

/// The block of cells of one section.
struct Window {
    span: Span,
    first_column: i32,
    columns: i32,
    cell_m: f64,
}

impl Window {
    fn len(&self) -> usize {
        let side = |n: i32| usize::try_from(n).unwrap_or(0);
        side(self.span.rows) * side(self.columns)
    }

    /// Index of the cell under (u, v), [`NOT_LOOKED_AT`] when there is none. What lies beyond the
    /// section's ends by rounding belongs to the end row.
    fn index(&self, u: f64, v: f64, inverse_m: [f64; 2]) -> u32 {
        let row = to_index((u - self.span.from_m) * inverse_m[0]);
        let across = v * inverse_m[1] - f64::from(self.first_column);
        // `across` is NaN when v is; the comparison then fails. Not below 0, cutting off is ⌊⌋.
        if u.is_finite() && across >= 0.0 && across < f64::from(self.columns) {
            let rows = self.span.rows.unsigned_abs() as usize;
            let columns = self.columns.unsigned_abs() as usize;
            to_u32(row.min(rows - 1) * columns + to_index(across))
        } else {
            NOT_LOOKED_AT
        }
    }

    /// Row, column and centre of the cell with index `k`.
    fn place(&self, k: usize) -> (i32, i32, [f64; 2]) {
        let k = i32::try_from(k).unwrap_or(0);
        let (row, column) = (k / self.columns, self.first_column + k % self.columns);
        let u = self.span.from_m + (f64::from(row) + 0.5) * self.span.cell_m;
        (
            self.span.first + row,
            column,
            [u, (f64::from(column) + 0.5) * self.cell_m],
        )
    }

    fn finish_cell(
        &self,
        k: usize,
        sorted: &Sorted,
        ground: &dyn Fn(f64, f64) -> Option<u8>,
        out: &mut SectionCells,
    ) {
        let (row, column, [u, v]) = self.place(k);
        let d = sorted.of(k);
        match (ground(u, v), d.len()) {
            (None, 0) => out.cells_off_surface += u64::from(sorted.off[k]),
            (marks, _) => {
                let cell = cell(column, d, sorted.usual_scale, marks.unwrap_or(0));
                let intensity = sorted.intensity(k);
                out.cells.push((row, Cell { intensity, ..cell }));
            }
        }
    }
}

fn cell(column: i32, sorted_um: &[i32], usual_scale: f64, marks: u8) -> Cell {
    let mut cell = Cell {
        marks,
        ..Cell::empty(column)
    };
    cell.n = to_u32(sorted_um.len());
    if let Some(robust) = RobustMean::of_sorted(sorted_um, usual_scale) {
        cell.mean_m = to_f32(robust.mean_m);
        cell.spread_m = to_f32(robust.spread_m);
        cell.u95_m = to_f32(robust.u95_m());
        cell.outliers = to_u8(255.0 * robust.outlier_share);
    }
    cell
}

/// Distances in micrometres, cell after cell, ascending within a cell.
struct Sorted {
    start: Vec<u32>,
    d_um: Vec<i32>,
    /// Sum of intensities a cell; empty where nobody asks for it.
    intensity: Vec<u64>,
    /// Whether a cell holds points without surface.
    off: Vec<bool>,
    /// Median over the section's cells of a point's scale, micrometres.
    usual_scale: f64,
}

impl Sorted {
    fn new(window: &Window, points: &SectionPoints<'_>, out: &mut SectionCells) -> Self {
        let mut start = vec![0u32; window.len() + 1];
        let mut off = vec![false; window.len()];
        let inverse_m = [1.0 / window.span.cell_m, 1.0 / window.cell_m];
        let cells = points.u_m.iter().zip(points.v_m).zip(points.d_m);
        let cells: Vec<u32> = cells
            .map(
                |((&u, &v), d)| match (window.index(u, v, inverse_m), d.is_nan()) {
                    (cell, true) => {
                        out.points_off_surface += 1;
                        if let Some(off) = off.get_mut(cell as usize) {
                            *off = true;
                        }
                        NOT_LOOKED_AT
                    }
                    (cell, false) => cell,
                },
            )
            .collect();
        for &cell in cells.iter().filter(|&&c| c != NOT_LOOKED_AT) {
            start[cell as usize + 1] += 1;
        }
        (1..start.len()).for_each(|k| start[k] += start[k - 1]);
        let mut d_um = vec![0; start.last().map_or(0, |&n| n as usize)];
        let mut next = start.clone();
        for (&cell, &d) in cells
            .iter()
            .zip(points.d_m)
            .filter(|c| *c.0 != NOT_LOOKED_AT)
        {
            d_um[next[cell as usize] as usize] = round_i32(d / UNIT_M);
            next[cell as usize] += 1;
            out.histogram.add(d);
        }
        start
            .windows(2)
            .for_each(|w| d_um[w[0] as usize..w[1] as usize].sort_unstable());
        let intensity = sums(window.len(), &cells, points.intensity);
        let usual_scale = usual_scale(&start, &d_um);
        Self {
            start,
            d_um,
            intensity,
            off,
            usual_scale,
        }
    }

    /// Mean intensity of a cell's points, 0 where there is none.
    fn intensity(&self, cell: usize) -> u16 {
        let sum = self.intensity.get(cell).copied().unwrap_or(0);
        let n = self.of(cell).len() as u64;
        u16::try_from((sum + n / 2) / n.max(1)).unwrap_or(u16::MAX)
    }

    fn of(&self, cell: usize) -> &[i32] {
        &self.d_um[self.start[cell] as usize..self.start[cell + 1] as usize]
    }
}

/// Sum of the values of the points of each cell; nothing where there are no values.
fn sums(cells: usize, cell_of: &[u32], values: &[u16]) -> Vec<u64> {
    if values.is_empty() {
        return Vec::new();
    }
    let mut out = vec![0; cells];
    for (&cell, &value) in cell_of.iter().zip(values) {
        if let Some(sum) = out.get_mut(cell as usize) {
            *sum += u64::from(value);
        }
    }
    out
}

/// Median of the cells' own scales; 0 where no cell has enough points.
fn usual_scale(start: &[u32], d_um: &[i32]) -> f64 {
    let cells = start
        .windows(2)
        .map(|w| &d_um[w[0] as usize..w[1] as usize]);
    let mut scales: Vec<f64> = cells.filter_map(own_scale).collect();
    scales.sort_unstable_by(f64::total_cmp);
    scales.get(scales.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::deviation::frame::Closure;
    use crate::numeric::to_u16;

    /// Gaussian noise from a counter: the sum of 12 hashed uniform numbers.
    pub struct Noise(u64);

    impl Noise {
        pub fn new(seed: u64) -> Self {
            Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15))
        }

        pub fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        }

        pub fn gauss(&mut self) -> f64 {
            (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
        }
    }

    fn frame() -> CellFrame {
        CellFrame::ribbon(&[0.0, 2.0, 4.0], Closure::Open, 0.25).unwrap()
    }

    fn section(u: &[f64], v: &[f64], d: &[f64]) -> SectionCells {
        let road = |_: f64, t: f64| (t > -1.0 && t < 1.0).then_some(16);
        // Bright where it is far off: 100 a millimetre, whatever the order of the points.
        let intensity: Vec<u16> = d.iter().map(|d| to_u16(1e5 * d.abs())).collect();
        let points = SectionPoints {
            key: (1, 0),
            u_m: u,
            v_m: v,
            d_m: d,
            intensity: &intensity,
            across_m: (-2.0, 1.99),
            ground: &road,
        };
        DeviationCells::new(frame()).section(&points).unwrap()
    }

    #[test]
    fn a_point_falls_into_the_cell_that_covers_it() {
        let out = section(&[2.3; 4], &[-0.1; 4], &[0.001, 0.002, 0.003, 0.004]);
        // 8 rows × 8 columns of road, one of them with points.
        assert_eq!(out.cells.len(), 64);
        let hit: Vec<_> = out.cells.iter().filter(|(_, c)| c.n > 0).collect();
        assert_eq!(
            (hit.len(), hit[0].0, hit[0].1.column, hit[0].1.n),
            (1, 9, -1, 4)
        );
        assert!((hit[0].1.mean_m - 0.0025).abs() < 1e-6);
        assert_eq!((hit[0].1.marks, hit[0].1.intensity), (16, 250));
        assert!(
            out.cells
                .windows(2)
                .all(|w| (w[0].0, w[0].1.column) < (w[1].0, w[1].1.column))
        );
    }

    #[test]
    fn points_without_surface_and_surface_without_points_are_counted_apart() {
        let nan = f64::NAN;
        let out = section(
            &[2.1, 2.1, 3.0, 2.2],
            &[1.5, 1.5, -1.6, 0.1],
            &[nan, nan, nan, nan],
        );
        assert_eq!((out.points_off_surface, out.cells_off_surface), (4, 2));
        assert_eq!(out.cells.iter().filter(|(_, c)| c.n == 0).count(), 64);
        assert_eq!(out.histogram.points(), 0);
    }

    #[test]
    fn the_order_of_points_does_not_change_a_bit() {
        let mut noise = Noise::new(3);
        let points: Vec<[f64; 3]> = (0..5000)
            .map(|_| {
                [
                    2.0 + 2.0 * noise.uniform(),
                    2.0 * noise.uniform() - 1.0,
                    0.01 * noise.gauss(),
                ]
            })
            .collect();
        let column = |p: &[[f64; 3]], k: usize| p.iter().map(|q| q[k]).collect::<Vec<f64>>();
        let run = |p: &[[f64; 3]]| section(&column(p, 0), &column(p, 1), &column(p, 2));
        let mut turned = points.clone();
        turned.reverse();
        turned.rotate_left(1234);
        let (a, b) = (run(&points), run(&turned));
        assert_eq!(a.cells, b.cells);
        assert_eq!(a.histogram, b.histogram);
    }
}
