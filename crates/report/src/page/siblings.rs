//! How siblings stand to each other: the delay, likeness and polarity of stems that hold one source.

use loadin_record::evidence::{Polarity, Sibling};
use loadin_record::manifest::Manifest;

use crate::text::{file, html, number};
use crate::words;

/// Pairs that stand open; the others are folded away.
const ROOM: usize = 24;

/// The table; nothing where no pair was found.
pub(super) fn siblings(manifest: &Manifest) -> String {
    if manifest.siblings.is_empty() {
        return String::new();
    }
    let rows: Vec<String> = manifest.siblings.iter().map(|sibling| row(manifest, sibling)).collect();
    let (first, rest) = rows.split_at(rows.len().min(ROOM));
    let more = if rest.is_empty() {
        String::new()
    } else {
        let summary = format!("<summary>{} more</summary>", rest.len());
        format!("<details>{summary}{}</details>\n", table(rest, "Further related stems"))
    };
    format!(
        "<section class=siblings aria-labelledby=siblings-title><h2 id=siblings-title>How siblings stand to each other</h2>\n\
         <p>Stems that their names relate and that hold one source, as delivered. The correlation is that of the best \
         place: 1 is one signal, −1 one that is turned over, and below 0.6 they share little more than bleed. Distances \
         of microphones are part of the sound; nothing here has been changed.</p>\n{}{more}</section>\n",
        table(first, "Related stems, their delay, correlation and polarity")
    )
}

fn table(rows: &[String], caption: &str) -> String {
    format!(
        "<div class=scroll><table><caption class=sr>{caption}</caption><thead><tr><th scope=col>Stem</th>\
         <th scope=col>beside</th><th scope=col class=n>later by <small>frames</small></th>\
         <th scope=col class=n><small>ms</small></th><th scope=col class=n>Correlation</th>\
         <th scope=col>Polarity</th></tr></thead><tbody>{}</tbody></table></div>\n",
        rows.concat()
    )
}

fn row(manifest: &Manifest, sibling: &Sibling) -> String {
    let ms = 1000.0 * sibling.lag_frames as f64 / f64::from(sibling.rate_hz.max(1));
    // A sign beside the word, so that it is seen from afar.
    let word = sibling.polarity.as_str();
    let polarity = match sibling.polarity {
        Polarity::Same => word.to_owned(),
        Polarity::Inverted => format!("<b>⌽ {word}</b>"),
    };
    format!(
        "<tr><th scope=row>{}</th><td>{}</td><td class=n>{}</td><td class=n>{}</td><td class=n>{}</td><td>{polarity}</td></tr>\n",
        name(manifest, &sibling.b),
        name(manifest, &sibling.a),
        html(&number(sibling.lag_frames as f64, 0, true)),
        number(ms, 2, true),
        number(sibling.correlation, 2, false),
    )
}

/// The stem's label, as a link to its waveform.
fn name(manifest: &Manifest, path: &str) -> String {
    manifest.stems.iter().position(|stem| stem.source.path == path).map_or_else(
        || file(path),
        |index| format!("<a href=\"#s{}\">{}</a>", index + 1, file(words::label(&manifest.stems[index]))),
    )
}
