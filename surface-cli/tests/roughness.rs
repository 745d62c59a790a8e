//! `surface roughness` as a user runs it: on a build of an invented oval.

use std::path::Path;
use std::process::{Command, Output};

use surface_core::mesh::SurfaceMesh;
use surface_core::numeric::CrossSpectra;
use surface_core::report::RoughnessReport;
use surface_core::roughness::bands;
use surface_tests::proving::laz::CloudWriter;
use surface_tests::proving::scanner::scan;
use surface_tests::proving::{Course, CourseSpec, ScanParams};
use surface_tests::python;

fn surface(args: &[&str], files: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    command
        .args(&args[..1])
        .args(files)
        .args(&args[1..])
        .output()
        .unwrap()
}

fn said(run: &Output) -> String {
    String::from_utf8_lossy(&run.stdout).into_owned() + &String::from_utf8_lossy(&run.stderr)
}

/// The scan of the oval, of whose western half every tenth point is left.
fn write_half_thin(path: &Path) {
    let course = Course::build(&CourseSpec::oval()).unwrap();
    let params = ScanParams::demo().thinned(0.05);
    let mut writer = CloudWriter::create(path).unwrap();
    scan(&course, &params, &mut |setup, mut returns| {
        returns.keep(|k, [x, _]| x > 40.0 || k % 10 == 0);
        writer.write(setup, &returns)
    })
    .unwrap();
    println!("{} points", writer.finish().unwrap());
}

/// Mean of the wavelengths of wavelength.csv where points are dense, and where they are thin.
fn wavelengths(csv: &str) -> [f64; 2] {
    let mut parts = [Vec::new(), Vec::new()];
    for line in csv.lines().skip(1) {
        println!("{line}");
        let cells: Vec<&str> = line.split(',').collect();
        let density: f64 = cells[6].parse().unwrap();
        let lambda: Option<f64> = cells[4].parse().ok();
        parts[usize::from(density < 300.0)].extend(lambda);
    }
    parts.map(|p| p.iter().sum::<f64>() / p.len() as f64)
}

/// pyarrow finds the CSV's rows in the Parquet file, names of paths and all.
fn parquet_is_the_csv(rough: &Path) {
    let Some(python) = python::venv() else {
        return;
    };
    let files = ["profiles.parquet", "profiles.csv"].map(|name| rough.join(name));
    let told = python::run(&python, "read_parquet.py", &[&files[0], &files[1]]).unwrap();
    let found: serde_json::Value = serde_json::from_str(&told).unwrap();
    assert_eq!(found["same_names"], true, "{found}");
    assert_eq!(found["rows"], found["csv_rows"], "{found}");
    // Three decimals of the way.
    assert!(found["worst"].as_f64().unwrap() < 5.1e-4, "{found}");
}

/// The page has the verdict, every picture and every event, and asks for nothing else.
fn page_is_whole(rough: &Path, said: &str) {
    let read = |name: &str| std::fs::read_to_string(rough.join(name)).unwrap();
    let page = read("roughness.html");
    let verdict = said.lines().find_map(|l| l.split_once("this mesh carries"));
    assert!(page.contains("This mesh carries") && verdict.is_some());
    for name in [
        "spectrum",
        "coherence",
        "wavelength",
        "iri",
        "straightedge",
        "events",
    ] {
        assert!(page.contains(&read(&format!("{name}.svg"))), "{name}");
    }
    let events = read("events.csv").lines().count() - 1;
    assert!(
        events > 0 && page.matches("<td>bump<").count() > 0,
        "{events}"
    );
    let shown = read("events.svg").matches("m/s² at").count();
    assert_eq!(shown, events.min(100), "strips");
    for outside in ["<script", "<link", "src=", "url(http", "@import"] {
        assert!(!page.contains(outside), "{outside}");
    }
    // Names of clip paths differ, and every one that is used is there.
    let mut ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .filter_map(|p| p.split('"').next())
        .collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all);
}

/// Places of the stations of both paths, world metres.
fn stations(rough: &Path) -> Vec<Vec<[f64; 2]>> {
    let csv = std::fs::read_to_string(rough.join("profiles.csv")).unwrap();
    ["left", "right"]
        .map(|name| {
            let own = csv.lines().filter(|l| l.starts_with(name));
            let place = |line: &str| {
                let cells: Vec<&str> = line.split(',').collect();
                [4, 5].map(|k| cells[k].parse::<f64>().unwrap())
            };
            own.map(place).collect()
        })
        .to_vec()
}

fn mesh(path: &Path) -> SurfaceMesh {
    let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
    SurfaceMesh::read(file, path).unwrap()
}

fn heights(mesh: &SurfaceMesh, places: &[[f64; 2]]) -> Vec<f64> {
    let o = mesh.origin_m();
    let local: Vec<[f64; 2]> = places.iter().map(|p| [p[0] - o[0], p[1] - o[1]]).collect();
    let mut z = vec![f64::NAN; local.len()];
    mesh.heights_at(&local, &mut z);
    z
}

