//! From text to answers. Every mistake is collected with its place, so that one look mends them all.

use std::collections::BTreeMap;
use std::ops::Range;

use loadin_record::finding::{Answer, Id};
use loadin_session::facts::{At, Tempo, key_of};
use loadin_session::said::{self as place, Bars, Place, Song, Start, StemAnswer};
use loadin_session::{Family, Group, Side, Treatment};
use toml::de::{DeTable, DeValue};

use super::answers::{Answers, FORMAT_VERSION, FindingTable, StemTable};
use super::pattern::Pattern;
use super::table::{Table, number_of, refuse, tables, text_of};
use crate::mistakes::{Gathered, Mistakes, describe, integer, list, nearest};

const TOP_KEYS: &[&str] = &["answers", "song", "section", "section-names", "stem", "finding"];

/// Keys of `[song]`.
pub(super) const SONG_KEYS: &[&str] = &["title", "tempo", "meter", "key", "first-downbeat"];

/// Keys of `[[stem]]`.
pub(super) const STEM_KEYS: &[&str] = &[
    "stem",
    "role",
    "part",
    "side",
    "take",
    "treatment",
    "label",
    "group",
    "leave-out",
    "reference",
    "start",
    "newer-of",
    "pair-with",
];

/// Keys of `[[finding]]`.
pub(super) const FINDING_KEYS: &[&str] = &["finding", "stem", "about", "answer", "by", "date", "accept"];

impl Answers {
    /// Reads and checks answers; `file` is how people call the text.
    ///
    /// # Errors
    /// All mistakes that were found, each with line and column.
    pub fn parse(text: &str, file: &str) -> Result<Self, Mistakes> {
        let mut mistakes = Gathered::new(text);
        let read = match DeTable::parse(text) {
            Ok(table) => Some(read(table.get_ref(), &mut mistakes)),
            Err(error) => {
                mistakes.toml(&error, 0..0);
                None
            }
        };
        match read {
            Some((song, stems, findings)) if mistakes.is_empty() => {
                let said_as = BTreeMap::new();
                Ok(Self { file: file.to_owned(), text: text.to_owned(), song, stems, findings, said_as })
            }
            _ => Err(mistakes.into_errors()),
        }
    }
}

type Read = (Song, Vec<StemTable>, Vec<FindingTable>);

fn read(top: &DeTable<'_>, mistakes: &mut Gathered<'_>) -> Read {
    Table::new(top, "answers", TOP_KEYS, mistakes);
    version(top, mistakes);
    let (mut song, bars) = song(top, mistakes);
    song.sections = sections(top, &bars, mistakes);
    song.names = names(top, &song.sections, mistakes);
    let mut stems: Vec<StemTable> = Vec::new();
    for (table, span) in tables(top, "stem", mistakes) {
        let Some(stem) = stem(table, span, &bars, mistakes) else { continue };
        if let Some(earlier) = stems.iter().find(|earlier| earlier.pattern.text == stem.pattern.text) {
            twice(table, "stem", &stem.pattern.text, earlier.at, mistakes);
        }
        stems.push(stem);
    }
    let mut findings: Vec<FindingTable> = Vec::new();
    for (table, span) in tables(top, "finding", mistakes) {
        let Some(found) = finding(table, span, mistakes) else { continue };
        let stem = |table: &FindingTable| table.stem.as_ref().map(|stem| stem.text.clone());
        let same = |earlier: &&FindingTable| {
            earlier.id == found.id && stem(earlier) == stem(&found) && earlier.about == found.about
        };
        if let Some(earlier) = findings.iter().find(same) {
            twice(table, "finding", found.id.as_str(), earlier.at, mistakes);
        }
        findings.push(found);
    }
    (song, stems, findings)
}

fn twice(table: &DeTable<'_>, key: &str, what: &str, earlier: (usize, usize), mistakes: &mut Gathered<'_>) {
    let span = table.get(key).map_or(0..0, toml::Spanned::span);
    let text = format!(
        "found \"{what}\" once more, it is answered in line {} already: allowed is one table for each",
        earlier.0
    );
    mistakes.add(span, text);
}

fn version(top: &DeTable<'_>, mistakes: &mut Gathered<'_>) {
    match top.get("answers") {
        None => mistakes.add(0..0, format!("found no format version, needed is answers = {FORMAT_VERSION}")),
        Some(value) if integer(value.get_ref()) == Some(FORMAT_VERSION) => {}
        Some(value) => {
            let found = describe(value.get_ref());
            let text = format!("found format version {found}, this program reads {FORMAT_VERSION}");
            mistakes.add(value.span(), text);
        }
    }
}

