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
fn a_file_cut_off_before_its_last_vertex_is_an_error() {
    for (bytes, after) in [(ascii(), 2), (binary(true), 4), (binary(false), 4)] {
        // What follows the vertices is never looked at in a text file.
        for len in 0..bytes.len() - after - 8 {
            let error = read_bytes("a.ply", &bytes[..len]).expect_err(&format!("cut at {len}"));
            assert!(error.to_string().contains("a.ply") && !error.hint().is_empty());
        }
    }
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
