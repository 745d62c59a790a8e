use std::path::Path;

use proptest::prelude::*;

use super::super::course::{Course, STRAIGHT, lattice};
use super::super::{Assembler, MeshColumns, SurfaceMesh};

fn read(bytes: &[u8]) -> Result<SurfaceMesh, super::MeshReadError> {
    SurfaceMesh::read(bytes, Path::new("m"))
}

fn fault(text: &str) -> String {
    read(text.as_bytes()).unwrap_err().to_string()
}

/// A mesh, and its bytes as little-endian PLY with every property that is kept.
fn ours() -> (Vec<u8>, MeshColumns) {
    let course = Course {
        lattice: lattice(140, 6, false),
        curvature: STRAIGHT,
        edges: &|_| (-0.42, 0.47),
        z: &|s, t| s.sin() + t,
    };
    let (patches, _) = course.check();
    let origin_m = [400_000.0, 5_500_000.0, 200.0];
    let empty = MeshColumns {
        origin_m,
        ..MeshColumns::default()
    };
    let mut assembler = Assembler::new(2, false, empty);
    patches.iter().for_each(|p| assembler.add(p).unwrap());
    let columns = assembler.finish().unwrap().1;
    (ply(&columns), columns)
}

fn ply(columns: &MeshColumns) -> Vec<u8> {
    let (vertices, faces) = (columns.positions_m.len(), columns.faces.len());
    let mut bytes = format!(
        "ply\nformat binary_little_endian 1.0\ncomment origin 400000 5500000 200\n\
         element vertex {vertices}\nproperty double x\nproperty double y\nproperty double z\n\
         property float nx\nproperty float ny\nproperty float nz\nproperty float sigma\n\
         element face {faces}\nproperty list uchar int vertex_indices\nproperty uchar zone\n\
         end_header\n"
    )
    .into_bytes();
    let (normals, sigma_m) = (
        columns.normals.as_ref().unwrap(),
        columns.sigma_m.as_ref().unwrap(),
    );
    for v in 0..vertices {
        bytes.extend(columns.positions_m[v].iter().flat_map(|c| c.to_le_bytes()));
        bytes.extend(normals[v].iter().flat_map(|c| c.to_le_bytes()));
        bytes.extend(sigma_m[v].to_le_bytes());
    }
    for (face, zone) in columns.faces.iter().zip(columns.zones.as_ref().unwrap()) {
        bytes.push(3);
        bytes.extend(face.iter().flat_map(|v| v.to_le_bytes()));
        bytes.push(*zone);
    }
    bytes
}

#[test]
fn binary_ply_is_read_bit_for_bit() {
    let (bytes, columns) = ours();
    let mesh = read(&bytes).unwrap();
    assert_eq!(mesh.columns(), &columns);
    assert!(super::super::MeshCheck::of(&mesh).is_valid());
}

const QUAD: &str = "v 0 0 1\nv 2 0 1\nv 2 2 3\nv 0 2 3\n";

#[test]
#[expect(clippy::float_cmp, reason = "exact small cases")]
fn text_ply_with_other_properties_and_polygons_is_read() {
    let text = "ply\r\nformat ascii 1.0\r\ncomment by hand\r\ncomment origin 7 8 9\r\n\
        element vertex 4\r\nproperty uchar red\r\nproperty float x\r\nproperty float y\r\n\
        property float z\r\nelement face 1\r\nproperty list uint8 int32 vertex_index\r\n\
        end_header\r\n255 0 0 1\r\n255 2 0 1\r\n255 2 2 3\r\n255 0 2 3\r\n4 0 1 2 3\r\n";
    let mesh = read(text.as_bytes()).unwrap();
    assert_eq!(mesh.origin_m(), [7.0, 8.0, 9.0]);
    assert_eq!(mesh.columns().faces, [[0, 1, 2], [0, 2, 3]]);
    assert_eq!(mesh.height_at(1.5, 1.0), Some(2.0));
    assert_eq!(
        (&mesh.columns().normals, &mesh.columns().zones),
        (&None, &None)
    );
}

