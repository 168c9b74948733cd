//! The time axis of the overview: times, bars as the session counts them, and sections. It knows no stem.

use std::fmt::Write;

use super::sheet::Sheet;
use crate::session::{bar_lines, session};
use crate::text::{clock, html};
use crate::timeline::COLUMNS;

/// Bar lines that the axis has room for.
const MOST_LINES: usize = 40;

/// Bar numbers that the axis has room for.
const MOST_NUMBERS: usize = 10;

/// The labels over the rows: sections where they are known, and bars, or times where no tempo is.
pub(super) fn ruler(sheet: &Sheet<'_>) -> String {
    let music = Music::of(sheet);
    let mut text = String::new();
    if !music.sections.is_empty() {
        text.push_str("<div class=\"ruler sections\">");
        for (index, (seconds, name)) in music.sections.iter().enumerate() {
            let end = music.sections.get(index + 1).map_or(sheet.axis.end, |next| next.0);
            let (from, to) = (sheet.axis.percent(*seconds), sheet.axis.percent(end));
            let _ = write!(
                text,
                "<i style=\"left:{from:.2}%;width:{:.2}%\" title=\"{}\">{}</i>",
                (to - from).max(0.0),
                html(name),
                html(name)
            );
        }
        text.push_str("</div>");
    }
    text.push_str("<div class=\"ruler times\"><span class=unit>time</span>");
    let ticks = sheet.axis.ticks();
    let digits = usize::from(ticks.windows(2).any(|pair| pair[1] - pair[0] < 1.0));
    label(&mut text, sheet, ticks.into_iter().map(|tick| (tick, clock(tick, digits))));
    text.push_str("</div>");
    if !music.bars.is_empty() {
        let step = step(music.bars.len(), MOST_NUMBERS);
        let numbered = music.bars.iter().enumerate().step_by(step);
        text.push_str("<div class=\"ruler bars\"><span class=unit>bar</span>");
        label(&mut text, sheet, numbered.map(|(index, &at)| (at, (index + 1).to_string())));
        text.push_str("</div>");
    }
    text + "\n"
}

fn label(text: &mut String, sheet: &Sheet<'_>, labels: impl Iterator<Item = (f64, String)>) {
    for (seconds, words) in labels {
        let at = sheet.axis.percent(seconds);
        // The last label would hang over the edge.
        if at <= 95.0 {
            let _ = write!(text, "<i style=\"left:{at:.2}%\">{words}</i>");
        }
    }
}

/// The lines behind all rows: bars, or times where no tempo is known; sections are stronger.
pub(super) fn grid(sheet: &Sheet<'_>) -> String {
    let music = Music::of(sheet);
    let ticks = sheet.axis.ticks();
    let step = step(music.bars.len(), MOST_LINES);
    let bars: Vec<f64> = music.bars.iter().copied().step_by(step).collect();
    let lines = |places: &mut dyn Iterator<Item = f64>| {
        places.map(|at| format!("M{:.2} 0v1", sheet.axis.column(at) - 0.5)).collect::<String>()
    };
    let fine = lines(&mut if bars.is_empty() { ticks } else { bars }.into_iter());
    let strong = lines(&mut music.sections.iter().map(|section| section.0));
    format!(
        "<svg class=grid viewBox=\"-0.5 0 {COLUMNS} 1\" preserveAspectRatio=none aria-hidden=true>\
         <path class=fine d=\"{fine}\"/><path class=strong d=\"{strong}\"/></svg>\n"
    )
}

/// Every how many bars one is drawn: a power of two, as phrases are.
fn step(count: usize, most: usize) -> usize {
    (0..16).map(|power| 1 << power).find(|step| count.div_ceil(*step) <= most).unwrap_or(usize::MAX)
}

/// What the session knows of the song's form.
struct Music {
    bars: Vec<f64>,
    /// Start in seconds, and name.
    sections: Vec<(f64, String)>,
}

impl Music {
    fn of(sheet: &Sheet<'_>) -> Self {
        let Some(session) = session(sheet.manifest) else {
            return Self { bars: Vec::new(), sections: Vec::new() };
        };
        let named = if session.markers.is_empty() { &session.sections } else { &session.markers };
        Self {
            bars: bar_lines(&session.tempi, &session.meters, session.seconds),
            sections: named.iter().map(|at| (at.seconds, at.what.clone())).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_thinned_by_powers_of_two() {
        assert_eq!(step(0, 40), 1);
        assert_eq!(step(40, 40), 1);
        assert_eq!(step(41, 40), 2);
        assert_eq!(step(120, 40), 4);
    }
}
