use crate::cloud::io::testing::{read_bytes, read_text};

/// A header with a list before and after the coordinates, faces before the vertices, and all of
/// it behind `format`.
fn header(format: &str) -> String {
    format!(
        "ply\nformat {format} 1.0\ncomment made by hand\ncomment origin 1000 2000 0\n\
         element face 2\nproperty list uchar int vertex_indices\n\
         element vertex 2\nproperty list uchar short around\nproperty double x\nproperty float y\n\
         property int z\nproperty uchar intensity\nproperty list int float more\n\
         element edge 1\nproperty int a\nend_header\n"
    )
}

fn binary(little: bool) -> Vec<u8> {
    let name = if little {
        "binary_little_endian"
    } else {
        "binary_big_endian"
    };
    let mut out = header(name).into_bytes();
    let mut put = |bytes: &[u8]| {
        let mut bytes = bytes.to_vec();
        if !little {
            bytes.reverse();
        }
        out.extend(bytes);
    };
    for face in [vec![0, 1, 2], vec![]] {
        put(&[u8::try_from(face.len()).unwrap()]);
        face.iter().for_each(|v: &i32| put(&v.to_le_bytes()));
    }
    for (x, y, z, around) in [(1.25f64, 2.5f32, -3i32, 2u8), (4.0, 5.0, 6, 0)] {
        put(&[around]);
        (0..around).for_each(|k| put(&i16::from(k).to_le_bytes()));
        put(&x.to_le_bytes());
        put(&y.to_le_bytes());
        put(&z.to_le_bytes());
        put(&[255]);
        put(&1i32.to_le_bytes());
        put(&0.5f32.to_le_bytes());
    }
    put(&7i32.to_le_bytes());
    out
}

const ASCII: &str = "3 0 1 2\n0\n2 0 1 1.25 2.5 -3 255 1 0.5\n\n0 4 5 6 255 1 0.5\n7\n";

fn ascii() -> Vec<u8> {
    (header("ascii") + ASCII).into_bytes()
}

#[test]
fn text_and_both_byte_orders_give_the_same_points() {
    for (bytes, name) in [
        (ascii(), "ASCII"),
        (binary(true), "little"),
        (binary(false), "big"),
    ] {
        let (all, scans) = read_bytes("a.ply", &bytes).unwrap();
        let expected = (vec![1001.25, 1004.0], vec![2002.5, 2005.0], vec![-3.0, 6.0]);
        assert_eq!((all.x, all.y, all.z), expected, "{name}");
        assert_eq!(all.intensity, [65_535, 65_535]);
        assert!(scans.files()[0].format.contains(name));
        assert!(!scans.files()[0].units.known);
    }
}

#[test]
fn vertices_without_lists_are_read_many_at_once() {
    let n = 100_000u32;
    let mut bytes = format!(
        "ply\r\nformat binary_little_endian 1.0\r\nelement vertex {n}\r\nproperty float x\r\n\
         property float y\r\nproperty float z\r\nproperty float scalar_Intensity\r\nend_header\r\n"
    )
    .into_bytes();
    for k in 0..n {
        let v = crate::numeric::to_f32(f64::from(k));
        [v, 0.5, 1.0, v / 100_000.0]
            .iter()
            .for_each(|v| bytes.extend(v.to_le_bytes()));
    }
    let (all, _) = read_bytes("a.ply", &bytes).unwrap();
    assert!(all.len() == 100_000 && all.x.is_sorted());
    assert!(all.intensity[99_000] > 64_000 && all.intensity[100] < 100);
}

#[test]
fn a_file_cut_off_anywhere_is_an_error_that_names_it() {
    for (bytes, end) in [(ascii(), 2), (binary(true), 0), (binary(false), 0)] {
        // Of a text the last number and its line's end may be cut: "17" is a number as "1" is.
        for len in 0..bytes.len() - end {
            let error = read_bytes("a.ply", &bytes[..len]).expect_err(&format!("cut at {len}"));
            assert!(error.to_string().contains("a.ply") && !error.hint().is_empty());
        }
    }
}

/// Four vertices and two triangles, in text or not, whose header declares `vertices`.
fn mesh(vertices: u32, text: bool) -> Vec<u8> {
    let format = if text {
        "ascii"
    } else {
        "binary_little_endian"
    };
    let mut out = format!(
        "ply\nformat {format} 1.0\nelement vertex {vertices}\nproperty float x\nproperty float y\n\
         property float z\nelement face 2\nproperty list uchar int vertex_indices\nend_header\n"
    )
    .into_bytes();
    if text {
        out.extend(b"0 0 0\n1 0 0\n1 1 0\n0 1 0\n3 0 1 2\n3 0 2 3\n");
        return out;
    }
    for v in [[0f32, 0., 0.], [1., 0., 0.], [1., 1., 0.], [0., 1., 0.]].concat() {
        out.extend(v.to_le_bytes());
    }
    for face in [[0i32, 1, 2], [0, 2, 3]] {
        out.push(3);
        face.iter().for_each(|v| out.extend(v.to_le_bytes()));
    }
    out
}

