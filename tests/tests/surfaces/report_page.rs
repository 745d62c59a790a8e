//! The report page: what it holds against the build it comes from, and that it works in a browser.

use std::io::Read;
use std::path::Path;

use surface_core::build::{FitParams, fit};
use surface_core::export::FieldStore;
use surface_core::progress::Silent;
use surface_core::ribbon::Ribbon;
use surface_tests::browser;
use surface_tests::proving::{CourseSpec, ScanParams, demo};

/// The page's elements by name.
struct Page(String);

impl Page {
    fn read(path: &Path) -> Self {
        Self(std::fs::read_to_string(path).unwrap())
    }

    fn text(&self, name: &str) -> Option<&str> {
        let mark = format!("id=\"data-{name}\">");
        let (_, rest) = self.0.split_once(&mark)?;
        Some(rest.split_once("</script>").unwrap().0)
    }

    fn json(&self, name: &str) -> serde_json::Value {
        serde_json::from_str(self.text(name).unwrap()).unwrap()
    }

    /// The symbols of a stream: differences, `None` where there is no value.
    fn symbols(&self, name: &str) -> Vec<Option<i64>> {
        let mut bytes = Vec::new();
        let packed = from_base64(self.text(name).unwrap());
        flate2::read::DeflateDecoder::new(&packed[..])
            .read_to_end(&mut bytes)
            .unwrap();
        let mut out = Vec::new();
        let (mut value, mut shift) = (0u64, 0);
        for byte in bytes {
            value |= u64::from(byte & 0x7f) << shift;
            shift += 7;
            if byte < 0x80 {
                let unzigzag = |z: u64| (z >> 1).cast_signed() ^ -(z & 1).cast_signed();
                out.push(value.checked_sub(1).map(unzigzag));
                (value, shift) = (0, 0);
            }
        }
        out
    }
}

fn from_base64(text: &str) -> Vec<u8> {
    let six = |letter: u8| match letter {
        b'A'..=b'Z' => letter - b'A',
        b'a'..=b'z' => letter - b'a' + 26,
        b'0'..=b'9' => letter - b'0' + 52,
        b'+' => 62,
        b'/' => 63,
        _ => panic!("{letter} is no letter of base64"),
    };
    let (mut bits, mut have, mut out) = (0u32, 0, Vec::new());
    for letter in text.bytes().filter(|&l| l != b'=') {
        bits = (bits << 6) | u32::from(six(letter));
        have += 6;
        if have >= 8 {
            have -= 8;
            out.push(u8::try_from((bits >> have) & 0xff).unwrap());
        }
    }
    out
}

/// Values in turn from their differences.
fn summed(symbols: &[Option<i64>]) -> Vec<Option<i64>> {
    let mut last = 0;
    let mut next = |difference: &Option<i64>| {
        last += (*difference)?;
        Some(last)
    };
    symbols.iter().map(&mut next).collect()
}

/// Heights of a section from their symbols, rows of `columns`.
fn heights(symbols: &[Option<i64>], columns: usize) -> Vec<Option<i64>> {
    let mut out: Vec<Option<i64>> = Vec::new();
    let mut last = 0;
    for (k, symbol) in symbols.iter().enumerate() {
        let at = |k: usize| out[k];
        let inner = k >= columns && k % columns > 0;
        let plane = inner
            .then(|| Some(at(k - 1)? + at(k - columns)? - at(k - columns - 1)?))
            .flatten();
        let value = symbol.map(|d| plane.unwrap_or(last) + d);
        last = value.unwrap_or(last);
        out.push(value);
    }
    out
}

fn rows_of(head: &serde_json::Value, which: usize) -> Vec<usize> {
    let sections = head["sections"].as_array().unwrap();
    let rows = |s: &serde_json::Value| surface_core::numeric::to_index(s[which].as_f64().unwrap());
    sections.iter().map(rows).collect()
}

/// The page's heights and edges are the field's and the ribbon's, to half a step.
fn holds_the_field(page: &Page, build: &Path) {
    let head = page.json("head");
    let (store, origin) = FieldStore::open(&build.join("field")).unwrap();
    let lattice = *store.lattice();
    assert_eq!(head["origin_m"], serde_json::json!(origin));
    assert_eq!(head["nodes"]["columns"], lattice.columns);
    let text = std::fs::read_to_string(build.join("ribbon.geojson")).unwrap();
    let ribbon = Ribbon::from_geojson(&text).unwrap();
    let (z, edges) = (page.symbols("heights"), page.symbols("edges"));
    let (mut from_z, mut from_edge, mut compared) = (0, 0, 0);
    for (section, rows) in rows_of(&head, 3).into_iter().enumerate() {
        let field = store.section_and_next(section).unwrap();
        let own = heights(&z[from_z..from_z + rows * lattice.columns], lattice.columns);
        let mut column =
            (0..4).map(|k| summed(&edges[from_edge + k * rows..from_edge + (k + 1) * rows]));
        let (right, left) = (column.next().unwrap(), column.next().unwrap());
        let (z_right, z_left) = (column.next().unwrap(), column.next().unwrap());
        let same = |packed: Option<i64>, z_m: f64| match packed {
            Some(v) => (v as f64 * 1e-4 - z_m).abs() <= 0.5001e-4,
            None => z_m.is_nan(),
        };
        for row in 0..rows {
            for c in 0..lattice.columns {
                let k = row * lattice.columns + c;
                assert!(
                    same(own[k], field.z_m[k]),
                    "section {section}, row {row}, column {c}"
                );
                compared += usize::from(own[k].is_some());
            }
            assert!(
                same(z_right[row], field.right[row].z_m) && same(z_left[row], field.left[row].z_m)
            );
            let s = lattice.row_s_m(field.first_row + row);
            let off = |packed: Option<i64>, t: f64| (packed.unwrap() as f64 * 1e-3 - t).abs();
            assert!(off(right[row], ribbon.edges.right_m(s)) <= 0.5001e-3);
            assert!(off(left[row], ribbon.edges.left_m(s)) <= 0.5001e-3);
        }
        from_z += rows * lattice.columns;
        from_edge += 4 * rows;
    }
    assert_eq!((from_z, from_edge), (z.len(), edges.len()));
    assert!(compared > 100_000, "{compared} heights");
}

