//! How near to the statistical limit is the surface, with ideal and with real setups, and does
//! what stands on the road cost anything?
//!
//! Run: `cargo bench -p surface-benches --bench noise_limit [-- SEEDS [SPACING]]` (default 1 seed,
//! each of which takes about a minute, and 0.1 m). Every scan of the invented course is drawn from
//! its own seed and fitted inside the ribbon found in the first one, so that heights alone are
//! compared. The peer is the Wiener bound: no linear smoother of the same points does better.
//!
//! What a way of scanning comes to over all seeds is held to the aims, and the bench fails where one is
//! missed. Whether σ is honest is told over a dozen seeds and more: what all setups have in common is one
//! draw a scan, and errs by as much everywhere in it.

use std::path::{Path, PathBuf};

use surface_core::build::{FitParams, SetupPlace, fit};
use surface_core::numeric::to_index;
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_core::ribbon::Ribbon;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::{Honesty, Score, honesty, score};
use surface_tests::proving::{CourseSpec, ScanParams, Zone, demo};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// One way of scanning that is held against the bound.
struct Case {
    name: &'static str,
    scan: fn(u64) -> ScanParams,
    setups_known: bool,
}

const CASES: [Case; 4] = [
    Case {
        name: "point noise only",
        scan: |seed| ScanParams {
            seed,
            ..ScanParams::demo().clear()
        },
        setups_known: true,
    },
    Case {
        name: "setups off by 0.8 mm, 20 µrad",
        scan: |seed| ScanParams {
            seed,
            setup_height_error_m: 0.8e-3,
            setup_tilt_error_rad: 20e-6,
            ..ScanParams::demo().clear()
        },
        setups_known: true,
    },
    Case {
        name: "every fourth setup off by 6 mm, clutter, 0.5 % strays",
        scan: |seed| ScanParams {
            seed,
            fourth_off_m: 6e-3,
            stray_share: 0.005,
            ..ScanParams::demo()
        },
        setups_known: true,
    },
    Case {
        name: "all errors and clutter",
        scan: |seed| ScanParams {
            seed,
            ..ScanParams::demo()
        },
        setups_known: true,
    },
];

/// Places in [`CASES`] of what is compared.
const LEVELLED: usize = 1;
const OFF: usize = 2;

fn main() -> Outcome<()> {
    let mut numbers = std::env::args()
        .skip(1)
        .filter_map(|a| a.parse::<f64>().ok());
    let seeds = to_index(numbers.next().unwrap_or(1.0)) as u64;
    let spacing_m = numbers.next().unwrap_or(0.1);
    let dir = tempfile::tempdir()?;
    let mut ribbon = None;
    let (mut tallies, mut missed): (Vec<Tally>, Vec<String>) = (Vec::new(), Vec::new());
    for case in &CASES {
        let mut tally = Tally::default();
        for seed in 0..seeds {
            let at = dir.path().join("scan");
            let (report, score, honest) = run(case, (7 + seed, spacing_m), &at, &mut ribbon)?;
            print(case.name, seed, &report, &score);
            println!(
                "    errors over σ: variance {:.3}, {:.2} % within 95 % intervals; level {:.3e}",
                honest.variance,
                100.0 * honest.within_95,
                report.field.level_m
            );
            tally.add(&score, honest);
            std::fs::remove_dir_all(&at)?;
        }
        tally.say(case.name);
        missed.extend(tally.missed(case, spacing_m));
        tallies.push(tally);
    }
    let cost = tallies[OFF].mean(|t| &t.asphalt_mm) / tallies[LEVELLED].mean(|t| &t.asphalt_mm);
    println!(
        "one setup in four off, over setups off by 0.8 mm: {cost:.2} times the RMSE (aim 1.2)"
    );
    let dear = !cost.is_finite() || cost > 1.2;
    missed.extend(dear.then(|| format!("one setup in four off costs {cost:.2} times")));
    if missed.is_empty() {
        println!("all aims are met");
        return Ok(());
    }
    Err(missed.join("; ").into())
}

/// Seeds from which on the mean tells whether σ is honest, to a tenth or so.
const ENOUGH_SEEDS: usize = 12;

/// A number of every draw.
type Column = fn(&Tally) -> &Vec<f64>;

/// What the draws of a way of scanning came to, a number each.
#[derive(Debug, Default)]
struct Tally {
    over_bound: Vec<f64>,
    asphalt_mm: Vec<f64>,
    seam_p95_mm: Vec<f64>,
    kerb_mm: Vec<f64>,
    variance: Vec<f64>,
    within_95: Vec<f64>,
}

impl Tally {
    fn add(&mut self, score: &Score, honest: Honesty) {
        let zone = |zone| score.zones.get(&zone);
        let over = score.over_bound().map_or(f64::NAN, |[_, short]| short);
        self.over_bound.push(over);
        let rmse_mm = |of| zone(of).map_or(f64::NAN, |s| 1e3 * s.rmse_m);
        self.asphalt_mm.push(rmse_mm(Zone::Asphalt));
        self.kerb_mm.push(rmse_mm(Zone::Kerb));
        let seams = zone(Zone::NearSeam).map_or(f64::NAN, |s| 1e3 * s.p95_m);
        self.seam_p95_mm.push(seams);
        self.variance.push(honest.variance);
        self.within_95.push(100.0 * honest.within_95);
    }

    fn mean(&self, of: impl Fn(&Self) -> &Vec<f64>) -> f64 {
        let values = of(self);
        values.iter().sum::<f64>() / values.len().max(1) as f64
    }