#[test]
fn a_wrong_number_of_vertices_before_faces_is_an_error_with_both_numbers() {
    for text in [true, false] {
        assert_eq!(read_bytes("a.ply", &mesh(4, text)).unwrap().0.len(), 4);
        for declared in [3, 5] {
            let error = read_bytes("a.ply", &mesh(declared, text)).unwrap_err();
            let words = error.to_string();
            let found = if text {
                format!("{declared} vertices and 2 elements behind them are declared, 6 lines")
            } else {
                format!("{declared} points are declared, 4 are there")
            };
            assert!(words.contains(&found), "{words}");
        }
    }
}

#[test]
fn bytes_behind_the_faces_are_an_error_but_for_a_line_end() {
    let mut bytes = mesh(4, false);
    bytes.push(b'\n');
    assert_eq!(read_bytes("a.ply", &bytes).unwrap().0.len(), 4);
    bytes.extend([0; 7]);
    let error = read_bytes("a.ply", &bytes).unwrap_err().to_string();
    assert!(error.contains("8 bytes more are there"), "{error}");
}

#[test]
fn vertices_behind_those_that_are_declared_are_told() {
    let head = |format: &str| {
        format!(
            "ply\nformat {format} 1.0\nelement vertex 1\nproperty float x\nproperty float y\n\
             property float z\nend_header\n"
        )
    };
    let mut binary = head("binary_big_endian").into_bytes();
    binary.extend([0; 3 * 12]);
    let text = head("ascii") + "0 0 0\n1 1 1\n\n2 2 2\n \n";
    for (bytes, words) in [
        (
            binary,
            "1 vertices are declared, but there is room for 2 more",
        ),
        (
            text.into(),
            "1 vertices are declared, but 2 lines more are there",
        ),
    ] {
        let (all, scans) = read_bytes("a.ply", &bytes).unwrap();
        assert_eq!(all.len(), 1);
        let notes = &scans.files()[0].notes;
        assert!(notes.len() == 1 && notes[0].contains(words), "{notes:?}");
        let doubts = crate::cloud::inspect::reading_doubts(&scans);
        assert!(doubts.iter().any(|d| d.to_string().contains(words)));
    }
}

#[test]
fn coordinates_that_are_no_numbers_are_dropped_and_counted() {
    let mut bytes = b"ply\nformat binary_little_endian 1.0\nelement vertex 4\nproperty double x\n\
        property double y\nproperty float z\nend_header\n"
        .to_vec();
    let bad = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY];
    for (axis, bad) in [(3, 0.0), (0, bad[0]), (1, bad[1]), (2, bad[2])] {
        let at = |k: usize| if k == axis { bad } else { 1.5 };
        bytes.extend(at(0).to_le_bytes());
        bytes.extend(at(1).to_le_bytes());
        bytes.extend(crate::numeric::to_f32(at(2)).to_le_bytes());
    }
    let (all, scans) = read_bytes("a.ply", &bytes).unwrap();
    assert_eq!((all.x, all.y, all.z), (vec![1.5], vec![1.5], vec![1.5]));
    assert_eq!(scans.rejected(), 3);
}

#[test]
fn a_count_that_the_file_has_no_room_for_is_an_error() {
    for format in ["ascii", "binary_big_endian"] {
        let text = format!(
            "ply\nformat {format} 1.0\nelement vertex 4000000000\nproperty float x\n\
             property float y\nproperty float z\nend_header\n1 2 3\n"
        );
        let error = read_text("a.ply", &text).unwrap_err().to_string();
        assert!(error.contains("4000000000"), "{error}");
    }
}

#[test]
fn headers_that_contradict_themselves_are_errors() {
    let error = |body: &str| {
        read_text("a.ply", &format!("ply\n{body}"))
            .unwrap_err()
            .to_string()
    };
    assert!(error("format ascii 1.0\nend_header\n").contains("no element 'vertex'"));
    assert!(error("format spoken 1.0\n").contains("unknown encoding 'spoken' at line 2"));
    assert!(error("element vertex -1\n").contains("a count of '-1'"));
    assert!(error("property float x\n").contains("before any element"));
    let two = "format ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\n";
    assert!(error(&format!("{two}end_header\n1 2\n")).contains("vertices without 'z'"));
    assert!(error(two).contains("no 'end_header'"));
}
