//! The mesh as a LandXML 1.2 surface, as surveyors exchange it.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::draft::{Draft, WriteError, named};
use super::head::MeshHead;
use crate::mesh::MeshSection;

/// Writes a mesh of any length as a triangulated surface (`surfType="TIN"`) of LandXML 1.2.
///
/// Points are `northing easting elevation` in world coordinates with five decimals (nothing is off
/// by more than 0.005 mm), numbered from 1; faces are triples of them. Zones and σ are lost.
#[derive(Debug)]
pub struct LandXmlWriter {
    path: PathBuf,
    origin_m: [f64; 3],
    body: Draft,
    tail: Draft,
    text: String,
}

/// Text with the five characters that XML keeps for itself replaced.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&apos;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

impl LandXmlWriter {
    /// Begin `path` of a mesh with this head.
    ///
    /// # Errors
    /// [`WriteError`] when the drafts cannot be made.
    pub fn create(path: &Path, head: &MeshHead) -> Result<Self, WriteError> {
        let mut body = Draft::create(named(path, ".part"))?;
        let system = head.crs.map_or_else(String::new, |name| {
            format!(
                "  <CoordinateSystem name=\"{0}\" desc=\"{0}\"/>\n",
                escaped(name)
            )
        });
        // The standard asks for a date; a fixed one keeps the same input giving the same bytes.
        let what = head
            .note
            .map_or_else(String::new, |n| format!("; {}", escaped(n)));
        let text = format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
             <LandXML xmlns=\"http://www.landxml.org/schema/LandXML-1.2\" version=\"1.2\" \
             date=\"2000-01-01\" time=\"00:00:00\">\n\
             \x20 <Units>\n    <Metric areaUnit=\"squareMeter\" linearUnit=\"meter\" \
             volumeUnit=\"cubicMeter\" temperatureUnit=\"celsius\" \
             pressureUnit=\"milliBars\" angularUnit=\"radians\" directionUnit=\"radians\"/>\n  </Units>\n\
             {system}\
             \x20 <Application name=\"surface\" version=\"{}\"/>\n\
             \x20 <Surfaces>\n    <Surface name=\"road\" desc=\"drivable surface{what}\">\n\
             \x20     <Definition surfType=\"TIN\">\n<Pnts>\n",
            env!("CARGO_PKG_VERSION")
        );
        body.put(text.as_bytes())?;
        Ok(Self {
            path: path.to_owned(),
            origin_m: head.origin_m,
            body,
            tail: Draft::create(named(path, ".faces.part"))?,
            text: String::new(),
        })
    }

    /// Append a section.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn add(&mut self, section: &MeshSection) -> Result<(), WriteError> {
        self.text.clear();
        for v in 0..section.owned {
            let p = section.vertices.positions_m[v];
            let [x, y, z] = [0, 1, 2].map(|k| p[k] + self.origin_m[k]);
            let id = u64::from(section.names[v]) + 1;
            let _ = writeln!(self.text, "<P id=\"{id}\">{y:.5} {x:.5} {z:.5}</P>");
        }
        self.body.put(self.text.as_bytes())?;
        self.text.clear();
        for face in &section.faces {
            let [a, b, c] = face.map(|v| u64::from(section.names[v as usize]) + 1);
            let _ = writeln!(self.text, "<F>{a} {b} {c}</F>");
        }
        self.tail.put(self.text.as_bytes())
    }

    /// Join points and faces and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<(), WriteError> {
        self.body.put(b"</Pnts>\n<Faces>\n")?;
        self.body.append(&mut self.tail)?;
        self.body
            .put(b"</Faces>\n      </Definition>\n    </Surface>\n  </Surfaces>\n</LandXML>\n")?;
        self.body.publish(&self.path)
    }
}
