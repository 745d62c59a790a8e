//! Sections in which nothing was rebuilt: their part of every output is the same bytes. Which they
//! are is told by the files of both states, not by the report.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::epochs::read_ribbon;
use crate::folders::{REACH_M, Records, corners, files, off, place};
use surface_core::build::{ExportFormat, ExportParams, export};
use surface_core::export::{FieldStore, read_ids};
use surface_core::field::Lattice;
use surface_core::numeric::to_index;
use surface_core::progress::Silent;
use surface_core::report::RescanReport;
use surface_core::ribbon::Ribbon;

/// Arrays of `field/` with a chunk a section.
const ARRAYS: usize = 14;

/// The first build and a state that was made from it by one rescan.
pub fn untouched_sections_are_the_same_bytes(old: &Path, new: &Path, report: &RescanReport) {
    let lattice = *FieldStore::open(&old.join("field")).unwrap().0.lattice();
    let sections = lattice.sections();
    let touched = touched(old, new);
    let fitted = usize::try_from(report.rebuilt.fitted).unwrap();
    assert!(touched.len() <= fitted, "{touched:?}, {fitted} fitted");
    let ribbon = read_ribbon(old);
    for &section in &touched {
        let gap = gap_m(&ribbon, &lattice, report, section);
        assert!(gap < REACH_M, "section {section} is {gap} m from a change");
    }
    // The last row of faces of a section ends at the first nodes of the next one.
    let next = |k: &usize| (k + 1) % sections;
    let alone: BTreeSet<usize> = (0..sections)
        .filter(|k| !touched.contains(k) && !touched.contains(&next(k)))
        .collect();
    println!("{touched:?} of {sections} sections differ, {alone:?} stand alone");
    assert!(alone.len() >= 4, "too few to tell anything");
    let both = (&alone, &touched);
    faces_and_vertices_are_the_same([old, new], (&ribbon, &lattice), both);
    tiles_are_the_same([old, new], both);
}

/// Sections of which any chunk of the field, or the file beside breaklines, differs or is not in both.
/// All that belongs to no section is the same.
fn touched(old: &Path, new: &Path) -> BTreeSet<usize> {
    let (mut out, mut chunks) = (BTreeSet::new(), BTreeMap::new());
    for part in ["field", "beside"] {
        let [a, b] = [old, new].map(|dir| files(&dir.join(part)));
        let names: BTreeSet<_> = a.keys().chain(b.keys()).collect();
        for name in names {
            let text = name.to_str().unwrap();
            let same = a.get(name) == b.get(name);
            let Some(section) = section_of(text) else {
                assert!(same, "{part}/{text} differs");
                continue;
            };
            *chunks.entry((part, section)).or_insert(0) += 1;
            if !same {
                out.insert(section);
            }
        }
    }
    let by_section: Vec<usize> = chunks
        .iter()
        .filter(|((part, _), _)| *part == "field")
        .map(|(_, n)| *n)
        .collect();
    assert!(by_section.iter().all(|n| *n == ARRAYS), "{chunks:?}");
    out
}

/// The section that a chunk `ARRAY/K.0` of the field or a file `K.csv` beside breaklines is of.
fn section_of(name: &str) -> Option<usize> {
    let chunk = name.split_once('/').and_then(|(_, c)| c.strip_suffix(".0"));
    chunk.or(name.strip_suffix(".csv"))?.parse().ok()
}

/// How far a section is from the nearest change along the course, metres.
fn gap_m(ribbon: &Ribbon, lattice: &Lattice, report: &RescanReport, section: usize) -> f64 {
    let [first, last] = lattice.section_rows(section);
    let gap = |row: usize| {
        let s = lattice.row_s_m(row % lattice.rows);
        let of = |c| off(ribbon, c, [s, c.at_m[1]]);
        let gaps = report.changes.iter().map(of);
        gaps.fold(f64::INFINITY, f64::min)
    };
    (first..last).map(gap).fold(f64::INFINITY, f64::min)
}

/// What a mesh has of one section, in order: vertex records, faces by the vertices' ids and zone.
#[derive(Default)]
struct Part {
    vertices: Vec<[u8; 40]>,
    faces: Vec<([u32; 3], u8)>,
}

