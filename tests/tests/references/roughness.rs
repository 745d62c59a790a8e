//! Roughness indices and spectra against published values, exact answers and scipy.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use surface_core::numeric::{CrossSpectra, chi_square_quantile};
use surface_core::roughness::{
    Halved, IRI_SPEED_M_S, PointMeans, Profile, QuarterCar, RadiusRule, TRACKS, TrackProfiles,
    WavelengthAt, bands, fit_iso8608, iri_mm_per_m, rolling_gaps, straightedge_gaps,
    suspension_strokes, worst_band_db,
};
use surface_tests::proving::rng::Rng;
use surface_tests::python;

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    let slack = relative * expected.abs() + 1e-300;
    assert!(
        (found - expected).abs() <= slack,
        "{what}: {found} against {expected}"
    );
}

/// The table of World Bank Technical Paper 46 for 250 and 100 mm as the public code of Šroubek,
/// Šorel and Žák (IJPRT 2021) prints it: step, state transition, response. Single precision.
const PRINTED: [(f64, [f64; 16], [f64; 4]); 2] = [
    (
        0.25,
        [
            0.9966071,
            0.01091514,
            -0.002083274,
            0.0003190145,
            -0.5563044,
            0.9438768,
            -0.8324718,
            0.05064701,
            0.02153176,
            0.002126763,
            0.7508714,
            0.008221888,
            3.335013,
            0.3376467,
            -39.12762,
            0.4347564,
        ],
        [0.005476107, 1.388776, 0.2275968, 35.79262],
    ),
    (
        0.1,
        [
            0.9994014,
            0.004442351,
            0.0002188854,
            5.72179e-5,
            -0.2570548,
            0.975036,
            0.007966216,
            0.02458427,
            0.003960378,
            0.0003814527,
            0.9548048,
            0.004055587,
            1.687312,
            0.1638951,
            -19.34264,
            0.7948701,
        ],
        [0.0003793992, 0.2490886, 0.04123478, 17.65532],
    ),
];

#[test]
fn the_golden_car_moves_as_the_printed_coefficients_say() {
    for (step, st, pr) in PRINTED {
        let car = QuarterCar::new(step, IRI_SPEED_M_S);
        for (k, expected) in st.iter().enumerate() {
            close(car.st[k / 4][k % 4], *expected, 2e-6, "state transition");
        }
        // The first response lost digits to single precision in print: 1e-6 absolute.
        assert!((car.pr[0] - pr[0]).abs() < 1e-6);
        for (found, printed) in car.pr.iter().zip(&pr).skip(1) {
            close(*found, *printed, 2e-6, "response");
        }
        // A car on a constant slope stays as it is: exact by theory.
        for k in 0..4 {
            let fixed = car.st[k][0] + car.st[k][2] + car.pr[k];
            // (Columns of the slopes of body and wheel.)
            let expected = if k % 2 == 0 { 1.0 } else { 0.0 };
            assert!((fixed - expected).abs() < 1e-11, "row {k}: {fixed}");
        }
    }
}

fn profile(length_m: f64, step: f64, z: impl Fn(f64) -> f64) -> Vec<f64> {
    let n = surface_core::numeric::to_index(length_m / step + 0.5);
    (0..=n).map(|k| z(k as f64 * step)).collect()
}

/// Computed once from the definition with exact matrices in numpy; not published.
#[test]
fn triangle_step_and_sine_have_the_roughness_of_the_definition() {
    let triangle = |x: f64| 0.01 * (1.0 - (x - 21.0).abs()).max(0.0);
    for (step, expected) in [
        (0.025, 0.348665),
        (0.05, 0.348859),
        (0.1, 0.347100),
        (0.25, 0.355246),
    ] {
        let found = iri_mm_per_m(&profile(100.0, step, triangle), step).unwrap();
        close(found, expected, 2e-4, &format!("triangle at {step}"));
    }
    let sine = |x: f64| 1e-3 * (TAU * x / 2.5).sin();
    for (step, expected) in [
        (0.025, 2.57432),
        (0.05, 2.57430),
        (0.1, 2.55053),
        (0.25, 2.47497),
    ] {
        let strokes = suspension_strokes(&profile(1000.0, step, sine), step);
        let settled = &strokes[surface_core::numeric::to_index(100.0 / step)..];
        let found = 1e3 * settled.iter().sum::<f64>() / settled.len() as f64;
        close(found, expected, 3e-4, &format!("sine at {step}"));
    }
    let grade = profile(100.0, 0.05, |x| 0.05 * x);
    assert!(iri_mm_per_m(&grade, 0.05).unwrap() < 1e-9);
}

