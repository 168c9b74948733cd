//! Everything that a delivery states: each kind of fact is looked for in everything that can state it. Decides nothing
//! where statements contradict each other.

use super::key::{self, Key};
use super::meter::{self, Meter};
use super::midi::Midi;
use super::song;
use super::stated::Stated;
use super::tempo::{self, Tempo};
use crate::token::stem_of;

/// What is looked at.
#[derive(Debug, Clone, Copy, Default)]
pub struct Material<'a> {
    /// The delivery's name.
    pub delivery: &'a str,
    /// Paths of the audio files.
    pub paths: &'a [&'a str],
    /// Text notes: path and text.
    pub texts: &'a [(String, String)],
    /// MIDI files: path and what they say.
    pub midis: &'a [(String, Midi)],
}

/// Everything that was stated, in the order of MIDI files, notes, delivery's name, file names.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Statements {
    /// Tempi.
    pub tempo: Vec<Stated<Tempo>>,
    /// Meters; several of one source where it changes.
    pub meter: Vec<Stated<Vec<Meter>>>,
    /// Keys.
    pub key: Vec<Stated<Key>>,
    /// Titles that notes state.
    pub title: Vec<Stated<String>>,
    /// A title that names suggest.
    pub likely_title: Option<Stated<String>>,
}

/// Collects what is stated.
pub fn statements(material: &Material<'_>) -> Statements {
    let mut all = Statements::default();
    for (path, midi) in material.midis {
        of_midi(path, midi, &mut all);
    }
    for (path, text) in material.texts {
        of_text(path, text, &mut all);
    }
    of_delivery(material.delivery, &mut all);
    of_names(material.paths, &mut all);
    let of_names = song::title_of_names(material.paths)
        .map(|value| Stated { value, source: "what most file names begin with".to_owned() });
    let of_delivery = || {
        song::title_of_delivery(material.delivery).map(|value| Stated { value, source: DELIVERY.to_owned() })
    };
    all.likely_title = of_names.or_else(of_delivery);
    all
}

const DELIVERY: &str = "the delivery's name";

fn of_midi(path: &str, midi: &Midi, all: &mut Statements) {
    let source = format!("MIDI file \"{path}\"");
    all.tempo.extend(midi.tempo().map(|value| Stated { value, source: source.clone() }));
    let mut meters: Vec<Meter> = midi.meters.iter().map(|at| at.what).collect();
    meters.dedup();
    if !meters.is_empty() {
        all.meter.push(Stated { value: meters, source: source.clone() });
    }
    // A signature of C major without another one is what programs write when nobody has set it.
    let mut keys: Vec<Key> = midi.keys.iter().map(|at| at.what).collect();
    keys.dedup();
    if let [value] = keys[..]
        && (value.fifths() != 0 || value.minor)
    {
        all.key.push(Stated { value, source });
    }
}

fn of_text(path: &str, text: &str, all: &mut Statements) {
    for (index, line) in text.lines().enumerate() {
        let source = format!("line {} of \"{path}\"", index + 1);
        if let Some(value) = tempo::tempo_in(line) {
            all.tempo.push(Stated { value, source: source.clone() });
        }
        let meters = meter::meters_in_text(line);
        if !meters.is_empty() {
            all.meter.push(Stated { value: meters, source: source.clone() });
        }
        if let Some(value) = key::key_in_text(line) {
            all.key.push(Stated { value, source: source.clone() });
        }
        if let Some(value) = song::title_in_text(line) {
            all.title.push(Stated { value, source });
        }
    }
}

fn of_delivery(name: &str, all: &mut Statements) {
    let source = || DELIVERY.to_owned();
    all.tempo.extend(tempo::tempo_in(name).map(|value| Stated { value, source: source() }));
    all.meter.extend(meter::meter_in_name(name).map(|meter| Stated { value: vec![meter], source: source() }));
    all.key.extend(key::key_in_name(name).map(|value| Stated { value, source: source() }));
}

/// File names state something of the song only where most of them do: a loop may carry its own tempo.
fn of_names(paths: &[&str], all: &mut Statements) {
    let names: Vec<&str> = paths.iter().map(|path| stem_of(path)).collect();
    all.tempo.extend(of_most(&names, tempo::tempo_in, Tempo::agrees));
    all.key.extend(of_most(&names, key::key_in_name, |a, b| a.agrees(*b)));
    let meters = of_most(&names, meter::meter_in_name, |a, b| a == b);
    all.meter.extend(meters.into_iter().map(|s| Stated { value: vec![s.value], source: s.source }));
}

/// Every distinct value, where most names have one.
fn of_most<T>(
    names: &[&str],
    find: impl Fn(&str) -> Option<T>,
    agrees: impl Fn(&T, &T) -> bool,
) -> Vec<Stated<T>> {
    let mut values: Vec<(T, usize)> = Vec::new();
    for value in names.iter().filter_map(|name| find(name)) {
        match values.iter_mut().find(|(known, _)| agrees(known, &value)) {
            Some((_, count)) => *count += 1,
            None => values.push((value, 1)),
        }
    }
    let stating: usize = values.iter().map(|(_, count)| count).sum();
    if stating * 2 <= names.len() {
        return Vec::new();
    }
    values.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    let source = |count: usize| format!("{count} of {} file names", names.len());
    values.into_iter().map(|(value, count)| Stated { value, source: source(count) }).collect()
}

/// The key that a fact spells: "D minor".
pub fn key_of(text: &str) -> Option<Key> {
    key::key_in_name(text)
}

/// The one value of all statements; `None` where there is none or where two contradict each other.
pub fn agreed<T: Clone>(statements: &[Stated<T>], agrees: impl Fn(&T, &T) -> bool) -> Option<T> {
    let first = &statements.first()?.value;
    statements.iter().all(|other| agrees(first, &other.value)).then(|| first.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tempi(delivery: &str, paths: &[&str], texts: &[(String, String)]) -> (usize, Option<f64>) {
        let found = statements(&Material { delivery, paths, texts, midis: &[] }).tempo;
        (found.len(), agreed(&found, Tempo::agrees).and_then(|tempo| tempo.steady()))
    }

    #[test]
    fn file_names_count_where_most_agree() {
        assert_eq!(tempi("Song", &["a_92bpm.wav", "b_92bpm.wav", "c.wav"], &[]), (1, Some(92.0)));
        assert_eq!(tempi("Song", &["a_92bpm.wav", "b_93bpm.wav"], &[]), (2, None));
        assert_eq!(tempi("Song", &["a_92bpm.wav", "b.wav", "c.wav"], &[]), (0, None));
        assert_eq!(tempi("Song_92bpm", &["a.wav"], &[]), (1, Some(92.0)));
    }

    #[test]
    fn every_source_is_heard_and_none_overruled() {
        let text = |text: &str| vec![("notes.txt".to_owned(), text.to_owned())];
        assert_eq!(tempi("Song_92bpm", &["a_92bpm.wav"], &text("hello\n92.00 BPM")), (3, Some(92.0)));
        assert_eq!(tempi("Song_92bpm", &["a_92bpm.wav"], &text("Tempo: 93")), (3, None));
        let texts = text("Orchard Signal\n\n125 bpm, 4/4, D minor.\nTitle: Orchard Signal");
        let found = statements(&Material { delivery: "x", paths: &[], texts: &texts, midis: &[] });
        assert_eq!(found.key[0].source, "line 3 of \"notes.txt\"");
        assert_eq!(found.meter[0].value, [Meter { beats: 4, unit: 4 }]);
        assert_eq!(found.title[0].value, "Orchard Signal");
    }
}
