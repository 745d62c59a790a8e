//! The layers of a section, cell by cell.

use super::grid::PageGrid;
use super::layers::Layer;
use crate::deviation::{Cell, CellState, DeviationMap};
use crate::field::FieldRows;
use crate::numeric::{round_i32, to_index};
use crate::ribbon::ReferenceLine;

/// What is known of one cell of the page.
#[derive(Debug, Clone, Copy, Default)]
struct Known {
    /// Largest of its cells' means, signed, metres.
    worst_m: Option<f64>,
    points: u64,
    /// Sum of points × intensity.
    brightness: u64,
    /// Nodes with a height, and sums over them.
    nodes: u32,
    sigma_m: f64,
    wavelength_m: f64,
    slope_t: f64,
    /// Whether the map has a cell here.
    is_seen: bool,
}

/// The cells of one section of the page, row by row.
#[derive(Debug)]
pub(super) struct SectionLayers {
    known: Vec<Known>,
    rows: usize,
    columns: usize,
    from_m: f64,
    row_m: f64,
    /// First cell's right side and width across, metres.
    right_m: f64,
    cell_m: f64,
}

impl SectionLayers {
    /// Gather what map and field say of a section; `None` for a section that the map has not.
    pub fn new(
        grid: &PageGrid,
        section: usize,
        map: &DeviationMap,
        field: &FieldRows,
    ) -> Option<Self> {
        let ((first, end), (from_m, to_m)) = map.frame().section(section)?;
        let rows = grid.cell_rows(end - first);
        let (first_column, columns) = grid.cell_columns();
        let cell_m = map.frame().cell_m() * grid.cell_thinning as f64;
        let mut out = Self {
            known: vec![Known::default(); rows * columns],
            rows,
            columns,
            from_m,
            row_m: (to_m - from_m) / rows as f64,
            right_m: f64::from(first_column) * cell_m,
            cell_m,
        };
        for row in first..end {
            let (a, b) = map.frame().row_m(row);
            for cell in map.row(row) {
                let k = out.row_at(0.5 * (a + b)) * columns + grid.cell_column(cell.column);
                out.known[k].take(cell);
            }
        }
        out.take_field(field, section);
        Some(out)
    }

    /// Start of the first row and length of a row, metres; number of rows.
    pub fn shape(&self) -> (f64, f64, usize) {
        (self.from_m, self.row_m, self.rows)
    }

    /// Row of the cell at station `s`.
    fn row_at(&self, s: f64) -> usize {
        to_index((s - self.from_m) / self.row_m).min(self.rows - 1)
    }

    /// Nodes between the section's first row and the next section's.
    fn take_field(&mut self, field: &FieldRows, section: usize) {
        let lattice = &field.lattice;
        let [first, last] = lattice.section_rows(section);
        let places: Vec<Option<usize>> = (0..lattice.columns)
            .map(|c| self.column_at(lattice.column_t_m(c)))
            .collect();
        for row in first..last {
            let start = self.row_at(row as f64 * lattice.s_step_m) * self.columns;
            for (column, place) in places.iter().enumerate() {
                let (Some(place), Some(k)) = (place, field.index(row, column)) else {
                    continue;
                };
                if field.z_m[k].is_finite() {
                    self.known[start + place].take_node([
                        field.sigma_m[k],
                        field.wavelength_m[k],
                        field.slope_t[k],
                    ]);
                }
            }
        }
        self.fill_between(field, first);
    }

    fn column_at(&self, t: f64) -> Option<usize> {
        let place = (t - self.right_m) / self.cell_m;
        (place >= 0.0 && place < self.columns as f64).then(|| to_index(place))
    }

    /// With a wide spacing a cell may lie between nodes: it has what the nearest one says.
    fn fill_between(&mut self, field: &FieldRows, first_row: usize) {
        for k in 0..self.known.len() {
            if self.known[k].nodes > 0 || !self.known[k].is_seen {
                continue;
            }
            let [s, t] = self.centre(k);
            let lattice = &field.lattice;
            let row = round_i32(s / lattice.s_step_m - first_row as f64);
            let column = round_i32(t / lattice.t_step_m - f64::from(lattice.first_column));
            let (row, column) = (to_index(f64::from(row)), to_index(f64::from(column)));
            if let Some(node) = field.node(first_row + row, column) {
                self.known[k].take_node([node.sigma_m, node.wavelength_m, node.slope_t]);
            }
        }
    }

    fn centre(&self, k: usize) -> [f64; 2] {
        let (row, column) = (k / self.columns, k % self.columns);
        [
            self.from_m + (row as f64 + 0.5) * self.row_m,
            self.right_m + (column as f64 + 0.5) * self.cell_m,
        ]
    }

    /// The values of a layer in its unit.
    pub fn values(&self, layer: Layer, line: &ReferenceLine) -> Vec<Option<i32>> {
        let in_units = |v: f64| round_i32(v / layer.unit());
        (0..self.known.len())
            .map(|k| match layer {
                Layer::Density => self.density(k, line).map(in_units),
                _ => self.known[k].value(layer).map(in_units),
            })
            .collect()
    }

    /// Points a square metre of ground.
    fn density(&self, k: usize, line: &ReferenceLine) -> Option<f64> {
        let known = &self.known[k];
        let [s, t] = self.centre(k);
        let stretch = (1.0 - line.curvature_per_m(s) * t).max(0.05);
        let area = self.row_m * self.cell_m * stretch;
        known.is_seen.then(|| known.points as f64 / area)
    }
}

impl Known {
    fn take(&mut self, cell: &Cell) {
        self.is_seen = true;
        self.points += u64::from(cell.n);
        self.brightness += u64::from(cell.n) * u64::from(cell.intensity);
        if cell.state() == CellState::Judged {
            let mean = f64::from(cell.mean_m);
            let larger = self.worst_m.is_none_or(|w| mean.abs() > w.abs());
            self.worst_m = if larger { Some(mean) } else { self.worst_m };
        }
    }

    fn take_node(&mut self, [sigma_m, wavelength_m, slope_t]: [f32; 3]) {
        self.nodes += 1;
        self.wavelength_m += f64::from(wavelength_m);
        self.sigma_m += f64::from(sigma_m);
        self.slope_t += f64::from(slope_t);
    }

    fn value(&self, layer: Layer) -> Option<f64> {
        let of_nodes = |sum: f64| (self.nodes > 0).then(|| sum / f64::from(self.nodes));
        match layer {
            Layer::Deviation => self.worst_m.map(|m| 1e3 * m),
            Layer::Sigma => of_nodes(1e3 * self.sigma_m),
            Layer::Wavelength => of_nodes(self.wavelength_m),
            Layer::Crossfall => of_nodes(100.0 * self.slope_t),
            Layer::Intensity => {
                (self.points > 0).then(|| self.brightness as f64 / self.points as f64)
            }
            Layer::Density => None,
        }
    }
}
