//! Tempo, bars, meter, key and markers of a session. What the client states goes before; where nothing is stated, a sure
//! estimate takes its place, and a note says so.

use loadin_record::evidence::{DOWNBEAT, KEY, SECTIONS, TEMPO};
use loadin_record::manifest::Manifest;
use loadin_record::music::Confidence;
use loadin_session::facts::{At, Key, Meter, key_of, micros_of};
use serde_json::Value;

use super::bars::{self, Bars, Known, NEAR};

/// What a session has of the music.
pub(super) struct Music {
    pub(super) tempi: Vec<At<u32>>,
    pub(super) meters: Vec<At<Meter>>,
    pub(super) key: Option<Key>,
    pub(super) markers: Vec<At<String>>,
    pub(super) sections: Vec<At<String>>,
}

/// The music from the first frame of the prepared stems on; `cut` are the seconds of the delivered start before it.
pub(super) fn music(manifest: &Manifest, cut: f64, notes: &mut Vec<String>) -> Music {
    let tempi = tempi(manifest, cut, notes);
    let meters = meters(manifest, cut);
    let bars = match bar_line(manifest, cut) {
        Some(known) if !tempi.is_empty() => bars::laid_out(&tempi, &meters, known),
        _ => {
            Bars { tempi: from_zero(tempi), meters: from_zero(meters), first: 0.0, said: UNKNOWN.to_owned() }
        }
    };
    if !bars.tempi.is_empty() {
        notes.push(bars.said.clone());
    }
    let key = key(manifest, notes);
    let markers = markers(manifest, cut);
    let sections = if markers.is_none() { sections(manifest, cut, grid(&bars), notes) } else { Vec::new() };
    Music { tempi: bars.tempi, meters: bars.meters, key, markers: markers.unwrap_or_default(), sections }
}

const UNKNOWN: &str = "Where a bar begins is not known: bars count from zero.";

/// Where a bar begins: with the client's map, or where the first downbeat is said to be, or heard.
fn bar_line(manifest: &Manifest, cut: f64) -> Option<Known> {
    let of_midi = |name: &str| {
        let fact = manifest.facts.get(name).filter(|fact| fact.confidence == Confidence::Stated);
        fact.is_some_and(|fact| fact.source.contains("MIDI file \""))
    };
    if ["tempo_map", "meter_map", "tempo_bpm"].iter().any(|name| of_midi(name)) {
        return Some(Known::Stated(-cut));
    }
    // The engineer's word goes before what is heard.
    let stated = value(manifest, "first_downbeat_seconds").and_then(Value::as_f64);
    if let Some(seconds) = stated {
        return Some(Known::Heard(seconds - cut));
    }
    let heard = sure(manifest, DOWNBEAT).and_then(Value::as_f64);
    heard.filter(|seconds| seconds.is_finite()).map(|seconds| Known::Heard(seconds - cut))
}

/// The length of a bar and the first bar line, where a session has one tempo and one meter but for its pickup.
fn grid(bars: &Bars) -> Option<(f64, f64)> {
    let later = |at: f64| at > bars.first + 1e-6;
    let one =
        !bars.tempi.iter().any(|at| later(at.seconds)) && !bars.meters.iter().any(|at| later(at.seconds));
    let micros = bars.tempi.last().filter(|_| one)?.what;
    let quarters = bars.meters.last().map_or(4.0, |at| at.what.quarters());
    Some((quarters * f64::from(micros) * 1e-6, bars.first))
}

/// What holds at zero stands at zero.
fn from_zero<T: Clone>(mut list: Vec<At<T>>) -> Vec<At<T>> {
    list.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let begun = list.iter().rposition(|at| at.seconds <= 0.0).unwrap_or(0);
    let mut held = list.split_off(begun);
    if let Some(first) = held.first_mut() {
        first.seconds = 0.0;
    }
    held
}

/// The stated tempi, or a sure estimate.
fn tempi(manifest: &Manifest, cut: f64, notes: &mut Vec<String>) -> Vec<At<u32>> {
    let one = |bpm: f64| vec![At { seconds: -cut, what: micros_of(bpm) }];
    if let Some(map) = value(manifest, "tempo_map") {
        return steps(map, "microseconds_per_quarter", cut, |v| u32::try_from(v.as_u64()?).ok());
    }
    // Changes whose places nobody has stated make no map, and neither does a contradiction.
    if let Some(bpm) = value(manifest, "tempo_bpm") {
        return bpm.as_f64().map(one).unwrap_or_default();
    }
    let Some(bpm) = sure(manifest, TEMPO).and_then(Value::as_f64) else { return Vec::new() };
    notes.push("The tempo is estimated from the sound.".to_owned());
    one(bpm)
}