#[test]
fn big_endian_ply_is_read_and_what_follows_the_faces_is_not_needed() {
    let mut bytes = b"ply\nformat binary_big_endian 1.0\nelement extra 1\n\
        property list ushort short other\nelement vertex 3\nproperty float x\nproperty double y\n\
        property short z\nelement face 1\nproperty list char uint vertex_indices\n\
        property uchar zone\nelement edge 5\nproperty int a\nend_header\n"
        .to_vec();
    bytes.extend([0, 2, 0, 1, 0, 2]);
    for [x, y, z] in [[0i16, 0, -3], [1, 0, -3], [0, 1, -3]] {
        bytes.extend(f32::from(x).to_be_bytes());
        bytes.extend(f64::from(y).to_be_bytes());
        bytes.extend(z.to_be_bytes());
    }
    bytes.extend([3, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 2, 9]);
    let mesh = read(&bytes).unwrap();
    assert_eq!(mesh.height_at(0.25, 0.25), Some(-3.0));
    assert_eq!(mesh.columns().zones, Some(vec![9]));
}

#[test]
#[expect(clippy::float_cmp, reason = "exact small cases")]
fn obj_with_normals_textures_and_relative_corners_is_read() {
    let text = format!(
        "# made by hand\n# origin 1 2 3\nmtllib a.mtl\n{QUAD}vn 0 0 1\nvt 0 0\no road\n\
         f 1/1/1 2/1/1 \\\n 3/1/1\nf -4//-1 -2//1 -1//1\ns off\n"
    );
    let mesh = read(text.as_bytes()).unwrap();
    assert_eq!(mesh.columns().faces, [[0, 1, 2], [0, 2, 3]]);
    assert_eq!(mesh.columns().normals, Some(vec![[0.0, 0.0, 1.0]; 4]));
    assert_eq!(mesh.origin_m(), [1.0, 2.0, 3.0]);
    let hard_edges = format!("{QUAD}vn 0 0 1\nvn 1 0 0\nf 1//1 2//1 3//1\nf 1//2 3//2 4//2\n");
    assert_eq!(read(hard_edges.as_bytes()).unwrap().columns().normals, None);
    let polygon = format!("{QUAD}f 1 2 3 4\n");
    assert_eq!(read(polygon.as_bytes()).unwrap().columns().faces.len(), 2);
}

#[test]
fn lines_of_obj_that_say_nothing_of_the_mesh_are_passed_over() {
    let text = format!(
        "\u{feff}# a mark of the byte order before\n#origin 1 2 3\nlod 1\nbevel on\nc_interp off\n\
         shadow_obj x.obj\ncstype bezier\n{QUAD}curv 0 1 1 2\nparm u 0 1\nend\n\
         f 1 2 3 # the first\nf 1 3 4\n"
    );
    let mesh = read(text.as_bytes()).unwrap();
    assert_eq!(mesh.columns().faces, [[0, 1, 2], [0, 2, 3]]);
    assert!((mesh.origin_m()[2] - 3.0).abs() < 1e-12);
}

/// Each text's fault begins with these words.
fn faults_begin(cases: &[(String, &str)]) {
    for (text, start) in cases {
        let said = fault(text);
        assert!(said.starts_with(start), "{said}\n{start}");
    }
}

#[test]
fn faults_of_obj_name_file_place_and_remedy() {
    faults_begin(&[
        (
            format!("{QUAD}f 1 2 9\n"),
            "m: face 0 names vertex 8, but there are 4; repair",
        ),
        (
            format!("{QUAD}f 1 2 -9\n"),
            "m, line 5: expected corners like 7",
        ),
        (
            format!("{QUAD}f 0 1 2\n"),
            "m, line 5: expected corners like 7",
        ),
        (QUAD.to_owned(), "m: the field holds no connected heights"),
        (
            format!("v 0 nan 1\n{QUAD}f 1 2 3\n"),
            "m: vertex 0 has a coordinate that is not finite",
        ),
        (
            "v 0 0\n".to_owned(),
            "m, line 1: expected a line of an OBJ mesh",
        ),
        (
            "f 1 2 # 3\n".to_owned(),
            "m, line 1: expected a line of an OBJ mesh",
        ),
        (
            "x,y,z\n1,2,3\n".to_owned(),
            "m, line 2: expected vertices (lines \"v x y z\")",
        ),
        (String::new(), "m, line 0: expected vertices"),
    ]);
}

