//! The header of a PLY file.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use crate::cloud::io::error::{Place, ReadError};
use crate::cloud::io::intensity::Scale;

/// Longest header, bytes.
const LONGEST: u64 = 1 << 20;

/// Byte order of a binary file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    Little,
    Big,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Ascii,
    Binary(Order),
}

impl Encoding {
    pub fn name(self) -> &'static str {
        match self {
            Self::Ascii => "ASCII",
            Self::Binary(Order::Little) => "binary little-endian",
            Self::Binary(Order::Big) => "binary big-endian",
        }
    }
}

/// Type of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Number {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F32,
    F64,
}

impl Number {
    fn named(name: &str) -> Option<Self> {
        Some(match name {
            "char" | "int8" => Self::I8,
            "uchar" | "uint8" => Self::U8,
            "short" | "int16" => Self::I16,
            "ushort" | "uint16" => Self::U16,
            "int" | "int32" => Self::I32,
            "uint" | "uint32" => Self::U32,
            "float" | "float32" => Self::F32,
            "double" | "float64" => Self::F64,
            _ => return None,
        })
    }

    pub fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// The number in the first bytes of `from`, which has enough of them.
    #[inline]
    pub fn decode(self, from: &[u8], order: Order) -> f64 {
        match self {
            Self::I8 => f64::from(i8::from_le_bytes(fixed(from, order))),
            Self::U8 => f64::from(from[0]),
            Self::I16 => f64::from(i16::from_le_bytes(fixed(from, order))),
            Self::U16 => f64::from(u16::from_le_bytes(fixed(from, order))),
            Self::I32 => f64::from(i32::from_le_bytes(fixed(from, order))),
            Self::U32 => f64::from(u32::from_le_bytes(fixed(from, order))),
            Self::F32 => f64::from(f32::from_le_bytes(fixed(from, order))),
            Self::F64 => f64::from_le_bytes(fixed(from, order)),
        }
    }

    /// The range of a type that has a natural one for intensities.
    fn intensity_scale(self) -> Option<Scale> {
        match self {
            Self::U8 => Scale::of_range(0.0, 255.0),
            Self::U16 => Scale::of_range(0.0, 65_535.0),
            _ => None,
        }
    }
}

/// The first `N` bytes in little-endian order.
#[inline]
fn fixed<const N: usize>(from: &[u8], order: Order) -> [u8; N] {
    let mut out = [0; N];
    out.copy_from_slice(&from[..N]);
    if order == Order::Big {
        out.reverse();
    }
    out
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Scalar(Number),
    List { count: Number, item: Number },
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Property {
    pub name: String,
    pub kind: Kind,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Element {
    pub name: String,
    pub count: u64,
    pub properties: Vec<Property>,
}

impl Element {
    /// Bytes of one record in a binary file without the items of its lists.
    pub fn least_bytes(&self) -> usize {
        let bytes = |p: &Property| match p.kind {
            Kind::Scalar(number) => number.bytes(),
            Kind::List { count, .. } => count.bytes(),
        };
        self.properties.iter().map(bytes).sum()
    }

    pub fn has_list(&self) -> bool {
        let list = |p: &Property| matches!(p.kind, Kind::List { .. });
        self.properties.iter().any(list)
    }
}

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
    let mut parser = Parser::default();
    let mut bytes = 0;
    loop {
        let mut line = Vec::new();
        let read = (&mut reader)
            .take(LONGEST)
            .read_until(b'\n', &mut line)
            .map_err(fail)? as u64;
        bytes += read;
        parser.line += 1;
        if read == 0 || bytes > LONGEST {
            return Err(ReadError::damaged(
                path,
                "no 'end_header'",
                Place::Line(parser.line),
            ));
        }
        let text = String::from_utf8_lossy(&line);
        let words: Vec<&str> = text.split_ascii_whitespace().collect();
        if words == ["end_header"] && line.ends_with(b"\n") {
            break;
        }
        let place = Place::Line(parser.line);
        parser
            .take(&words)
            .map_err(|what| ReadError::damaged(path, what, place))?;
    }
    let header = parser.finish(bytes);
    Ok((
        header.map_err(|what| ReadError::damaged(path, what, Place::Header))?,
        reader,
    ))
}

#[derive(Default)]
struct Parser {
    line: u64,
    encoding: Option<Encoding>,
    elements: Vec<Element>,
    origin: [f64; 3],
}

impl Parser {
    fn take(&mut self, words: &[&str]) -> Result<(), String> {
        match words {
            ["ply" | "obj_info", ..] | [] => {}
            ["comment", "origin", x, y, z] => {
                if let (Ok(x), Ok(y), Ok(z)) = (x.parse(), y.parse(), z.parse()) {
                    self.origin = [x, y, z];
                }
            }
            ["comment", ..] => {}
            ["format", encoding, _] => self.encoding = Some(encoding_named(encoding)?),
            ["element", name, count] => self.elements.push(Element {
                name: (*name).to_owned(),
                count: count.parse().map_err(|_| format!("a count of '{count}'"))?,
                properties: Vec::new(),
            }),
            ["property", rest @ ..] => {
                let element = self.elements.last_mut();
                let element = element.ok_or("a property before any element")?;
                element.properties.push(property(rest)?);
            }
            [word, ..] => {
                let start: String = word.chars().take(20).collect();
                return Err(format!("unknown header line '{start}'"));
            }
        }
        Ok(())
    }

    fn finish(self, bytes: u64) -> Result<Header, String> {
        let encoding = self.encoding.ok_or("no line 'format'")?;
        let vertex = self.elements.iter().position(|e| e.name == "vertex");
        let vertex = vertex.ok_or("no element 'vertex'")?;
        let empty = self
            .elements
            .iter()
            .find(|e| e.properties.is_empty() && e.count > 0);
        if let Some(element) = empty {
            return Err(format!("element '{}' without properties", element.name));
        }
        let wanted = wanted(&self.elements[vertex])?;
        Ok(Header {
            encoding,
            vertex,
            wanted,
            elements: self.elements,
            origin: self.origin,
            lines: self.line,
            bytes,
        })
    }
}

fn encoding_named(name: &str) -> Result<Encoding, String> {
    match name {
        "ascii" => Ok(Encoding::Ascii),
        "binary_little_endian" => Ok(Encoding::Binary(Order::Little)),
        "binary_big_endian" => Ok(Encoding::Binary(Order::Big)),
        _ => Err(format!("unknown encoding '{name}'")),
    }
}

fn property(words: &[&str]) -> Result<Property, String> {
    let number = |name: &str| Number::named(name).ok_or_else(|| format!("unknown type '{name}'"));
    let (kind, name) = match words {
        ["list", count, item, name] => {
            let (count, item) = (number(count)?, number(item)?);
            (Kind::List { count, item }, name)
        }
        [kind, name] => (Kind::Scalar(number(kind)?), name),
        _ => return Err("a property line that is none".to_owned()),
    };
    Ok(Property {
        name: (*name).to_owned(),
        kind,
    })
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
        Kind::Scalar(number) => number.intensity_scale(),
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