/// The song, and its bars.
fn song(top: &DeTable<'_>, mistakes: &mut Gathered<'_>) -> (Song, Bars) {
    let mut bars = Bars { tempi: Vec::new(), bar: 4.0, beat: 1.0, first: 0.0 };
    let Some(value) = top.get("song") else { return (Song::default(), bars) };
    let Some(table) = value.get_ref().as_table() else {
        mistakes.add(value.span(), "song: found a value, needed is a [song] table");
        return (Song::default(), bars);
    };
    let table = Table::new(table, "[song]", SONG_KEYS, mistakes);
    let title = table.text("title", "a title such as \"North Road\"", mistakes);
    let meter =
        table.read("meter", "a meter such as \"4/4\" or \"6/8\"", mistakes, |v| v.as_str()?.parse().ok());
    let key = table
        .read("key", "a key such as \"D minor\", \"F#m\" or \"Bb major\"", mistakes, |v| key_of(v.as_str()?));
    if let Some(meter) = meter {
        let meter: loadin_session::facts::Meter = meter;
        (bars.bar, bars.beat) = (meter.quarters(), 4.0 / f64::from(meter.unit));
    }
    let tempi = tempi(table, &mut bars, mistakes);
    let downbeat = table.place("first-downbeat", place::ALLOWED, false, mistakes);
    let downbeat_seconds = downbeat.and_then(|at| seconds("first-downbeat", table, at, &bars, mistakes));
    bars.first = downbeat_seconds.unwrap_or(0.0);
    let song = Song { title, tempi, meter, key, downbeat_seconds, ..Song::default() };
    (song, bars)
}

const TEMPO: &str = "a tempo from 30 to 300 BPM such as 92.5, or a list such as [{ bpm = 92 }, { bpm = 96, at = \"bar 33\" }]";

/// The tempi of the song, which are put into its bars.
fn tempi(song: Table<'_, '_>, bars: &mut Bars, mistakes: &mut Gathered<'_>) -> Vec<At<f64>> {
    let usual = |bpm: f64| Tempo::new([bpm]).map(|_| bpm);
    let Some(value) = song.get("tempo") else { return Vec::new() };
    let Some(steps) = value.get_ref().as_array() else {
        let bpm = song.read("tempo", TEMPO, mistakes, |value| usual(number_of(value)?));
        bars.tempi = bpm.map(|bpm| (0.0, bpm)).into_iter().collect();
        return bpm.map(|what| At { seconds: 0.0, what }).into_iter().collect();
    };
    for (index, step) in steps.iter().enumerate() {
        let Some(table) = step.get_ref().as_table() else {
            refuse("tempo", step, TEMPO, mistakes);
            continue;
        };
        let table = Table::new(table, "a step of tempo", &["bpm", "at"], mistakes);
        if table.get("bpm").is_none() {
            mistakes.add(step.span(), format!("tempo: found a step without bpm, needed is {TEMPO}"));
        }
        let bpm = table.read("bpm", "a tempo from 30 to 300 BPM", mistakes, |value| usual(number_of(value)?));
        let at = match table.place("at", place::ALLOWED, false, mistakes) {
            Some(at) => seconds("at", table, at, bars, mistakes),
            None if index == 0 && table.get("at").is_none() => Some(0.0),
            None if table.get("at").is_none() => {
                mistakes.add(
                    step.span(),
                    "tempo: found a change without at, needed is at = \"bar 33\" or a time",
                );
                None
            }
            None => None,
        };
        let (Some(bpm), Some(at)) = (bpm, at) else { continue };
        let before = bars.tempi.last().map(|(at, _)| *at);
        match before {
            None if at > 0.0 => {
                mistakes.add(
                    step.span(),
                    "tempo: found a first step that is not at the start, needed is one without at",
                );
            }
            Some(before) if at <= before => {
                mistakes.add(step.span(), "tempo: found a step at or before the one above it, allowed are steps in the order of the song");
            }
            _ => bars.tempi.push((at, bpm)),
        }
    }
    bars.tempi.iter().map(|&(seconds, what)| At { seconds, what }).collect()
}

