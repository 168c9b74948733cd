//! index.html of a batch: one line a delivery.

use loadin_pipeline::manifest::{Manifest, State};

use crate::note;
use crate::page::{Act, document, number_in, verdict};
use crate::text::{clock, html, number};
use crate::words;

/// One delivery of a batch.
pub enum Entry<'a> {
    /// It has a page.
    Page {
        /// Its folder inside that of the batch.
        folder: &'a str,
        /// Its record, or what would be done with it.
        manifest: &'a Manifest,
        /// Whether it was only looked at.
        audit: bool,
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
    let body = format!(
        "<header><p class=kind>Batch</p><h1>{} deliveries</h1></header>\n<main>\n<div class=scroll><table class=batch>\
         <caption class=sr>One line a delivery</caption><thead><tr><th scope=col>Delivery</th>\
         <th scope=col class=n>Ready</th><th scope=col class=n>Set aside</th><th scope=col class=n>Failed</th>\
         <th scope=col class=n>Questions</th><th scope=col>Gain</th><th scope=col>Length</th><th scope=col>Rate</th>\
         <th scope=col>In short</th></tr></thead>\n<tbody>{rows}</tbody></table></div>\n\
         <aside class=caution aria-label=Caution><p><b>Turn the monitors down before the first playback.</b> {} \
         Hearing safety follows your local rules.</p></aside>\n</main>\n",
        entries.len(),
        louder(entries),
    );
    document("Load-in of several deliveries", &body, "")
}

fn row(entry: &Entry<'_>) -> String {
    match entry {
        Entry::Lost { name, error } => format!(
            "<tr class=lost><th scope=row>{}</th><td class=n>–</td><td class=n>–</td><td class=n>–</td><td class=n>–</td>\
             <td></td><td></td><td></td><td>not worked on: {}</td></tr>\n",
            html(name),
            html(error)
        ),
        Entry::Page { folder, manifest, audit } => line(folder, manifest, *audit),
    }
}

fn line(folder: &str, manifest: &Manifest, audit: bool) -> String {
    let count = |state| number_in(manifest, state);
    let rate_hz = manifest.stems.iter().find_map(|stem| stem.output.as_ref().map(|output| output.rate_hz));
    let gain = match &manifest.link.gains[..] {
        [] => "none".to_owned(),
        [one] => format!("{} dB", number(one.gain_db, 2, true)),
        several => format!("{} gains", several.len()),
    };
    let frames = manifest.link.length_frames;
    let length = rate_hz.filter(|_| frames > 0).map(|hz| clock(frames as f64 / f64::from(hz.max(1)), 1));
    let act = if audit { Act::Audit } else { Act::Prepared };
    format!(
        "<tr><th scope=row><a href=\"{}/report.html\">{}</a></th><td class=n>{}</td><td class=n>{}</td><td class=n>{}</td>\
         <td class=n>{}</td><td>{gain}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
        href(folder),
        html(&manifest.delivery.name),
        count(State::Prepared) + count(State::Unchanged),
        count(State::SetAside),
        count(State::Failed),
        note::questions(manifest, str::to_owned).len(),
        length.unwrap_or_else(|| "various".to_owned()),
        rate_hz.map(words::rate).unwrap_or_default(),
        html(&verdict(manifest, act)),
    )
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

/// A folder's name as part of a relative address (RFC 3986, section 2.3: all but unreserved characters are encoded).
fn href(folder: &str) -> String {
    let mut text = String::new();
    for byte in folder.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            text.push(char::from(byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
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
        assert_eq!(href("plain-1._~"), "plain-1._~");
    }

    #[test]
    fn a_delivery_that_failed_has_a_line_too() {
        let page = index(&[Entry::Lost { name: "<b>x</b>", error: "there is no audio" }]);
        assert!(page.contains("&lt;b&gt;x&lt;/b&gt;") && page.contains("not worked on: there is no audio"));
        assert!(!page.contains("<script"), "an index needs no script");
    }
}
