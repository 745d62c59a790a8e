//! Which waves of the road the mesh carries, told by halves of its points and by the known truth.

use std::path::{Path, PathBuf};

use surface_core::build::{FitParams, ROUGHNESS_PRODUCTS, RoughnessParams, fit, roughness};
use surface_core::mesh::SurfaceMesh;
use surface_core::numeric::CrossSpectra;
use surface_core::progress::Silent;
use surface_core::report::{PathReport, RoughnessReport};
use surface_core::roughness::{CarriedBand, Profile, TRACK_WIDTH_M, TRACKS, band_mean};
use surface_tests::proving::demo::{read_truth, write_course};
use surface_tests::proving::paving::Feature;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams};

/// A build of the course with its scan; a dense scan, so that its noise is not all there is.
fn built(dir: &Path, spec: &CourseSpec, seed: u64) -> (PathBuf, PathBuf, Course) {
    let params = ScanParams {
        seed,
        min_spacing_m: 0.04,
        azimuth_step_rad: 1.2e-3,
        elevation_step_rad: 0.35e-3,
        ..ScanParams::demo()
    };
    let made = write_course(&dir.join("scan"), spec, &params).unwrap();
    let out = dir.join("build");
    let paths = [made.cloud.clone()];
    fit(&paths, &out, &FitParams::default(), &mut Silent).unwrap();
    let (_, course) = read_truth(&made.truth).unwrap();
    println!("{} points over {:.0} m", made.points, made.length_m);
    (out, made.cloud, course)
}

fn mesh_of(build: &Path) -> SurfaceMesh {
    let path = build.join("surface.ply");
    let file = std::fs::File::open(&path).unwrap();
    SurfaceMesh::read(std::io::BufReader::new(file), &path).unwrap()
}

/// Rows of profiles.csv of one path: x, y and height of the mesh, world metres.
fn rows(csv: &str, name: &str) -> Vec<[f64; 3]> {
    let mut out = Vec::new();
    for line in csv.lines().filter(|l| l.starts_with(name)) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |k: usize| cells[k].parse().unwrap_or(f64::NAN);
        out.push([4, 5, 6].map(number));
    }
    out
}

/// x and y of stations, each `t_m` left of its row.
fn places(rows: &[[f64; 3]], t_m: f64) -> Vec<[f64; 2]> {
    let n = rows.len();
    let place = |k: usize| {
        let (a, b) = (rows[(k + n - 1) % n], rows[(k + 1) % n]);
        let d = [b[0] - a[0], b[1] - a[1]];
        let long = d[0].hypot(d[1]);
        [
            rows[k][0] - t_m * d[1] / long,
            rows[k][1] + t_m * d[0] / long,
        ]
    };
    (0..n).map(place).collect()
}

/// The truth along the track `beside_m` left of the path, a mean over its 0.1 m.
fn truth(course: &Course, rows: &[[f64; 3]], beside_m: f64) -> Vec<f64> {
    let mut sums = vec![0.0; rows.len()];
    for t in [-0.04, -0.02, 0.0, 0.02, 0.04] {
        for (sum, [x, y]) in sums.iter_mut().zip(places(rows, beside_m + t)) {
            let z = course.height_m(x - ORIGIN_M[0], y - ORIGIN_M[1]);
            *sum += 0.2 * (z.unwrap_or(f64::NAN) + ORIGIN_M[2]);
        }
    }
    sums
}

/// Mesh and truth along the tracks of a path, the path's own first.
fn along_tracks(mesh: &SurfaceMesh, course: &Course, rows: &[[f64; 3]]) -> Vec<[Vec<f64>; 2]> {
    let side = [0.0, 1.0, -1.0, 2.0, -2.0];
    let one = |k: f64| {
        let beside_m = k * TRACK_WIDTH_M;
        let origin = mesh.origin_m();
        let local = |[x, y]: [f64; 2]| [x - origin[0], y - origin[1]];
        let places: Vec<[f64; 2]> = places(rows, beside_m).into_iter().map(local).collect();
        let mut z = vec![f64::NAN; places.len()];
        mesh.heights_at(&places, &mut z);
        z.iter_mut().for_each(|z| *z += origin[2]);
        [z, truth(course, rows, beside_m)]
    };
    side[..TRACKS].iter().map(|k| one(*k)).collect()
}

struct Known {
    band: [f64; 2],
    road_m3: f64,
    coherence: f64,
    gain: f64,
}

