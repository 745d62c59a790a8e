//! Vertices written as text, one a line.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use super::BATCH;
use super::header::Header;
use crate::cloud::Columns;
use crate::cloud::io::error::ReadError;
use crate::cloud::io::intensity::Scale;
use crate::cloud::io::lines::Lines;
use crate::cloud::io::source::Source;
use crate::cloud::ply_layout::{Element, Kind, Property};

pub(super) struct AsciiSource {
    path: PathBuf,
    lines: Lines,
    header: Header,
    done: u64,
    /// Lines behind those that are declared, once they were looked for.
    more: Option<u64>,
    scale: Option<Scale>,
    raw_intensity: Vec<f64>,
}

impl AsciiSource {
    pub fn open(path: &Path, reader: BufReader<File>, header: Header) -> Result<Self, ReadError> {
        let mut lines = Lines::after(path, reader, header.lines);
        for element in &header.elements[..header.vertex] {
            for found in 0..element.count {
                if skip_blank(&mut lines)?.is_none() {
                    return Err(wrong_count(path, element.count, found));
                }
            }
        }
        Ok(Self {
            path: path.to_owned(),
            lines,
            scale: header.wanted.scale,
            header,
            done: 0,
            more: None,
            raw_intensity: Vec::new(),
        })
    }

    /// Read one vertex.
    fn vertex(&mut self, out: &mut Columns) -> Result<(), ReadError> {
        let wanted = self.header.wanted;
        let (mut xyz, mut intensity, mut time) = (self.header.origin, 0.0, 0.0);
        let Some(line) = skip_blank(&mut self.lines)? else {
            let declared = self.header.vertices().count;
            return Err(wrong_count(
                &self.path,
                declared,
                self.done + out.len() as u64,
            ));
        };
        let mut words = line.split_ascii_whitespace();
        let mut read = || -> Result<(), String> {
            for (k, property) in self.header.elements[self.header.vertex]
                .properties
                .iter()
                .enumerate()
            {
                let value = match property.kind {
                    Kind::Scalar(_) => number(words.next(), &property.name)?,
                    Kind::List { .. } => {
                        let count = number(words.next(), &property.name)?;
                        let items = crate::numeric::to_index(count);
                        if items > 0 && words.nth(items - 1).is_none() {
                            return Err(format!("a list '{}' that is too short", property.name));
                        }
                        continue;
                    }
                };
                match wanted.xyz.iter().position(|&c| c == k) {
                    Some(axis) => xyz[axis] += value,
                    None if wanted.intensity == Some(k) => intensity = value,
                    None if wanted.time == Some(k) => time = value,
                    None => {}
                }
            }
            Ok(())
        };
        let done = read();
        done.map_err(|what| self.lines.damaged(what))?;
        out.push(xyz, 0, 0);
        self.raw_intensity.push(intensity);
        if let Some(times) = &mut out.time_s {
            times.push(time);
        }
        Ok(())
    }
}

/// What follows the vertices: a wrong number of them shows there alone.
impl AsciiSource {
    /// The lines behind the vertices are those that are declared, if any are.
    fn check_rest(&mut self) -> Result<(), ReadError> {
        let later = &self.header.elements[self.header.vertex + 1..];
        let declared = later.iter().map(|e| e.count).fold(0, u64::saturating_add);
        let (found, odd) = self.pass_later()?;
        let mut more = 0;
        while let Some(line) = skip_blank(&mut self.lines)? {
            more += u64::from(!line.is_empty());
        }
        self.more = Some(more);
        match odd {
            _ if declared > 0 && found + more != declared => {
                Err(self.wrong_lines(declared, found + more))
            }
            Some(odd) => Err(odd),
            None => Ok(()),
        }
    }

    /// Pass over the elements behind the vertices; how many lines of them there are, and what is
    /// wrong with the first that is none.
    fn pass_later(&mut self) -> Result<(u64, Option<ReadError>), ReadError> {
        let (mut found, mut odd) = (0, None);
        for element in &self.header.elements[self.header.vertex + 1..] {
            for _ in 0..element.count {
                let Some(line) = skip_blank(&mut self.lines)? else {
                    return Ok((found, odd));
                };
                found += 1;
                if odd.is_none() && !is_of(element, line) {
                    let what = format!("a line that is no '{}'", element.name);
                    odd = Some(self.lines.damaged(what));
                }
            }
        }
        Ok((found, odd))
    }

    /// Other than the `declared` lines are there behind the vertices.
    fn wrong_lines(&self, declared: u64, found: u64) -> ReadError {
        let vertices = self.header.vertices().count;
        self.lines.damaged(format!(
            "{vertices} vertices and {declared} elements behind them are declared, {} lines of them are there: the last",
            vertices + found
        ))
    }
}

/// Whether a line has the words of an element and no more.
fn is_of(element: &Element, line: &str) -> bool {
    let mut words = line.split_ascii_whitespace();
    let has = |property: &Property| {
        let number: Option<f64> = words.next().and_then(|word| word.parse().ok());
        match (number, property.kind) {
            (None, _) => false,
            (Some(_), Kind::Scalar(_)) => true,
            (Some(count), Kind::List { .. }) => {
                let items = crate::numeric::to_index(count);
                items == 0 || words.nth(items - 1).is_some()
            }
        }
    };
    element.properties.iter().all(has) && words.next().is_none()
}

fn skip_blank(lines: &mut Lines) -> Result<Option<&str>, ReadError> {
    while lines.skip_blank()? {}
    lines.next()
}

fn number(word: Option<&str>, name: &str) -> Result<f64, String> {
    let word = word.ok_or_else(|| format!("a vertex without '{name}'"))?;
    word.parse().map_err(|_| {
        let start: String = word.chars().take(20).collect();
        format!("'{start}' is no number in '{name}'")
    })
}

fn wrong_count(path: &Path, declared: u64, found: u64) -> ReadError {
    ReadError::WrongCount {
        path: path.to_owned(),
        declared,
        found,
    }
}

impl Source for AsciiSource {
    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        out.clear();
        self.raw_intensity.clear();
        out.time_s = self
            .header
            .wanted
            .time
            .map(|_| out.time_s.take().unwrap_or_default());
        let left = self.header.vertices().count - self.done;
        if left == 0 && self.more.is_none() {
            self.check_rest()?;
        }
        for _ in 0..left.min(BATCH) {
            self.vertex(out)?;
        }
        self.done += out.len() as u64;
        if self.header.wanted.intensity.is_some() {
            let raw = &self.raw_intensity;
            let scale = *self.scale.get_or_insert_with(|| Scale::learned(raw));
            out.intensity.clear();
            out.intensity.extend(raw.iter().map(|&v| scale.apply(v)));
        }
        Ok(out.len())
    }

    fn note_at_end(&mut self) -> Option<String> {
        let (more, declared) = (self.more?, self.header.vertices().count);
        (more > 0).then(|| {
            format!("{declared} vertices are declared, but {more} lines more are there: they are not read")
        })
    }
}
