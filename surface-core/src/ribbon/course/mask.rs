//! Which cells are paved: two classes learnt from evenness and brightness, then cleaned up.

use super::cells::{GroundRaster, Layout, Window, gather};
use super::error::CourseError;
use super::evenness::Features;
use super::morphology::{close, distance_to, fill_holes, keep_parts, open};
use super::split::{Histogram, Split, quantile};
use crate::cloud::CellGrid;
use crate::progress::Progress;

/// Cells more uneven than this do not take part in the learning, mm: bushes, walls, the steps of
/// stands.
const UNEVEN_MAX_MM: f64 = 60.0;
/// A histogram has two classes when the valley between them is at most this part of the smaller
/// peak. Chosen on one bell (above 0.9) and on road in grass (below 0.3).
const VALLEY_MAX: f64 = 0.75;
/// … and when their means differ at least by this: a factor of two in evenness.
const LOG_RATIO_MIN: f64 = 0.69;
/// Smallest share of a class of evenness: the road in a scan that sees far across the country.
const EVEN_SHARE_MIN: f64 = 0.02;
/// Smallest share of a class of brightness: water and roofs are darker than any road, but few.
const BRIGHT_SHARE_MIN: f64 = 0.08;
/// The same for brightness: a factor of 1.16.
const LOG_BRIGHT_MIN: f64 = 0.15;
/// With one class of evenness only, the whole cloud is paved if its median is below this, mm:
/// between the noise of a scanner on asphalt (1 to 3) and short grass (10 and more).
const PAVED_MAX_MM: f64 = 6.0;
/// Where evenness has two classes, brightness can outweigh it by no more than this quarter of the
/// distance between them: paint is bright, wet asphalt dark, and both are road.
const BRIGHT_SAY: f64 = 1.0;
/// How much a cell's evenness can say at most, in the same unit.
const EVEN_SAY: f64 = 4.0;
/// Classes told apart by brightness are ranked by the evenness of their better quarter (the rest is
/// mixed with edges and bushes) only if that differs so much.
const RANK_RATIO: f64 = 1.5;
/// Cells this near to a rough line are mostly road, metres …
const NEAR_LINE_M: f64 = 4.0;
/// … and cells this far from it mostly verge, metres.
const FAR_FROM_LINE_M: [f64; 2] = [12.0, 24.0];
/// Brightness tells road from verge along a line if their distributions part by this share: two
/// samples of one kind of ground in patches differ by up to 0.2.
const LINE_LEAD_MIN: f64 = 0.3;
/// Half of the narrowest road, metres.
const HALF_ROAD_MIN_M: f64 = 1.5;
/// Half of the widest crack, drain or paint line that is closed, metres.
const CRACK_HALF_M: f64 = 1.0;
/// Holes up to this area are filled, m²: a car with its blind spot.
const HOLE_MAX_M2: f64 = 40.0;
/// Paved parts smaller than this are dropped, m²: 20 m of a narrow road.
const PART_MIN_M2: f64 = 60.0;

/// The paved ground as a raster of cells, for a picture or a test.
#[derive(Debug, Clone)]
pub struct PavedMask {
    pub(super) layout: Layout,
    pub(super) paved: Vec<bool>,
    /// Distance of every cell to the nearest unpaved one, cells.
    pub(super) reach: Vec<f32>,
    /// Cells of which nothing can be said: trees over the ground of an aerial scan.
    hidden: Vec<bool>,
    /// Whether nothing but brightness told road from verge.
    by_brightness: bool,
    occupied: usize,
    notes: Vec<String>,
}

impl PavedMask {
    /// Width of a cell, metres.
    #[must_use]
    pub fn cell_m(&self) -> f64 {
        self.layout.cell_m
    }