/// A place in seconds; a bar needs a tempo.
fn seconds(
    key: &str,
    table: Table<'_, '_>,
    place: Place,
    bars: &Bars,
    mistakes: &mut Gathered<'_>,
) -> Option<f64> {
    match place {
        Place::Seconds(seconds) => Some(seconds),
        Place::Frames(_) => None,
        Place::Bar(bar, beat) => {
            let seconds = bars.seconds(bar, beat);
            if let (None, Some(value)) = (seconds, table.get(key)) {
                let found = describe(value.get_ref());
                let text = format!(
                    "{key}: found {found}, but no tempo that says where a bar is: needed is tempo in [song], or a time"
                );
                mistakes.add(value.span(), text);
            }
            seconds
        }
    }
}

fn sections(top: &DeTable<'_>, bars: &Bars, mistakes: &mut Gathered<'_>) -> Vec<At<String>> {
    let mut all: Vec<At<String>> = Vec::new();
    for (table, span) in tables(top, "section", mistakes) {
        let table = Table::new(table, "[[section]]", &["name", "at"], mistakes);
        let name = table.needed("name", span.clone(), "a name such as name = \"verse\"", mistakes);
        if table.get("at").is_none() {
            let text = format!("found a section without a place, needed is at = {}", place::ALLOWED);
            mistakes.add(span.clone(), text);
        }
        let at = table.place("at", place::ALLOWED, false, mistakes);
        let at = at.and_then(|at| seconds("at", table, at, bars, mistakes));
        let (Some(what), Some(seconds)) = (name, at) else { continue };
        if let Some(other) = all.iter().find(|other| (other.seconds - seconds).abs() < 1e-6) {
            let text = format!(
                "found \"{what}\" at the place of \"{}\", allowed is one section at a place",
                other.what
            );
            mistakes.add(span, text);
        }
        all.push(At { seconds, what });
    }
    all.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    all
}

fn names(
    top: &DeTable<'_>,
    sections: &[At<String>],
    mistakes: &mut Gathered<'_>,
) -> BTreeMap<String, String> {
    let Some(value) = top.get("section-names") else { return BTreeMap::new() };
    let Some(table) = value.get_ref().as_table() else {
        mistakes.add(value.span(), "section-names: found a value, needed is a table such as A = \"verse\"");
        return BTreeMap::new();
    };
    if !sections.is_empty() {
        let text = "section-names: found names for estimated sections beside [[section]] tables, which replace these: allowed is one of the two";
        mistakes.add(value.span(), text);
    }
    let mut names = BTreeMap::new();
    for (key, value) in table {
        let letter = key.get_ref().as_ref();
        if !letter.chars().all(|c| c.is_ascii_uppercase()) {
            let text = format!(
                "section-names: found \"{letter}\", allowed are the letters of estimated sections such as A"
            );
            mistakes.add(key.span(), text);
        }
        if let Some(name) = text_of(value.get_ref()) {
            names.insert(letter.to_owned(), name);
        } else {
            let found = describe(value.get_ref());
            let text = format!("{letter}: found {found}, allowed is a name such as \"verse\"");
            mistakes.add(value.span(), text);
        }
    }
    names
}

/// Groups that a stem may be sorted in: what is a reference is said otherwise.
pub(super) fn groups() -> Vec<Group> {
    Group::ALL.iter().copied().filter(|group| *group != Group::Reference).collect()
}

