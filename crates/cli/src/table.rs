//! Aligned columns of text. Knows nothing of what the cells say.

use std::io::{self, Write};

use console::{measure_text_width, truncate_str};

use crate::look::{Look, Tone};
use crate::plain::{printable, wrapped};

/// Between two columns.
const GAP: &str = "  ";

/// A last column that would become narrower goes below its row instead.
const LEAST_LAST: usize = 24;

/// A cell, and what its colour means.
#[derive(Debug)]
pub(crate) struct Cell {
    text: String,
    tone: Tone,
    /// Whether it says that there is no value.
    is_absent: bool,
}

impl Cell {
    /// A text in the colour of what it means.
    pub(crate) fn toned(text: impl Into<String>, tone: Tone) -> Self {
        let text = printable(&text.into());
        let is_absent = text.is_empty();
        Self { text, tone, is_absent }
    }

    /// A word that stands where there is no value; a column of numbers stays one.
    pub(crate) fn absent(word: &str, tone: Tone) -> Self {
        Self { is_absent: true, ..Self::toned(word, tone) }
    }

    /// A dash where there is no value.
    pub(crate) fn dash() -> Self {
        Self::absent("-", Tone::Faint)
    }
}

impl<T: Into<String>> From<T> for Cell {
    fn from(text: T) -> Self {
        Self::toned(text, Tone::Plain)
    }
}

/// Rows of cells; the last column is not padded and may be long.
#[derive(Debug, Default)]
pub(crate) struct Table {
    rows: Vec<Vec<Cell>>,
    /// Columns that give nothing away where the terminal is too narrow.
    kept: &'static [usize],
}

impl Table {
    /// A table with its heading.
    pub(crate) fn new(heading: &[&str]) -> Self {
        let heading = heading.iter().map(|&cell| Cell::toned(cell, Tone::Heading));
        Self { rows: vec![heading.collect()], kept: &[] }
    }

    /// The same, and these columns stay whole however narrow the terminal is.
    pub(crate) fn keeping(self, kept: &'static [usize]) -> Self {
        Self { kept, ..self }
    }

    /// Adds a row.
    pub(crate) fn row(&mut self, cells: impl IntoIterator<Item = Cell>) {
        self.rows.push(cells.into_iter().collect());
    }

    /// Prints all rows as they fit the terminal; whole where stdout is none.
    pub(crate) fn print(&self, out: &mut dyn Write) -> io::Result<()> {
        self.lines(Look::of_stdout()).iter().try_for_each(|line| writeln!(out, "{line}"))
    }

    fn lines(&self, look: Look) -> Vec<String> {
        let widths = self.widths(look.width);
        let beginnings: Vec<Option<String>> =
            (0..widths.len()).map(|column| self.beginning(column)).collect();
        let numeric: Vec<bool> = (0..widths.len()).map(|column| self.is_numeric(column)).collect();
        let before_last: usize = widths.iter().rev().skip(1).map(|width| width + GAP.len()).sum();
        let mut lines = Vec::new();
        for row in &self.rows {
            let Some((last, cells)) = row.split_last() else { continue };
            let mut line = String::new();
            for (((cell, &width), numeric), beginning) in
                cells.iter().zip(&widths).zip(&numeric).zip(&beginnings)
            {
                let shared = beginning.as_ref().filter(|begin| cell.text.starts_with(begin.as_str()));
                let text = middle(&cell.text, width, shared.map_or(0, String::len));
                let pad = " ".repeat(width - measure_text_width(&text));
                let (left, right) = if *numeric { (pad.as_str(), "") } else { ("", pad.as_str()) };
                line += &[left, &look.paint(&text, cell.tone), right, GAP].concat();
            }
            let mut parts = last_column(&last.text, look.width, before_last).into_iter();
            line.push_str(&look.paint(&parts.next().unwrap_or_default(), last.tone));
            lines.push(line.trim_end().to_owned());
            let indent =
                " ".repeat(before_last.min(look.width.map_or(before_last, |w| w.saturating_sub(LEAST_LAST))));
            lines.extend(parts.map(|part| format!("{indent}{}", look.paint(&part, last.tone))));
        }
        lines
    }

    /// How most cells of a column begin.
    fn beginning(&self, column: usize) -> Option<String> {
        let cells = self.rows.iter().skip(1).filter_map(|row| row.get(column));
        let texts: Vec<&str> = cells.filter(|cell| !cell.is_absent).map(|cell| cell.text.as_str()).collect();
        shared_beginning(&texts)
    }

    /// Whether a column holds numbers, with or without a unit: they stand right, so that their digits do below each other.
    fn is_numeric(&self, column: usize) -> bool {
        let is_number =
            |cell: &Cell| cell.text.split(' ').next().is_some_and(|word| word.parse::<f64>().is_ok());
        let cells = self.rows.iter().skip(1).filter_map(|row| row.get(column));
        let mut cells = cells.filter(|cell| !cell.is_absent).peekable();
        cells.peek().is_some() && cells.all(is_number)
    }

    /// The width of each column. Where the terminal is too narrow, the widest of all but the last give way.
    fn widths(&self, available: Option<usize>) -> Vec<usize> {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let widest = |c: usize| {
            self.rows.iter().filter_map(|r| r.get(c)).map(|cell| measure_text_width(&cell.text)).max()
        };
        let mut widths: Vec<usize> = (0..columns).map(|c| widest(c).unwrap_or(0)).collect();
        let (Some(available), Some((last, front))) = (available, widths.split_last_mut()) else {
            return widths;
        };
        // Two fifths for the last one, which says most.
        let room = available.saturating_sub((*last).min(LEAST_LAST.max(available * 2 / 5)));
        loop {
            let used: usize = front.iter().map(|width| width + GAP.len()).sum();
            let gives = front.iter_mut().enumerate().filter(|(column, _)| !self.kept.contains(column));
            match gives.map(|(_, width)| width).max() {
                Some(widest) if used > room && *widest > 12 => *widest -= 1,
                _ => break,
            }
        }
        widths
    }
}

