//! The lists that a rescan writes, read back: they tell all that became of the surface.

use std::collections::HashMap;
use std::path::Path;

use crate::folders::{Records, coordinate};
use surface_core::export::read_ids;
use surface_core::report::{ChangeReport, RescanReport};

/// A table's rows as text by column.
fn rows(path: &Path) -> Vec<HashMap<String, String>> {
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().unwrap().split(',').collect();
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        assert_eq!(cells.len(), head.len(), "{line}");
        let pairs = head.iter().zip(cells);
        pairs
            .map(|(h, c)| ((*h).to_owned(), c.to_owned()))
            .collect()
    };
    lines.map(row).collect()
}

fn number<T: std::str::FromStr>(row: &HashMap<String, String>, name: &str) -> T {
    let text = &row[name];
    text.parse()
        .unwrap_or_else(|_| panic!("{name} is {text:?}"))
}

/// Old vertices by id, with what `vertices.csv` says of them, are the new ones by id: places and
/// heights to the bit, and the whole record of each one that is not listed.
pub fn the_list_of_vertices_makes_the_new_ones_of_the_old(old: &Path, new: &Path) {
    let (before, after) = (Records::read(old).vertices, Records::read(new).vertices);
    let place = |r: &[u8; 40]| [0, 1, 2].map(|axis| coordinate(r, axis).to_bits());
    // The old state is a first build, whose ids are the indices.
    let mut made: HashMap<u32, [u64; 3]> = (0..).zip(before.iter().map(place)).collect();
    let (mut listed, mut indices) = ([0; 3], HashMap::new());
    for row in rows(&new.join("vertices.csv")) {
        let id: u32 = number(&row, "id");
        let [x, y]: [f64; 2] = ["x_m", "y_m"].map(|name| number(&row, name));
        let at = |z: &str| [x, y, number(&row, z)].map(f64::to_bits);
        let what = row["what"].as_str();
        if what == "added" {
            assert_eq!(made.insert(id, at("new_z_m")), None, "{row:?}");
        } else {
            assert_eq!(row["old_index"], id.to_string());
            assert_eq!(made.remove(&id), Some(at("old_z_m")), "{row:?}");
        }
        if what == "moved" {
            made.insert(id, at("new_z_m"));
        }
        if what != "removed" {
            indices.insert(number::<usize>(&row, "new_index"), id);
        }
        let kinds = ["moved", "added", "removed"];
        listed[kinds.iter().position(|k| *k == what).unwrap()] += 1;
    }
    println!("moved, added, removed: {listed:?}");
    assert!(listed.iter().all(|n| *n > 0), "{listed:?}");
    let ids = read_ids(&new.join("ids.npy")).unwrap();
    assert_eq!((ids.len(), made.len()), (after.len(), after.len()));
    for (index, (id, record)) in ids.iter().zip(&after).enumerate() {
        assert_eq!(
            made.remove(id),
            Some(place(record)),
            "vertex {index}, id {id}"
        );
        match indices.remove(&index) {
            Some(listed) => assert_eq!(listed, *id),
            None => assert_eq!(before[*id as usize], *record, "vertex {index}, id {id}"),
        }
    }
    assert!(made.is_empty() && indices.is_empty());
}

/// `changes.csv` and `changes.geojson` say what the report says.
pub fn changes_are_the_report_s(new: &Path, report: &RescanReport) {
    let rows = rows(&new.join("changes.csv"));
    assert_eq!(rows.len(), report.changes.len());
    for (row, change) in rows.iter().zip(&report.changes) {
        row_is(row, change);
    }
    let text = std::fs::read_to_string(new.join("changes.geojson")).unwrap();
    let file: serde_json::Value = serde_json::from_str(&text).unwrap();
    let areas = file["features"].as_array().unwrap();
    assert_eq!(areas.len(), report.changes.len());
    for (area, change) in areas.iter().zip(&report.changes) {
        let told: ChangeReport = serde_json::from_value(area["properties"].clone()).unwrap();
        assert_eq!(told, *change);
        area_is(&area["geometry"], change);
    }
}

fn row_is(row: &HashMap<String, String>, c: &ChangeReport) {
    let [[from_s, to_s], [from_t, to_t]] = c.reach_m;
    let numbers = [
        ("s_m", c.at_m[0]),
        ("t_m", c.at_m[1]),
        ("x_m", c.xy_m[0]),
        ("y_m", c.xy_m[1]),
        ("from_s_m", from_s),
        ("to_s_m", to_s),
        ("from_t_m", from_t),
        ("to_t_m", to_t),
        ("area_m2", c.area_m2),
        ("beyond_m2", c.beyond_m2),
        ("volume_m3", c.volume_m3),
        ("mean_mm", c.mean_mm),
        ("most_mm", c.most_mm),
        ("border_mm", c.border_mm),
        ("offset_mm", c.offset_mm),
    ];
    for (name, value) in numbers {
        let found: f64 = number(row, name);
        assert_eq!(found.to_bits(), value.to_bits(), "{name} of {row:?}");
    }
    assert_eq!(number::<u32>(row, "id"), c.id);
    assert_eq!(row["kind"], c.kind.word());
    assert_eq!(number::<bool>(row, "stepped"), c.stepped);
    assert_eq!(number::<bool>(row, "cut_off"), c.cut_off);
    let expected = c.expected.map_or(String::new(), |e| e.to_string());
    assert_eq!(row["expected"], expected);
    let outside_m2 = c.outside_m2.map_or(String::new(), |m2| m2.to_string());
    assert_eq!(row["outside_m2"], outside_m2);
}

/// A closed ring around what the change reaches: as large as that, with its middle inside.
fn area_is(geometry: &serde_json::Value, c: &ChangeReport) {
    assert_eq!(geometry["type"], "Polygon");
    let areas = surface_core::rescan::Areas::parse(&geometry.to_string()).unwrap();
    assert!(areas.contains(c.xy_m), "{c:?}");
    let ring = geometry["coordinates"][0].as_array().unwrap();
    assert_eq!(ring.first(), ring.last());
    let at = |k: usize| [0, 1].map(|axis| ring[k][axis].as_f64().unwrap() - c.xy_m[axis]);
    let cross = |[a, b]: [[f64; 2]; 2]| a[0] * b[1] - a[1] * b[0];
    let area_m2 = (1..ring.len())
        .map(|k| cross([at(k - 1), at(k)]))
        .sum::<f64>()
        / 2.0;
    let [length, width] = c.reach_m.map(|[from, to]| to - from);
    // Bends of the oval have a radius of about 20 m: a ring left or right of the line is shorter or
    // longer by a third at most.
    let off = area_m2.abs() / (length * width);
    assert!((0.6..1.5).contains(&off), "{off}: {c:?}");
}