#[test]
fn faults_of_a_ply_header_name_file_and_place() {
    faults_begin(&[
        (
            "ply\nformat ascii 1.0\nelement vertex 2\n".to_owned(),
            "m, line 3: the file ends in the middle of its header",
        ),
        (
            "ply\nend_header\n".to_owned(),
            "m, line 2: expected the header of a PLY file, found \"no line 'format'\"",
        ),
        (
            "ply\nformat ascii 1.0\nelement vertex 0\nend_header\n".to_owned(),
            "m, line 4: expected the elements vertex and face",
        ),
        (
            "ply\nformat ascii 1.0\nelement vertex -1\n".to_owned(),
            "m, line 3: expected the header of a PLY file, found \"a count of '-1'\"",
        ),
    ]);
}

#[test]
fn faults_of_a_ply_body_name_file_place_and_remedy() {
    let header = "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\n\
        property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n";
    let body = |rest: &str| fault(&format!("{header}{rest}"));
    assert!(body("0 0 0\n1 0 q\n").starts_with("m, line 11: expected a number, found \"q\""));
    assert!(
        body("0 0 0 1 0 0 0 1 0\n2 0 1\n").starts_with("m, line 11: expected at least 3 corners")
    );
    assert!(
        body("0 0 0 1 0 0 0 1 0\n3 0 1.5 2\n")
            .starts_with("m, line 11: expected the number of a vertex")
    );
    assert!(body("0 0 0\n").contains("in the middle of its vertices; copy or export it again"));
}

#[test]
fn a_count_beyond_the_file_ends_with_the_file_and_not_with_the_memory() {
    let text = "ply\nformat binary_little_endian 1.0\nelement vertex 18446744073709551615\n\
        property double x\nproperty double y\nproperty double z\nelement face 1\n\
        property list uint int vertex_indices\nend_header\n0123456789";
    assert!(fault(text).contains("ends in the middle of its vertices"));
}

#[test]
fn a_cut_file_is_refused_wherever_it_is_cut() {
    let (bytes, _) = ours();
    // Every length of the last kilobyte, and a spread of shorter ones.
    let lengths = (bytes.len() - 1024..bytes.len()).chain((0..bytes.len()).step_by(97));
    for length in lengths {
        assert!(
            read(&bytes[..length]).is_err(),
            "{length} of {}",
            bytes.len()
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn damaged_bytes_are_read_or_refused_but_never_panic(
        flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        cut in any::<prop::sample::Index>(),
        header_only in any::<bool>(),
        text in any::<bool>(),
    ) {
        let mut bytes = if text {
            format!("{QUAD}vn 0 0 1\nf 1//1 2//1 3//1 4//1\nf -1 -2 -3\n").into_bytes()
        } else {
            ours().0
        };
        let reach = if header_only { bytes.len().min(400) } else { bytes.len() };
        for (place, value) in flips {
            let at = place.index(reach);
            bytes[at] = value;
        }
        bytes.truncate(cut.index(bytes.len()) + 1);
        if let Ok(mesh) = read(&bytes) {
            let _ = mesh.height_at(0.1, 0.1);
            let _ = super::super::MeshCheck::of(&mesh);
        }
    }

    #[test]
    fn any_bytes_at_all_are_refused_or_read(bytes in prop::collection::vec(any::<u8>(), 0..400), ply in any::<bool>()) {
        let bytes = if ply { [b"ply\nformat ascii 1.0\n", &bytes[..]].concat() } else { bytes };
        let _ = read(&bytes);
    }
}