    /// Columns (west to east) and rows (south to north).
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.layout.width, self.layout.height)
    }

    /// South-west corner of the raster, local metres.
    #[must_use]
    pub fn corner_m(&self) -> [f64; 2] {
        [self.layout.i0, self.layout.j0].map(|v| f64::from(v) * self.layout.cell_m)
    }

    /// Rows from south to north, each from west to east; true is paved.
    pub fn rows(&self) -> impl Iterator<Item = &[bool]> {
        self.paved.chunks_exact(self.layout.width)
    }

    /// Whether the ground under a point (local metres) is paved; false outside the raster.
    #[must_use]
    pub fn is_paved(&self, p: [f64; 2]) -> bool {
        self.layout.locate(p).is_some_and(|k| self.paved[k])
    }

    /// How far paving reaches from a paved point to all sides, metres; 0 on unpaved ground.
    #[must_use]
    pub fn reach_m(&self, p: [f64; 2]) -> f64 {
        let cells = self
            .layout
            .locate(p)
            .map_or(0.0, |k| f64::from(self.reach[k]) - 0.5);
        cells.max(0.0) * self.layout.cell_m
    }

    /// Whether trees or the like hide the ground under a point (local metres).
    pub(super) fn is_hidden(&self, p: [f64; 2]) -> bool {
        self.layout.locate(p).is_some_and(|k| self.hidden[k])
    }

    /// Whether nothing but brightness told road from verge.
    pub(super) fn is_by_brightness(&self) -> bool {
        self.by_brightness
    }

    /// Cells with points, and how many cells are paved.
    #[must_use]
    pub fn counts(&self) -> (usize, usize) {
        (self.occupied, self.paved.iter().filter(|p| **p).count())
    }

    /// What was decided, in words: cell width, thresholds learnt, share paved.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
}

/// Tell the paved ground in the largest connected part of the cloud.
///
/// # Errors
/// [`CourseError`] where there is hardly any ground, where it is too large, or where none of it is
/// even enough to be paved.
pub fn paved_mask(grid: &CellGrid, progress: &mut dyn Progress) -> Result<PavedMask, CourseError> {
    mask_in(grid, None, progress)
}

/// [`paved_mask`] of the ground along a rough line.
pub(super) fn mask_in(
    grid: &CellGrid,
    line: Option<&[[f64; 2]]>,
    progress: &mut dyn Progress,
) -> Result<PavedMask, CourseError> {
    let raster = gather(grid, line.map(window))?;
    let features = Features::of(&raster, progress)?;
    let mut notes = vec![describe_cells(&raster)];
    let sides = line.map(|l| Sides::of(&raster, l));
    let judge =
        Judge::learn(&features, sides.as_ref()).map_err(|seen| no_road(&raster, 0, seen))?;
    notes.push(judge.words.clone());
    let mut paved = vote(&raster, &features, &judge);
    clean(&mut paved, &raster.layout, &mut notes);
    let count = paved.iter().filter(|p| **p).count();
    if count == 0 {
        return Err(no_road(&raster, 0, judge.words));
    }
    let reach = distance_to(&paved, raster.layout.width, false);
    let occupied = raster.ground.len();
    let hidden = hidden(&raster, &features, &judge);
    Ok(PavedMask {
        layout: raster.layout,
        paved,
        reach,
        hidden,
        by_brightness: judge.even.is_none() && judge.bright.is_some(),
        occupied,
        notes,
    })
}

fn describe_cells(raster: &GroundRaster) -> String {
    let m = raster.layout.cell_m;
    let hectares = raster.ground.len() as f64 * m * m / 1e4;
    let mut text = format!(
        "ground seen in cells of {m} m: {} cells, {hectares:.1} ha",
        raster.ground.len()
    );
    if raster.left_out > 0 {
        text += &format!(
            "; {} blocks of 20 m left out as strays or apart",
            raster.left_out
        );
    }
    text
}

fn no_road(raster: &GroundRaster, paved: usize, seen: String) -> CourseError {
    CourseError::NoRoad {
        cells: raster.ground.len(),
        cell_m: raster.layout.cell_m,
        even_percent: 100.0 * paved as f64 / raster.ground.len() as f64,
        length_m: 0.0,
        seen,
    }
}

/// Part of the plane along a rough line.
fn window(line: &[[f64; 2]]) -> Window {
    let mut window = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    for p in line {
        for a in 0..2 {
            window[0][a] = window[0][a].min(p[a] - FAR_FROM_LINE_M[1]);
            window[1][a] = window[1][a].max(p[a] + FAR_FROM_LINE_M[1]);
        }
    }
    window
}

