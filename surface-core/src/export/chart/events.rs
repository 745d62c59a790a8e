//! Profile strips around events, worst first.

use super::axes::{Axis, Chart, Dots, Line, Scale};
use super::sheet::Sheet;
use crate::roughness::{EventKind, FeltEvent};

/// Strips on one sheet: all events of most laps. A road that is broken all along has more than anyone
/// looks at, and a sheet of thousands opens in no viewer.
pub const MOST_EVENTS: usize = 100;

/// An event with the profiles around it.
#[derive(Debug, Clone, PartialEq)]
pub struct EventStrip<'a> {
    /// Which path.
    pub path: &'a str,
    /// What and where.
    pub felt: &'a FeltEvent,
    /// Way along the path, metres; before the start of a lap it is negative.
    pub way_m: Vec<f64>,
    /// Heights of the mesh there, metres; NaN where there is none.
    pub mesh_m: Vec<f64>,
    /// Means of the points there, metres; empty without scans.
    pub points_m: Vec<f64>,
}

/// The strips given, of `all` events that there are, felt at `speed_km_h`.
#[must_use]
pub fn events_sheet(strips: &[EventStrip], all: usize, speed_km_h: f64) -> Sheet {
    let title = match (all, strips.len()) {
        (0, _) => "No bumps, dips or steps".to_owned(),
        (all, shown) if shown < all => format!(
            "Events, greatest vertical acceleration first: {shown} of {all}, {} more in events.csv",
            all - shown
        ),
        _ => "Events, greatest vertical acceleration first".to_owned(),
    };
    let chart = |(k, s): (usize, &EventStrip)| strip(k + 1, s, speed_km_h);
    Sheet {
        title,
        columns: 2,
        size: [480.0, 290.0],
        charts: strips.iter().enumerate().map(chart).collect(),
    }
}

fn caption(number: usize, strip: &EventStrip, speed_km_h: f64) -> String {
    let event = &strip.felt.event;
    format!(
        "{number}. {}, {}, {:.1} m: {:+.1} mm over {:.2} m; {:.1} m/s² at {speed_km_h} km/h",
        event.kind.name(),
        strip.path,
        event.x_m,
        1e3 * event.signed_m(),
        event.length_m,
        strip.felt.acceleration_m_s2
    )
}

/// Level and slope of the mesh outside the event, where there is any.
fn ground(strip: &EventStrip) -> [f64; 2] {
    let event = &strip.felt.event;
    let inside = event.from_m..event.from_m + event.length_m;
    let places = strip.way_m.iter().zip(&strip.mesh_m);
    let there: Vec<(f64, f64)> = places
        .filter(|(x, z)| z.is_finite() && !inside.contains(x))
        .map(|(x, z)| (x - event.x_m, *z))
        .collect();
    let n = (there.len() as f64).max(1.0);
    let (mx, mz) = (
        there.iter().map(|p| p.0).sum::<f64>() / n,
        there.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let spread: f64 = there.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let tilt: f64 = there.iter().map(|p| (p.0 - mx) * (p.1 - mz)).sum();
    let slope = if spread > 0.0 { tilt / spread } else { 0.0 };
    [mz - slope * mx, slope]
}

fn strip(number: usize, strip: &EventStrip, speed_km_h: f64) -> Chart {
    let event = &strip.felt.event;
    let [level, slope] = ground(strip);
    let over = |x: f64, z: f64| [x, 1e3 * (z - level - slope * (x - event.x_m))];
    let drawn = |z_m: &[f64]| -> Vec<[f64; 2]> {
        let places = strip.way_m.iter().zip(z_m);
        places.map(|(x, z)| over(*x, *z)).collect()
    };
    let (mesh, points) = (drawn(&strip.mesh_m), drawn(&strip.points_m));
    let there = || mesh.iter().chain(&points).filter(|p| p[1].is_finite());
    let low = there().map(|p| p[1]).fold(-1.0, f64::min);
    let high = there().map(|p| p[1]).fold(1.0, f64::max);
    let room = 0.15 * (high - low);
    let ends = |z: &[f64]| [z.first().copied(), z.last().copied()].map(|v| v.unwrap_or(0.0));
    Chart {
        title: caption(number, strip, speed_km_h),
        x: Axis {
            title: "way along the path, m".to_owned(),
            range: ends(&strip.way_m),
            scale: Scale::Linear,
        },
        y: Axis {
            title: format!("mm over {:+.2} %", 1e2 * slope),
            range: [low - room, high + room],
            scale: Scale::Linear,
        },
        areas: Vec::new(),
        bands: Vec::new(),
        rules: marks(strip, &mesh),
        dots: vec![Dots {
            name: "means of the points over each station".to_owned(),
            points: points.into_iter().filter(|p| p[1].is_finite()).collect(),
            style: 1,
        }],
        lines: vec![Line {
            name: "mesh".to_owned(),
            points: mesh,
            style: 0,
        }],
    }
}

/// The event's length along its foot, and its height; a step has no length of its own.
fn marks(strip: &EventStrip, mesh: &[[f64; 2]]) -> Vec<(String, [[f64; 2]; 2])> {
    let event = &strip.felt.event;
    let height_mm = 1e3 * event.signed_m();
    let (from, to) = (event.from_m, event.from_m + event.length_m);
    let at = |x: f64| {
        let near = |p: &&[f64; 2]| (p[0] - x).abs();
        let there = mesh.iter().filter(|p| p[1].is_finite());
        there
            .min_by(|a, b| near(a).total_cmp(&near(b)))
            .map_or(0.0, |p| p[1])
    };
    let height = |x: f64, foot: f64| {
        let ends = [[x, foot], [x, foot + height_mm]];
        (format!("{height_mm:+.1} mm"), ends)
    };
    if event.kind == EventKind::Step {
        return vec![height(event.x_m, at(from))];
    }
    let foot = at(event.x_m) - height_mm;
    let length = format!("{:.2} m", event.length_m);
    vec![
        (length, [[from, foot], [to, foot]]),
        height(event.x_m, foot),
    ]
}
