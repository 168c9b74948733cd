//! The track sheet: one row a stem, in the order of the outputs (CSV as in RFC 4180, in UTF-8).
//!
//! It begins with a byte order mark (RFC 3629, section 6), by which spreadsheet programs know UTF-8, so that names keep their
//! umlauts; a reader in Python opens it as `utf-8-sig`.

use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::role::StemRole;
use loadin_record::source::SourceRecord;

use crate::page::colour;

const HEADING: &[&str] = &[
    "order",
    "label",
    "folder",
    "group",
    "colour",
    "file",
    "role",
    "part",
    "side",
    "pair",
    "take",
    "treatment",
    "double",
    "state",
    "source",
    "source_format",
    "rate_hz",
    "bits",
    "channels",
    "seconds",
    "peak_dbfs",
    "true_peak_dbtp",
    "gain_db",
    "later_frames",
    "timestamp_frames",
    "changes",
    "corrected",
    "findings",
    "error",
];

/// Makes the sheet.
pub(crate) fn track_sheet(manifest: &Manifest) -> String {
    let heading = HEADING.iter().map(|&cell| cell.to_owned()).collect();
    let rows = manifest.stems.iter().enumerate().map(|(index, stem)| row(index + 1, stem, manifest));
    let lines = std::iter::once(heading).chain(rows).map(|cells| line(&cells));
    std::iter::once(BYTE_ORDER_MARK.to_owned()).chain(lines).collect()
}

/// Says to a spreadsheet program that the text is UTF-8.
const BYTE_ORDER_MARK: &str = "\u{feff}";

/// The other side of a stereo pair: the source that is joined with this one, or the file that is its other side.
fn pair(stem: &StemRecord, manifest: &Manifest) -> Option<String> {
    let others = || manifest.stems.iter().filter(|other| other.source.path != stem.source.path);
    let output = stem.output.as_ref()?;
    if let Some(joined) = others().find(|other| other.output.as_ref().is_some_and(|o| o.path == output.path))
    {
        return Some(joined.source.path.clone());
    }
    let side = |stem: &StemRecord| stem.identity.side.clone();
    let turned = match side(stem)?.as_str() {
        "left" => "right",
        "right" => "left",
        _ => return None,
    };
    let mut wanted = stem.identity.clone();
    wanted.side = Some(turned.to_owned());
    let mut matching = others().filter(|other| other.identity == wanted && other.group == stem.group);
    // Two candidates are a guess.
    let one = matching.next().filter(|_| matching.next().is_none())?;
    one.output.as_ref().map(|output| file_name(&output.path).to_owned())
}

/// The name of a prepared file, with its extension.
fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}

fn row(order: usize, stem: &StemRecord, manifest: &Manifest) -> Vec<String> {
    let output = stem.output.as_ref();
    let label = output.map(|o| crate::words::label_of(&o.path).to_owned());
    let gain =
        stem.changes.iter().find(|change| change.stage == "gain-stage").map(|change| change.to.to_string());
    let changes: Vec<String> =
        stem.changes.iter().map(|change| crate::words::change(change, stem).0).collect();
    let open = stem.findings.iter().filter(|finding| finding.answer.is_none());
    let findings: Vec<&str> = open.map(|finding| finding.id.as_str()).collect();
    let depth = output.map(|o| if o.float { format!("{} float", o.bits) } else { o.bits.to_string() });
    let identity = &stem.identity;
    vec![
        order.to_string(),
        label.unwrap_or_default(),
        output.map(|o| crate::words::folder_of(&o.path).to_owned()).unwrap_or_default(),
        stem.group.clone(),
        colour(&stem.group).unwrap_or_default().to_owned(),
        output.map(|o| file_name(&o.path).to_owned()).unwrap_or_default(),
        if stem.role == StemRole::Reference { stem.role.as_str().to_owned() } else { identity.role.clone() },
        identity.part.clone().unwrap_or_default(),
        identity.side.clone().unwrap_or_default(),
        pair(stem, manifest).unwrap_or_default(),
        or_empty(identity.take),
        identity.treatments.join(" "),
        if identity.double { "double" } else { "" }.to_owned(),
        stem.state.as_str().to_owned(),
        stem.source.path.clone(),
        source_format(&stem.source),
        or_empty(output.map(|o| o.rate_hz)),
        depth.unwrap_or_default(),
        or_empty(output.map(|o| o.channels)),
        output.map(|o| format!("{:.3}", o.frames as f64 / f64::from(o.rate_hz.max(1)))).unwrap_or_default(),
        output.and_then(|o| o.peak_dbfs).map(|db| format!("{db:.2}")).unwrap_or_default(),
        output.and_then(|o| o.true_peak_dbtp).map(|db| format!("{db:.2}")).unwrap_or_default(),
        gain.unwrap_or_default(),
        // By how much the sound stands later than in its file: plus is later, as everywhere.
        or_empty(stem.time_map.as_ref().map(|map| -map.shift_frames)),
        or_empty(output.map(|o| o.timestamp_frames)),
        changes.join("; "),
        corrected(stem),
        findings.join("; "),
        stem.error.clone().unwrap_or_default(),
    ]
}

/// What was corrected by hand: "label: Kick In; role: kick".
fn corrected(stem: &StemRecord) -> String {
    let words: Vec<String> = stem.corrected.iter().map(|(key, words)| format!("{key}: {words}")).collect();
    words.join("; ")
}

fn or_empty(value: Option<impl ToString>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// The delivered file's format in a few words: "WAV PCM 44100 Hz 16-bit 2 ch".
fn source_format(source: &SourceRecord) -> String {
    let depth = source.bits.filter(|bits| *bits > 0).map(|bits| {
        let float = if source.float == Some(true) { " float" } else { "" };
        format!("{bits}-bit{float}")
    });
    let rate = source.rate_hz.map(|hz| format!("{hz} Hz"));
    let channels = source.channels.map(|channels| format!("{channels} ch"));
    let parts = [source.container.clone(), source.codec.clone(), rate, depth, channels];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

fn line(cells: &[String]) -> String {
    let quoted: Vec<String> = cells.iter().map(|cell| quote(cell)).collect();
    format!("{}\r\n", quoted.join(","))
}

/// Quotes a cell where it must be; a cell that a spreadsheet would take for a formula gets an apostrophe first.
fn quote(cell: &str) -> String {
    let number = cell.parse::<f64>().is_ok();
    let formula = !number && cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
    let cell = if formula { format!("'{cell}") } else { cell.to_owned() };
    if cell.contains(['"', ',', '\r', '\n']) { format!("\"{}\"", cell.replace('"', "\"\"")) } else { cell }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4180, section 2, rules 5 to 7.
    #[test]
    fn cells_are_quoted_as_the_standard_says() {
        assert_eq!(quote("plain"), "plain");
        assert_eq!(quote("a,b"), "\"a,b\"");
        assert_eq!(quote("say \"hi\""), "\"say \"\"hi\"\"\"");
    }

    #[test]
    fn a_file_name_is_never_a_formula() {
        assert_eq!(quote("=SUM(A1)"), "'=SUM(A1)");
        assert_eq!(quote("-6.02"), "-6.02");
    }
}
