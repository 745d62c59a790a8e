//! What a PLY file says it holds.

use std::io::BufRead;

use super::error::MeshReadError;
use super::source::Source;

/// How numbers are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Ascii,
    Little,
    Big,
}

/// A type of number.
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

/// A property of an element.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Property {
    pub name: String,
    pub number: Number,
    /// The type of a list's length.
    pub list: Option<Number>,
}

/// A table of the file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Element {
    pub name: String,
    pub count: u64,
    pub properties: Vec<Property>,
}

impl Element {
    /// Where the first of the named properties stands.
    pub(super) fn find(&self, names: &[&str]) -> Option<usize> {
        self.properties
            .iter()
            .position(|p| names.contains(&p.name.as_str()))
    }
}

/// The header of a PLY file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub format: Format,
    pub origin_m: [f64; 3],
    pub elements: Vec<Element>,
}

pub(super) fn read<R: BufRead>(source: &mut Source<'_, R>) -> Result<Header, MeshReadError> {
    let mut header = Header {
        format: Format::Ascii,
        origin_m: [0.0; 3],
        elements: Vec::new(),
    };
    let mut known = false;
    source.line()?;
    loop {
        let Some(line) = source.line()? else {
            return Err(source.truncated("its header"));
        };
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        match words[..] {
            ["end_header"] if known => break,
            ["end_header"] => {
                return Err(source.syntax("expected a format line before the data", line));
            }
            ["format", name, _] => {
                header.format = format(source, name)?;
                known = true;
            }
            ["comment", "origin", x, y, z] => {
                header.origin_m = origin([x, y, z]).unwrap_or([0.0; 3])
            }
            [] | ["comment" | "obj_info", ..] => {}
            ["element", name, count] => {
                let count = count.parse();
                let count =
                    count.map_err(|_| source.syntax("expected a count of elements", &line))?;
                header.elements.push(Element {
                    name: name.into(),
                    count,
                    properties: Vec::new(),
                });
            }
            ["property", ref rest @ ..] => {
                let property = property(rest).ok_or_else(|| {
                    source.syntax("expected a property with a type of number", &line)
                })?;
                let Some(element) = header.elements.last_mut() else {
                    return Err(source.syntax("expected an element before its properties", line));
                };
                element.properties.push(property);
            }
            _ => return Err(source.syntax("expected a line of a PLY header", line)),
        }
    }
    Ok(header)
}

fn format<R: BufRead>(source: &Source<'_, R>, name: &str) -> Result<Format, MeshReadError> {
    match name {
        "ascii" => Ok(Format::Ascii),
        "binary_little_endian" => Ok(Format::Little),
        "binary_big_endian" => Ok(Format::Big),
        _ => Err(source.syntax(
            "expected ascii, binary_little_endian or binary_big_endian",
            name,
        )),
    }
}

/// Three finite numbers.
pub(super) fn origin(words: [&str; 3]) -> Option<[f64; 3]> {
    let mut numbers = [0.0; 3];
    for (number, word) in numbers.iter_mut().zip(words) {
        *number = word.parse().ok().filter(|v: &f64| v.is_finite())?;
    }
    Some(numbers)
}

fn property(words: &[&str]) -> Option<Property> {
    let (name, number, list) = match *words {
        ["list", length, item, name] => (name, item, Some(number(length)?)),
        [item, name] => (name, item, None),
        _ => return None,
    };
    Some(Property {
        name: name.into(),
        number: self::number(number)?,
        list,
    })
}

fn number(name: &str) -> Option<Number> {
    Some(match name {
        "char" | "int8" => Number::I8,
        "uchar" | "uint8" => Number::U8,
        "short" | "int16" => Number::I16,
        "ushort" | "uint16" => Number::U16,
        "int" | "int32" => Number::I32,
        "uint" | "uint32" => Number::U32,
        "float" | "float32" => Number::F32,
        "double" | "float64" => Number::F64,
        _ => return None,
    })
}