/// Every layer has a symbol for every cell; densities add up to the points held to the surface.
fn holds_the_cells(page: &Page, report: &serde_json::Value) {
    let head = page.json("head");
    let columns = surface_core::numeric::to_index(head["cells"]["columns"].as_f64().unwrap());
    let rows = rows_of(&head, 2);
    let cells: usize = rows.iter().sum::<usize>() * columns;
    let names: Vec<&str> = head["layers"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| l["name"].as_str().unwrap())
        .collect();
    assert_eq!(
        names,
        [
            "deviation",
            "sigma",
            "wavelength",
            "density",
            "crossfall",
            "intensity"
        ]
    );
    for name in &names {
        assert_eq!(page.symbols(name).len(), cells, "{name}");
    }
    // The median of a layer against the report's own: a wrong unit would be off by tens.
    let sigma = page.symbols("sigma");
    let mut from = 0;
    let (mut all, mut known) = (Vec::new(), 0);
    for rows in rows {
        let own = summed(&sigma[from..from + rows * columns]);
        all.extend(own.into_iter().flatten());
        from += rows * columns;
    }
    all.sort_unstable();
    known += all.len();
    let median_mm = all[known / 2] as f64 * 0.01;
    let told_mm = report["field"]["sigma_median_mm"].as_f64().unwrap();
    assert!(
        (median_mm / told_mm - 1.0).abs() < 0.1,
        "{median_mm} of {told_mm} mm"
    );
    let judged = page.symbols("deviation").iter().flatten().count();
    assert_eq!(
        judged as u64,
        report["deviation"]["coverage"]["cells_judged"]
            .as_u64()
            .unwrap()
    );
}

/// The report is the build's own, without what differs from run to run; spots have sections.
fn holds_the_report(page: &Page, report: &serde_json::Value) {
    let (mut told, mut lasting) = (page.json("report"), report.clone());
    let [run, real] = [&mut told, &mut lasting].map(|r| r["run"].take());
    assert_eq!(
        (&run["threads"], &run["stages"]),
        (&0.into(), &serde_json::json!([]))
    );
    assert!(real["threads"].as_u64() > Some(0));
    assert!(told == lasting, "the page holds another report");
    let head = page.json("head");
    let spots = head["spots"].as_array().unwrap();
    assert_eq!(spots.len(), report["spots"].as_array().unwrap().len());
    let number = |v: &serde_json::Value| surface_core::numeric::to_index(v.as_f64().unwrap());
    let sizes = |p: &serde_json::Value| number(&p["samples"]) + 2 * number(&p["points"]);
    let total: usize = spots
        .iter()
        .map(|s| sizes(&s["across"]) + sizes(&s["along"]))
        .sum();
    assert_eq!(page.symbols("profiles").len(), total);
    assert!(spots.iter().all(|s| number(&s["across"]["points"]) > 0));
}

fn report_of(build: &Path) -> serde_json::Value {
    serde_json::from_str(&std::fs::read_to_string(build.join("report.json")).unwrap()).unwrap()
}

fn fit_course(dir: &Path, spec: &CourseSpec, params: &ScanParams) -> std::path::PathBuf {
    let scan = demo::write_course(&dir.join("scan"), spec, params).unwrap();
    let build = dir.join("build");
    fit(&[scan.cloud], &build, &FitParams::default(), &mut Silent).unwrap();
    build
}

#[test]
fn the_committed_page_is_what_its_sources_make() {
    if let Some((same, said)) = browser::check_bundle().unwrap() {
        assert!(same, "{said}");
    }
}

#[test]
fn the_page_of_a_small_course_holds_the_build_and_works_in_a_browser() {
    let dir = tempfile::tempdir().unwrap();
    let params = ScanParams {
        azimuth_step_rad: 4e-3,
        elevation_step_rad: 1e-3,
        ..ScanParams::demo().thinned(0.15)
    };
    let build = fit_course(dir.path(), &CourseSpec::oval(), &params);
    let page = Page::read(&build.join("report.html"));
    let report = report_of(&build);
    holds_the_field(&page, &build);
    holds_the_cells(&page, &report);
    holds_the_report(&page, &report);
    if let Some((works, said)) = browser::use_page(&build.join("report.html"), &[]).unwrap() {
        println!("{said}");
        assert!(works, "{said}");
    }
}

/// Not part of the tests because it measures time: run it alone on a quiet machine.
#[test]
#[ignore = "scans and fits four kilometres, and measures time"]
fn the_page_of_four_kilometres_is_small_and_opens_in_three_seconds() {
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join("four-kilometres");
    let page = dir.join("build/report.html");
    if !page.exists() {
        fit_course(&dir, &CourseSpec::of_length(4000.0), &ScanParams::demo());
    }
    let bytes = std::fs::metadata(&page).unwrap().len();
    println!("{:.2} MB", bytes as f64 / 1e6);
    assert!(bytes <= 15_000_000);
    if let Some((works, said)) = browser::use_page(&page, &["--time"]).unwrap() {
        println!("opens in {said} ms");
        assert!(works, "{said}");
        assert!(said.trim().parse::<f64>().unwrap() < 3000.0, "{said} ms");
    }
}
