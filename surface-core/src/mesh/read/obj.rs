//! Wavefront OBJ: `v`, `vn` and `f`, relative indices, polygons. Other lines are passed over.

use std::io::BufRead;

use super::super::MeshColumns;
use super::add_fan;
use super::error::MeshReadError;
use super::source::Source;
use crate::cloud::ply_layout::three_numbers;
use crate::numeric::{to_f32, to_u32};

/// No normal was named for the vertex.
const NONE: u32 = u32::MAX;
/// Different normals were named for the vertex.
const SEVERAL: u32 = u32::MAX - 1;

/// A mark that some programs put before text in UTF-8.
const BYTE_ORDER_MARK: char = '\u{feff}';

#[derive(Default)]
struct Parse {
    columns: MeshColumns,
    normals: Vec<[f32; 3]>,
    /// Which normal each vertex has.
    normal_of: Vec<u32>,
}

pub(super) fn read<R: BufRead>(source: &mut Source<'_, R>) -> Result<MeshColumns, MeshReadError> {
    let mut parse = Parse::default();
    while let Some(mut line) = source.line()? {
        while line.ends_with('\\') {
            line.pop();
            line.push(' ');
            line.push_str(
                &source
                    .line()?
                    .ok_or_else(|| source.truncated("a continued line"))?,
            );
        }
        parse.line(source, line.trim_start_matches(BYTE_ORDER_MARK))?;
    }
    if parse.columns.positions_m.is_empty() {
        return Err(source.syntax(
            "expected vertices (lines \"v x y z\") of an OBJ mesh",
            "none",
        ));
    }
    parse.settle_normals();
    Ok(parse.columns)
}

impl Parse {
    fn line<R: BufRead>(
        &mut self,
        source: &Source<'_, R>,
        line: &str,
    ) -> Result<(), MeshReadError> {
        if let Some(comment) = line.strip_prefix('#') {
            let words: Vec<&str> = comment.split_ascii_whitespace().collect();
            if let ["origin", x, y, z] = words[..] {
                self.columns.origin_m = three_numbers([x, y, z]).unwrap_or([0.0; 3]);
            }
            return Ok(());
        }
        let said = line.split('#').next().unwrap_or_default();
        let words: Vec<&str> = said.split_ascii_whitespace().collect();
        match words[..] {
            ["v", x, y, z, ..] => {
                let place =
                    triple([x, y, z]).ok_or_else(|| source.syntax("expected \"v x y z\"", line))?;
                self.columns.positions_m.push(place);
            }
            ["vn", x, y, z] => {
                let normal = triple([x, y, z])
                    .ok_or_else(|| source.syntax("expected \"vn x y z\"", line))?;
                self.normals.push(normal.map(to_f32));
            }
            ["f", ref corners @ ..] if corners.len() >= 3 => self.face(source, corners)?,
            ["v" | "vn" | "f", ..] => {
                return Err(source.syntax(
                    "expected a line of an OBJ mesh with at least 3 numbers",
                    line,
                ));
            }
            _ => {}
        }
        Ok(())
    }

    fn face<R: BufRead>(
        &mut self,
        source: &Source<'_, R>,
        corners: &[&str],
    ) -> Result<(), MeshReadError> {
        let mut polygon = Vec::with_capacity(corners.len());
        for corner in corners {
            let mut parts = corner.split('/');
            let vertex = parts
                .next()
                .and_then(|w| index(w, self.columns.positions_m.len()));
            let fault = || {
                source.syntax(
                    "expected corners like 7, 7/1 or 7/1/3, counted from 1, of vertices",
                    *corner,
                )
            };
            let vertex = vertex.ok_or_else(fault)?;
            polygon.push(vertex);
            if let Some(normal) = parts.nth(1) {
                self.name_normal(vertex, index(normal, self.normals.len()).ok_or_else(fault)?);
            }
        }
        add_fan(&mut self.columns, &polygon);
        Ok(())
    }

    fn name_normal(&mut self, vertex: u32, normal: u32) {
        let vertex = vertex as usize;
        // A vertex may come later in the file; one that never comes is refused in the end.
        if vertex >= self.normal_of.len() && vertex < self.columns.positions_m.len() {
            self.normal_of.resize(self.columns.positions_m.len(), NONE);
        }
        if let Some(own) = self.normal_of.get_mut(vertex) {
            *own = if *own == NONE || *own == normal {
                normal
            } else {
                SEVERAL
            };
        }
    }

    /// Keep the normals if every vertex has exactly one.
    fn settle_normals(&mut self) {
        let all = self.normal_of.len() == self.columns.positions_m.len();
        let normal = |&k: &u32| self.normals.get(k as usize).copied();
        let normals: Option<Vec<[f32; 3]>> = self.normal_of.iter().map(normal).collect();
        self.columns.normals = normals.filter(|_| all);
    }
}

fn triple(words: [&str; 3]) -> Option<[f64; 3]> {
    let mut numbers = [0.0; 3];
    for (number, word) in numbers.iter_mut().zip(words) {
        *number = word.parse().ok()?;
    }
    Some(numbers)
}

/// An index from 1, or back from the last of `count`.
fn index(word: &str, count: usize) -> Option<u32> {
    let number: i64 = word.parse().ok()?;
    let index = match number {
        0 => None,
        1.. => Some(number - 1),
        _ => i64::from(to_u32(count)).checked_add(number),
    };
    u32::try_from(index?).ok()
}