/// The same bands from the truth itself.
fn known_bands(
    path: &PathReport,
    tracks: &[[Vec<f64>; 2]],
    segment: usize,
    step: f64,
) -> Vec<Known> {
    let mut spectra = CrossSpectra::new(segment, step, 2);
    let over = |z: &[f64]| -> Vec<f64> { z.iter().chain(&z[..segment / 2]).copied().collect() };
    for [mesh, truth] in tracks {
        spectra.add(&[&over(mesh), &over(truth)]);
    }
    let mean = |i, j, [low, high]: [f64; 2]| {
        let re: Vec<f64> = spectra.density(i, j).iter().map(|c| c.re).collect();
        band_mean(&re, spectra.bin_per_m(), low, high)
    };
    let carried = path.carried.as_ref().unwrap();
    let one = |b: &CarriedBand| {
        let band = b.limits_per_m;
        let (mm, mt, tt) = (mean(0, 0, band), mean(0, 1, band), mean(1, 1, band));
        Known {
            band,
            road_m3: tt,
            coherence: mt * mt / (mm * tt),
            gain: mt / tt,
        }
    };
    carried.bands.iter().map(one).collect()
}

/// The wavelength where the truth's coherence or gain falls to a half, by the same rule.
fn known_wavelength_m(known: &[Known]) -> f64 {
    let margin = |k: &Known| (k.coherence / 0.5).min(k.gain / 0.5).max(1e-3);
    let middle = |k: &Known| 1.0 / (k.band[0] * k.band[1]).sqrt();
    for pair in known.windows(2) {
        if margin(&pair[1]) < 1.0 {
            let share = margin(&pair[0]).ln() / (margin(&pair[0]).ln() - margin(&pair[1]).ln());
            let logs = [middle(&pair[0]).ln(), middle(&pair[1]).ln()];
            return (logs[0] + share * (logs[1] - logs[0])).exp();
        }
    }
    middle(known.last().unwrap())
}

/// Mesh and truth without waves longer than about `longest_m`, correlated.
fn correlation(a: &[f64], b: &[f64], step: f64, longest_m: f64) -> f64 {
    let reach = surface_core::numeric::to_index(0.25 * longest_m / step);
    let high = |z: &[f64]| -> Vec<f64> {
        let n = z.len();
        let mean = |k: usize| {
            (0..=2 * reach)
                .map(|d| z[(k + n + d - reach) % n])
                .sum::<f64>()
                / (2 * reach + 1) as f64
        };
        let smooth: Vec<f64> = (0..n).map(mean).collect();
        z.iter().zip(&smooth).map(|(v, s)| v - s).collect()
    };
    let (a, b) = (high(a), high(b));
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    dot(&a, &b) / (dot(&a, &a) * dot(&b, &b)).sqrt()
}

fn run(dir: &Path, build: &Path, scans: &[PathBuf]) -> (RoughnessReport, String) {
    let out = dir.join("rough");
    let report = roughness(build, scans, &out, &RoughnessParams::default(), &mut Silent).unwrap();
    (
        report,
        std::fs::read_to_string(out.join("profiles.csv")).unwrap(),
    )
}

/// What is told of one wheel path beside what the truth tells.
struct Figures {
    wavelength_m: [f64; 2],
    /// IRI of the lap, and the worst 100 m, over the truth's less 1.
    iri: f64,
    worst_iri: f64,
    correlation: f64,
    /// Worst debiased band, and the plain spectrum at its short end, dB.
    bands_db: [f64; 2],
}

/// One path of a report; its rows of `profiles.csv` are in `csv`.
fn figures(path: &PathReport, csv: &str, (mesh, course): (&SurfaceMesh, &Course)) -> Figures {
    let rows = rows(csv, &path.name);
    let tracks = along_tracks(mesh, course, &rows);
    let off = |(row, z): (&[f64; 3], &f64)| (row[2] - z).abs();
    let worst = rows.iter().zip(&tracks[0][0]).map(off).fold(0.0, f64::max);
    assert!(worst < 2e-4, "{worst} m from the mesh to its profile");
    assert!(
        tracks.iter().flatten().flatten().all(|v| v.is_finite()),
        "a hole in {}",
        path.name
    );
    let step = path.mesh.length_m / rows.len() as f64;
    judge(path, step, &tracks)
}

