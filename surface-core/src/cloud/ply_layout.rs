//! What a PLY file says it holds: the lines of its header (G. Turk, the Stanford polygon format,
//! 1994), for clouds and for meshes.

/// Byte order of a binary file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Order {
    Little,
    Big,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Encoding {
    Ascii,
    Binary(Order),
}

impl Encoding {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Ascii => "ASCII",
            Self::Binary(Order::Little) => "binary little-endian",
            Self::Binary(Order::Big) => "binary big-endian",
        }
    }
}

/// Type of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Number {
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

    pub(crate) fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// The number in the first bytes of `from`, which has enough of them.
    #[inline]
    pub(crate) fn decode(self, from: &[u8], order: Order) -> f64 {
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
pub(crate) enum Kind {
    Scalar(Number),
    List { count: Number, item: Number },
}

impl Kind {
    /// The type of the property's values.
    pub(crate) fn item(self) -> Number {
        match self {
            Self::Scalar(number) | Self::List { item: number, .. } => number,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Property {
    pub(crate) name: String,
    pub(crate) kind: Kind,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Element {
    pub(crate) name: String,
    pub(crate) count: u64,
    pub(crate) properties: Vec<Property>,
}

impl Element {
    /// Bytes of one record in a binary file without the items of its lists.
    pub(crate) fn least_bytes(&self) -> usize {
        let bytes = |p: &Property| match p.kind {
            Kind::Scalar(number) => number.bytes(),
            Kind::List { count, .. } => count.bytes(),
        };
        self.properties.iter().map(bytes).sum()
    }

    /// Where the first of the named properties stands.
    pub(crate) fn find(&self, names: &[&str]) -> Option<usize> {
        let named = |p: &Property| names.contains(&p.name.as_str());
        self.properties.iter().position(named)
    }

    pub(crate) fn has_list(&self) -> bool {
        let list = |p: &Property| matches!(p.kind, Kind::List { .. });
        self.properties.iter().any(list)
    }
}

/// All that the header of a file says.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PlyLayout {
    pub(crate) encoding: Encoding,
    pub(crate) elements: Vec<Element>,
    /// From a line `comment origin X Y Z`: what the coordinates are relative to, metres.
    pub(crate) origin_m: [f64; 3],
}

/// Takes a header line by line.
#[derive(Debug, Default)]
pub(crate) struct LayoutParser {
    encoding: Option<Encoding>,
    elements: Vec<Element>,
    origin_m: [f64; 3],
}

impl LayoutParser {
    /// Take the words of a line; whether it ended the header. The error says what is wrong with it.
    pub(crate) fn take(&mut self, words: &[&str]) -> Result<bool, String> {
        match *words {
            ["end_header"] => return Ok(true),
            ["ply" | "obj_info", ..] | [] => {}
            ["comment", "origin", x, y, z] => {
                self.origin_m = three_numbers([x, y, z]).unwrap_or(self.origin_m);
            }
            ["comment", ..] => {}
            ["format", encoding, _] => self.encoding = Some(encoding_named(encoding)?),
            ["element", name, count] => self.elements.push(Element {
                name: name.to_owned(),
                count: count.parse().map_err(|_| format!("a count of '{count}'"))?,
                properties: Vec::new(),
            }),
            ["property", ref rest @ ..] => {
                let element = self.elements.last_mut();
                let element = element.ok_or("a property before any element")?;
                element.properties.push(property(rest)?);
            }
            [word, ..] => {
                let start: String = word.chars().take(20).collect();
                return Err(format!("unknown header line '{start}'"));
            }
        }
        Ok(false)
    }

    /// The whole, once the header has ended.
    pub(crate) fn finish(self) -> Result<PlyLayout, String> {
        let encoding = self.encoding.ok_or("no line 'format'")?;
        let empty = |e: &&Element| e.properties.is_empty() && e.count > 0;
        if let Some(element) = self.elements.iter().find(empty) {
            return Err(format!("element '{}' without properties", element.name));
        }
        Ok(PlyLayout {
            encoding,
            elements: self.elements,
            origin_m: self.origin_m,
        })
    }
}

/// Three finite numbers.
pub(crate) fn three_numbers(words: [&str; 3]) -> Option<[f64; 3]> {
    let mut numbers = [0.0; 3];
    for (number, word) in numbers.iter_mut().zip(words) {
        *number = word.parse().ok().filter(|v: &f64| v.is_finite())?;
    }
    Some(numbers)
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
