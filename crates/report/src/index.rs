//! index.html of a batch: one line a delivery.

use std::fmt::Write;

use loadin_record::manifest::Manifest;
use loadin_record::rough_mix::missing_stems;
use loadin_record::verdict::Verdict;

use crate::note;
use crate::page::{Head, document, verdict};
use crate::text::{clock, count, html, number};
use crate::words;

/// One delivery of a batch.
pub enum Entry<'a> {
    /// It has a page.
    Page {
        /// The folder of its page inside that of the batch, with `/`.
        folder: &'a str,
        /// Its record, or what would be done with it.
        manifest: &'a Manifest,
    },
    /// It could not be worked on.
    Lost {
        /// Its name.
        name: &'a str,
        /// What went wrong and what to do.
        error: &'a str,
    },
}

/// Makes the index; the entries stand in the order they are given.
pub fn index(entries: &[Entry<'_>]) -> String {
    let rows: String = entries.iter().map(row).collect();
    let heads: String = CELLS
        .iter()
        .enumerate()
        .map(|(index, what)| format!("<th scope=col{}>{what}</th>", if index < 4 { " class=n" } else { "" }))
        .collect();
    let body = format!(
        "<header><p class=kind>Batch</p><h1>{}</h1></header>\n<main>\n<table class=batch role=table>\
         <caption class=sr>One line a delivery</caption><thead><tr><th scope=col>Delivery</th>{heads}</tr></thead>\n\
         <tbody>{rows}</tbody></table>\n\
         <aside class=caution aria-label=Caution><p><b>Turn the monitors down before the first playback.</b> {} \
         Hearing safety follows your local rules.</p></aside>\n</main>\n",
        count(entries.len(), "delivery", "deliveries"),
        louder(entries),
    );
    let head = Head { title: "Load-in of several deliveries", about: "", sounds: false };
    document(&head, &body, "")
}

/// What the cells of a line are, beside the delivery's name; on narrow screens the words stand in the cells.
const CELLS: [&str; 8] =
    ["Ready", "In question", "Not usable", "Questions", "Gain", "Length", "Rate", "In short"];

fn row(entry: &Entry<'_>) -> String {
    let (name, cells) = match entry {
        Entry::Lost { name, error } => {
            let mut cells = CELLS.map(|_| "–".to_owned());
            cells[CELLS.len() - 1] = format!("not worked on: {error}");
            (html(name), cells)
        }
        Entry::Page { folder, manifest } => {
            let link =
                format!("<a href=\"{}/report.html\">{}</a>", href(folder), html(&manifest.delivery.name));
            (link, cells(manifest))
        }
    };
    let cells = cells.iter().zip(CELLS).enumerate().map(|(index, (text, what))| {
        let class = if index < 4 { "n" } else { "words" };
        format!("<td class={class} data-what=\"{what}\">{}</td>", html(text))
    });
    format!("<tr><th scope=row>{name}</th>{}</tr>\n", cells.collect::<String>())
}

fn cells(manifest: &Manifest) -> [String; 8] {
    let stems = Verdict::of(manifest);
    let rate_hz = manifest.stems.iter().find_map(|stem| stem.output.as_ref().map(|output| output.rate_hz));
    let gain = match &manifest.link.gains[..] {
        [] => "none".to_owned(),
        [one] => format!("{} dB", number(one.gain_db, 2, true)),
        several => format!("{} gains", several.len()),
    };
    let frames = manifest.link.length_frames;
    let length = rate_hz.filter(|_| frames > 0).map(|hz| clock(frames as f64 / f64::from(hz.max(1)), 1));
    [
        stems.ready.to_string(),
        stems.in_question.to_string(),
        stems.not_usable.to_string(),
        note::questions(manifest, str::to_owned).len().to_string(),
        gain,
        length.unwrap_or_else(|| "various".to_owned()),
        rate_hz.map(words::rate).unwrap_or_default(),
        format!("{} Missing stems: {}.", verdict(manifest), missing_stems(manifest.rough_mix.as_ref()).text),
    ]
}

fn louder(entries: &[Entry<'_>]) -> String {
    let rises = entries.iter().filter_map(|entry| match entry {
        Entry::Page { manifest, .. } => manifest.louder_db(),
        Entry::Lost { .. } => None,
    });
    rises.reduce(f64::max).map_or(String::new(), |db| {
        format!("Playback can be up to {} dB louder than the delivered files.", number(db, 1, false))
    })
}

/// A folder's name as part of a relative address (RFC 3986, section 2.3: all but unreserved characters and
/// the slashes between folders are encoded).
fn href(folder: &str) -> String {
    let mut text = String::new();
    for byte in folder.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~' | b'/') {
            text.push(char::from(byte));
        } else {
            // Writing to a string cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3986, section 2.1 and 2.3.
    #[test]
    fn a_folder_becomes_an_address() {
        assert_eq!(href("Song one"), "Song%20one");
        assert_eq!(href("a\"b<c>#?é"), "a%22b%3Cc%3E%23%3F%C3%A9");
        assert_eq!(href("plain-1._~/data"), "plain-1._~/data");
    }

    #[test]
    fn a_delivery_that_failed_has_a_line_too() {
        let page = index(&[Entry::Lost { name: "<b>x</b>", error: "there is no audio" }]);
        assert!(page.contains("&lt;b&gt;x&lt;/b&gt;") && page.contains("not worked on: there is no audio"));
        assert!(!page.contains("<script"), "an index needs no script");
    }
}