    fn most(&self, of: impl Fn(&Self) -> &Vec<f64>) -> f64 {
        let values = of(self).iter().copied();
        values.max_by(f64::total_cmp).unwrap_or(f64::NAN)
    }

    /// Standard deviation of the mean.
    fn doubt(&self, of: impl Fn(&Self) -> &Vec<f64>) -> f64 {
        let (values, mean) = (of(self), self.mean(&of));
        let n = values.len() as f64;
        let sum: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        (sum / (n - 1.0) / n).sqrt()
    }

    fn say(&self, name: &str) {
        println!(
            "{name}, {} seeds, mean (most): over the bound {:.3} ({:.3}); mm: asphalt {:.3} ({:.3}), 95 % of seams {:.3} ({:.3}), kerbs {:.3} ({:.3})",
            self.variance.len(),
            self.mean(|t| &t.over_bound),
            self.most(|t| &t.over_bound),
            self.mean(|t| &t.asphalt_mm),
            self.most(|t| &t.asphalt_mm),
            self.mean(|t| &t.seam_p95_mm),
            self.most(|t| &t.seam_p95_mm),
            self.mean(|t| &t.kerb_mm),
            self.most(|t| &t.kerb_mm),
        );
        if self.variance.len() > 1 {
            println!(
                "    errors over σ: variance {:.3} ± {:.3}, {:.2} ± {:.2} % within 95 % intervals",
                self.mean(|t| &t.variance),
                self.doubt(|t| &t.variance),
                self.mean(|t| &t.within_95),
                self.doubt(|t| &t.within_95),
            );
        }
    }

    /// Aims that were missed: heights in every draw, honesty in the mean over enough of them.
    fn missed(&self, case: &Case, spacing_m: f64) -> Vec<String> {
        let kerb_mm = if spacing_m < 0.075 { 1.2 } else { 2.5 };
        let most = [
            ("over the bound", self.most(|t| &t.over_bound), 1.15),
            ("asphalt, mm", self.most(|t| &t.asphalt_mm), 0.6),
            ("95 % of seams, mm", self.most(|t| &t.seam_p95_mm), 1.5),
            ("kerbs, mm", self.most(|t| &t.kerb_mm), kerb_mm),
        ];
        let above = most
            .iter()
            .filter(|(_, is, aim)| !is.is_finite() || is > aim);
        let above = above.map(|(what, is, aim)| format!("{}: {what} {is:.3} for {aim}", case.name));
        let of: [(&str, Column, [f64; 2]); 2] = [
            ("variance of errors over σ", |t| &t.variance, [0.9, 1.2]),
            ("% in 95 % intervals", |t| &t.within_95, [93.0, 97.0]),
        ];
        let outside = of.iter().filter_map(|(what, of, [low, high])| {
            let mean = self.mean(of);
            let told = self.variance.len() >= ENOUGH_SEEDS;
            (told && !(*low..=*high).contains(&mean))
                .then(|| format!("{}: {what} {mean:.3} for {low} to {high}", case.name))
        });
        above.chain(outside).collect()
    }
}

fn run(
    case: &Case,
    (seed, spacing_m): (u64, f64),
    dir: &Path,
    ribbon: &mut Option<Ribbon>,
) -> Outcome<(Report, Score, Honesty)> {
    let made = demo::write_course(dir, &CourseSpec::demo(), &(case.scan)(seed))?;
    let build = dir.join("build");
    let (truth, course) = demo::read_truth(&made.truth)?;
    let params = FitParams {
        spacing_m,
        ribbon: ribbon.clone(),
        setups: if case.setups_known {
            places(&truth)
        } else {
            Vec::new()
        },
        ..FitParams::default()
    };
    let report = fit(&[PathBuf::from(&made.cloud)], &build, &params, &mut Silent)?;
    if ribbon.is_none() {
        *ribbon = Some(Ribbon::from_geojson(&std::fs::read_to_string(
            build.join("ribbon.geojson"),
        )?)?);
    }
    let mesh = read_ply(&build.join("surface.ply"))?;
    let heights = MeshHeights::new(&mesh, truth.origin_m);
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let found = score(
        &course,
        [0.0, truth.length_m],
        &surface,
        Some(&made.information),
    );
    let shift = [0, 1, 2].map(|k| mesh.origin_m[k] - truth.origin_m[k]);
    Ok((report, found, honesty(&course, &mesh, shift)))
}

fn places(truth: &demo::Truth) -> Vec<SetupPlace> {
    let place = |setup: &surface_tests::proving::Setup| SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + truth.origin_m[k]),
    };
    truth.setups.iter().map(place).collect()
}

fn print(name: &str, seed: u64, report: &Report, score: &Score) {
    let [all, short] = score.over_bound().unwrap_or([f64::NAN; 2]);
    let mm = |zone: Zone| {
        let [a, b] = [&score.zones, &score.short_waves].map(|z| z.get(&zone));
        let of = |s: Option<&surface_tests::proving::score::HeightScore>| {
            s.map_or([f64::NAN; 2], |s| [1e3 * s.rmse_m, 1e3 * s.p95_m])
        };
        let ([r, p], [sr, _]) = (of(a), of(b));
        format!("{r:.3} (95 % {p:.3}; short {sr:.3})")
    };
    println!(
        "{name}, seed {seed}: over the bound {short:.3} (all waves {all:.3}); mm: asphalt {}, seams {}, kerbs {}, bumps {}; fit {:.2} s",
        mm(Zone::Asphalt),
        mm(Zone::NearSeam),
        mm(Zone::Kerb),
        mm(Zone::Bump),
        report
            .run
            .stages
            .iter()
            .filter(|s| s.stage == "fit")
            .map(|s| s.seconds)
            .sum::<f64>(),
    );
}