/// Vertex records, and faces by the vertices' ids, of every section that stands `alone`: the same, in
/// the same order. Of those that are `touched` some differ: the comparison sees that.
fn faces_and_vertices_are_the_same(
    dirs: [&Path; 2],
    (ribbon, lattice): (&Ribbon, &Lattice),
    (alone, touched): (&BTreeSet<usize>, &BTreeSet<usize>),
) {
    let length = ribbon.line.length_m();
    let per_section = lattice.row_s_m(lattice.section_rows(1)[0]);
    let [a, b] = dirs.map(|dir| {
        let all = Records::read(dir);
        let ids = read_ids(&dir.join("ids.npy"));
        let id = |v: u32| ids.as_ref().map_or(v, |ids| ids[v as usize]);
        let station = |p| ribbon.line.feet(p, ribbon.edges.reach_m())[0].s;
        let stations: Vec<f64> = all.vertices.iter().map(|v| station(place(v))).collect();
        let mut out: BTreeMap<usize, Part> = BTreeMap::new();
        for (record, s) in all.vertices.iter().zip(&stations) {
            let own = out.entry(to_index(s / per_section)).or_default();
            own.vertices.push(*record);
        }
        for (at, zone) in all.faces.iter().map(corners) {
            let [first, ..] = at.map(|v| stations[v as usize]);
            let near = |s: f64| s - ((s - first) / length).round() * length;
            let middle = at.iter().map(|&v| near(stations[v as usize])).sum::<f64>() / 3.0;
            let section = to_index(ribbon.line.wrap_s(middle) / per_section);
            out.entry(section)
                .or_default()
                .faces
                .push((at.map(id), zone));
        }
        out
    });
    for section in alone {
        let [old, new] = [&a[section], &b[section]];
        assert!(old.faces.len() > 1000, "section {section} has no faces");
        assert!(
            old.vertices == new.vertices,
            "vertices of section {section} differ"
        );
        assert!(old.faces == new.faces, "faces of section {section} differ");
    }
    let differ = |k: &usize| a[k].vertices != b[k].vertices && a[k].faces != b[k].faces;
    assert!(touched.iter().any(differ));
}

/// Exported as glTF, the tiles of every section that stands `alone`, all levels of detail: the same.
fn tiles_are_the_same(dirs: [&Path; 2], (alone, touched): (&BTreeSet<usize>, &BTreeSet<usize>)) {
    let dir = tempfile::tempdir().unwrap();
    let mut k = 0;
    let [a, b] = dirs.map(|build| {
        k += 1;
        let out = dir.path().join(format!("{k}.glb"));
        let params = ExportParams::default();
        export(build, ExportFormat::Gltf, &out, &params, &mut Silent).unwrap();
        tiles(&std::fs::read(&out).unwrap())
    });
    for section in alone {
        let tile = &a[section];
        assert!(tile.len() > 10_000, "section {section} has no tile");
        assert!(*tile == b[section], "the tile of section {section} differs");
    }
    assert!(touched.iter().any(|k| a[k] != b[k]));
}

/// By section, all that a GLB file has of it: names, places, kinds of data, and the data.
fn tiles(glb: &[u8]) -> BTreeMap<usize, Vec<u8>> {
    let word = |at: usize| u32::from_le_bytes(glb[at..at + 4].try_into().unwrap()) as usize;
    let text = &glb[20..20 + word(12)];
    let data = &glb[28 + word(12)..];
    let scene: serde_json::Value = serde_json::from_slice(text).unwrap();
    let number = |v: &serde_json::Value| to_index(v.as_f64().unwrap());
    let mut out: BTreeMap<usize, Vec<u8>> = BTreeMap::new();
    let accessor = |at: &serde_json::Value, own: &mut Vec<u8>| {
        let mut kind = scene["accessors"][number(at)].clone();
        let view = kind.as_object_mut().unwrap().remove("bufferView").unwrap();
        let view = &scene["bufferViews"][number(&view)];
        let from = number(&view["byteOffset"]);
        own.extend(kind.to_string().into_bytes());
        own.extend(&data[from..from + number(&view["byteLength"])]);
    };
    for node in scene["nodes"].as_array().unwrap() {
        let name = node["name"].as_str().unwrap();
        let section = name.split(' ').nth(1).unwrap().parse().unwrap();
        let own = out.entry(section).or_default();
        own.extend(format!("{name} {}", node["translation"]).into_bytes());
        let mesh = &scene["meshes"][number(&node["mesh"])];
        for part in mesh["primitives"].as_array().unwrap() {
            own.extend(part["material"].to_string().into_bytes());
            accessor(&part["indices"], own);
            let attributes = part["attributes"].as_object().unwrap();
            attributes.values().for_each(|at| accessor(at, own));
        }
    }
    out
}
