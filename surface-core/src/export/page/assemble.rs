//! The page as a file: its frame with the data put in.

use std::io::{self, Write};

use super::base64;
use super::data::PageData;
use crate::export::Diverging;

/// The page without data: frame, style and script, made by `surface-core/page/rebuild`.
const TEMPLATE: &str = include_str!("../../../page/dist/page.html");
/// Where the data goes.
const MARK: &str = "<!-- data -->";

/// A report page, ready to be written.
#[derive(Debug, Clone, Copy)]
pub struct ReportPage<'a> {
    /// What is drawn.
    pub data: &'a PageData,
    /// All that was found, as JSON; without anything that differs from run to run, if the page
    /// shall be the same bytes.
    pub report: &'a serde_json::Value,
}

impl ReportPage<'_> {
    /// Write the page.
    ///
    /// # Errors
    /// What `out` says.
    pub fn write<W: Write>(&self, mut out: W) -> io::Result<()> {
        let (before, after) = TEMPLATE.split_once(MARK).unwrap_or((TEMPLATE, ""));
        out.write_all(before.as_bytes())?;
        element(&mut out, "report", "application/json")?;
        out.write_all(script_safe(self.report).as_bytes())?;
        let mut head = self.data.head.clone();
        head["colours"] = colours();
        out.write_all(b"</script>\n")?;
        element(&mut out, "head", "application/json")?;
        out.write_all(script_safe(&head).as_bytes())?;
        out.write_all(b"</script>\n")?;
        for (name, stream) in &self.data.streams {
            element(&mut out, name, "application/octet-stream")?;
            base64::write(stream, &mut out)?;
            out.write_all(b"</script>\n")?;
        }
        out.write_all(after.as_bytes())?;
        out.flush()
    }
}

fn element<W: Write>(out: &mut W, name: &str, kind: &str) -> io::Result<()> {
    write!(out, "<script type=\"{kind}\" id=\"data-{name}\">")
}

/// JSON that cannot end the element that it stands in, whatever a file's name holds.
fn script_safe(value: &serde_json::Value) -> String {
    value.to_string().replace('<', "\\u003c")
}

/// The scale of signed numbers, as pictures have it: from −1 to 1, then below and above.
fn colours() -> serde_json::Value {
    let scale = Diverging::default();
    let hex = |x: f64| {
        let [r, g, b] = scale.at(x);
        format!("#{r:02x}{g:02x}{b:02x}")
    };
    let steps: Vec<String> = (0..=64).map(|k| hex(f64::from(k) / 32.0 - 1.0)).collect();
    serde_json::json!({ "diverging": steps, "below": hex(-2.0), "above": hex(2.0) })
}
