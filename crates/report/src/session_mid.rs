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
    if let Some(at) = value("first_downbeat_seconds").and_then(Value::as_f64) {
        notes.push(format!("The first downbeat is at {:.3} s.", at - cut));
    }
    let meters = match value("meter_map") {
        Some(map) => steps(map, "meter", cut, meter),
        None => Vec::from_iter(value("meter").and_then(|v| meter(v.get(0).unwrap_or(v))))
            .into_iter()
            .map(|what| At { seconds: 0.0, what })
            .collect(),
    };
    let bar = match (&tempi[..], &meters[..]) {
        ([tempo], [] | [_]) => {
            let quarters = meters.first().map_or(4.0, |at| at.what.quarters());
            Some(quarters * f64::from(tempo.what) * 1e-6)
        }
        _ => None,
    };
    let markers = markers(manifest, cut, bar, &mut notes);
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

/// The client's markers where they are, or sure sections on the bar lines of the file, which are `bar` seconds apart where it
/// has one tempo.
fn markers(manifest: &Manifest, cut: f64, bar: Option<f64>, notes: &mut Vec<String>) -> Vec<At<String>> {
    let text = |name: &Value| name.as_str().map(str::to_owned);
    if let Some(fact) = manifest.facts.get("markers") {
        return steps(&fact.value, "name", cut, text);
    }
    let Some(sections) = sure(manifest, SECTIONS) else { return Vec::new() };
    notes.push("The markers are sections estimated from who plays when.".to_owned());
    let bars: Vec<f64> =
        sections.as_array().into_iter().flatten().filter_map(|section| section["bars"].as_f64()).collect();
    // A first bar line before the first sound stands at the common start.
    let clipped = sections[0]["seconds"].as_f64() == Some(0.0);
    let mut sections = steps(sections, "name", cut, text);
    if let Some(bar) = bar.filter(|_| bars.len() == sections.len()) {
        to_bar_lines(&mut sections, &bars, bar, clipped);
    }
    for at in &mut sections {
        at.seconds = at.seconds.max(0.0);
    }
    sections
}

/// An estimated place is moved by no more than this: as far as players are from each other, and the windows of the cut from
/// the first sound. Common practice, no source.
const MOST_MOVED: f64 = 0.03;

/// Puts sections of so many bars each so far apart as the bars of the file are, and on its bar lines where those are near:
/// where the song begins a bar at another place, they keep it. What would move further is another count of bars, and stays.
/// The first one says nothing where it was `clipped`.
fn to_bar_lines(sections: &mut [At<String>], bars: &[f64], bar: f64, clipped: bool) {
    let before = bars.iter().scan(0.0, |sum, bars| Some(std::mem::replace(sum, *sum + bars) * bar));
    let before: Vec<f64> = before.collect();
    let told = usize::from(clipped)..sections.len();
    if told.is_empty() {
        return;
    }
    let first = told.clone().map(|at| sections[at].seconds - before[at]).sum::<f64>() / told.len() as f64;
    let line = (first / bar).round() * bar;
    let first = if (first - line).abs() <= MOST_MOVED { line } else { first };
    if told.clone().all(|at| (first + before[at] - sections[at].seconds).abs() <= MOST_MOVED) {
        for at in told {
            sections[at].seconds = first + before[at];
        }
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(seconds: &[f64], bars: &[f64], bar: f64, clipped: bool) -> Vec<f64> {
        let mut sections: Vec<At<String>> =
            seconds.iter().map(|&seconds| At { seconds, what: String::new() }).collect();
        to_bar_lines(&mut sections, bars, bar, clipped);
        sections.iter().map(|at| at.seconds).collect()
    }

    /// Bars of 2 s: 4, 8 and 8 of them. An estimate that is 8 ms late and 0.02 % slow is 16 ms late at the end.
    #[test]
    fn sections_stand_on_the_bar_lines_of_the_file() {
        let bars = [4.0, 8.0, 8.0];
        let near = |found: &[f64], wanted: [f64; 3]| {
            found.iter().zip(wanted).all(|(found, wanted)| (found - wanted).abs() < 1e-9)
        };
        assert!(near(&moved(&[0.008, 8.0096, 24.0128], &bars, 2.0, false), [0.0, 8.0, 24.0]));
        // One bar is kept before the first sound.
        assert!(near(&moved(&[2.011, 10.009, 26.013], &bars, 2.0, false), [2.0, 10.0, 26.0]));
        // The song begins half a bar late: its bars are as long as those of the file, and nothing else is known.
        let late = moved(&[1.0, 9.006, 25.012], &bars, 2.0, false);
        assert!(near(&late, [1.006, 9.006, 25.006]), "{late:?}");
        // A first line before the first sound says nothing.
        assert!(near(&moved(&[0.0, 7.009, 23.012], &[4.0, 8.0, 8.0], 2.0, true), [0.0, 7.0105, 23.0105]));
        // Another count of bars is left alone.
        let other = [0.0, 8.1, 24.2];
        assert!(near(&moved(&other, &bars, 2.0, false), other));
    }
}
