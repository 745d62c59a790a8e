//! PLY (the Stanford polygon format, G. Turk 1994).

use std::io::BufRead;

use super::super::MeshColumns;
use super::add_fan;
use super::error::MeshReadError;
use super::source::Source;
use crate::cloud::ply_layout::{
    Element, Encoding, Kind, LayoutParser, Number, Order, PlyLayout, Property,
};
use crate::numeric::{to_f32, to_u8};

/// Corners that a polygon may have; more is a damaged count.
const MOST_CORNERS: f64 = 65_536.0;

pub(super) fn read<R: BufRead>(source: &mut Source<'_, R>) -> Result<MeshColumns, MeshReadError> {
    let layout = layout(source)?;
    for needed in ["vertex", "face"] {
        if !layout.elements.iter().any(|e| e.name == needed) {
            return Err(source.syntax(
                "expected the elements vertex and face (is this a cloud?)",
                needed,
            ));
        }
    }
    if layout.encoding != Encoding::Ascii {
        source.leave_text();
    }
    let mut columns = MeshColumns {
        origin_m: layout.origin_m,
        ..MeshColumns::default()
    };
    let mut values = Values {
        source,
        encoding: layout.encoding,
    };
    for element in &layout.elements {
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

/// The header.
pub(super) fn layout<R: BufRead>(source: &mut Source<'_, R>) -> Result<PlyLayout, MeshReadError> {
    const EXPECTED: &str = "expected the header of a PLY file";
    let mut parser = LayoutParser::default();
    loop {
        let Some(line) = source.line()? else {
            return Err(source.truncated("its header"));
        };
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        let ended = parser.take(&words);
        if ended.map_err(|what| source.syntax(EXPECTED, what))? {
            let layout = parser.finish();
            return layout.map_err(|what| source.syntax(EXPECTED, what));
        }
    }
}

/// Numbers one after another.
struct Values<'a, 'b, R> {
    source: &'a mut Source<'b, R>,
    encoding: Encoding,
}

impl<R: BufRead> Values<'_, '_, R> {
    #[inline]
    fn number(&mut self, number: Number, what: &'static str) -> Result<f64, MeshReadError> {
        match self.encoding {
            Encoding::Ascii => self.word(what),
            Encoding::Binary(order) => self.binary(number, what, order),
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

    #[inline]
    fn binary(
        &mut self,
        number: Number,
        what: &'static str,
        order: Order,
    ) -> Result<f64, MeshReadError> {
        Ok(match number.bytes() {
            1 => number.decode(&self.source.bytes::<1>(what)?, order),
            2 => number.decode(&self.source.bytes::<2>(what)?, order),
            4 => number.decode(&self.source.bytes::<4>(what)?, order),
            _ => number.decode(&self.source.bytes::<8>(what)?, order),
        })
    }

    /// How many items a property has: 1, or what its list says.
    fn length(&mut self, property: &Property, what: &'static str) -> Result<u32, MeshReadError> {
        let Kind::List { count, .. } = property.kind else {
            return Ok(1);
        };
        let length = self.number(count, what)?;
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
                let value = values.number(property.kind.item(), what)?;
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
    let corners = corners.filter(|&k| matches!(element.properties[k].kind, Kind::List { .. }));
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
                let value = values.number(property.kind.item(), what)?;
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
                values.number(property.kind.item(), "an element before its faces")?;
            }
        }
    }
    Ok(())
}