#[test]
fn halves_of_the_points_tell_what_the_truth_tells() {
    let dir = tempfile::tempdir().unwrap();
    let spec = CourseSpec::oval().smooth();
    let (build, cloud, course) = built(dir.path(), &spec, ScanParams::demo().seed);
    let resolved = super::resolved::classes(&build, &course);
    for (told, found) in &resolved {
        println!("resolved {told:.3} m, errors have half of the road's power at {found:.3} m");
    }
    let (report, csv) = run(dir.path(), &build, &[cloud]);
    for name in ROUGHNESS_PRODUCTS {
        assert!(
            dir.path().join("rough").join(name).exists(),
            "{name} is missing"
        );
    }
    let mesh = mesh_of(&build);
    println!("{}", report.to_text());
    println!("split by {}", report.halves.as_ref().unwrap().split);
    for path in &report.paths {
        // Measured 0.4 dB at most, where the plain spectrum is 18 dB off.
        hold(&figures(path, &csv, (&mesh, &course)), 0.8);
    }
    for (told, found) in resolved {
        // Measured within 5 % in all classes. The level of the road, which the cube root of it
        // goes by, is known to some 10 %; a window of half the width or W off by 2 give 25 %.
        assert!((told / found - 1.0).abs() < 0.1, "{told} m, {found} m");
    }
}

/// The figures over draws of road and scan, both wheel paths each.
#[test]
#[ignore = "minutes; eight builds"]
fn roughness_over_many_seeds() {
    let (mut all, mut events, mut length_m) = (Vec::new(), 0, 0.0);
    for seed in 101..109 {
        let dir = tempfile::tempdir().unwrap();
        let spec = CourseSpec::oval().smooth().with_seed(seed);
        let (build, cloud, course) = built(dir.path(), &spec, seed);
        let (report, csv) = run(dir.path(), &build, &[cloud]);
        let mesh = mesh_of(&build);
        for path in &report.paths {
            all.push(figures(path, &csv, (&mesh, &course)));
            events += path.mesh.events.len();
            length_m += path.mesh.length_m;
        }
    }
    let say = |what: &str, of: &dyn Fn(&Figures) -> f64| {
        let mut values: Vec<f64> = all.iter().map(of).collect();
        values.sort_by(f64::total_cmp);
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        println!("{what}: mean {mean:.3}, all {values:.3?}");
        mean
    };
    let waves = say("λ over the truth's", &|f| {
        f.wavelength_m[0] / f.wavelength_m[1]
    });
    let iri = say("IRI off, %", &|f| 100.0 * f.iri);
    say("IRI of the worst 100 m off, %", &|f| 100.0 * f.worst_iri);
    let alike = say("correlation", &|f| f.correlation);
    say("worst debiased band, dB", &|f| f.bands_db[0]);
    println!("{events} events on {length_m:.0} m of smooth road");
    assert!(f64::from(u32::try_from(events).unwrap()) <= 0.5e-3 * length_m);
    // Measured 0.52 dB at most.
    all.iter().for_each(|f| hold(f, 1.0));
    // One lap scatters; a bias shows in the mean.
    assert!((waves - 1.0).abs() < 0.08, "{waves}");
    assert!(iri.abs() < 3.0 && alike > 0.96, "{iri} %, {alike}");
}

/// Bumps and dips of 8 to 12 mm, 0.5 to 3 m long, across both wheel paths.
fn bumps() -> Vec<Feature> {
    let sizes = [0.25, 0.5, 1.0, 1.5];
    let one = |k: usize| Feature::Bump {
        at: [15.0 + 20.0 * k as f64, 0.0],
        half: [sizes[k % 4], 3.0],
        height_m: [0.008, -0.008, 0.010, 0.012, -0.012][k % 5] / 0.85,
    };
    (0..10).map(one).collect()
}

/// Which of the bumps no event of a path lies on (within half a metre along the course), and how
/// many events lie on none.
fn missed_and_false(path: &PathReport, csv: &str, course: &Course) -> (Vec<f64>, usize) {
    let rows = rows(csv, &path.name);
    let step_m = path.mesh.length_m / rows.len() as f64;
    let s_m = |x_m: f64| {
        let row = rows[surface_core::numeric::to_index(x_m / step_m).min(rows.len() - 1)];
        let place = course.place(row[0] - ORIGIN_M[0], row[1] - ORIGIN_M[1]);
        place.map_or(f64::NAN, |p| p.foot.s_m)
    };
    let events: Vec<f64> = path.mesh.events.iter().map(|e| s_m(e.event.x_m)).collect();
    let places: Vec<[f64; 2]> = bumps()
        .iter()
        .filter_map(|b| match b {
            Feature::Bump { at, half, .. } => Some([at[0], half[0]]),
            _ => None,
        })
        .collect();
    let missed = places.iter().map(|p| p[0]);
    let missed = missed.filter(|at| events.iter().all(|s| (s - at).abs() > 0.5));
    // What rises and sinks beside a bump belongs to it.
    let beside = |s: &&f64| places.iter().all(|[at, half]| (*s - at).abs() > half + 0.5);
    (missed.collect(), events.iter().filter(beside).count())
}