/// Density at n, straight between the logarithms of known bands; none outside of them.
fn density(known: &[[f64; 2]], n: f64) -> Option<f64> {
    let pair = known.windows(2).find(|p| p[0][0] <= n && n < p[1][0])?;
    let [[na, ga], [nb, gb]] = [pair[0], pair[1]];
    Some(ga * (gb / ga).powf((n / na).ln() / (nb / na).ln()))
}

/// Export the build as PLY, with a texture where a seed is given; what was said, and the file.
fn exported(dir: &Path, name: &str, seed: Option<&str>) -> (String, Vec<u8>) {
    let text = |name: &str| dir.join(name).display().to_string();
    let (out, rough) = (text(name), text("kept"));
    let mut args = vec!["export", "--to", "ply", "--out", &out];
    if let Some(seed) = seed {
        args.extend(["--texture", &rough, "--seed", seed]);
    }
    let run = surface(&args, &[&dir.join("build")]);
    assert_eq!(run.status.code(), Some(0), "{}", said(&run));
    (said(&run), std::fs::read(dir.join(name)).unwrap())
}

/// The same seed gives the same bytes, and the file and what is said tell what is invented.
fn texture_is_labelled_and_repeatable(dir: &Path) {
    let (plain_said, plain) = exported(dir, "plain.ply", None);
    let (told, textured) = exported(dir, "a.ply", Some("3"));
    assert!(
        !plain_said.contains("invented") && told.contains("the road is invented"),
        "{told}"
    );
    assert_eq!(textured, exported(dir, "b.ply", Some("3")).1);
    assert_ne!(textured, exported(dir, "c.ply", Some("4")).1);
    let head = String::from_utf8_lossy(&textured[..640]).into_owned();
    assert!(head.contains("comment below λ") && plain.len() == textured.len());
}

/// Spectrum along both wheel paths of what `a.ply` has over `plain.ply`.
fn added(dir: &Path) -> CrossSpectra {
    let [plain, textured] = ["plain.ply", "a.ply"].map(|name| mesh(&dir.join(name)));
    let mut spectra = CrossSpectra::new(512, 0.05, 1);
    for places in stations(&dir.join("kept")) {
        let both = heights(&textured, &places)
            .into_iter()
            .zip(heights(&plain, &places));
        let added: Vec<f64> = both.map(|(a, b)| a - b).collect();
        spectra.add(&[&added]);
    }
    spectra
}

/// Of the bands of a part of an octave that `which` (longest and shortest wave) takes: power added
/// over the mean of the road's own, dB.
fn added_db(
    spectra: &CrossSpectra,
    part: u32,
    which: impl Fn(f64, f64) -> bool,
    road: &dyn Fn(f64) -> f64,
) -> Vec<f64> {
    let all = bands(spectra, 0, part);
    let taken = all
        .iter()
        .filter(|b| which(1.0 / b.low_per_m, 1.0 / b.high_per_m));
    let over = |b: &surface_core::roughness::Band| {
        let (low, high) = (b.low_per_m, b.high_per_m);
        let inside = |k: u32| low + (f64::from(k) + 0.5) / 32.0 * (high - low);
        let wanted = (0..32).map(|k| road(inside(k))).sum::<f64>() / 32.0;
        let db = 10.0 * (b.density_m3 / wanted).log10();
        let waves = [1.0 / high, 1.0 / low];
        println!("{waves:.3?} m: {db:+.2} dB of the road was added");
        db
    };
    taken.map(over).collect()
}

