//! How results look on stdout: on a terminal they fit its width and have colour, elsewhere they are plain and whole.
//! Knows no verb.

use std::ffi::OsStr;
use std::io::{self, IsTerminal};
use std::sync::atomic::{AtomicUsize, Ordering};

use loadin_record::finding::Severity;
use loadin_record::manifest::State;
use loadin_record::summary::Ended;

/// Narrower terminals get lines that are too long rather than columns of three letters.
const LEAST_WIDTH: usize = 60;

/// The columns of `--columns`; 0 where it was not given.
static ASKED: AtomicUsize = AtomicUsize::new(0);

/// Takes the columns of `--columns` for all that is printed.
pub(crate) fn ask_for_columns(columns: Option<u16>) {
    ASKED.store(columns.map_or(0, usize::from), Ordering::Relaxed);
}

/// What the reader's screen can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Look {
    /// Columns of the terminal; `None` where nothing limits a line.
    pub(crate) width: Option<usize>,
    /// Whether colour is wanted.
    pub(crate) colour: bool,
}

impl Look {
    /// That of stdout.
    pub(crate) fn of_stdout() -> Self {
        let asked = Some(ASKED.load(Ordering::Relaxed)).filter(|columns| *columns > 0);
        if !io::stdout().is_terminal() {
            return Self { width: asked.map(|width| width.max(LEAST_WIDTH)), colour: false };
        }
        let width = console::Term::stdout().size_checked().map(|(_, columns)| usize::from(columns));
        Self {
            width: asked.or(width).map(|width| width.max(LEAST_WIDTH)),
            colour: colour(std::env::var_os("NO_COLOR").as_deref(), std::env::var_os("TERM").as_deref()),
        }
    }

    /// The text in the colour of its meaning; the words themselves say it too.
    pub(crate) fn paint(self, text: &str, tone: Tone) -> String {
        let code = match tone {
            Tone::Plain => return text.to_owned(),
            Tone::Heading => "1",
            Tone::Faint => "2",
            Tone::Attention => "33",
            Tone::Problem => "1;31",
        };
        // SGR sequences: ECMA-48, section 8.3.117.
        if self.colour && !text.is_empty() { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// Whether a terminal gets colour: not with a `NO_COLOR` that is not empty (no-color.org), and not on a dumb one.
fn colour(no_color: Option<&OsStr>, term: Option<&OsStr>) -> bool {
    no_color.is_none_or(OsStr::is_empty) && term != Some(OsStr::new("dumb"))
}

/// What a colour means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    Plain,
    Heading,
    Faint,
    Attention,
    Problem,
}

impl Tone {
    /// How much a finding matters.
    pub(crate) fn of_severity(severity: Severity) -> Self {
        match severity {
            Severity::Problem => Self::Problem,
            Severity::Attention => Self::Attention,
            Severity::Note => Self::Plain,
        }
    }

    /// What became of a stem.
    pub(crate) fn of_state(state: State) -> Self {
        match state {
            State::Failed => Self::Problem,
            State::SetAside => Self::Attention,
            State::Unchanged => Self::Faint,
            State::Prepared => Self::Plain,
        }
    }

    /// How the work on a delivery ended.
    pub(crate) fn of_end(ended: Ended) -> Self {
        match ended {
            Ended::Refused | Ended::Interrupted => Self::Problem,
            Ended::Later => Self::Attention,
            Ended::Finished => Self::Plain,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// no-color.org: "when present and not an empty string (regardless of its value), prevents the addition of colour".
    #[test]
    fn no_color_is_respected() {
        let term = Some(OsStr::new("xterm"));
        assert!(colour(None, term) && colour(Some(OsStr::new("")), term));
        assert!(!colour(Some(OsStr::new("0")), term) && !colour(None, Some(OsStr::new("dumb"))));
    }

    #[test]
    fn colour_is_only_added_where_it_is_wanted() {
        let plain = Look::default();
        assert_eq!(plain.paint("failed", Tone::of_state(State::Failed)), "failed");
        let colour = Look { colour: true, width: None };
        assert_eq!(colour.paint("failed", Tone::of_state(State::Failed)), "\x1b[1;31mfailed\x1b[0m");
        assert_eq!(colour.paint("prepared", Tone::of_state(State::Prepared)), "prepared");
    }
}
