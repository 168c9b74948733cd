//! What is known of the music: the statements of names, notes and MIDI files as facts of the manifest, and their
//! contradictions as findings.

use std::collections::BTreeMap;

use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::music::{Confidence, Fact, Facts, NoteText, Statement, note_texts, words};
use loadin_record::survey::Inventory;
use loadin_session::facts::{
    At, Material, Meter, Midi, Stated, Statements, Tempo, agreed, bpm_of, statements,
};
use serde_json::{Value, json};

use super::answered::answer_facts;
use super::markers::Markers;
use super::session_name::session_name;
use crate::answers::Song;

/// What is known of the music.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Music {
    statements: Statements,
    midis: Vec<(String, Midi)>,
    markers: Markers,
    unread: Vec<Finding>,
    /// What the notes say, for whoever reads the record.
    notes: Vec<NoteText>,
    /// What the engineer says of the song, which goes before what the client states.
    song: Song,
}

impl Music {
    /// What the names of the files, the text notes and the MIDI files of a delivery state; `unread` are findings about what
    /// could not be read. Every file begins where the delivery does until [`Self::placed`] says better.
    pub fn of(
        inventory: &Inventory,
        texts: &[(String, String)],
        midis: Vec<(String, Midi)>,
        unread: Vec<Finding>,
    ) -> Self {
        let paths: Vec<&str> = inventory.files.iter().map(|file| file.path.as_str()).collect();
        let material = Material { delivery: &inventory.name, paths: &paths, texts, midis: &midis };
        let markers = Markers::of(&midis, &inventory.files);
        let notes = note_texts(texts);
        Self { statements: statements(&material), midis, markers, unread, notes, song: Song::default() }
    }

    /// The client's own notes, as text.
    pub fn notes(&self) -> &[NoteText] {
        &self.notes
    }

    /// What is known once every file has its place: `starts`, in seconds on the time line of the delivery, by path.
    #[must_use]
    pub fn placed(mut self, starts: BTreeMap<String, f64>) -> Self {
        self.markers.begin(starts);
        self
    }

    /// What is known with what answers say of the song.
    #[must_use]
    pub fn answered(self, song: Option<&Song>) -> Self {
        Self { song: song.cloned().unwrap_or_default(), ..self }
    }

    /// The facts, for the manifest.
    pub fn facts(&self) -> Facts {
        let mut facts = self.stated();
        if self.song != Song::default() {
            answer_facts(&mut facts, &self.song);
        }
        facts
    }

    /// What the delivery states.
    fn stated(&self) -> Facts {
        let all = &self.statements;
        let mut facts = Facts::new();
        let mut put = |name: &str, fact: Option<Fact>| {
            facts.extend(fact.map(|fact| (name.to_owned(), fact)));
        };
        put("tempo_bpm", fact(&all.tempo, Tempo::agrees, tempo_value));
        put("meter", fact(&all.meter, |a, b| a == b, |meters| list(meters)));
        put("key", fact(&all.key, |a, b| a.agrees(*b), |key| key.to_string().into()));
        put(
            "title",
            fact(&all.title, |a, b| a.to_lowercase() == b.to_lowercase(), |title| title.as_str().into())
                .or_else(|| self.likely_title()),
        );
        put("tempo_map", self.tempo_map());
        put("meter_map", self.meter_map());
        put("markers", self.markers.fact());
        let session_name = session_name(&facts);
        facts.extend(session_name.map(|fact| ("session_name".to_owned(), fact)));
        facts
    }

    fn tempo(&self) -> Option<Tempo> {
        agreed(&self.statements.tempo, Tempo::agrees)
    }

    fn likely_title(&self) -> Option<Fact> {
        let title = self.statements.likely_title.as_ref()?;
        let (value, source) = (title.value.as_str().into(), title.source.clone());
        Some(Fact { value, source, confidence: Confidence::Likely, statements: Vec::new() })
    }

    /// The tempo changes with their times, where a MIDI file has them and nothing contradicts it.
    fn tempo_map(&self) -> Option<Fact> {
        let changes = self.tempo().is_some_and(|tempo| tempo.steady().is_none());
        let step = |at: &At<u32>| json!({ "seconds": rounded(at.seconds, 6), "bpm": bpm_of(at.what), "microseconds_per_quarter": at.what });
        changes.then(|| self.of_midi(|midi| midi.tempi.iter().map(step).collect()))?
    }

    fn meter_map(&self) -> Option<Fact> {
        let changes = agreed(&self.statements.meter, |a, b| a == b).is_some_and(|meters| meters.len() > 1);
        let step =
            |at: &At<Meter>| json!({ "seconds": rounded(at.seconds, 6), "meter": at.what.to_string() });
        changes.then(|| self.of_midi(|midi| midi.meters.iter().map(step).collect()))?
    }

    /// A list from the first MIDI file that has one.
    fn of_midi(&self, list: impl Fn(&Midi) -> Vec<Value>) -> Option<Fact> {
        let lists = self.midis.iter().map(|(path, midi)| (path, list(midi)));
        let (path, list) = lists.into_iter().find(|(_, list)| !list.is_empty())?;
        let source = format!("MIDI file \"{path}\", from its start");
        let (value, confidence) = (Value::Array(list), Confidence::Stated);
        Some(Fact { value, source, confidence, statements: Vec::new() })
    }

    /// Contradictions, and what could not be read.
    pub fn findings(&self) -> Vec<Finding> {
        let contradicted =
            self.stated().into_iter().filter(|(_, fact)| fact.confidence == Confidence::Contradicted);
        let disagree = contradicted.map(|(name, fact)| {
            let (what, said) = match name.as_str() {
                "markers" => ("place of markers", self.markers.said()),
                name => (name.trim_end_matches("_bpm"), said(name, &fact.statements)),
            };
            let text = format!("the {what} is stated differently: {said}");
            Finding::new(Id::FactsDisagree, text)
                .with("what", what)
                .with("said", said)
                .with("statements", json!(fact.statements))
        });
        disagree.chain(self.unread.iter().cloned()).collect()
    }
}

fn said(name: &str, statements: &[Statement]) -> String {
    let said = |said: &Statement| format!("{} ({})", words(name, &said.value), said.source);
    statements.iter().map(said).collect::<Vec<_>>().join(", ")
}

fn fact<T: Clone>(
    stated: &[Stated<T>],
    agrees: impl Fn(&T, &T) -> bool,
    value: impl Fn(&T) -> Value,
) -> Option<Fact> {
    let agreed = agreed(stated, agrees);
    let sources: Vec<&str> = stated.iter().map(|statement| statement.source.as_str()).collect();
    let statements: Vec<Statement> = stated
        .iter()
        .map(|statement| Statement { value: value(&statement.value), source: statement.source.clone() })
        .collect();
    let confidence = if agreed.is_some() { Confidence::Stated } else { Confidence::Contradicted };
    (!stated.is_empty()).then(|| Fact {
        value: agreed.as_ref().map_or(Value::Null, value),
        source: sources.join("; "),
        confidence,
        statements: if statements.len() > 1 { statements } else { Vec::new() },
    })
}

fn tempo_value(tempo: &Tempo) -> Value {
    tempo.steady().map_or_else(|| json!(tempo.bpm()), |bpm| json!(bpm))
}

fn list(meters: &[Meter]) -> Value {
    match meters {
        [one] => one.to_string().into(),
        several => several.iter().map(ToString::to_string).collect::<Vec<_>>().into(),
    }
}

#[cfg(test)]
mod tests;
