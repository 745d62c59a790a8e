//! Which setups see the same places, and where each of them turns about.

use super::places::Places;

/// Setups tie each other with this many common places, 5 m² of road.
pub(super) const FEWEST_PLACES: u32 = 30;
/// A setup of whose places others saw this share has seen no ground of its own.
const COVERED: f64 = 0.95;

/// Where each setup turns about: its position, else the middle of what it saw.
pub(super) fn turning_points(
    places: &Places,
    setups: usize,
    about_m: &[Option<[f64; 3]>],
) -> Vec<[f64; 2]> {
    let mut sums = vec![[0.0; 3]; setups];
    for place in places.iter() {
        for sight in place.sights {
            if let Some(sum) = sums.get_mut(usize::from(sight.setup)) {
                sum[0] += place.xyz_m[0];
                sum[1] += place.xyz_m[1];
                sum[2] += 1.0;
            }
        }
    }
    let known = |s: usize| about_m.get(s).copied().flatten().map(|p| [p[0], p[1]]);
    (0..setups)
        .map(|s| known(s).unwrap_or([0, 1].map(|k| sums[s][k] / sums[s][2].max(1.0))))
        .collect()
}

/// Places that each setup shares with others, and whether a chain of ties joins it to most.
pub(super) fn ties(places: &Places, setups: usize) -> (Vec<u32>, Vec<bool>) {
    let mut common = vec![0u32; setups * setups];
    let mut shared = vec![0u32; setups];
    for place in places.iter() {
        let seen: Vec<usize> = place.sights.iter().map(|s| usize::from(s.setup)).collect();
        let own: Vec<usize> = seen.iter().copied().filter(|&s| s < setups).collect();
        for &k in &own {
            shared[k] += u32::from(seen.len() > 1);
            own.iter().for_each(|&l| common[k * setups + l] += 1);
        }
    }
    let group = groups(&common, setups);
    let size = |g: usize| group.iter().filter(|&&k| k == g).count();
    let largest = (0..setups).max_by_key(|&g| (size(g), setups - g));
    let tied = (0..setups).map(|s| Some(group[s]) == largest && size(group[s]) > 1);
    (shared, tied.collect())
}

/// Setups that no chain ties to most although those saw nearly all of their ground too. Their heights
/// cannot be levelled and would only disturb, and next to nothing is lost without them. One that saw
/// more ground alone is none: without it there were a hole.
pub(super) fn spare(places: &Places, tied: &[bool]) -> Vec<bool> {
    let mut seen = vec![[0u32; 2]; tied.len()];
    let is_tied = |setup: u16| tied.get(usize::from(setup)).copied().unwrap_or(false);
    for place in places.iter() {
        let covered = u32::from(place.sights.iter().any(|s| is_tied(s.setup)));
        for sight in place.sights {
            if let Some([all, too]) = seen.get_mut(usize::from(sight.setup)) {
                *all += 1;
                *too += covered;
            }
        }
    }
    let is_spare = |([all, too], tied): (&[u32; 2], &bool)| {
        !tied && *all > 0 && f64::from(*too) >= COVERED * f64::from(*all)
    };
    seen.iter().zip(tied).map(is_spare).collect()
}

/// The least setup number that a chain of ties leads to, by setup.
fn groups(common: &[u32], setups: usize) -> Vec<usize> {
    let mut group: Vec<usize> = (0..setups).collect();
    let mut waiting: Vec<usize> = Vec::new();
    for start in 0..setups {
        if group[start] != start {
            continue;
        }
        waiting.push(start);
        while let Some(k) = waiting.pop() {
            for l in start + 1..setups {
                if group[l] == l && l != k && common[k * setups + l] >= FEWEST_PLACES {
                    group[l] = start;
                    waiting.push(l);
                }
            }
        }
    }
    group
}
