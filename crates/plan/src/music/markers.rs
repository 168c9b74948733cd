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
            let same =
                |known: &&mut Listed<'_>| known.of_midi == of_midi && same_markers(&known.markers, &markers);
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

#[cfg(test)]
mod tests {
    use loadin_record::survey::Unusable;

    use super::*;
    use crate::testing::stem;

    fn at(seconds: f64, name: &str) -> At<String> {
        At { seconds, what: name.to_owned() }
    }

    fn midi(path: &str, markers: &[(f64, &str)]) -> (String, Midi) {
        let markers = markers.iter().map(|&(seconds, name)| at(seconds, name)).collect();
        (path.to_owned(), Midi { markers, ..Midi::default() })
    }

    /// A file at 48 kHz.
    fn file(path: &str, markers: &[(u64, &str)]) -> FileFacts {
        let marker = |&(frame, name): &(u64, &str)| MarkerFacts { frame, name: name.to_owned() };
        let mut format = stem(path).survey().format.ok_or_else(|| Unusable(String::new()));
        format.as_mut().unwrap().markers = markers.iter().map(marker).collect();
        FileFacts { path: path.to_owned(), bytes: 9, format, unread: false }
    }

    #[test]
    fn equal_lists_are_one_with_all_its_files_and_midi_files_stand_apart() {
        let verse: &[(u64, &str)] = &[(48_000, "Verse")];
        let midis = [midi("a.mid", &[(1.0, "Verse")]), midi("b.mid", &[]), midi("c.mid", &[(1.04, "verse")])];
        let files = [file("x.wav", verse), file("y.wav", &[]), file("z.wav", verse)];
        let torn = FileFacts { format: Err(Unusable("it is torn".to_owned())), ..file("t.wav", &[]) };
        let lone = [file("w.wav", &[(96_000, "Chorus")]), torn];
        let sources = |midis: &[(String, Midi)], files: &[FileFacts]| {
            Markers::of(midis, files).fact().map(|fact| fact.source)
        };
        let all = "2 MIDI files, \"a.mid\" first, from their start; markers in 2 files, \"x.wav\" first; markers in \
                   \"w.wav\"";
        assert_eq!(sources(&midis, &[&files[..], &lone].concat()).unwrap(), all);
        assert_eq!(sources(&midis[..2], &lone[1..]).unwrap(), "MIDI file \"a.mid\", from its start");
        assert_eq!(sources(&midis[1..2], &files[1..2]), None);
    }

    #[test]
    fn one_list_needs_no_statements_and_several_have_them() {
        let one = Markers::of(&[], &[file("x.wav", &[(48_000, "Verse")])]).fact().unwrap();
        assert_eq!((one.statements.len(), one.confidence), (0, Confidence::Stated));
        let files = [file("x.wav", &[(48_000, "Verse")]), file("y.wav", &[(0, "Intro")])];
        let two = Markers::of(&[], &files).fact().unwrap();
        assert_eq!(
            two.value,
            json!([{ "seconds": 0.0, "name": "Intro" }, { "seconds": 1.0, "name": "Verse" }])
        );
        let verse = Statement {
            value: json!([{ "seconds": 1.0, "name": "Verse" }]),
            source: "markers in \"x.wav\"".to_owned(),
        };
        assert_eq!((two.statements.len(), &two.statements[0]), (2, &verse));
    }

    /// Fifty lists are compared; files of equal lists are counted all the same.
    #[test]
    fn more_lists_than_are_compared_are_left_out() {
        let files: Vec<FileFacts> = (0..=MOST_LISTS)
            .map(|index| file(&format!("{index:02}.wav"), &[(0, &*format!("Cue {index}"))]))
            .chain([file("copy.wav", &[(0, "Cue 0")])])
            .collect();
        let fact = Markers::of(&[], &files).fact().unwrap();
        assert_eq!(fact.statements.len(), 50);
        assert!(fact.source.starts_with("markers in 2 files, \"00.wav\" first; "), "{}", fact.source);
        assert!(!fact.source.contains("50.wav"));
    }

    #[test]
    fn three_contradictions_are_spelled_out() {
        let names = ["A", "B", "C", "D"];
        let frames = |by: u64| (0..).map(move |index| index * 48_000 + by).zip(names).collect::<Vec<_>>();
        let markers = Markers::of(&[], &[file("x.wav", &frames(0)), file("y.wav", &frames(4_800))]);
        assert_eq!(markers.said().matches(" and at ").count(), 3);
        assert_eq!(markers.fact().unwrap().confidence, Confidence::Contradicted);
        assert_eq!(Markers::default().said(), "");
        assert_eq!(Markers::default().fact(), None);
    }

    #[test]
    fn markers_read_back_from_a_fact_to_the_microsecond() {
        let fact = |value: Value| Fact {
            value,
            source: String::new(),
            confidence: Confidence::Stated,
            statements: Vec::new(),
        };
        let entries = json!([
            { "seconds": 1.000_000_4, "name": "Verse" },
            { "seconds": "1", "name": "no number" },
            { "seconds": 2.0 },
            { "seconds": 3, "name": "Chorus" },
        ]);
        assert_eq!(markers_in(&fact(entries)), [at(1.0, "Verse"), at(3.0, "Chorus")]);
        assert_eq!(markers_in(&fact(Value::Null)), []);
    }
}