fn meters(manifest: &Manifest, cut: f64) -> Vec<At<Meter>> {
    let meter = |value: &Value| value.as_str()?.parse().ok();
    if let Some(map) = value(manifest, "meter_map") {
        return steps(map, "meter", cut, meter);
    }
    let stated = value(manifest, "meter").and_then(|v| meter(v.get(0).unwrap_or(v)));
    stated.into_iter().map(|what| At { seconds: -cut, what }).collect()
}

/// The stated key, or a sure estimate.
fn key(manifest: &Manifest, notes: &mut Vec<String>) -> Option<Key> {
    if let Some(stated) = value(manifest, "key") {
        return key_of(stated.as_str()?);
    }
    let key = key_of(sure(manifest, KEY)?.as_str()?)?;
    notes.push("The key is estimated from the sound.".to_owned());
    Some(key)
}

/// The client's markers; `None` where there is no word of any, none where they contradict each other.
fn markers(manifest: &Manifest, cut: f64) -> Option<Vec<At<String>>> {
    let markers = steps(value(manifest, "markers")?, "name", cut, text);
    Some(markers.into_iter().filter(|at| at.seconds >= 0.0).collect())
}

fn text(name: &Value) -> Option<String> {
    name.as_str().map(str::to_owned)
}

/// Sections that are sure or named, on the bar lines of the session where it has a `grid`: the length of a bar, and its first line.
fn sections(
    manifest: &Manifest,
    cut: f64,
    grid: Option<(f64, f64)>,
    notes: &mut Vec<String>,
) -> Vec<At<String>> {
    let Some(sections) = sure(manifest, SECTIONS).or_else(|| named(manifest)) else { return Vec::new() };
    notes.push("The markers are sections estimated from who plays when.".to_owned());
    let bars: Vec<f64> =
        sections.as_array().into_iter().flatten().filter_map(|section| section["bars"].as_f64()).collect();
    // A first bar line before the first sound stands at the common start.
    let clipped = sections[0]["seconds"].as_f64() == Some(0.0);
    let mut sections = steps(sections, "name", cut, text);
    if let Some(grid) = grid.filter(|_| bars.len() == sections.len()) {
        to_bar_lines(&mut sections, &bars, grid, clipped);
    }
    for at in &mut sections {
        at.seconds = at.seconds.max(0.0);
    }
    sections
}

/// Estimated sections of which the engineer has named one: whoever names them takes them for right.
fn named(manifest: &Manifest) -> Option<&Value> {
    let sections = value(manifest, SECTIONS)?;
    let is_named = |section: &Value| !section["letter"].is_null() && section["letter"] != section["name"];
    sections.as_array()?.iter().any(is_named).then_some(sections)
}

/// Puts sections of so many bars each so far apart as the bars of the file are, and on its bar lines where those are near:
/// where the song begins a bar at another place, they keep it. What would move further is another count of bars, and stays.
/// The first one says nothing where it was `clipped`.
fn to_bar_lines(sections: &mut [At<String>], bars: &[f64], (bar, line_one): (f64, f64), clipped: bool) {
    let before = bars.iter().scan(0.0, |sum, bars| Some(std::mem::replace(sum, *sum + bars) * bar));
    let before: Vec<f64> = before.collect();
    let told = usize::from(clipped)..sections.len();
    if told.is_empty() {
        return;
    }
    let first = told.clone().map(|at| sections[at].seconds - before[at]).sum::<f64>() / told.len() as f64;
    let line = line_one + ((first - line_one) / bar).round() * bar;
    let first = if (first - line).abs() <= NEAR { line } else { first };
    if told.clone().all(|at| (first + before[at] - sections[at].seconds).abs() <= NEAR) {
        for at in told {
            sections[at].seconds = first + before[at];
        }
    }
}

/// A fact's value, whatever it is.
fn value<'m>(manifest: &'m Manifest, name: &str) -> Option<&'m Value> {
    manifest.facts.get(name).map(|fact| &fact.value)
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

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(seconds: &[f64], bars: &[f64], bar: f64, clipped: bool) -> Vec<f64> {
        let mut sections: Vec<At<String>> =
            seconds.iter().map(|&seconds| At { seconds, what: String::new() }).collect();
        to_bar_lines(&mut sections, bars, (bar, 0.0), clipped);
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