/// IRI over σ of white noise, computed from the definition (not published), and a Monte-Carlo
/// run of 5 km that agreed with it to 1.5 %.
#[test]
fn white_noise_adds_roughness_as_the_definition_says() {
    for (step, expected) in [(0.05, 0.752), (0.1, 1.032), (0.25, 1.588)] {
        let mut rng = Rng::stream(&[11]);
        let noise = profile(20_000.0, step, |_| 0.0);
        let noise: Vec<f64> = noise.iter().map(|_| 1e-3 * rng.normal()).collect();
        close(iri_mm_per_m(&noise, step).unwrap(), expected, 0.02, "noise");
    }
}

#[test]
fn a_straightedge_over_sine_and_sag_has_the_exact_gap() {
    let step = 0.01;
    for (wave, expected_mm) in [
        (3.0, 2.0),
        (4.0, 1.7071),
        (6.0, 1.0),
        (10.0, 0.4122),
        (20.0, 0.1090),
    ] {
        let z = profile(60.0, step, |x| 1e-3 * (TAU * x / wave).sin());
        let deepest = |gaps: Vec<Option<surface_core::roughness::Gap>>| {
            gaps.iter().flatten().map(|g| g.depth_m).fold(0.0, f64::max)
        };
        let found = 1e3 * deepest(straightedge_gaps(&z, step));
        // The samples miss the exact crest by up to half a step.
        close(found, expected_mm, 1e-3, &format!("sine of {wave} m"));
    }
    for radius in [500.0, 2000.0] {
        let z = profile(10.0, step, |x| 0.5 * (x - 5.0).powi(2) / radius);
        let found = straightedge_gaps(&z, step)[300].unwrap().depth_m;
        close(found, 9.0 / (8.0 * radius), 1e-6, "sag");
        let crest: Vec<f64> = z.iter().map(|v| -v).collect();
        assert!(straightedge_gaps(&crest, step)[300].unwrap().depth_m < 1e-12);
    }
    // A rolling straightedge reads |1 − cos(πB/L)|·a and is blind at L = B/2.
    for (wave, expected) in [(1.5, 0.0), (3.0, 2.0), (6.0, 1.0), (12.0, 0.2929)] {
        let z = profile(60.0, step, |x| (TAU * x / wave).cos());
        let most = rolling_gaps(&z, step)
            .iter()
            .map(|g| g.depth_m.abs())
            .fold(0.0, f64::max);
        assert!((most - expected).abs() < 2e-4, "{wave}: {most}");
    }
}

#[test]
fn the_radius_rule_is_one_vertical_acceleration_at_every_speed() {
    for speed in [100.0, 200.0, 300.0] {
        let (rule, v) = (RadiusRule::at(speed), speed / 3.6);
        close(v * v / rule.sag_m, 20.0 / 12.96, 1e-12, "sag");
        close(v * v / rule.crest_m, 15.0 / 12.96, 1e-12, "crest");
    }
}

