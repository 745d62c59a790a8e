//! A mask thinned to a net of lines one cell wide.

use super::cells::Layout;

/// Thin the mask to its skeleton by the parallel two-step rule of Zhang and Suen (Communications
/// of the ACM 27:236, 1984), then take off what a line one cell wide does not need, so that every
/// cell that is neither an end nor a junction has exactly two neighbours. Connected parts stay
/// connected and holes stay holes. Cells on the raster's border must be empty.
pub(super) fn thin(mask: &mut [bool], layout: &Layout) -> Vec<usize> {
    let mut cells: Vec<usize> = (0..mask.len()).filter(|&k| mask[k]).collect();
    loop {
        let before = cells.len();
        for second in [false, true] {
            let gone: Vec<usize> = cells
                .iter()
                .copied()
                .filter(|&k| is_peeled(mask, layout, k, second))
                .collect();
            gone.iter().for_each(|&k| mask[k] = false);
            cells.retain(|&k| mask[k]);
        }
        if cells.len() == before {
            break;
        }
    }
    for &k in &cells {
        if is_spare(mask, layout, k) {
            mask[k] = false;
        }
    }
    cells.retain(|&k| mask[k]);
    cells
}

/// Neighbours from north clockwise, as the rule counts them (P2 … P9).
fn clockwise(mask: &[bool], layout: &Layout, k: usize) -> [bool; 8] {
    let [e, ne, n, nw, w, sw, s, se] = layout.ring(k).map(|m| mask[m]);
    [n, ne, e, se, s, sw, w, nw]
}

fn is_peeled(mask: &[bool], layout: &Layout, k: usize, second: bool) -> bool {
    let p = clockwise(mask, layout, k);
    let count = p.iter().filter(|v| **v).count();
    let rises = (0..8).filter(|&a| !p[a] && p[(a + 1) % 8]).count();
    let [n, _, e, _, s, _, w, _] = p;
    let keeps_corner = if second {
        n && w && (e || s)
    } else {
        e && s && (n || w)
    };
    (2..=6).contains(&count) && rises == 1 && !keeps_corner
}

/// Whether a cell can go without parting its neighbours (taken as touching at corners) and without
/// shortening an end: its 8-connectivity number (Yokoi) is one and it has two neighbours or more.
fn is_spare(mask: &[bool], layout: &Layout, k: usize) -> bool {
    let p = layout.ring(k).map(|m| mask[m]);
    let count = p.iter().filter(|v| **v).count();
    let empty = |a: usize| !p[a % 8];
    let number = (0..8)
        .step_by(2)
        .filter(|&a| empty(a) && !(empty(a + 1) && empty(a + 2)))
        .count();
    (2..8).contains(&count) && number == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    fn degree(mask: &[bool], layout: &Layout, k: usize) -> usize {
        layout.ring(k).iter().filter(|&&m| mask[m]).count()
    }

    #[test]
    fn a_ring_becomes_one_closed_line_near_its_middle_radius() {
        let layout = Layout {
            cell_m: 1.0,
            i0: 0,
            j0: 0,
            width: 101,
            height: 101,
        };
        let radius = |k: usize| ((k % 101) as f64 - 50.0).hypot((k / 101) as f64 - 50.0);
        let mut mask: Vec<bool> = (0..layout.len())
            .map(|k| (28.0..38.0).contains(&radius(k)))
            .collect();
        let line = thin(&mut mask, &layout);
        assert!(line.iter().all(|&k| degree(&mask, &layout, k) == 2));
        assert!(line.iter().all(|&k| (radius(k) - 33.0).abs() < 2.0));
    }

    #[test]
    fn a_bar_becomes_a_line_with_two_ends() {
        let layout = Layout {
            cell_m: 1.0,
            i0: 0,
            j0: 0,
            width: 60,
            height: 20,
        };
        let mut mask: Vec<bool> = (0..layout.len())
            .map(|k| (5..55).contains(&(k % 60)) && (7..12).contains(&(k / 60)))
            .collect();
        let line = thin(&mut mask, &layout);
        let ends = line
            .iter()
            .filter(|&&k| degree(&mask, &layout, k) == 1)
            .count();
        assert!(
            ends == 2 && line.len() > 40,
            "{ends} ends, {} cells",
            line.len()
        );
    }
}
