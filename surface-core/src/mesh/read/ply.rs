//! PLY (the Stanford polygon format, G. Turk 1994).

use std::io::BufRead;

use super::super::MeshColumns;
use super::add_fan;
use super::error::MeshReadError;
use super::ply_header::{self, Element, Format, Number, Property};
use super::source::Source;
use crate::numeric::{to_f32, to_u8};

/// Corners that a polygon may have; more is a damaged count.
const MOST_CORNERS: f64 = 65_536.0;

pub(super) fn read<R: BufRead>(source: &mut Source<'_, R>) -> Result<MeshColumns, MeshReadError> {
    let header = ply_header::read(source)?;
    for needed in ["vertex", "face"] {
        if !header.elements.iter().any(|e| e.name == needed) {
            return Err(source.syntax(
                "expected the elements vertex and face (is this a cloud?)",
                needed,
            ));
        }
    }
    if header.format != Format::Ascii {
        source.leave_text();
    }
    let mut columns = MeshColumns {
        origin_m: header.origin_m,
        ..MeshColumns::default()
    };
    let mut values = Values {
        source,
        format: header.format,
    };
    for element in &header.elements {
        match element.name.as_str() {
            "vertex" => read_vertices(&mut values, element, &mut columns)?,
            "face" => read_faces(&mut values, element, &mut columns)?,
            _ => skip(&mut values, element)?,
        }
        // What stands behind both is not needed, and may be cut off.
        if !columns.positions_m.is_empty() && !columns.faces.is_empty() {
            break;
        }
    }
    Ok(columns)
}

/// Numbers one after another.
struct Values<'a, 'b, R> {
    source: &'a mut Source<'b, R>,
    format: Format,
}

impl<R: BufRead> Values<'_, '_, R> {
    #[inline]
    fn number(&mut self, number: Number, what: &'static str) -> Result<f64, MeshReadError> {
        match self.format {
            Format::Ascii => self.word(what),
            Format::Little => self.binary(number, what, |mut bytes, length| {
                bytes[..length].reverse();
                bytes
            }),
            Format::Big => self.binary(number, what, |bytes, _| bytes),
        }
    }

    fn word(&mut self, what: &'static str) -> Result<f64, MeshReadError> {
        let word = self.source.word(what)?;
        let parsed = word.parse();
        let word = if parsed.is_ok() {
            String::new()
        } else {
            word.to_owned()
        };
        parsed.map_err(|_| self.source.syntax("expected a number", word))
    }

    /// A number from its bytes, once `order` has put the most significant first.
    #[inline]
    fn binary(
        &mut self,
        number: Number,
        what: &'static str,
        order: impl Fn([u8; 8], usize) -> [u8; 8],
    ) -> Result<f64, MeshReadError> {
        let mut bytes = [0; 8];
        let length = match number {
            Number::I8 | Number::U8 => 1,
            Number::I16 | Number::U16 => 2,
            Number::I32 | Number::U32 | Number::F32 => 4,
            Number::F64 => 8,
        };
        match length {
            1 => bytes[..1].copy_from_slice(&self.source.bytes::<1>(what)?),
            2 => bytes[..2].copy_from_slice(&self.source.bytes::<2>(what)?),
            4 => bytes[..4].copy_from_slice(&self.source.bytes::<4>(what)?),
            _ => bytes = self.source.bytes::<8>(what)?,
        }
        let [a, b, c, d, ..] = order(bytes, length);
        Ok(match number {
            Number::I8 => f64::from(i8::from_be_bytes([a])),
            Number::U8 => f64::from(a),
            Number::I16 => f64::from(i16::from_be_bytes([a, b])),
            Number::U16 => f64::from(u16::from_be_bytes([a, b])),
            Number::I32 => f64::from(i32::from_be_bytes([a, b, c, d])),
            Number::U32 => f64::from(u32::from_be_bytes([a, b, c, d])),
            Number::F32 => f64::from(f32::from_be_bytes([a, b, c, d])),
            Number::F64 => f64::from_be_bytes(order(bytes, length)),
        })
    }