/// Which cells lie near a rough line (mostly road) and which beside it (mostly verge).
struct Sides {
    near: Vec<usize>,
    beside: Vec<usize>,
}

impl Sides {
    fn of(raster: &GroundRaster, line: &[[f64; 2]]) -> Self {
        let layout = &raster.layout;
        let mut on = vec![false; layout.len()];
        for k in line.iter().filter_map(|&p| layout.locate(p)) {
            on[k] = true;
        }
        let away = distance_to(&on, layout.width, true);
        let pick = |from: f64, to: f64| {
            let is_in =
                |s: &usize| (from..=to).contains(&(f64::from(away[raster.at[*s]]) * layout.cell_m));
            (0..raster.at.len()).filter(is_in).collect()
        };
        Self {
            near: pick(0.0, NEAR_LINE_M),
            beside: pick(FAR_FROM_LINE_M[0], FAR_FROM_LINE_M[1]),
        }
    }

    /// The brightness that parts the cells near the line best from those beside it, and whether
    /// those near are brighter: where their distributions differ most (Kolmogorov and Smirnov).
    fn split(&self, features: &Features) -> Option<(Split, bool)> {
        let of = |cells: &[usize]| -> Vec<f64> {
            let known = cells
                .iter()
                .filter(|&&k| features.log_uneven[k] <= UNEVEN_MAX_MM.ln());
            let mut values: Vec<f64> = known
                .filter_map(|&k| features.brightness.get(k))
                .copied()
                .collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let (near, beside) = (of(&self.near), of(&self.beside));
        let share = |v: &[f64], t: f64| v.partition_point(|x| *x < t) as f64 / v.len() as f64;
        let lead = |t: f64| share(&near, t) - share(&beside, t);
        let threshold = near
            .iter()
            .copied()
            .max_by(|a, b| lead(*a).abs().total_cmp(&lead(*b).abs()))?;
        let strength = lead(threshold).abs();
        if strength.is_nan() || strength < LINE_LEAD_MIN {
            return None;
        }
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let part = |lower: bool| {
            let all = near.iter().chain(&beside).copied();
            mean(
                &all.filter(|v| (*v < threshold) == lower)
                    .collect::<Vec<_>>(),
            )
        };
        let means = [part(true), part(false)];
        let split = Split {
            threshold,
            means,
            lower_share: share(&near, threshold),
            valley: 0.0,
        };
        Some((split, lead(threshold) < 0.0))
    }
}

/// What was learnt about the two classes.
#[derive(Debug)]
struct Judge {
    even: Option<Split>,
    /// Split of the brightness, and whether the paved class is the brighter one.
    bright: Option<(Split, bool)>,
    bright_say: f64,
    words: String,
}

impl Judge {
    /// Learn from the cloud's own cells; the error says in words why there are no two classes.
    fn learn(features: &Features, sides: Option<&Sides>) -> Result<Self, String> {
        let even = even_split(features);
        let Some(median) = uneven_mm(features, 0.5, &|_| true) else {
            return Err("no cell holds enough points".into());
        };
        let by_line = || sides.and_then(|s| s.split(features));
        match (even, by_line(), bright_split(features)) {
            (Some(even), ..) => Ok(Self::by_evenness(features, even)),
            (None, Some(bright), _) => Ok(Self::by_line(bright)),
            (None, None, Some(bright)) => Ok(Self::by_brightness(features, bright)),
            (None, None, None) if median <= PAVED_MAX_MM => Ok(Self {
                even: None,
                bright: None,
                bright_say: 0.0,
                words: format!("all ground is equally even ({median:.1} mm): taken as paved"),
            }),
            _ => Err(format!(
                "all ground is equally uneven (median {median:.0} mm) and equally bright"
            )),
        }
    }