/// No bump of 8 mm and over is missed, and nothing else is called one.
#[test]
#[ignore = "minutes; four builds"]
fn bumps_of_eight_millimetres_are_found_over_many_seeds() {
    for seed in 101..105 {
        let dir = tempfile::tempdir().unwrap();
        let spec = CourseSpec::oval().smooth().with_seed(seed);
        let (build, _, course) = built(dir.path(), &spec.with_works(&bumps()), seed);
        let (report, csv) = run(dir.path(), &build, &[]);
        for path in &report.paths {
            let (missed, others) = missed_and_false(path, &csv, &course);
            println!(
                "seed {seed}, {}: {} events, missed at {missed:?}, {others} elsewhere",
                path.name,
                path.mesh.events.len()
            );
            assert!(missed.is_empty(), "{missed:?}");
            assert_eq!(others, 0);
        }
    }
}

/// Worst error of the debiased spectrum where the halves cohere, and that of the plain spectrum in
/// the shortest band, dB.
fn band_errors_db(bands: &[CarriedBand], known: &[Known]) -> [f64; 2] {
    let (mut worst, mut plain_short) = (0.0f64, 0.0f64);
    for (found, known) in bands.iter().zip(known) {
        let db = |v: f64| 10.0 * (v / known.road_m3).log10();
        println!(
            "λ {:5.2} m: road {:+.2} dB, plain {:+.2} dB, mesh {:+.2} dB; coherence {:.3} ({:.3}), gain {:.3} ({:.3}), halves {:.3}",
            found.wavelength_m,
            db(found.road_m3),
            db(found.plain_m3),
            db(found.surface_m3),
            found.coherence,
            known.coherence,
            found.gain,
            known.gain,
            found.halves_coherence
        );
        if found.halves_coherence >= 0.5 {
            worst = worst.max(db(found.road_m3).abs());
        }
        plain_short = db(found.plain_m3);
    }
    [worst, plain_short]
}

fn judge(path: &PathReport, step_m: f64, tracks: &[[Vec<f64>; 2]]) -> Figures {
    let profile = |z: &[f64]| Profile {
        step_m,
        z_m: z.to_vec(),
        closed: true,
    };
    let (mesh, truth) = (profile(&tracks[0][0]), profile(&tracks[0][1]));
    let carried = path.carried.as_ref().unwrap();
    let segment = surface_core::numeric::to_index(carried.segment_m / step_m + 0.5);
    let known = known_bands(path, tracks, segment, step_m);
    println!(
        "points of the halves at {:.3?} of the stations",
        carried.coverage
    );
    let bands_db = band_errors_db(&carried.bands, &known);
    let [worst, plain_short] = bands_db;
    let lambda = known_wavelength_m(&known);
    let found = carried.resolved_m.unwrap();
    let (ours, true_iri) = (mesh.iri(100.0), truth.iri(100.0));
    let off = |a: Option<f64>, b: Option<f64>| a.unwrap() / b.unwrap() - 1.0;
    let sections = ours
        .1
        .iter()
        .zip(&true_iri.1)
        .map(|(a, b)| off(*a, *b).abs())
        .fold(0.0, f64::max);
    let lap = off(ours.0, true_iri.0);
    let alike = correlation(&mesh.z_m, &truth.z_m, mesh.step_m, 10.0);
    println!(
        "{}: λ {found:.3} m (truth {lambda:.3}), worst debiased {worst:.2} dB, plain {plain_short:+.1} dB at the short end, \
         IRI {:.4} against {:.4} ({:+.2} %), worst 100 m {:.2} %, correlation {alike:.4}",
        path.name,
        ours.0.unwrap(),
        true_iri.0.unwrap(),
        100.0 * lap,
        100.0 * sections
    );
    Figures {
        wavelength_m: [found, lambda],
        iri: lap,
        worst_iri: sections,
        correlation: alike,
        bands_db,
    }
}

/// A lap of 230 m has few segments; the aims (15 %, 2 %, 5 %, 0.97) are not met on every one. A surface
/// read beside its path or halves that share noise are off by factors.
fn hold(found: &Figures, most_db: f64) {
    let [told, truth] = found.wavelength_m;
    assert!((told / truth - 1.0).abs() < 0.3, "{told} against {truth}");
    let (lap, sections) = (found.iri, found.worst_iri);
    assert!(
        lap.abs() < 0.04 && sections < 0.075,
        "IRI off by {lap} and {sections}"
    );
    assert!(found.correlation > 0.95, "{}", found.correlation);
    let [worst, plain_short] = found.bands_db;
    assert!(
        worst < most_db && plain_short > 10.0,
        "{worst} {plain_short}"
    );
}
