//! The terminal: errors on standard error, tables on standard output.

use std::io::{IsTerminal, Write};

/// Whether standard error takes colours: a terminal, and `NO_COLOR` not set (no-color.org).
pub fn colours() -> bool {
    let refused = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    std::io::stderr().is_terminal() && !refused
}

/// The last words of a run that failed.
pub fn error(message: &str, hint: &str) {
    let (red, plain) = if colours() {
        ("\x1b[1;31m", "\x1b[0m")
    } else {
        ("", "")
    };
    // Nothing is left to tell if standard error is closed too.
    let _ = writeln!(
        std::io::stderr(),
        "{red}error:{plain} {message}\nhint: {hint}"
    );
}

/// The last words about a command that was typed wrong, which begin with `error:` themselves.
pub fn usage(message: &str, hint: &str) {
    // Nothing is left to tell if standard error is closed too.
    let _ = writeln!(std::io::stderr(), "{}\nhint: {hint}", message.trim_end());
}

/// Rows of words in aligned columns.
#[derive(Debug, Default)]
pub struct Table {
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Append a row.
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().collect());
    }

    /// Write the rows, columns aligned to the left and two blanks apart.
    pub fn write(&self, out: &mut dyn Write) -> std::io::Result<()> {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let width = |k: usize| {
            let cells = self.rows.iter().filter_map(|r| r.get(k));
            cells.map(|c| c.chars().count()).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns).map(width).collect();
        for row in &self.rows {
            let cells = row
                .iter()
                .zip(&widths)
                .map(|(cell, &w)| format!("{cell:w$}"));
            let line = cells.collect::<Vec<_>>().join("  ");
            writeln!(out, "  {}", line.trim_end())?;
        }
        Ok(())
    }
}

/// A count with thin groups of three: 1 234 567.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (k, digit) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_grouped_by_three_from_the_right() {
        assert_eq!(
            [0, 999, 1000, 12_345_678].map(count),
            ["0", "999", "1 000", "12 345 678"]
        );
    }

    #[test]
    fn columns_are_as_wide_as_their_widest_word() {
        let mut table = Table::default();
        table.row(["a".to_owned(), "bb".to_owned()]);
        table.row(["ccc".to_owned()]);
        let mut out = Vec::new();
        table.write(&mut out).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "  a    bb\n  ccc\n");
    }
}