/// The texture holds the road's debiased spectrum below λ and nothing above it, by what the JSON
/// beside it says of both.
fn texture_is_the_road_below_lambda(dir: &Path) {
    let json = std::fs::read_to_string(dir.join("a.ply.texture.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let below_m = json["invented_below_m"].as_f64().unwrap();
    let spectrum = &json["spectrum"];
    let known: Vec<[f64; 2]> = serde_json::from_value(spectrum["known"].clone()).unwrap();
    let [level, exponent] = ["level_m3", "exponent"].map(|name| spectrum[name].as_f64().unwrap());
    let road = |n: f64| density(&known, n).unwrap_or_else(|| level * n.powf(-exponent));
    let spectra = added(dir);
    let above = added_db(&spectra, 3, |_, short_m| short_m > 1.3 * below_m, &road);
    let calm = above.iter().all(|db| *db <= -20.0);
    assert!(above.len() > 3 && calm, "{below_m} {above:?}");
    // Printed alone: what straight sides cannot show whole.
    added_db(
        &spectra,
        6,
        |long_m, short_m| long_m < 0.3 && short_m > 0.23,
        &road,
    );
    // Waves of three vertices are the shortest that straight sides show whole; bands are narrow enough
    // for some to lie between those and λ.
    let shown = |long_m: f64, short_m: f64| long_m < below_m && short_m > 0.3;
    let below = added_db(&spectra, 12, shown, &road);
    let whole = below.iter().all(|db| db.abs() <= 1.5);
    assert!(!below.is_empty() && whole, "{below_m} {below:?}");
}

/// Formats without triangles, runs without scans, and a file that is read.
fn texture_is_refused(dir: &Path) {
    let run_of = std::fs::read(dir.join("kept/roughness.json")).unwrap();
    for (format, rough, out, why) in [
        ("opencrg", "kept", "no.crg", "triangles"),
        ("ply", "bare", "no.crg", "wavelength"),
        ("ply", "kept", "kept/roughness.json", "would be replaced"),
    ] {
        let text = |name: &str| dir.join(name).display().to_string();
        let (rough, out) = (text(rough), text(out));
        let args = ["export", "--to", format, "--texture", &rough, "--out", &out];
        let run = surface(&args, &[&dir.join("build")]);
        assert_eq!(run.status.code(), Some(2), "{}", said(&run));
        assert!(said(&run).contains(why), "{}", said(&run));
    }
    assert!(!dir.join("no.crg").exists());
    let left = std::fs::read(dir.join("kept/roughness.json")).unwrap();
    assert_eq!(left, run_of);
}

/// Without scans: indices only, and a limit on λ is refused before anything is written.
fn without_scans_there_are_indices_only(dir: &Path) {
    let at = |name: &str| dir.join(name);
    let text = |name: &str| at(name).display().to_string();
    let bare = surface(&["roughness", "--out", &text("bare")], &[&at("build")]);
    assert_eq!(bare.status.code(), Some(0), "{}", said(&bare));
    assert!(said(&bare).contains("left out") && !at("bare/coherence.svg").exists());
    let refused = [
        "roughness",
        "--require",
        "lambda<=0.5",
        "--out",
        &text("none"),
    ];
    let refused = surface(&refused, &[&at("build")]);
    assert_eq!(refused.status.code(), Some(2), "{}", said(&refused));
    assert!(said(&refused).contains("scans") && !at("none").exists());
}

#[test]
fn limits_decide_the_exit_code_and_a_folder_that_is_no_build_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let text = |name: &str| at(name).display().to_string();
    // Points 50 mm apart at best: enough for halves, and no figure is asked for.
    std::fs::create_dir(at("scan")).unwrap();
    let cloud = at("scan").join("course.laz");
    write_half_thin(&cloud);
    let fitted = surface(
        &["fit", "--tolerance", "50", "--out", &text("build")],
        &[&cloud],
    );
    assert!(at("build/manifest.json").exists(), "{}", said(&fitted));

    without_scans_there_are_indices_only(dir.path());
    // With scans: one limit that any mesh keeps, one that none does.
    let with = |limits: &[&str], out: &str| {
        let out = text(out);
        let limits = limits.iter().flat_map(|limit| ["--require", *limit]);
        let args: Vec<&str> = ["roughness", "--out", &out]
            .into_iter()
            .chain(limits)
            .collect();
        surface(&args, &[&at("build"), &cloud])
    };
    let kept = with(&["straightedge<=1000"], "kept");
    let failed = with(&["straightedge<=0.01", "band-error<=0.001 dB"], "failed");
    assert_eq!(failed.status.code(), Some(1), "{}", said(&failed));
    let not_kept = said(&failed).matches("NOT KEPT").count();
    assert_eq!(not_kept, 2, "{}", said(&failed));
    assert_eq!(kept.status.code(), Some(0), "{}", said(&kept));
    assert!(said(&kept).contains("this mesh carries the road down to"));
    let json = std::fs::read_to_string(at("kept/roughness.json")).unwrap();
    assert!(json.contains("\"format_version\"") && json.contains("\"coherence\""));
    let report: RoughnessReport = serde_json::from_str(&json).unwrap();
    assert_eq!(report.to_json().unwrap(), json);
    let csv = std::fs::read_to_string(at("kept/wavelength.csv")).unwrap();
    let [dense, thin] = wavelengths(&csv);
    println!("λ {dense:.2} m in the mean, {thin:.2} m where a tenth of the points is left");
    assert!(thin > 1.3 * dense, "{dense} {thin}");
    parquet_is_the_csv(&at("kept"));
    page_is_whole(&at("kept"), &said(&kept));
    texture_is_labelled_and_repeatable(dir.path());
    texture_is_the_road_below_lambda(dir.path());
    texture_is_refused(dir.path());

    let nothing = surface(&["roughness", "--out", &text("o")], &[&at("scan")]);
    assert_eq!(nothing.status.code(), Some(2));
    assert!(said(&nothing).contains("ribbon.geojson") && said(&nothing).contains("hint:"));
}
