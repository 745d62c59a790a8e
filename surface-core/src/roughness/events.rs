//! Single places that a driver feels: bumps, dips and steps.
//!
//! A bump is what the morphological opening of the profile by a flat element takes away (its top
//! hat), a dip what the closing adds; what is longer than the element is the road's shape and no
//! event. A step is a jump between the means on either side of a place.

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EventKind {
    /// Higher than the road on either side.
    Bump,
    /// Lower than the road on either side.
    Dip,
    /// One side higher than the other: a seam.
    Step,
}

/// A place that stands out of the profile.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Event {
    /// What it is.
    pub kind: EventKind,
    /// Way along the profile where it is highest, lowest or jumps, metres.
    pub x_m: f64,
    /// Where its length begins, metres along the profile.
    pub from_m: f64,
    /// Height over (bump), depth under the road (dip), or jump along the way (step: signed), metres.
    pub height_m: f64,
    /// Length over which a fifth of the height is exceeded; for a step, of the jump. Metres.
    pub length_m: f64,
}

impl EventKind {
    /// Its name in tables and captions.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Bump => "bump",
            Self::Dip => "dip",
            Self::Step => "step",
        }
    }
}

impl Event {
    /// Height with its sign: a dip's is negative. Metres.
    #[must_use]
    pub fn signed_m(&self) -> f64 {
        match self.kind {
            EventKind::Dip => -self.height_m,
            EventKind::Bump | EventKind::Step => self.height_m,
        }
    }
}

/// What counts as an event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EventParams {
    /// Least height of a bump or dip, metres.
    pub height_m: f64,
    /// Least jump of a step, metres.
    pub step_m: f64,
    /// Longest bump or dip, metres.
    pub longest_m: f64,
}

impl Default for EventParams {
    /// 5 mm: what roughness of a quarter of class A never reaches over 6 m (its waves under 6 m
    /// have σ = 0.5 mm), and well below the 8 mm that must not be missed; steps of 3 mm.
    fn default() -> Self {
        Self {
            height_m: 0.005,
            step_m: 0.003,
            longest_m: 6.0,
        }
    }
}

/// Smooth shape of the road that is taken off before anything is sought, metres of moving mean.
const SHAPE_M: f64 = 10.0;
/// Share of the height that bounds an event's length.
const FOOT: f64 = 0.2;
/// A jump happens within this, metres; its sides are means over [`SIDE_M`].
const JUMP_M: f64 = 0.2;
/// Length of the means beside a jump, metres.
const SIDE_M: f64 = 0.4;

fn samples(length_m: f64, step_m: f64) -> usize {
    crate::numeric::to_index(length_m / step_m + 0.5).max(1)
}

/// The profile less the moving mean of its shape; windows shrink evenly towards the ends.
fn less_shape(z_m: &[f64], shape_m: &[f64], step_m: f64) -> Vec<f64> {
    let reach = samples(0.5 * SHAPE_M, step_m);
    let base = z_m.first().copied().unwrap_or(0.0);
    let mut sums = vec![0.0];
    for z in shape_m {
        sums.push(sums[sums.len() - 1] + (z - base));
    }
    let one = |k: usize| {
        let h = reach.min(k).min(z_m.len() - 1 - k);
        let mean = (sums[k + h + 1] - sums[k - h]) / (2 * h + 1) as f64;
        z_m[k] - base - mean
    };
    (0..z_m.len()).map(one).collect()
}

/// Running extreme over windows of ±`reach` samples.
fn running(values: &[f64], reach: usize, pick: fn(f64, f64) -> f64) -> Vec<f64> {
    let window = |k: usize| &values[k.saturating_sub(reach)..(k + reach + 1).min(values.len())];
    let one = |k: usize| window(k).iter().copied().fold(values[k], pick);
    (0..values.len()).map(one).collect()
}

/// What stands above the opening by ±`reach` samples.
fn top_hat(values: &[f64], reach: usize) -> Vec<f64> {
    let opened = running(&running(values, reach, f64::min), reach, f64::max);
    values.iter().zip(&opened).map(|(v, o)| v - o).collect()
}

