//! `session.mid`: tempo map, meter, key and markers for the session, where at least the tempo is known. What the client
//! states goes before; where nothing is stated, a sure estimate takes its place, and a text says so.

use loadin_record::evidence::{DOWNBEAT, SECTIONS, TEMPO};
use loadin_record::manifest::Manifest;
use loadin_record::music::Confidence;
use loadin_session::facts::{At, Key, Meter, SessionMap, key_of, micros_of};
use serde_json::Value;

/// Ticks a quarter note: half of one is 0.26 ms at 120 BPM. Common practice, no source.
const TICKS_PER_QUARTER: u16 = 960;

/// The bytes of the file. Its zero is the first frame of the prepared stems; where a client's MIDI file gives times,
/// its start is taken for the common start of the delivery.
pub(crate) fn session_mid(manifest: &Manifest) -> Option<Vec<u8>> {
    map(manifest)?.to_midi(TICKS_PER_QUARTER)
}

fn map(manifest: &Manifest) -> Option<SessionMap> {
    let value = |name: &str| manifest.facts.get(name).map(|fact| &fact.value);
    let outputs = || manifest.stems.iter().filter_map(|stem| stem.output.as_ref());
    let rate_hz = outputs().next()?.rate_hz;
    let cut = manifest.link.trim_head_frames as f64 / f64::from(rate_hz.max(1));
    let mut notes = Vec::new();
    if cut > 0.0 {
        notes.push(format!(
            "Zero is the first frame of the prepared stems: {cut:.6} s of the delivered start were cut."
        ));
    }
    let tempi = tempi(manifest, cut, &mut notes)?;
    let meters = match value("meter_map") {
        Some(map) => steps(map, "meter", cut, meter),
        None => Vec::from_iter(value("meter").and_then(|v| meter(v.get(0).unwrap_or(v))))
            .into_iter()
            .map(|what| At { seconds: 0.0, what })
            .collect(),
    };
    let markers = markers(manifest, cut, &mut notes);
    Some(SessionMap {
        name: value("session_name").and_then(Value::as_str).unwrap_or(&manifest.delivery.name).to_owned(),
        note: (!notes.is_empty()).then(|| notes.join(" ")),
        tempi,
        meters,
        key: value("key").and_then(key),
        markers,
        seconds: outputs()
            .map(|output| output.frames as f64 / f64::from(output.rate_hz.max(1)))
            .fold(0.0, f64::max),
    })
}

/// The stated tempi, or a sure estimate.
fn tempi(manifest: &Manifest, cut: f64, notes: &mut Vec<String>) -> Option<Vec<At<u32>>> {
    let value = |name: &str| manifest.facts.get(name).map(|fact| &fact.value);
    let one = |bpm: f64| vec![At { seconds: 0.0, what: micros_of(bpm) }];
    if let Some(map) = value("tempo_map") {
        return Some(steps(map, "microseconds_per_quarter", cut, |v| u32::try_from(v.as_u64()?).ok()));
    }
    // Changes whose places nobody has stated make no map, and neither does a contradiction.
    if let Some(bpm) = value("tempo_bpm") {
        return bpm.as_f64().map(one);
    }
    let bpm = sure(manifest, TEMPO)?.as_f64()?;
    let downbeat = sure(manifest, DOWNBEAT).and_then(Value::as_f64);
    let first = downbeat.map_or(String::new(), |at| format!("; the first downbeat is at {:.3} s", at - cut));
    notes.push(format!("The tempo is estimated from the sound{first}."));
    Some(one(bpm))
}

/// The client's markers, or sure sections.
fn markers(manifest: &Manifest, cut: f64, notes: &mut Vec<String>) -> Vec<At<String>> {
    let text = |name: &Value| name.as_str().map(str::to_owned);
    if let Some(fact) = manifest.facts.get("markers") {
        return steps(&fact.value, "name", cut, text);
    }
    let Some(sections) = sure(manifest, SECTIONS) else { return Vec::new() };
    notes.push("The markers are sections estimated from who plays when.".to_owned());
    let mut sections = steps(sections, "name", cut, text);
    // The first bar line may lie before the first sound.
    for at in &mut sections {
        at.seconds = at.seconds.max(0.0);
    }
    sections
}

/// The value of an estimate that is sure enough to work with.
fn sure<'a>(manifest: &'a Manifest, name: &str) -> Option<&'a Value> {
    let fact = manifest.facts.get(name)?;
    (fact.confidence == Confidence::Estimated).then_some(&fact.value)
}

/// The entries of a list of times, moved by what was cut.
fn steps<T>(list: &Value, key: &str, cut: f64, read: impl Fn(&Value) -> Option<T>) -> Vec<At<T>> {
    let entries = list.as_array().into_iter().flatten();
    entries
        .filter_map(|entry| Some(At { seconds: entry["seconds"].as_f64()? - cut, what: read(&entry[key])? }))
        .collect()
}

fn meter(value: &Value) -> Option<Meter> {
    value.as_str()?.parse().ok()
}

fn key(value: &Value) -> Option<Key> {
    key_of(value.as_str()?)
}