/// The text in at most `width` columns; where something must go, it goes from the middle of the beginning that all texts of the
/// column share, `shared` bytes long, and then from the middle of what is left: names begin and end with what tells them apart.
fn middle(text: &str, width: usize, shared: usize) -> String {
    let full = measure_text_width(text);
    if full <= width {
        return text.to_owned();
    }
    let (common, own) = text.split_at(shared);
    let room = width.saturating_sub(measure_text_width(own));
    if room >= LEAST_SHARED {
        return cut(common, room) + own;
    }
    if shared > 0 {
        return format!("…{}", cut(own, width.saturating_sub(1)));
    }
    cut(text, width)
}

/// Less of a shared beginning says nothing.
const LEAST_SHARED: usize = 5;

fn cut(text: &str, width: usize) -> String {
    if measure_text_width(text) <= width {
        return text.to_owned();
    }
    let front = truncate_str(text, width.saturating_sub(1) / 2, "").into_owned();
    let room = width.saturating_sub(measure_text_width(&front) + 1);
    let mut tail = String::new();
    for c in text.chars().rev() {
        let longer = format!("{c}{tail}");
        if measure_text_width(&longer) > room {
            break;
        }
        tail = longer;
    }
    format!("{front}…{tail}")
}

/// The beginning that more than half of the texts share; `None` of two texts, or where there is none.
fn shared_beginning(texts: &[&str]) -> Option<String> {
    let longest = |one: &str, other: &str| -> usize {
        one.char_indices()
            .zip(other.chars())
            .take_while(|((_, a), b)| a == b)
            .map(|((at, a), _)| at + a.len_utf8())
            .last()
            .unwrap_or(0)
    };
    let mut sorted = texts.to_vec();
    sorted.sort_unstable();
    // Of a sorted list, whatever more than half share is shared by the one in the middle and those around it.
    let half = sorted.len() / 2;
    let begin = (0..sorted.len().saturating_sub(half))
        .map(|at| &sorted[at][..longest(sorted[at], sorted[at + half])]);
    begin.max_by_key(|text| text.len()).filter(|text| !text.is_empty() && texts.len() > 2).map(str::to_owned)
}

/// The last cell in lines that fit beside the other columns, broken between words.
fn last_column(text: &str, available: Option<usize>, before: usize) -> Vec<String> {
    wrapped(text, available.map(|available| available.saturating_sub(before).max(LEAST_LAST)), 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        let mut table = Table::new(&["output", "source", "what was done"]);
        table.row([
            "01_Kick".into(),
            "A very long name of a song_Kick In_48k24b_v3.wav".into(),
            "gain +0.5 dB; frames 737280 → 691680; depth 16-bit → 24-bit".into(),
        ]);
        table.row([
            Cell::dash(),
            "Ünïcode ドラム.wav".into(),
            Cell::toned("set aside: it is digital silence from start to end", Tone::Attention),
        ]);
        table
    }

    #[test]
    fn elsewhere_than_on_a_terminal_nothing_is_left_out() {
        let lines = table().lines(Look::default());
        assert_eq!(lines.len(), 3);
        assert!(lines[1].contains("song_Kick In_48k24b_v3.wav  gain +0.5 dB; frames"));
        assert!(lines.iter().all(|line| !line.contains('\x1b')));
    }

    #[test]
    fn on_a_terminal_every_line_fits() {
        for width in [60, 80, 100, 140] {
            let lines = table().lines(Look { width: Some(width), colour: false });
            for line in &lines {
                assert!(measure_text_width(line) <= width, "{width}: {line}");
            }
            let all = lines.join(" ");
            assert!(
                all.contains("691680;") && all.contains("_v3.wav") && all.contains("A very long"),
                "{width}: {all}"
            );
        }
    }

    /// East Asian wide signs take two columns (Unicode Standard Annex #11).
    #[test]
    fn columns_stand_below_each_other_whatever_the_script() {
        let lines = table().lines(Look { width: Some(140), colour: false });
        let column = |line: &str, word: &str| measure_text_width(&line[..line.find(word).unwrap()]);
        assert_eq!(column(&lines[1], "gain"), column(&lines[2], "set aside"));
    }

    #[test]
    fn numbers_stand_right() {
        let mut table = Table::new(&["file", "peak", "group"]);
        table.row(["12 String.wav".into(), "-6.50 dBFS".into(), "guitars".into()]);
        table.row(["Kick.wav".into(), "-17.00 dBFS".into(), "drums".into()]);
        let lines = table.lines(Look::default());
        assert_eq!(lines[1], "12 String.wav   -6.50 dBFS  guitars");
        assert_eq!(lines[0], "file                  peak  group");
    }

    #[test]
    fn colour_does_not_move_a_column() {
        let (plain, colour) = (
            table().lines(Look { width: Some(100), colour: false }),
            table().lines(Look { width: Some(100), colour: true }),
        );
        let bare: Vec<String> =
            colour.iter().map(|line| console::strip_ansi_codes(line).into_owned()).collect();
        assert_eq!(bare, plain);
        assert!(colour.iter().any(|line| line.contains("\x1b[33mset aside")));
    }
}
