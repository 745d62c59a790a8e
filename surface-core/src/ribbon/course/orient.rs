//! Which way round, and where to begin.

use super::polyline::{distance, signed_area};

/// Turn and rotate the line: along the order of the setups if at least two of their steps agree on
/// one, else a ring counter-clockwise and an open line from its western end. A ring begins near
/// the first setup, else at its westernmost point. Returns what was decided, in words.
pub(super) fn orient(line: &mut [[f64; 2]], closed: bool, setups: &[[f64; 2]]) -> &'static str {
    let by_setups = setup_sense(line, closed, setups);
    let backwards = match by_setups {
        0 if closed => signed_area(line) < 0.0,
        0 => line
            .last()
            .is_some_and(|l| line.first().is_some_and(|f| west_of(*l, *f))),
        sense => sense < 0,
    };
    if backwards {
        line.reverse();
    }
    if closed {
        let start = match setups.first() {
            Some(&s) if by_setups != 0 => nearest(line, s),
            _ => westernmost(line),
        };
        line.rotate_left(start);
    }
    match (by_setups, closed) {
        (0, true) => "direction: counter-clockwise, from the westernmost point",
        (0, false) => "direction: from the western end",
        _ => "direction: along the order of the setups",
    }
}

/// Turn and rotate the line to run like `like`, and begin where that begins.
pub(super) fn orient_like(line: &mut [[f64; 2]], closed: bool, like: &[[f64; 2]]) {
    if setup_sense(line, closed, like) < 0 {
        line.reverse();
    }
    if closed && let Some(&first) = like.first() {
        line.rotate_left(nearest(line, first));
    }
}

fn west_of(a: [f64; 2], b: [f64; 2]) -> bool {
    a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])).is_lt()
}

fn westernmost(line: &[[f64; 2]]) -> usize {
    let order = |&a: &usize, &b: &usize| {
        line[a][0]
            .total_cmp(&line[b][0])
            .then(line[a][1].total_cmp(&line[b][1]))
    };
    (0..line.len()).min_by(order).unwrap_or(0)
}

/// Index of the line's point nearest to `p`.
pub(super) fn nearest(line: &[[f64; 2]], p: [f64; 2]) -> usize {
    let order = |&a: &usize, &b: &usize| distance(line[a], p).total_cmp(&distance(line[b], p));
    (0..line.len()).min_by(order).unwrap_or(0)
}

/// Steps between setups that run along the line less those that run against it.
fn setup_sense(line: &[[f64; 2]], closed: bool, setups: &[[f64; 2]]) -> i64 {
    let places: Vec<usize> = setups.iter().map(|&s| nearest(line, s)).collect();
    let n = line.len();
    let step = |w: &[usize]| {
        let forward = (w[1] + n - w[0]) % n;
        match (closed, forward) {
            (_, 0) => 0,
            // The shorter way round a ring.
            (true, f) => {
                if 2 * f <= n {
                    1
                } else {
                    -1
                }
            }
            (false, _) => {
                if w[1] > w[0] {
                    1
                } else {
                    -1
                }
            }
        }
    };
    places.windows(2).map(step).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring() -> Vec<[f64; 2]> {
        (0..36)
            .map(|k| f64::from(k * 10).to_radians())
            .map(|a| [10.0 * a.cos(), 10.0 * a.sin()])
            .collect()
    }

    #[test]
    fn a_ring_runs_counter_clockwise_from_the_west_without_setups() {
        let mut line = ring();
        line.reverse();
        orient(&mut line, true, &[]);
        assert!(signed_area(&line) > 0.0 && (line[0][0] + 10.0).abs() < 1e-9);
    }

    #[test]
    fn setups_in_clockwise_order_turn_the_ring_round() {
        let mut line = ring();
        orient(&mut line, true, &[[0.0, 12.0], [12.0, 0.0], [0.0, -12.0]]);
        assert!(signed_area(&line) < 0.0 && (line[0][1] - 10.0).abs() < 1e-9);
    }

    #[test]
    fn an_open_line_follows_the_setups_and_else_begins_in_the_west() {
        let mut line = vec![[5.0, 0.0], [3.0, 0.0], [0.0, 0.0]];
        orient(&mut line, false, &[]);
        assert!(line[0][0].abs() < 1e-12);
        orient(&mut line, false, &[[5.0, 1.0], [0.0, 1.0]]);
        assert!((line[0][0] - 5.0).abs() < 1e-12);
    }
}
