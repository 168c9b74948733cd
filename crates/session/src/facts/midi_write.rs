//! Writes what is known of the music as a Standard MIDI File, for the session's tempo map. Knows nothing of where it
//! comes from.

use midly::num::{u15, u24, u28};
use midly::{Format, Header, MetaMessage, Smf, Timing, TrackEvent, TrackEventKind};

use super::key::Key;
use super::meter::Meter;
use super::midi::At;

/// What the file says. Times are in seconds from its start; what stands before the start counts from there on, save
/// markers, which are left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SessionMap {
    /// The track's name.
    pub name: String,
    /// A line for people, where something must be said.
    pub note: Option<String>,
    /// Tempi in microseconds a quarter note; without any there is no file.
    pub tempi: Vec<At<u32>>,
    /// Meters.
    pub meters: Vec<At<Meter>>,
    /// The key.
    pub key: Option<Key>,
    /// Markers.
    pub markers: Vec<At<String>>,
    /// Length of the session.
    pub seconds: f64,
}

/// The microseconds a quarter note that come nearest to a tempo.
pub fn micros_of(bpm: f64) -> u32 {
    (60e6 / bpm.max(4.0)).round() as u32
}

impl SessionMap {
    /// The bytes of a file of format 1 with one track, its tempo map: `ticks_per_quarter` is 1 to 32767. `None` without
    /// a tempo.
    pub fn to_midi(&self, ticks_per_quarter: u16) -> Option<Vec<u8>> {
        let clock = Clock::new(&self.tempi, ticks_per_quarter)?;
        let mut events: Vec<(u64, MetaMessage<'_>)> = Vec::new();
        if !self.name.is_empty() {
            events.push((0, MetaMessage::TrackName(self.name.as_bytes())));
        }
        events.extend(self.note.iter().map(|note| (0, MetaMessage::Text(note.as_bytes()))));
        for at in from_start(&self.meters) {
            events.push((clock.tick(at.seconds), time_signature(at.what)));
        }
        events.extend(self.key.map(|key| (0, MetaMessage::KeySignature(key.fifths(), key.minor))));
        events.extend(clock.steps.iter().map(|step| (step.tick, MetaMessage::Tempo(u24::from(step.micros)))));
        for at in self.markers.iter().filter(|at| at.seconds >= 0.0) {
            events.push((clock.tick(at.seconds), MetaMessage::Marker(at.what.as_bytes())));
        }
        // Stable: within one tick the order above holds, as in the examples of the standard.
        events.sort_by_key(|(tick, _)| *tick);
        let last = events.last().map_or(0, |(tick, _)| *tick);
        events.push((clock.tick(self.seconds).max(last), MetaMessage::EndOfTrack));
        write(&events, ticks_per_quarter)
    }
}

fn write(events: &[(u64, MetaMessage<'_>)], ticks_per_quarter: u16) -> Option<Vec<u8>> {
    let mut before = 0;
    let track: Vec<TrackEvent<'_>> = events
        .iter()
        .map(|&(tick, meta)| {
            let delta = u32::try_from(tick - before).unwrap_or(u32::MAX).min(u28::max_value().as_int());
            before = tick;
            TrackEvent { delta: u28::new(delta), kind: TrackEventKind::Meta(meta) }
        })
        .collect();
    let header = Header::new(Format::Parallel, Timing::Metrical(u15::try_from(ticks_per_quarter)?));
    let mut bytes = Vec::new();
    Smf { header, tracks: vec![track] }.write_std(&mut bytes).ok()?;
    Some(bytes)
}

/// What holds at the start, at the start; then the rest in order of time.
fn from_start<T: Clone>(list: &[At<T>]) -> Vec<At<T>> {
    let mut sorted = list.to_vec();
    sorted.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let begun = sorted.iter().rposition(|at| at.seconds <= 0.0).unwrap_or(0);
    let mut held = sorted.split_off(begun);
    if let Some(first) = held.first_mut() {
        first.seconds = 0.0;
    }
    held
}

/// The time signature: a metronome clicks dotted beats in compound meters (24 MIDI clocks are a quarter note).
fn time_signature(meter: Meter) -> MetaMessage<'static> {
    let compound = meter.unit >= 8 && meter.beats > 3 && meter.beats.is_multiple_of(3);
    let clocks = 96 / meter.unit * if compound { 3 } else { 1 };
    MetaMessage::TimeSignature(meter.beats, meter.unit.ilog2() as u8, clocks, 8)
}

/// Seconds to ticks.
struct Clock {
    steps: Vec<Step>,
    ticks_per_quarter: f64,
}

struct Step {
    /// When the tick of this step sounds, which is near the time that was asked for: errors do not add up.
    seconds: f64,
    tick: u64,
    micros: u32,
}

impl Clock {
    fn new(tempi: &[At<u32>], ticks_per_quarter: u16) -> Option<Self> {
        let mut clock = Self { steps: Vec::new(), ticks_per_quarter: f64::from(ticks_per_quarter) };
        for at in from_start(tempi) {
            let micros = at.what.clamp(1, u24::max_value().as_int());
            let tick = if clock.steps.is_empty() { 0 } else { clock.tick(at.seconds) };
            let seconds = clock.seconds(tick);
            clock.steps.push(Step { seconds, tick, micros });
        }
        (!clock.steps.is_empty()).then_some(clock)
    }

    fn tick(&self, seconds: f64) -> u64 {
        let step = self.steps.iter().rfind(|step| step.seconds <= seconds).or(self.steps.first());
        step.map_or(0, |step| {
            let quarters = (seconds - step.seconds).max(0.0) * 1e6 / f64::from(step.micros);
            step.tick + (quarters * self.ticks_per_quarter).round() as u64
        })
    }

    fn seconds(&self, tick: u64) -> f64 {
        self.steps.iter().rfind(|step| step.tick <= tick).map_or(0.0, |step| {
            let quarters = (tick - step.tick) as f64 / self.ticks_per_quarter;
            step.seconds + quarters * f64::from(step.micros) * 1e-6
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::read_midi;

    fn at<T>(seconds: f64, what: T) -> At<T> {
        At { seconds, what }
    }

    #[test]
    fn what_is_written_is_read_again() {
        let map = SessionMap {
            name: "Paper Lantern".to_owned(),
            note: None,
            tempi: vec![at(-3.0, 700_000), at(-1.0, 652_174), at(10.0, 500_000), at(11.25, 652_174)],
            meters: vec![at(-1.0, Meter { beats: 4, unit: 4 }), at(10.0, Meter { beats: 6, unit: 8 })],
            key: Some(Key { letter: 'D', accidental: 0, minor: true }),
            markers: vec![at(-0.5, "before".to_owned()), at(11.0, "Chorus".to_owned())],
            seconds: 60.0,
        };
        let read = read_midi(&map.to_midi(960).unwrap()).unwrap();
        let micros: Vec<u32> = read.tempi.iter().map(|at| at.what).collect();
        assert_eq!(micros, [652_174, 500_000, 652_174]);
        // Half a tick of 960 at 92 BPM is 0.34 ms.
        for (found, wanted) in read.tempi.iter().zip([0.0, 10.0, 11.25]) {
            assert!((found.seconds - wanted).abs() < 3.5e-4, "{found:?}");
        }
        assert_eq!(read.keys[0].what, map.key.unwrap());
        assert_eq!(read.meters.len(), 2);
        assert_eq!(read.markers.len(), 1);
        assert!((read.markers[0].seconds - 11.0).abs() < 3.5e-4);
        assert_eq!(SessionMap::default().to_midi(960), None);
    }
}