/// Peaks of a top hat that reach `least`: place, height, length.
fn peaks(hat: &[f64], least: f64, step_m: f64, kind: EventKind) -> Vec<Event> {
    let mut out = Vec::new();
    let mut k = 0;
    while k < hat.len() {
        if hat[k] < least {
            k += 1;
            continue;
        }
        // Up to where it has come down to its foot for good.
        let (mut top, mut end) = (k, k);
        while end < hat.len() && hat[end] > FOOT * hat[top] {
            if hat[end] > hat[top] {
                top = end;
            }
            end += 1;
        }
        let foot = FOOT * hat[top];
        let start = (0..=top)
            .rev()
            .find(|&i| hat[i] <= foot)
            .map_or(0, |i| i + 1);
        out.push(Event {
            kind,
            x_m: top as f64 * step_m,
            from_m: start as f64 * step_m,
            height_m: hat[top],
            length_m: (end - start) as f64 * step_m,
        });
        // What is still high past the foot belongs to this peak.
        k = end + hat[end..].iter().take_while(|h| **h >= least).count();
    }
    out
}

/// Jumps of the means beside each place, less the slope that the road has there anyway.
fn jumps(z_m: &[f64], step_m: f64) -> Vec<f64> {
    let (side, gap) = (samples(SIDE_M, step_m), samples(0.5 * JUMP_M, step_m));
    let reach = side + gap;
    let mean = |from: usize| z_m[from..from + side].iter().sum::<f64>() / side as f64;
    let one = |k: usize| {
        if k < reach + side || k + reach + side >= z_m.len() {
            return 0.0;
        }
        let (before, after) = (mean(k - reach), mean(k + gap + 1));
        // The road's own slope: over the sides themselves, where there is no jump.
        let slope_before = before - mean(k - reach - side);
        let slope_after = mean(k + gap + 1 + side) - after;
        let way = (reach + gap + 1) as f64 / side as f64;
        (after - before) - 0.5 * way * (slope_before + slope_after)
    };
    (0..z_m.len()).map(one).collect()
}

fn steps(z_m: &[f64], step_m: f64, least: f64) -> Vec<Event> {
    let jumps = jumps(z_m, step_m);
    let reach = samples(SIDE_M, step_m);
    let highest = |k: usize| {
        let window = &jumps[k.saturating_sub(reach)..(k + reach + 1).min(jumps.len())];
        window.iter().all(|j| j.abs() <= jumps[k].abs())
    };
    let peak = |k: &usize| jumps[*k].abs() >= least && highest(*k);
    let change = |k: &usize| (z_m[k + 1] - z_m[*k]).abs();
    let gap = samples(0.5 * JUMP_M, step_m);
    // The means see a jump anywhere in the gap alike: it is where the samples part most.
    let sharpest = |k: usize| {
        let around = k.saturating_sub(gap + 1)..(k + gap + 1).min(z_m.len() - 1);
        let sharper = |a: &usize, b: &usize| change(a).total_cmp(&change(b));
        around.max_by(sharper).unwrap_or(k)
    };
    let event = |k: usize| {
        let x_m = (sharpest(k) as f64 + 0.5) * step_m;
        Event {
            kind: EventKind::Step,
            x_m,
            from_m: x_m - 0.5 * JUMP_M,
            height_m: jumps[k],
            length_m: JUMP_M,
        }
    };
    let mut out: Vec<Event> = (0..jumps.len()).filter(peak).map(event).collect();
    out.dedup_by(|b, a| b.x_m - a.x_m <= SIDE_M);
    out
}

/// Bumps, dips and steps of a profile without holes, in order of their places. The flanks of a
/// bump or dip are no steps of their own.
#[must_use]
pub fn find_events(z_m: &[f64], step_m: f64, params: &EventParams) -> Vec<Event> {
    // A first look finds what must not bend the shape of the road: a deep dip drags the moving mean
    // down, and its shoulders would pass for bumps.
    let first = bumps_and_dips(&less_shape(z_m, z_m, step_m), step_m, params);
    let bare = without(z_m, &first, step_m);
    let mut out = bumps_and_dips(&less_shape(z_m, &bare, step_m), step_m, params);
    let clear = |s: &Event| {
        let apart = |e: &Event| (s.x_m - e.x_m).abs() > e.length_m + SIDE_M;
        out.iter().all(apart)
    };
    let alone: Vec<Event> = steps(z_m, step_m, params.step_m)
        .into_iter()
        .filter(clear)
        .collect();
    out.extend(alone);
    out.sort_by(|a, b| a.x_m.total_cmp(&b.x_m));
    out
}