    /// How many items a property has: 1, or what its list says.
    fn length(&mut self, property: &Property, what: &'static str) -> Result<u32, MeshReadError> {
        let Some(list) = property.list else {
            return Ok(1);
        };
        let length = self.number(list, what)?;
        whole(length)
            .filter(|_| length <= MOST_CORNERS)
            .ok_or_else(|| {
                self.source
                    .syntax("expected the length of a list", length.to_string())
            })
    }
}

/// A whole number that fits an index.
#[expect(clippy::float_cmp, reason = "a whole number is its own floor")]
fn whole(v: f64) -> Option<u32> {
    let index = crate::numeric::to_index(v);
    u32::try_from(index).ok().filter(|&w| f64::from(w) == v)
}

fn read_vertices<R: BufRead>(
    values: &mut Values<'_, '_, R>,
    element: &Element,
    columns: &mut MeshColumns,
) -> Result<(), MeshReadError> {
    let what = "its vertices";
    let places = ["x", "y", "z", "nx", "ny", "nz", "sigma"].map(|name| element.find(&[name]));
    if places[..3].contains(&None) {
        return Err(values
            .source
            .syntax("expected vertices with the properties x, y and z", "others"));
    }
    let has_normals = !places[3..6].contains(&None);
    let has_sigma = places[6].is_some();
    for _ in 0..element.count {
        let mut row = [0.0; 7];
        for (k, property) in element.properties.iter().enumerate() {
            for _ in 0..values.length(property, what)? {
                let value = values.number(property.number, what)?;
                if let Some(role) = places.iter().position(|&place| place == Some(k)) {
                    row[role] = value;
                }
            }
        }
        let [x, y, z, normal @ .., sigma] = row;
        columns.positions_m.push([x, y, z]);
        if has_normals {
            columns
                .normals
                .get_or_insert_default()
                .push(normal.map(to_f32));
        }
        if has_sigma {
            columns.sigma_m.get_or_insert_default().push(to_f32(sigma));
        }
    }
    Ok(())
}

fn read_faces<R: BufRead>(
    values: &mut Values<'_, '_, R>,
    element: &Element,
    columns: &mut MeshColumns,
) -> Result<(), MeshReadError> {
    let what = "its faces";
    let corners = element.find(&["vertex_indices", "vertex_index"]);
    let corners = corners.filter(|&k| element.properties[k].list.is_some());
    let Some(corners) = corners else {
        return Err(values
            .source
            .syntax("expected faces with a list vertex_indices", "others"));
    };
    let zone_at = element.find(&["zone"]);
    let mut polygon = Vec::new();
    for _ in 0..element.count {
        let mut zone = 0.0;
        polygon.clear();
        for (k, property) in element.properties.iter().enumerate() {
            for _ in 0..values.length(property, what)? {
                let value = values.number(property.number, what)?;
                if k == corners {
                    polygon.push(corner(values, value)?);
                } else if zone_at == Some(k) {
                    zone = value;
                }
            }
        }
        if polygon.len() < 3 {
            return Err(values.source.syntax(
                "expected at least 3 corners of a face",
                polygon.len().to_string(),
            ));
        }
        let triangles = add_fan(columns, &polygon);
        if zone_at.is_some() {
            let zones = columns.zones.get_or_insert_default();
            zones.extend(std::iter::repeat_n(to_u8(zone), triangles));
        }
    }
    Ok(())
}

fn corner<R: BufRead>(values: &Values<'_, '_, R>, value: f64) -> Result<u32, MeshReadError> {
    let fault = || {
        values
            .source
            .syntax("expected the number of a vertex", value.to_string())
    };
    whole(value).ok_or_else(fault)
}

fn skip<R: BufRead>(
    values: &mut Values<'_, '_, R>,
    element: &Element,
) -> Result<(), MeshReadError> {
    if element.properties.is_empty() {
        return Ok(());
    }
    for _ in 0..element.count {
        for property in &element.properties {
            for _ in 0..values.length(property, "an element before its faces")? {
                values.number(property.number, "an element before its faces")?;
            }
        }
    }
    Ok(())
}