    fn by_evenness(features: &Features, even: Split) -> Self {
        let is_even = |k: usize| features.log_uneven[k] < even.threshold;
        let bright = bright_split_of(features, &is_even);
        let mut words = format!(
            "paved is more even than {:.1} mm (paved about {:.1} mm, verge {:.0} mm)",
            even.threshold.exp(),
            even.means[0].exp(),
            even.means[1].exp()
        );
        if let Some((split, brighter)) = bright {
            let factor = (split.means[1] - split.means[0]).exp();
            let how = if brighter { "brighter" } else { "darker" };
            words += &format!("; it is {how} than the verge by a factor of {factor:.2}");
        }
        Self {
            even: Some(even),
            bright,
            bright_say: BRIGHT_SAY,
            words,
        }
    }

    fn by_line(bright: (Split, bool)) -> Self {
        let words = format!(
            "evenness does not tell the ground apart: paved is what is {} along the rough line",
            if bright.1 { "bright" } else { "dark" }
        );
        Self {
            even: None,
            bright: Some(bright),
            bright_say: EVEN_SAY,
            words,
        }
    }

    fn by_brightness(features: &Features, bright: Split) -> Self {
        let side = |upper: bool| {
            uneven_mm(features, 0.25, &|k| {
                features.log_uneven[k] <= UNEVEN_MAX_MM.ln()
                    && (features.brightness[k] > bright.threshold) == upper
            })
        };
        let (dark, light) = (
            side(false).unwrap_or(f64::MAX),
            side(true).unwrap_or(f64::MAX),
        );
        // Asphalt is darker than grass in the near infrared, unless the cloud is fine enough for
        // evenness to say otherwise: below the noise of an aerial scan all ground is alike.
        let brighter = light * RANK_RATIO < dark && light <= PAVED_MAX_MM;
        let words = format!(
            "evenness does not tell the ground apart (dark {dark:.0} mm, bright {light:.0} mm): \
             paved is the {} class of the intensity",
            if brighter { "brighter" } else { "darker" }
        );
        Self {
            even: None,
            bright: Some((bright, brighter)),
            bright_say: EVEN_SAY,
            words,
        }
    }

