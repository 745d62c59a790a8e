//! The mesh read section by section is the mesh read at once.

use std::fs::File;
use std::io::BufReader;

use surface_core::build::ExportFormat;
use surface_core::export::FieldStore;
use surface_core::mesh::{SectionIndex, SectionReader, SurfaceMesh};
use surface_core::ribbon::Ribbon;

use crate::built::build;

fn reader(ply: &std::path::Path) -> (SectionReader, usize) {
    let text = std::fs::read_to_string(build().join("ribbon.geojson")).unwrap();
    let ribbon = Ribbon::from_geojson(&text).unwrap();
    let (field, _) = FieldStore::open(&build().join("field")).unwrap();
    let reader = SectionReader::open(ply, &ribbon, *field.lattice()).unwrap();
    (reader, field.lattice().sections())
}

#[test]
#[expect(clippy::float_cmp, reason = "the same bytes, read twice")]
fn all_sections_together_are_the_mesh_and_neighbours_share_their_border() {
    let path = build().join("surface.ply");
    let file = BufReader::new(File::open(&path).unwrap());
    let whole = SurfaceMesh::read(file, &path).unwrap();
    let (mut reader, sections) = reader(&path);
    let columns = whole.columns();
    let (mut vertices, mut faces, mut seen) = (0, 0, 0);
    while let Some(section) = reader.next().unwrap() {
        assert_eq!(section.section, seen, "no section is empty here");
        for (k, &name) in section.names.iter().enumerate() {
            let name = name as usize;
            assert_eq!(section.vertices.positions_m[k], columns.positions_m[name]);
            assert_eq!(
                section.vertices.normals[k],
                columns.normals.as_ref().unwrap()[name]
            );
            assert_eq!(
                k < section.owned,
                (vertices..vertices + section.owned).contains(&name)
            );
        }
        for (face, zone) in section.faces.iter().zip(&section.zones) {
            assert_eq!(
                face.map(|v| section.names[v as usize]),
                columns.faces[faces]
            );
            assert_eq!(*zone, columns.zones.as_ref().unwrap()[faces]);
            faces += 1;
        }
        // A row of some 50 vertices is borrowed: sections end where the lattice's do.
        let borrowed = section.names.len() - section.owned;
        assert!((30..100).contains(&borrowed), "{borrowed}");
        let index = SectionIndex::new(&section);
        for f in section.faces.iter().step_by(97) {
            let corners = f.map(|v| section.vertices.positions_m[v as usize]);
            let middle = [0, 1, 2].map(|k| corners.iter().map(|p| p[k]).sum::<f64>() / 3.0);
            let at = index.at([middle[0], middle[1]]).unwrap();
            assert!((at.z_m - middle[2]).abs() < 1e-9);
        }
        vertices += section.owned;
        seen += 1;
    }
    assert_eq!(seen, sections);
    assert_eq!(
        (vertices, faces),
        (columns.positions_m.len(), columns.faces.len())
    );
}

#[test]
fn a_mesh_that_is_cut_off_or_laid_out_otherwise_is_refused_with_its_name() {
    let dir = tempfile::tempdir().unwrap();
    let bytes = std::fs::read(build().join("surface.ply")).unwrap();
    let path = dir.path().join("cut.ply");
    for keep in [bytes.len() - 5, bytes.len() / 2, 3000, 500] {
        std::fs::write(&path, &bytes[..keep]).unwrap();
        let text = std::fs::read_to_string(build().join("ribbon.geojson")).unwrap();
        let ribbon = Ribbon::from_geojson(&text).unwrap();
        let (field, _) = FieldStore::open(&build().join("field")).unwrap();
        let run = || {
            let mut reader = SectionReader::open(&path, &ribbon, *field.lattice())?;
            while reader.next()?.is_some() {}
            Ok::<(), surface_core::mesh::MeshReadError>(())
        };
        let error = run().unwrap_err().to_string();
        assert!(
            error.contains("cut.ply") && error.contains("ends"),
            "{error}"
        );
    }
    let (_keep, plain, _) = crate::built::exported(ExportFormat::Ply);
    let text = std::fs::read_to_string(build().join("ribbon.geojson")).unwrap();
    let ribbon = Ribbon::from_geojson(&text).unwrap();
    let (field, _) = FieldStore::open(&build().join("field")).unwrap();
    let error = SectionReader::open(&plain, &ribbon, *field.lattice()).unwrap_err();
    assert!(error.to_string().contains("surface fit"), "{error}");
}