fn stem(
    table: &DeTable<'_>,
    span: Range<usize>,
    bars: &Bars,
    mistakes: &mut Gathered<'_>,
) -> Option<StemTable> {
    let table = Table::new(table, "[[stem]]", STEM_KEYS, mistakes);
    let path = table.needed(
        "stem",
        span.clone(),
        "a path inside the delivery or a glob, such as stem = \"Audio 07.wav\"",
        mistakes,
    );
    let start = table.place("start", place::ALLOWED_START, true, mistakes);
    let start = match start {
        Some(Place::Frames(frames)) => Some(Start::Frames(frames)),
        Some(place) => seconds("start", table, place, bars, mistakes).map(Start::Seconds),
        None => None,
    };
    let take = |value: &DeValue<'_>| integer(value).and_then(|n| u16::try_from(n).ok()).filter(|n| *n > 0);
    let said = StemAnswer {
        role: table.choice("role", Family::ALL, Family::as_str, mistakes),
        part: table.text("part", "words such as \"chorus 2 high\"", mistakes),
        side: table.choice("side", Side::ALL, Side::as_str, mistakes),
        take: table.read("take", "a whole number from 1 on", mistakes, take),
        treatments: table.choices("treatment", Treatment::ALL, Treatment::as_str, mistakes),
        label: table.text("label", "a name such as \"Kick In\"", mistakes),
        group: table.choice("group", &groups(), Group::as_str, mistakes),
        leave_out: table.boolean("leave-out", mistakes),
        reference: table.boolean("reference", mistakes),
        start,
        newer_of: table.text("newer-of", "the path of the older stem", mistakes),
        pair_with: table.text("pair-with", "the path of the other side", mistakes),
    };
    if table.table.len() == 1 && path.is_some() {
        mistakes
            .add(span, format!("found a stem without an answer, needed is one of {}", list(&STEM_KEYS[1..])));
    }
    contradictions(table, &said, mistakes);
    let path = path?;
    let place =
        |key: &str, mistakes: &Gathered<'_>| table.get(key).map(|value| mistakes.place(&value.span()));
    let other_at = place("newer-of", mistakes).or_else(|| place("pair-with", mistakes));
    Some(StemTable { pattern: Pattern::new(&path), said, at: place("stem", mistakes)?, other_at })
}

/// What one table cannot say together.
fn contradictions(table: Table<'_, '_>, said: &StemAnswer, mistakes: &mut Gathered<'_>) {
    let mut both = |one: bool, key: &str, why: &str| {
        if let Some(value) = table.get(key).filter(|_| one) {
            mistakes.add(
                value.span(),
                format!("{key}: found {}, but {why}: allowed is one of the two", describe(value.get_ref())),
            );
        }
    };
    let out = said.leave_out == Some(true);
    for key in ["label", "start", "pair-with", "newer-of"] {
        both(out, key, "the same table leaves the stem out");
    }
    let reference = said.reference == Some(true);
    for key in ["role", "group", "pair-with"] {
        both(reference, key, "the same table calls the stem a reference");
    }
    let own = table.get("stem").and_then(|value| value.get_ref().as_str());
    for (key, other) in [("newer-of", &said.newer_of), ("pair-with", &said.pair_with)] {
        both(other.is_some() && other.as_deref() == own, key, "that is the stem itself");
    }
}

fn finding(table: &DeTable<'_>, span: Range<usize>, mistakes: &mut Gathered<'_>) -> Option<FindingTable> {
    let table = Table::new(table, "[[finding]]", FINDING_KEYS, mistakes);
    let name = table.needed(
        "finding",
        span.clone(),
        "the id of a finding such as finding = \"dead-channel\"",
        mistakes,
    );
    let id = name.as_ref().and_then(|name| Id::ALL.iter().copied().find(|id| id.as_str() == name));
    if let (Some(name), None, Some(value)) = (&name, id, table.get("finding")) {
        let all: Vec<&str> = Id::ALL.iter().map(|id| id.as_str()).collect();
        let text = format!(
            "found \"{name}\", allowed is the id of a finding as the report has it{}",
            nearest(name, &all)
        );
        mistakes.add(value.span(), text);
    }
    let stem = table.text("stem", "a path inside the delivery or a glob", mistakes);
    let text =
        table.needed("answer", span, "the answer in words such as answer = \"it is meant so\"", mistakes);
    let about =
        table.text("about", "words of the finding's text, where there are several of its kind", mistakes);
    let by = table.text("by", "who gave the answer", mistakes);
    let date = table.read("date", "a day such as 2026-11-30", mistakes, |value| match value {
        DeValue::Datetime(date) => Some(date.to_string()),
        value => text_of(value).filter(|text| is_day(text)),
    });
    let accepts = table.boolean("accept", mistakes).unwrap_or(false);
    let key = if stem.is_some() { "stem" } else { "finding" };
    let at = mistakes.place(&table.get(key)?.span());
    let answer = Answer { text: text?, by, date, accepts, source: "answers".to_owned() };
    Some(FindingTable { id: id?, stem: stem.as_deref().map(Pattern::new), about, answer, at })
}

/// "2026-11-30".
fn is_day(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let digits = |part: &str, len: usize| part.len() == len && part.chars().all(|c| c.is_ascii_digit());
    matches!(parts[..], [year, month, day] if digits(year, 4) && digits(month, 2) && digits(day, 2))
}
