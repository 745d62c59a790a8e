//! The header of a cloud in PLY: which of its elements are the points.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use crate::cloud::io::error::{Place, ReadError};
use crate::cloud::io::intensity::Scale;
use crate::cloud::ply_layout::{Element, Encoding, Kind, LayoutParser, Number};

/// Longest header, bytes.
const LONGEST: u64 = 1 << 20;

/// Which properties of a vertex are wanted, by their place in its list.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Wanted {
    pub xyz: [usize; 3],
    pub intensity: Option<usize>,
    pub time: Option<usize>,
    /// The scale of the intensity's type, where it has one.
    pub scale: Option<Scale>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub encoding: Encoding,
    pub elements: Vec<Element>,
    /// Which element is the vertices.
    pub vertex: usize,
    pub wanted: Wanted,
    pub origin: [f64; 3],
    pub lines: u64,
    pub bytes: u64,
}

impl Header {
    pub fn vertices(&self) -> &Element {
        &self.elements[self.vertex]
    }
}

/// Read the header; the reader is left at the first byte after it.
pub(super) fn read(path: &Path) -> Result<(Header, BufReader<File>), ReadError> {
    let fail = |e| ReadError::from_io(path, e);
    let file = File::open(path).map_err(fail)?;
    let mut reader = BufReader::with_capacity(1 << 20, file);
    let mut parser = LayoutParser::default();
    let (mut bytes, mut lines) = (0, 0);
    loop {
        let mut line = Vec::new();
        let read = (&mut reader)
            .take(LONGEST)
            .read_until(b'\n', &mut line)
            .map_err(fail)? as u64;
        bytes += read;
        lines += 1;
        let place = Place::Line(lines);
        let text = String::from_utf8_lossy(&line);
        let words: Vec<&str> = text.split_ascii_whitespace().collect();
        // Without its line end the last line may be cut.
        let cut = words == ["end_header"] && !line.ends_with(b"\n");
        if read == 0 || bytes > LONGEST || cut {
            return Err(ReadError::damaged(path, "no 'end_header'", place));
        }
        let ended = parser.take(&words);
        if ended.map_err(|what| ReadError::damaged(path, what, place))? {
            break;
        }
    }
    let header = header(parser, lines, bytes);
    let header = header.map_err(|what| ReadError::damaged(path, what, Place::Header))?;
    Ok((header, reader))
}

fn header(parser: LayoutParser, lines: u64, bytes: u64) -> Result<Header, String> {
    let layout = parser.finish()?;
    let vertex = layout.elements.iter().position(|e| e.name == "vertex");
    let vertex = vertex.ok_or("no element 'vertex'")?;
    let wanted = wanted(&layout.elements[vertex])?;
    Ok(Header {
        encoding: layout.encoding,
        vertex,
        wanted,
        elements: layout.elements,
        origin: layout.origin_m,
        lines,
        bytes,
    })
}

/// The range of a type that has a natural one for intensities.
fn intensity_scale(number: Number) -> Option<Scale> {
    match number {
        Number::U8 => Scale::of_range(0.0, 255.0),
        Number::U16 => Scale::of_range(0.0, 65_535.0),
        _ => None,
    }
}

fn wanted(vertex: &Element) -> Result<Wanted, String> {
    let find = |names: &[&str]| {
        vertex.properties.iter().position(|p| {
            let name = p.name.to_ascii_lowercase();
            names.contains(&name.as_str()) && matches!(p.kind, Kind::Scalar(_))
        })
    };
    let axis = |name: &str| find(&[name]).ok_or_else(|| format!("vertices without '{name}'"));
    let intensity = find(&[
        "intensity",
        "scalar_intensity",
        "reflectance",
        "scalar_reflectance",
    ]);
    let scale = intensity.and_then(|at| match vertex.properties[at].kind {
        Kind::Scalar(number) => intensity_scale(number),
        Kind::List { .. } => None,
    });
    Ok(Wanted {
        xyz: [axis("x")?, axis("y")?, axis("z")?],
        intensity,
        time: find(&[
            "time",
            "gps_time",
            "gpstime",
            "scalar_time",
            "scalar_gpstime",
        ]),
        scale,
    })
}