/// A road of ISO 8608 by Parseval's sum: level and exponent come back, and the IRI is
/// 0.5424·√(G(n₀)/10⁻⁶) (computed from the definition).
#[test]
fn a_road_of_known_spectrum_gives_its_level_exponent_and_roughness_back() {
    let (level, step, n): (f64, f64, i32) = (16e-6, 0.05, 1 << 16);
    let length = f64::from(n) * step;
    let mut rng = Rng::stream(&[5]);
    let waves: Vec<(f64, f64, f64)> = (33..20_000)
        .step_by(13)
        .map(|k| {
            let f = f64::from(k) / length;
            let a = (2.0 * level * (f / 0.1).powi(-2) * 13.0 / length).sqrt();
            (TAU * f, a, rng.between(0.0, TAU))
        })
        .collect();
    let z: Vec<f64> = (0..n)
        .map(|k| {
            let x = f64::from(k) * step;
            waves.iter().map(|(w, a, p)| a * (w * x + p).cos()).sum()
        })
        .collect();
    let mut spectra = CrossSpectra::new(2048, step, 1);
    spectra.add(&[&z]);
    let found = bands(&spectra, 0, 3);
    // Octaves are what the product fits.
    for bands in [&found, &bands(&spectra, 0, 1)] {
        let fit = fit_iso8608(bands).unwrap();
        println!("level {:.3e}, exponent {:.3}", fit.level_m3, fit.exponent);
        close(fit.level_m3, level, 0.1, "level");
        close(fit.exponent, 2.0, 0.03, "exponent");
        assert_eq!(fit.class, 'A');
    }
    let inside = |b: &&surface_core::roughness::Band| {
        let truth = level * (b.n_per_m / 0.1).powi(-2);
        (b.interval_m3[0]..b.interval_m3[1]).contains(&truth)
    };
    let held = found.iter().filter(inside).count();
    println!("{held} of {} intervals hold the truth", found.len());
    assert!(held * 10 >= found.len() * 9);
    close(
        iri_mm_per_m(&z, step).unwrap(),
        0.5424 * 4.0,
        0.04,
        "IRI of class A",
    );
}

fn numbers(text: &str) -> BTreeMap<String, Vec<f64>> {
    let row = |line: &str| {
        let mut words = line.split_whitespace();
        let name = words.next()?.to_owned();
        Some((name, words.filter_map(|w| w.parse().ok()).collect()))
    };
    text.lines().filter_map(row).collect()
}

fn all_close(found: &[f64], expected: &[f64], relative: f64, what: &str) {
    assert_eq!(found.len(), expected.len(), "{what}");
    let most = expected.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    for (k, (f, e)) in found.iter().zip(expected).enumerate() {
        let slack = relative * e.abs() + 1e-14 * most;
        assert!((f - e).abs() <= slack, "{what}[{k}]: {f} against {e}");
    }
}

#[test]
fn scipy_finds_the_same_spectra_transitions_and_roughness() {
    let Some(python) = python::venv() else {
        return;
    };
    let mut rng = Rng::stream(&[3]);
    let (mut a, mut walk) = (Vec::new(), 0.0);
    for _ in 0..4000 {
        walk += 1e-3 * rng.normal();
        a.push(walk);
    }
    let b: Vec<f64> = a.iter().map(|v| 0.7 * v + 5e-4 * rng.normal()).collect();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("series.txt");
    let rows: String = a
        .iter()
        .zip(&b)
        .map(|(a, b)| format!("{a:e} {b:e}\n"))
        .collect();
    std::fs::write(&path, rows).unwrap();
    let said = numbers(&python::run(&python, "roughness_reference.py", &[&path]).unwrap());

    let mut spectra = CrossSpectra::new(256, 0.05, 2);
    spectra.add(&[&a, &b]);
    let re = |i, j| {
        spectra
            .density(i, j)
            .iter()
            .map(|c| c.re)
            .collect::<Vec<f64>>()
    };
    let im: Vec<f64> = spectra.density(0, 1).iter().map(|c| c.im).collect();
    // Bin 0 is what is left of the line: nothing but rounding.
    all_close(&re(0, 0)[1..], &said["welch"][1..], 1e-9, "welch");
    all_close(&re(0, 1)[1..], &said["cross_re"][1..], 1e-9, "cross_re");
    let sizes: Vec<f64> = spectra.density(0, 1).iter().map(|c| c.norm()).collect();
    for k in 1..im.len() {
        assert!(
            (im[k] - said["cross_im"][k]).abs() <= 1e-9 * sizes[k],
            "cross_im {k}"
        );
    }
    for dof in [1.0, 3.7, 20.0, 400.0] {
        let ours = [0.025, 0.5, 0.975].map(|p| chi_square_quantile(p, dof));
        all_close(&ours, &said[&format!("chi2_{dof:?}")], 1e-9, "chi2");
    }
    for step in [0.25, 0.1, 0.05] {
        let car = QuarterCar::new(step, IRI_SPEED_M_S);
        let st: Vec<f64> = car.st.iter().flatten().copied().collect();
        all_close(&st, &said[&format!("st_{step}")], 1e-9, "st");
        all_close(&car.pr, &said[&format!("pr_{step}")], 1e-9, "pr");
    }
    close(iri_mm_per_m(&a, 0.05).unwrap(), said["iri"][0], 1e-9, "iri");
}