    /// Above 0 the cell is paved. `None` where nothing is known of it.
    fn say(&self, features: &Features, slot: usize) -> Option<f64> {
        let uneven = features.log_uneven[slot];
        if uneven.is_nan() || uneven > features.log_uneven_max {
            return (!uneven.is_nan()).then_some(-EVEN_SAY);
        }
        let even = self.even.map_or(0.0, |s| scaled(&s, uneven, EVEN_SAY));
        let bright = self.bright.map_or(0.0, |(s, brighter)| {
            let dark = scaled(&s, features.brightness[slot], self.bright_say);
            if brighter { -dark } else { dark }
        });
        let all = if self.even.is_none() && self.bright.is_none() {
            1.0
        } else {
            0.0
        };
        Some(even + bright + all)
    }
}

/// How far below the threshold a value is, in quarters of the distance between the classes.
fn scaled(split: &Split, value: f64, say: f64) -> f64 {
    let quarter = 0.25 * (split.means[1] - split.means[0]);
    ((split.threshold - value) / quarter).clamp(-say, say)
}

fn even_split(features: &Features) -> Option<Split> {
    let mut histogram = Histogram::new((0.15f64).ln(), UNEVEN_MAX_MM.ln(), 0.1);
    features
        .log_uneven
        .iter()
        .filter(|v| !v.is_nan())
        .for_each(|&v| histogram.add(v));
    histogram
        .split(EVEN_SHARE_MIN)
        .filter(|s| is_two(s, LOG_RATIO_MIN))
}

fn is_two(split: &Split, apart: f64) -> bool {
    split.valley <= VALLEY_MAX && split.means[1] - split.means[0] >= apart
}

fn bright_split(features: &Features) -> Option<Split> {
    let mut histogram = Histogram::new(-1.5, 1.5, 0.03);
    for (&b, &u) in features.brightness.iter().zip(&features.log_uneven) {
        if u <= UNEVEN_MAX_MM.ln() {
            histogram.add(b);
        }
    }
    histogram
        .split(BRIGHT_SHARE_MIN)
        .filter(|s| is_two(s, LOG_BRIGHT_MIN))
}

/// Brightness of the classes that evenness made, and whether the even one is brighter; `None`
/// where their middle halves overlap.
fn bright_split_of(features: &Features, is_even: &dyn Fn(usize) -> bool) -> Option<(Split, bool)> {
    let class = |even: bool| -> Option<[f64; 3]> {
        let mut of: Vec<f64> = (0..features.brightness.len())
            .filter(|&k| features.log_uneven[k] <= UNEVEN_MAX_MM.ln() && is_even(k) == even)
            .map(|k| features.brightness[k])
            .collect();
        Some([
            quantile(&mut of, 0.25)?,
            quantile(&mut of, 0.5)?,
            quantile(&mut of, 0.75)?,
        ])
    };
    let (even, verge) = (class(true)?, class(false)?);
    let brighter = even[1] > verge[1];
    let (low, high) = if brighter {
        (verge, even)
    } else {
        (even, verge)
    };
    let split = Split {
        threshold: 0.5 * (low[2] + high[0]),
        means: [low[1], high[1]],
        lower_share: 0.5,
        valley: 0.0,
    };
    (low[2] < high[0] && high[1] - low[1] >= LOG_BRIGHT_MIN).then_some((split, brighter))
}

/// Unevenness below which the share `q` of the cells that `of` picks lies, mm.
fn uneven_mm(features: &Features, q: f64, of: &dyn Fn(usize) -> bool) -> Option<f64> {
    let all = features.log_uneven.iter().enumerate();
    let mut values: Vec<f64> = all
        .filter(|(k, v)| !v.is_nan() && of(*k))
        .map(|(_, &v)| v)
        .collect();
    quantile(&mut values, q).map(f64::exp)
}

/// Each cell's say summed with half of its neighbours' says, unknown cells saying nothing; cells
/// without points are unpaved for now.
fn vote(raster: &GroundRaster, features: &Features, judge: &Judge) -> Vec<bool> {
    let says: Vec<Option<f64>> = (0..raster.ground.len())
        .map(|slot| judge.say(features, slot))
        .collect();
    let mut paved = vec![false; raster.layout.len()];
    for (slot, &index) in raster.at.iter().enumerate() {
        let near = raster
            .layout
            .ring(index)
            .into_iter()
            .filter_map(|k| raster.slot(k));
        let around: f64 = near.filter_map(|s| says[s]).sum();
        paved[index] = says[slot].unwrap_or(0.0) + 0.5 * around > 0.0;
    }
    paved
}

/// Cells that may hide road: where evenness tells road from verge, what is rough is none; where
/// only brightness does, the scan comes from the air and what is rough stands over the ground.
fn hidden(raster: &GroundRaster, features: &Features, judge: &Judge) -> Vec<bool> {
    let mut hidden = vec![false; raster.layout.len()];
    if judge.even.is_none() {
        for (slot, &index) in raster.at.iter().enumerate() {
            hidden[index] = features.log_uneven[slot] > features.log_uneven_max;
        }
    }
    hidden
}

fn clean(paved: &mut [bool], layout: &Layout, notes: &mut Vec<String>) {
    let cells = |metres: f64| crate::numeric::to_f32(metres / layout.cell_m);
    let area = |m2: f64| crate::numeric::to_index((m2 / layout.cell_m.powi(2)).ceil());
    let raw = paved.iter().filter(|p| **p).count();
    close(paved, layout.width, cells(CRACK_HALF_M));
    let holes = fill_holes(paved, layout, area(HOLE_MAX_M2));
    // A road exactly as wide as the disc must survive the rounding to cells.
    open(paved, layout.width, cells(HALF_ROAD_MIN_M) - 0.5);
    let parts = keep_parts(paved, layout, area(PART_MIN_M2));
    let left = parts.iter().sum::<usize>();
    let hectares = |n: usize| n as f64 * layout.cell_m.powi(2) / 1e4;
    notes.push(format!(
        "paved: {:.2} ha in {} parts ({:.2} ha before the clean-up; {holes} holes filled)",
        hectares(left),
        parts.len(),
        hectares(raw)
    ));
}
