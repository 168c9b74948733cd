//! What all stems share: level, start, length and rate, and what is known of the music. Knows no single stem.

use loadin_record::link::Linked;
use loadin_record::manifest::Manifest;
use loadin_record::music::{Fact, NoteText, heading, unit_of};
use serde_json::Value;

use super::sheet::Sheet;
use crate::text::{clock, count, file, html, number};
use crate::words;

/// Gains that are listed one by one.
const MOST_GAINS: usize = 6;

/// Facts that the first rows say, whatever else is known.
const FIRST_FACTS: [&str; 3] = ["rate_hz", "tempo_bpm", "key"];

/// One line of the list.
struct Row {
    heading: String,
    value: String,
    /// Where the value comes from, or what it holds for.
    note: String,
}

impl Row {
    fn new(heading: impl Into<String>, value: impl Into<String>, note: impl Into<String>) -> Self {
        Self { heading: heading.into(), value: value.into(), note: note.into() }
    }
}

/// What stands below the overview: what all stems share, and what the client writes.
pub(super) fn beside(sheet: &Sheet<'_>) -> String {
    format!("<div class=answer>\n{}{}</div>\n", shared(sheet), notes(sheet.manifest))
}

/// The client's own notes, as text.
fn notes(manifest: &Manifest) -> String {
    if manifest.notes.is_empty() {
        return String::new();
    }
    let quoted = |note: &NoteText| {
        // Line ends are layout here; every other hidden character is shown.
        let lines: Vec<String> = note.text.lines().map(|line| html(&line.replace('\t', "    "))).collect();
        let cut = if note.is_cut { "<p><small>There is more in the file.</small></p>" } else { "" };
        format!(
            "<figure><figcaption class=file>{}</figcaption><blockquote tabindex=0>{}</blockquote>{cut}</figure>",
            file(&note.path),
            lines.join("\n")
        )
    };
    let all: String = manifest.notes.iter().map(quoted).collect();
    format!(
        "<section class=notes aria-labelledby=notes-title><h2 id=notes-title>What the client writes</h2>{all}</section>\n"
    )
}

/// The section of what all stems share.
fn shared(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let rate_hz = manifest.facts.get("rate_hz").and_then(|fact| fact.value.as_u64());
    let mut rows = gain_rows(manifest);
    rows.extend(time_rows(manifest, rate_hz));
    for (name, what) in [("tempo_bpm", "Tempo"), ("key", "Key")] {
        rows.push(manifest.facts.get(name).map_or_else(
            || Row::new(what, "not stated", heard_instead(manifest, name)),
            |fact| fact_row(what, name, fact),
        ));
    }
    let others = manifest.facts.iter().filter(|(name, _)| !FIRST_FACTS.contains(&name.as_str()));
    let (heard, stated): (Vec<_>, Vec<_>) = others.partition(|(name, _)| name.contains(ESTIMATE));
    let row = |(name, fact): (&String, &Fact)| fact_row(capital(&heading(name)), name, fact);
    rows.extend(stated.into_iter().map(row));
    let heard: Vec<Row> = heard.into_iter().map(row).collect();
    format!(
        "<section class=shared aria-labelledby=shared-title><h2 id=shared-title>What all stems share</h2>{}{}</section>\n",
        list(&rows),
        folded(&heard)
    )
}

/// The common gains, the first ones one by one.
fn gain_rows(manifest: &Manifest) -> Vec<Row> {
    let gains = &manifest.link.gains;
    let mut rows: Vec<Row> = gains
        .iter()
        .take(MOST_GAINS)
        .map(|gain| {
            let scope = match &gain.scope {
                Linked::Delivery => "one for all linked stems".to_owned(),
                other => other.to_string(),
            };
            let scope = match &gain.decided_by {
                Some(path) => format!("{scope}; \"{path}\" is the loudest"),
                None => scope,
            };
            Row::new("Gain", format!("{} dB", number(gain.gain_db, 2, true)), scope)
        })
        .collect();
    if gains.len() > MOST_GAINS {
        rows.push(Row::new("Gain", format!("{} more", gains.len() - MOST_GAINS), "see the stems"));
    }
    rows
}

/// The common start, length, time stamp and rate.
fn time_rows(manifest: &Manifest, rate_hz: Option<u64>) -> Vec<Row> {
    let link = &manifest.link;
    let seconds = |frames: u64| frames as f64 / rate_hz.unwrap_or(48_000).max(1) as f64;
    let mut rows = vec![match link.trim_head_frames {
        0 => Row::new("Start", "as delivered", "nothing cut"),
        frames => {
            let cut = format!("{} s cut", number(seconds(frames), 3, false));
            Row::new("Start", cut, "from the start of all stems")
        }
    }];
    if link.length_frames > 0 {
        let frames = format!("{} frames each", link.length_frames);
        rows.push(Row::new("Length", clock(seconds(link.length_frames), 3), frames));
    }
    if let Some(stamp) = link.timestamp_frames {
        rows.push(Row::new("Time stamp", clock(seconds(stamp), 3), "since midnight"));
    }
    if let Some(rate_hz) = rate_hz {
        rows.push(Row::new("Rate", words::rate(rate_hz as u32), "every output"));
    }
    rows
}

/// The first screen has room for what is sure; what is heard is one touch away.
fn folded(heard: &[Row]) -> String {
    if heard.is_empty() {
        return String::new();
    }
    let count = count(heard.len(), "estimate", "estimates");
    format!("<details><summary>What is heard of the music: {count}</summary>{}</details>", list(heard))
}

/// What stands in the names of facts that are heard and not stated.
const ESTIMATE: &str = "_estimate";

/// What is heard where nothing is stated.
fn heard_instead(manifest: &Manifest, name: &str) -> String {
    let fact = manifest.facts.get(&format!("{name}{ESTIMATE}"));
    fact.map_or_else(String::new, |fact| {
        format!("it sounds like {} ({})", value_of(name, fact), fact.confidence.as_str())
    })
}

fn list(rows: &[Row]) -> String {
    let row = |Row { heading, value, note }: &Row| {
        format!(
            "<div><dt>{}</dt> <dd>{} <small>{}</small></dd></div>",
            html(heading),
            html(value),
            html(note)
        )
    };
    format!("<dl>{}</dl>", rows.iter().map(row).collect::<String>())
}

/// A fact of the music: its value, where it comes from and how sure it is.
fn fact_row(heading: impl Into<String>, name: &str, fact: &Fact) -> Row {
    Row::new(heading, value_of(name, fact), format!("{}, {}", fact.confidence.as_str(), fact.source))
}

/// The value of a fact with its unit.
pub(super) fn value_of(name: &str, fact: &Fact) -> String {
    match &fact.value {
        Value::Null => "stated differently".to_owned(),
        value => format!("{}{}", plain(value), unit_of(name)),
    }
}

fn capital(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |first| first.to_uppercase().chain(rest).collect())
}

/// Entries of a list that the first screen has room for.
const LIST: usize = 6;

/// A value of JSON as people read it: lists with commas, objects without their braces.
fn plain(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Array(list) => {
            let rest = list.len().saturating_sub(LIST);
            let more = (rest > 0).then(|| format!("and {rest} more"));
            list.iter().take(LIST).map(plain).chain(more).collect::<Vec<_>>().join(", ")
        }
        Value::Object(map) => {
            map.iter().map(|(key, v)| format!("{key} {}", plain(v))).collect::<Vec<_>>().join(" ")
        }
        other => other.to_string(),
    }
}