/// Mean under a Gaussian window of standard deviation `sigma` (samples).
fn smoothed(z: &[f64], sigma: f64) -> Vec<f64> {
    let reach = surface_core::numeric::to_index(4.0 * sigma);
    let weight = |d: usize| (-0.5 * (d as f64 / sigma).powi(2)).exp();
    let one = |k: usize| {
        let around = k.saturating_sub(reach)..(k + reach + 1).min(z.len());
        let (sum, all) = around.fold((0.0, 0.0), |(sum, all), i| {
            let w = weight(i.abs_diff(k));
            (sum + w * z[i], all + w)
        });
        sum / all
    };
    (0..z.len()).map(one).collect()
}

/// Points of a half: Poisson's numbers with this mean a station, noise of 0.5 mm a point.
fn half(road: &[f64], per_station: impl Fn(usize) -> f64, rng: &mut Rng) -> PointMeans {
    let counts: Vec<u32> = (0..road.len())
        .map(|k| {
            let (limit, mut product, mut n) = ((-per_station(k)).exp(), rng.unit(), 0);
            while product > limit {
                (product, n) = (product * rng.unit(), n + 1);
            }
            n
        })
        .collect();
    let mean = |(z, n): (&f64, &u32)| match n {
        0 => f64::NAN,
        n => z + 5e-4 * rng.normal() / f64::from(*n).sqrt(),
    };
    let z_m = road.iter().zip(&counts).map(mean).collect();
    let profile = Profile {
        step_m: 0.05,
        z_m,
        closed: false,
    };
    PointMeans {
        profile,
        counts,
        left_out: 0,
    }
}

/// Stations of the simulated road, 3 km at 0.05 m, and how many of them are seen well: its last
/// kilometre has a tenth of the points.
const STATIONS: [usize; 2] = [60_000, 40_000];

/// A random walk with G = 4·10⁻⁸·n⁻² m³: of steps s it has G = 2s²/((2πn)²h).
fn walked_road(stations: usize, rng: &mut Rng) -> Vec<f64> {
    let step = (4e-8 * TAU * TAU * 0.05 / 2.0f64).sqrt();
    let mut walk = 0.0;
    let mut next = |_| {
        walk += step * rng.normal();
        walk
    };
    (0..stations).map(&mut next).collect()
}

/// The surface of a half: a Gaussian window over the road and a noise of its own, wider where
/// points are few; gain ½ at 5.34 σ.
fn fitted(road: &[f64], rng: &mut Rng) -> Profile {
    let noisy: Vec<f64> = road.iter().map(|z| z + 3e-4 * rng.normal()).collect();
    let mut z_m = smoothed(&noisy, 2.0);
    if road.len() > STATIONS[1] {
        let sparse = smoothed(&noisy, 6.0);
        z_m[STATIONS[1]..].copy_from_slice(&sparse[STATIONS[1]..]);
    }
    Profile {
        step_m: 0.05,
        z_m,
        closed: false,
    }
}

/// Of the windows between two stations (those that hold both kinds of points left out): mean λ,
/// its scatter, and the share that is told.
fn told(along: &[WavelengthAt], window_m: f64, [from_m, to_m]: [f64; 2]) -> [f64; 3] {
    let half = 0.5 * window_m;
    let inside = |w: &&WavelengthAt| w.from_m >= from_m + half && w.to_m <= to_m - half;
    let all: Vec<Option<f64>> = along.iter().filter(inside).map(|w| w.resolved_m).collect();
    let told: Vec<f64> = all.iter().copied().flatten().collect();
    let mean = told.iter().sum::<f64>() / told.len() as f64;
    let square = told.iter().map(|v| (v / mean - 1.0).powi(2)).sum::<f64>() / told.len() as f64;
    let share = told.len() as f64 / all.len() as f64;
    println!(
        "windows of {window_m} m from {from_m} m: {:.0} % told, λ {mean:.3} m ± {:.1} %",
        100.0 * share,
        100.0 * square.sqrt()
    );
    [mean, square.sqrt(), share]
}

