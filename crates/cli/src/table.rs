//! Aligned columns of text.

use std::io::{self, Write};

/// Rows of cells; the last column is not padded and may be long.
#[derive(Debug, Default)]
pub(crate) struct Table {
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with its heading.
    pub(crate) fn new(heading: &[&str]) -> Self {
        Self { rows: vec![heading.iter().map(|&cell| cell.to_owned()).collect()] }
    }

    /// Adds a row.
    pub(crate) fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().map(|cell| printable(&cell)).collect());
    }

    /// Prints all rows.
    pub(crate) fn print(&self, out: &mut dyn Write) -> io::Result<()> {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let widths: Vec<usize> = (0..columns)
            .map(|c| {
                self.rows.iter().filter_map(|row| row.get(c)).map(|s| s.chars().count()).max().unwrap_or(0)
            })
            .collect();
        for row in &self.rows {
            let cells: Vec<String> =
                row.iter().zip(&widths).map(|(cell, &width)| format!("{cell:width$}")).collect();
            writeln!(out, "{}", cells.join("  ").trim_end())?;
        }
        Ok(())
    }
}

/// File names may hold anything; a terminal must not obey them.
pub(crate) fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}