/// The profile with straight lines in place of events, twice as long as they are.
fn without(z_m: &[f64], events: &[Event], step_m: f64) -> Vec<f64> {
    let mut out = z_m.to_vec();
    for event in events {
        let place = |x: f64| crate::numeric::to_index(x / step_m).min(z_m.len() - 1);
        let (a, b) = (
            place(event.x_m - event.length_m),
            place(event.x_m + event.length_m),
        );
        for (k, out) in out[a.min(b)..b].iter_mut().enumerate() {
            let share = k as f64 / (b - a) as f64;
            *out = z_m[a] + share * (z_m[b] - z_m[a]);
        }
    }
    out
}

/// Bumps and dips of a profile whose shape is taken off.
fn bumps_and_dips(flat: &[f64], step_m: f64, params: &EventParams) -> Vec<Event> {
    let reach = samples(0.5 * params.longest_m, step_m);
    let upside_down: Vec<f64> = flat.iter().map(|v| -v).collect();
    let bumps = peaks(
        &top_hat(flat, reach),
        params.height_m,
        step_m,
        EventKind::Bump,
    );
    let dips = peaks(
        &top_hat(&upside_down, reach),
        params.height_m,
        step_m,
        EventKind::Dip,
    );
    bumps.into_iter().chain(dips).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hill(x: f64, middle: f64, length: f64, height: f64) -> f64 {
        let u = (x - middle) / length;
        if u.abs() < 0.5 {
            height * 0.5 * (1.0 + (std::f64::consts::TAU * u).cos())
        } else {
            0.0
        }
    }

    fn road(x: f64) -> f64 {
        0.04 * x + 0.3 * (x / 30.0).sin()
    }

    #[test]
    fn a_bump_and_a_dip_on_a_hill_are_found_where_they_are() {
        let z = |k: i32| {
            let x = 0.05 * f64::from(k);
            road(x) + hill(x, 40.0, 2.0, 0.008) - hill(x, 70.0, 3.0, 0.010)
        };
        let profile: Vec<f64> = (0..2400).map(z).collect();
        let found = find_events(&profile, 0.05, &EventParams::default());
        let kinds: Vec<EventKind> = found.iter().map(|e| e.kind).collect();
        assert_eq!(kinds, [EventKind::Bump, EventKind::Dip], "{found:?}");
        assert!((found[0].x_m - 40.0).abs() < 0.11 && (found[1].x_m - 70.0).abs() < 0.11);
        assert!((found[0].height_m - 0.008).abs() < 0.001, "{found:?}");
        assert!((found[0].length_m - 1.4).abs() < 0.4, "{found:?}");
        let middle = found[0].from_m + 0.5 * found[0].length_m;
        assert!((middle - 40.0).abs() < 0.11, "{found:?}");
    }

    #[test]
    fn the_shoulders_of_a_deep_dip_are_no_bumps() {
        let z = |k: i32| {
            let x = 0.05 * f64::from(k);
            road(x) - hill(x, 60.0, 4.0, 0.030) + 1e-3 * (x * 4.0).sin()
        };
        let profile: Vec<f64> = (0..2400).map(z).collect();
        let found = find_events(&profile, 0.05, &EventParams::default());
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].height_m - 0.030).abs() < 0.004, "{found:?}");
    }

    #[test]
    fn a_step_is_one_step_and_the_smooth_road_has_none() {
        let z = |k: i32, jump: f64| {
            let x = 0.05 * f64::from(k);
            road(x) + if x > 60.0 { jump } else { 0.0 }
        };
        let with: Vec<f64> = (0..2400).map(|k| z(k, -0.004)).collect();
        let found = find_events(&with, 0.05, &EventParams::default());
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].x_m - 60.0).abs() < 0.11 && (found[0].height_m + 0.004).abs() < 5e-4);
        let smooth: Vec<f64> = (0..2400).map(|k| z(k, 0.0)).collect();
        assert!(find_events(&smooth, 0.05, &EventParams::default()).is_empty());
    }
}