/// Under every tripod the points of a half lack: no segment of 102 m is whole then.
#[test]
fn holes_every_forty_metres_leave_a_path_its_spectrum() {
    let mut rng = Rng::stream(&[23]);
    let road = walked_road(8000, &mut rng);
    let points = |k: usize| if k % 800 < 40 { 0.0 } else { 1.5 };
    let [a, b] = [0, 1].map(|_| half(&road, points, &mut rng));
    let fits = [0, 1].map(|_| fitted(&road, &mut rng));
    let track = TrackProfiles {
        surface: fits[0].clone(),
        points: [a, b],
        fits,
    };
    let (bands, segment_m) = Halved::new(&track, &[]).bands(2048, 10.0);
    assert!(segment_m < 40.0, "{segment_m} m hold a hole each");
    let (longest, shortest) = (bands.first().unwrap(), bands.last().unwrap());
    assert!(longest.wavelength_m > 7.0 && shortest.wavelength_m < 0.2);
    let told = surface_core::roughness::resolved_wavelength_m(&bands).unwrap();
    assert!((0.3..1.2).contains(&told), "{told}");
}

/// 300 m of open road without a hole: two tracks of five have no surface, as beside an edge.
#[test]
fn tracks_off_the_paving_are_not_missed() {
    let mut rng = Rng::stream(&[25]);
    let road = walked_road(6000, &mut rng);
    let fits = [0, 1].map(|_| fitted(&road, &mut rng));
    let mut track = || TrackProfiles {
        surface: fits[0].clone(),
        points: [0, 1].map(|_| half(&road, |_| 1.5, &mut rng)),
        fits: fits.clone(),
    };
    let middle = track();
    let mut beside: Vec<TrackProfiles> = (1..TRACKS).map(|_| track()).collect();
    for off in &mut beside[2..] {
        off.surface.z_m.fill(f64::NAN);
        for half in &mut off.points {
            half.profile.z_m.fill(f64::NAN);
            half.counts.fill(0);
        }
    }
    let some = Halved::new(&middle, &beside);
    let own = Halved::new(&middle, &beside[..2]);
    let (bands, segment_m) = some.bands(2048, 10.0);
    assert!((segment_m - 102.4).abs() < 1e-6, "{segment_m}");
    assert_eq!(bands, own.bands(2048, 10.0).0);
    assert_eq!(some.along(100.0), own.along(100.0));
    // A limit on waves of 1 to 3 m is not kept where those of 1 m cannot be told.
    assert!(worst_band_db(&bands).is_some());
    let long = bands.iter().filter(|b| b.wavelength_m > 1.5).copied();
    assert_eq!(worst_band_db(&long.collect::<Vec<_>>()), None);
}

/// The last quarter of a road is three times as rough, and one half of the points lacks there: the
/// surface tells how rough the whole path is.
#[test]
fn the_road_of_a_path_is_told_where_one_half_of_the_points_lacks() {
    let mut rng = Rng::stream(&[24]);
    let mut road = walked_road(8000, &mut rng);
    let start = road[6000];
    for z in &mut road[6000..] {
        *z = start + 3.0 * (*z - start);
    }
    let lacking = |k: usize| if k < 6000 { 1.5 } else { 0.0 };
    let points = [
        half(&road, lacking, &mut rng),
        half(&road, |_| 1.5, &mut rng),
    ];
    let fits = [0, 1].map(|_| fitted(&road, &mut rng));
    let track = TrackProfiles {
        surface: fits[0].clone(),
        points,
        fits,
    };
    let (bands, _) = Halved::new(&track, &[]).bands(2048, 10.0);
    let band = bands.iter().find(|b| b.wavelength_m < 2.1).unwrap();
    let [low, high] = band.limits_per_m;
    let mut truth = CrossSpectra::new(1024, 0.05, 1);
    truth.add(&[&road]);
    let real: Vec<f64> = truth.density(0, 0).iter().map(|c| c.re).collect();
    let known = surface_core::roughness::band_mean(&real, truth.bin_per_m(), low, high);
    // Where both halves have points the road has a third of it.
    let share = band.road_m3 / known;
    assert!((share - 1.0).abs() < 0.25, "{share}");
    // A surface a quarter too high has 1.9 dB too much in every band.
    let mut high = track.clone();
    high.surface.z_m.iter_mut().for_each(|z| *z *= 1.25);
    let of_100_m = |t: &TrackProfiles| Halved::new(t, &[]).bands_of(0..2000);
    for (own, high) in of_100_m(&track).iter().zip(of_100_m(&high)).take(5) {
        let more_db = high.surface_db.unwrap() - own.surface_db.unwrap();
        assert!(
            (more_db - 1.94).abs() < 0.7,
            "{more_db} dB at {} m",
            own.wavelength_m
        );
    }
    let worst = worst_band_db(&of_100_m(&high)).unwrap();
    assert!((1.2..3.0).contains(&worst), "{worst}");
}

