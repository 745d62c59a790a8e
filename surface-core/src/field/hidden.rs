//! Ground of which nothing is known because something stood on it in every setup.

use super::flags;
use super::lattice::FieldRows;
use crate::numeric::to_index;

/// Nodes nearer to each other than this are hidden by the same thing, metres: what is seen of the
/// road under a vehicle and between its wheels does not divide it.
const REACH_M: f64 = 0.5;
/// What is smaller is no vehicle and no person, m²: a few cells beside a kerb or a bollard.
const LEAST_M2: f64 = 0.1;
/// A thing holds a node around which this is hidden, of nine nodes, m²: grass along an edge hides single
/// ones here and there.
const CORE_M2: f64 = 0.05;
/// That many nodes at most, of nine.
const MOST_OF_NINE: usize = 5;

/// Ground under something that stood there in every setup: the surface has a hole.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct HiddenGround {
    /// First and last station, metres.
    pub s_m: [f64; 2],
    /// Reach across the line, metres left of it.
    pub t_m: [f64; 2],
    /// Ground without a height, m².
    pub area_m2: f64,
}

impl HiddenGround {
    fn is_near(&self, other: &Self) -> bool {
        let near = |a: [f64; 2], b: [f64; 2]| a[0] <= b[1] + REACH_M && b[0] <= a[1] + REACH_M;
        near(self.s_m, other.s_m) && near(self.t_m, other.t_m)
    }

    fn a_lap_on(&self, lap_m: f64) -> Self {
        Self {
            s_m: self.s_m.map(|s| s + lap_m),
            ..*self
        }
    }

    fn with(&self, other: &Self) -> Self {
        let both = |a: [f64; 2], b: [f64; 2]| [a[0].min(b[0]), a[1].max(b[1])];
        Self {
            s_m: both(self.s_m, other.s_m),
            t_m: both(self.t_m, other.t_m),
            area_m2: self.area_m2 + other.area_m2,
        }
    }
}

/// Where do these rows have no height although points came from there, all of them set aside as
/// not road? Nodes that are hidden here and there, and beside no node around which most are, do not
/// count.
///
/// One piece a vehicle or whatever it was, in the order of stations; pieces of all sizes, as one
/// may go on in the next rows. To be joined by [`join_hidden`]. A station is s, not the ground's own
/// metres: in bends areas are off by the curvature times t.
#[must_use]
pub fn hidden_in(rows: &FieldRows) -> Vec<HiddenGround> {
    let lattice = &rows.lattice;
    let area_m2 = lattice.s_step_m * lattice.t_step_m;
    let mut out = Vec::new();
    let core = |k: usize| is_core(rows, k);
    for k in (0..rows.z_m.len()).filter(|&k| is_hidden(rows, k) && around(rows, k).any(core)) {
        let s = lattice.row_s_m(rows.first_row + k / lattice.columns);
        let t = lattice.column_t_m(k % lattice.columns);
        let (s_m, t_m) = ([s, s], [t, t]);
        take(&mut out, HiddenGround { s_m, t_m, area_m2 });
    }
    out
}

fn is_hidden(rows: &FieldRows, k: usize) -> bool {
    let hidden = flags::INSIDE | flags::OUTLIERS;
    rows.z_m[k].is_nan() && rows.flags[k] & hidden == hidden
}

/// Whether a hidden node has enough of its like around it to be inside of a thing.
fn is_core(rows: &FieldRows, k: usize) -> bool {
    let area_m2 = rows.lattice.s_step_m * rows.lattice.t_step_m;
    let enough = to_index((CORE_M2 / area_m2).round()).clamp(1, MOST_OF_NINE);
    let hidden = around(rows, k).filter(|&n| is_hidden(rows, n)).count();
    is_hidden(rows, k) && hidden >= enough
}

/// The nodes around one in these rows, itself among them.
fn around(rows: &FieldRows, k: usize) -> impl Iterator<Item = usize> {
    let columns = rows.lattice.columns;
    let (row, column) = (k / columns, k % columns);
    let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
    let beside = near(column, columns);
    near(row, rows.rows).flat_map(move |r| beside.clone().map(move |c| r * columns + c))
}

/// The pieces of all rows as whole things, by station; too small ones are left out. On a closed course
/// of `lap_m` one that lies over the start has its last station beyond the end.
#[must_use]
pub fn join_hidden(pieces: &[HiddenGround], lap_m: Option<f64>) -> Vec<HiddenGround> {
    let mut out = Vec::new();
    pieces.iter().for_each(|&piece| take(&mut out, piece));
    if let Some(lap_m) = lap_m {
        join_over_the_start(&mut out, lap_m);
    }
    out.retain(|all| all.area_m2 >= LEAST_M2);
    out.sort_by(|a, b| a.s_m[0].total_cmp(&b.s_m[0]));
    out
}

/// What begins at the start is moved a lap on where that brings it to what stands at the end.
fn join_over_the_start(found: &mut Vec<HiddenGround>, lap_m: f64) {
    let at_start = |found: &[HiddenGround]| {
        found.iter().position(|f| {
            let on = f.a_lap_on(lap_m);
            found.iter().any(|other| other != f && other.is_near(&on))
        })
    };
    // It ends: each that is moved becomes one with another.
    while let Some(k) = at_start(found) {
        let moved = found.remove(k).a_lap_on(lap_m);
        take(found, moved);
    }
}

