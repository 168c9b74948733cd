//! The markers of a delivery: those of its MIDI files and those that its audio files carry, on the time line of the
//! delivery.

use std::collections::BTreeMap;

use loadin_record::finding::{round_to, rounded};
use loadin_record::music::{Confidence, Fact, Statement};
use loadin_record::survey::{FileFacts, MarkerFacts};
use loadin_session::facts::{At, Clash, Midi, Stated, merged_markers, same_markers};
use serde_json::{Value, json};

/// The markers of one file, in seconds from its own first frame.
type Own = (String, Vec<At<String>>);

/// One list of markers, and where it stands.
struct Listed<'a> {
    markers: Vec<At<String>>,
    /// The files that have it.
    paths: Vec<&'a str>,
    /// Whether those are MIDI files.
    of_midi: bool,
}

impl Listed<'_> {
    fn source(&self) -> String {
        match (&self.paths[..], self.of_midi) {
            ([path], true) => format!("MIDI file \"{path}\", from its start"),
            ([path, ..], true) => {
                format!("{} MIDI files, \"{path}\" first, from their start", self.paths.len())
            }
            ([path], false) => format!("markers in \"{path}\""),
            ([path, ..], false) => format!("markers in {} files, \"{path}\" first", self.paths.len()),
            ([], _) => String::new(),
        }
    }
}

/// What is stated where.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Markers {
    midis: Vec<Own>,
    files: Vec<Own>,
    /// Where files begin on the time line of the delivery, in seconds.
    starts: BTreeMap<String, f64>,
}

/// Distinct lists that are compared; more of them are no statement of the song.
const MOST_LISTS: usize = 50;

impl Markers {
    /// A MIDI file is taken to begin where the delivery does; so is an audio file until somebody knows better.
    pub(super) fn of(midis: &[(String, Midi)], files: &[FileFacts]) -> Self {
        let midis = midis.iter().map(|(path, midi)| (path.clone(), midi.markers.clone()));
        let formats: Vec<_> =
            files.iter().filter_map(|file| Some((&file.path, file.format.as_ref().ok()?))).collect();
        let marked = formats.iter().filter(|(_, format)| !format.markers.is_empty());
        let files = marked.map(|(path, format)| ((*path).clone(), seconds(&format.markers, format.rate_hz)));
        Self { midis: midis.collect(), files: files.collect(), starts: BTreeMap::new() }
    }

    /// Says where files begin, in seconds.
    pub(super) fn begin(&mut self, starts: BTreeMap<String, f64>) {
        self.starts.extend(starts);
    }

    /// Every distinct list with its source; equal ones of many files are one.
    fn lists(&self) -> Vec<Stated<Vec<At<String>>>> {
        let mut lists: Vec<Listed<'_>> = Vec::new();
        let placed = self.files.iter().map(|(path, list)| (path, self.placed(path, list), false));
        let midis = self.midis.iter().map(|(path, list)| (path, list.clone(), true));
        for (path, markers, of_midi) in midis.chain(placed).filter(|(_, list, _)| !list.is_empty()) {
            let room = lists.len() < MOST_LISTS;
            let same = |known: &&mut Listed<'_>| {
                known.of_midi == of_midi && same_markers(&known.markers, &markers)
            };
            match lists.iter_mut().find(same) {
                Some(known) => known.paths.push(path),
                None if room => lists.push(Listed { markers, paths: vec![path], of_midi }),
                None => {}
            }
        }
        let stated = |list: Listed<'_>| Stated { source: list.source(), value: list.markers };
        lists.into_iter().map(stated).collect()
    }

    fn placed(&self, path: &str, list: &[At<String>]) -> Vec<At<String>> {
        let start = self.starts.get(path).copied().unwrap_or(0.0);
        list.iter().map(|at| At { seconds: at.seconds + start, what: at.what.clone() }).collect()
    }

    /// The fact; there is no value where two lists have one name at two places.
    pub(super) fn fact(&self) -> Option<Fact> {
        let lists = self.lists();
        let merged = merged_markers(&lists);
        let statements = lists
            .iter()
            .map(|list| Statement { value: value(&list.value), source: list.source.clone() })
            .collect::<Vec<_>>();
        let sources: Vec<&str> = lists.iter().map(|list| list.source.as_str()).collect();
        (!lists.is_empty()).then(|| Fact {
            value: merged.as_ref().map_or(Value::Null, |all| value(all)),
            source: sources.join("; "),
            confidence: if merged.is_ok() { Confidence::Stated } else { Confidence::Contradicted },
            statements: if statements.len() > 1 { statements } else { Vec::new() },
        })
    }

    /// The contradictions in words.
    pub(super) fn said(&self) -> String {
        let clashes = merged_markers(&self.lists()).err().unwrap_or_default();
        let one = |clash: &Clash| {
            let place = |(seconds, source): &(f64, String)| format!("{seconds:.3} s ({source})");
            format!("\"{}\" at {} and at {}", clash.name, place(&clash.first), place(&clash.other))
        };
        clashes.iter().take(MOST_SAID).map(one).collect::<Vec<_>>().join(", ")
    }
}

/// Contradictions that are spelled out: all markers are off by the same mostly.
const MOST_SAID: usize = 3;

fn seconds(markers: &[MarkerFacts], rate_hz: u32) -> Vec<At<String>> {
    let seconds = |frame: u64| frame as f64 / f64::from(rate_hz.max(1));
    markers.iter().map(|marker| At { seconds: seconds(marker.frame), what: marker.name.clone() }).collect()
}

fn value(list: &[At<String>]) -> Value {
    list.iter().map(|at| json!({ "seconds": rounded(at.seconds, 6), "name": at.what })).collect()
}

/// The markers of a fact's value, as they stand in it: to the microsecond.
pub fn markers_in(fact: &Fact) -> Vec<At<String>> {
    let entries = fact.value.as_array().into_iter().flatten();
    let read = |entry: &Value| {
        let seconds = round_to(entry["seconds"].as_f64()?, 6)?;
        Some(At { seconds, what: entry["name"].as_str()?.to_owned() })
    };
    entries.filter_map(read).collect()
}