/// Of 100 m, 35 m have no surface: the rest tells λ, as dense as its points are.
#[test]
fn a_hole_is_no_thin_place() {
    let mut rng = Rng::stream(&[22]);
    let road = walked_road(2000, &mut rng);
    let hole = 600..1300;
    let points = |k: usize| if hole.contains(&k) { 0.0 } else { 1.5 };
    let [a, b] = [0, 1].map(|_| half(&road, points, &mut rng));
    let mut fits = [0, 1].map(|_| fitted(&road, &mut rng));
    fits.iter_mut()
        .for_each(|f| f.z_m[hole.clone()].fill(f64::NAN));
    let track = TrackProfiles {
        surface: fits[0].clone(),
        points: [a, b],
        fits,
    };
    let halved = Halved::new(&track, &[]);
    // The 20 m around 50 m are told by the 100 m around them, which is all that there is.
    let along = halved.along(100.0);
    let around = |w: &&WavelengthAt| w.from_m < 50.0 && w.to_m > 50.0;
    let middle = along.iter().find(around).expect("a window about 50 m");
    let resolved_m = middle.resolved_m.expect("65 m of dense road tell it");
    assert!((0.3..1.2).contains(&resolved_m), "{resolved_m}");
}

#[test]
fn wavelengths_of_windows_scatter_about_the_truth() {
    let mut rng = Rng::stream(&[21]);
    let road = walked_road(STATIONS[0], &mut rng);
    let per_station = |k: usize| if k < STATIONS[1] { 1.5 } else { 0.15 };
    let [fit_a, fit_b] = [0, 1].map(|_| fitted(&road, &mut rng));
    let both = fit_a.z_m.iter().zip(&fit_b.z_m).map(|(a, b)| 0.5 * (a + b));
    let surface = Profile {
        z_m: both.collect(),
        ..fit_a.clone()
    };
    // Side by side the road and the noise of the fits are nearly the same, points are others.
    let mut track = || TrackProfiles {
        surface: surface.clone(),
        points: [0, 1].map(|_| half(&road, per_station, &mut rng)),
        fits: [fit_a.clone(), fit_b.clone()],
    };
    let (middle, beside) = (track(), (1..TRACKS).map(|_| track()).collect::<Vec<_>>());
    let halved = Halved::new(&middle, &beside);
    for window_m in [25.0, 50.0, 100.0, 200.0] {
        let along = halved.along(window_m);
        let dense = told(&along, window_m, [0.0, 2000.0]);
        let sparse = told(&along, window_m, [2000.0, 3000.0]);
        if window_m >= 100.0 {
            let near = (dense[0] / 0.534 - 1.0).abs() < 0.1 && dense[1] < 0.2;
            assert!(near, "{dense:?}");
            let near = (sparse[0] / 1.60 - 1.0).abs() < 0.15 && sparse[2] > 0.8;
            assert!(near, "{sparse:?}");
        }
    }
    let density = |k: usize| halved.along(100.0)[k].points_per_m2;
    assert!((density(10) / 600.0 - 1.0).abs() < 0.1 && (density(140) / 60.0 - 1.0).abs() < 0.3);
}