/// Add a piece to those that it is near to, which it makes one.
fn take(found: &mut Vec<HiddenGround>, mut piece: HiddenGround) {
    while let Some(k) = found.iter().rposition(|other| other.is_near(&piece)) {
        piece = piece.with(&found.remove(k));
    }
    found.push(piece);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Lattice;

    fn piece(s: [f64; 2], t: [f64; 2], area_m2: f64) -> HiddenGround {
        HiddenGround {
            s_m: s,
            t_m: t,
            area_m2,
        }
    }

    #[test]
    fn pieces_of_one_thing_become_one_and_its_neighbours_stay_apart() {
        let pieces = [
            piece([10.0, 12.8], [-1.0, 0.8], 4.0),
            piece([10.0, 12.8], [3.0, 4.8], 4.0),
            // The same vehicle as the first, in the next rows.
            piece([13.1, 14.5], [-0.9, 0.7], 2.0),
            // Joins nothing and is too small.
            piece([40.0, 40.1], [0.0, 0.1], 0.03),
        ];
        let found = join_hidden(&pieces, None);
        assert_eq!(found.len(), 2, "{found:?}");
        let whole = found.iter().find(|f| f.t_m[0] < 0.0).unwrap();
        assert_eq!(*whole, piece([10.0, 14.5], [-1.0, 0.8], 6.0));
    }

    #[test]
    fn a_piece_between_two_makes_them_one() {
        let two = [
            piece([0.0, 1.0], [0.0, 1.0], 1.0),
            piece([2.0, 3.0], [0.0, 1.0], 1.0),
        ];
        assert_eq!(join_hidden(&two, None).len(), 2);
        let between = piece([1.4, 1.6], [0.0, 1.0], 0.2);
        let three = [two[0], two[1], between];
        let found = join_hidden(&three, None);
        assert_eq!(found, [piece([0.0, 3.0], [0.0, 1.0], 2.2)]);
    }

    #[test]
    fn things_over_the_start_are_whole() {
        let pieces = [
            piece([0.0, 1.5], [-1.0, 0.8], 2.5),
            piece([97.0, 99.9], [-1.0, 0.8], 5.0),
            piece([0.0, 1.4], [3.0, 4.8], 2.0),
            piece([98.0, 99.9], [3.0, 4.8], 3.0),
        ];
        let found = join_hidden(&pieces, Some(100.0));
        let whole = [
            piece([97.0, 101.5], [-1.0, 0.8], 7.5),
            piece([98.0, 101.4], [3.0, 4.8], 5.0),
        ];
        assert_eq!(found, whole);
        assert_eq!(join_hidden(&pieces, None).len(), 4);
    }

    /// Rows of a lattice at `step_m`, 40 m by 10 m, in which nodes that `hides` says are hidden.
    fn rows(step_m: f64, hides: &mut dyn FnMut(f64, f64) -> bool) -> FieldRows {
        let [long, half] = [40.0, 5.0].map(|m: f64| crate::numeric::round_i32(m / step_m));
        let long = usize::try_from(long).unwrap();
        let lattice = Lattice::new([step_m; 2], long, -half..half + 1, false).unwrap();
        let mut rows = FieldRows::empty(lattice, 0, long).unwrap();
        for k in 0..rows.z_m.len() {
            let s = lattice.row_s_m(k / lattice.columns);
            let hidden = hides(s, lattice.column_t_m(k % lattice.columns));
            rows.z_m[k] = if hidden { f64::NAN } else { 0.0 };
            rows.flags[k] = flags::INSIDE | if hidden { flags::OUTLIERS } else { 0 };
        }
        rows
    }

    #[test]
    fn a_car_beside_grass_is_told_without_the_grass() {
        let mut draw = crate::numeric::Draw(3);
        // Grass that hides 15 % of a strip of 0.8 m, and a car of 8.1 m² beside it.
        let mut hides = |s: f64, t: f64| {
            let car = (10.0..14.5).contains(&s) && (1.95..3.75).contains(&t);
            let grass = (4.0..4.8).contains(&t) && draw.unit() < 0.15;
            car || grass
        };
        let found = join_hidden(&hidden_in(&rows(0.1, &mut hides)), None);
        let cars: Vec<_> = found.iter().filter(|f| f.area_m2 > 1.0).collect();
        assert_eq!(cars.len(), 1, "{found:?}");
        assert!((cars[0].area_m2 - 8.1).abs() < 0.5, "{found:?}");
        assert!(cars[0].s_m[0] > 9.0 && cars[0].s_m[1] < 15.5, "{found:?}");
        assert!(found.len() <= 3, "{found:?}");
    }

    #[test]
    fn a_person_is_told_between_nodes_half_a_metre_apart() {
        let mut hides = |s: f64, t: f64| (19.9..20.6).contains(&s) && t.abs() < 0.1;
        let found = join_hidden(&hidden_in(&rows(0.5, &mut hides)), None);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].area_m2 - 0.5).abs() < 1e-9);
    }
}
