//! What a Standard MIDI File says of the music: tempo map, meters, keys, markers. Notes are not looked at. Bytes go in;
//! no file is opened.

use midly::{MetaMessage, Smf, Timing, TrackEventKind};

use super::key::Key;
use super::meter::Meter;
use super::tempo::Tempo;
use crate::Error;

/// Markers that are kept of one file; more would be no help.
const MOST_MARKERS: usize = 500;

/// Something at a time from the start of the file.
#[derive(Debug, Clone, PartialEq)]
pub struct At<T> {
    /// Seconds.
    pub seconds: f64,
    /// What.
    pub what: T,
}

/// What a MIDI file says. What it does not say is empty: the defaults of the standard are no statements.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Midi {
    /// Tempi, in microseconds a quarter note.
    pub tempi: Vec<At<u32>>,
    /// Meters.
    pub meters: Vec<At<Meter>>,
    /// Keys.
    pub keys: Vec<At<Key>>,
    /// Markers.
    pub markers: Vec<At<String>>,
}

impl Midi {
    /// The tempo that the file states, in thousandths of a BPM.
    pub fn tempo(&self) -> Option<Tempo> {
        Tempo::new(self.tempi.iter().map(|at| bpm_of(at.what)))
    }
}

/// Quarter notes a minute, in thousandths: microseconds a quarter cannot say most tempi exactly.
pub fn bpm_of(micros_per_quarter: u32) -> f64 {
    (60e9 / f64::from(micros_per_quarter.max(1))).round() / 1e3
}

/// Reads a MIDI file.
///
/// # Errors
/// When the bytes are none.
pub fn read_midi(bytes: &[u8]) -> Result<Midi, Error> {
    let smf = Smf::parse(bytes).map_err(Error::Midi)?;
    // Without a tempo map in quarters (time code) or with one map a track (format 2) there is no common one.
    let Timing::Metrical(ppq) = smf.header.timing else { return Ok(Midi::default()) };
    if smf.header.format == midly::Format::Sequential {
        return Ok(Midi::default());
    }
    let mut events: Vec<(u64, MetaMessage<'_>)> = Vec::new();
    for track in &smf.tracks {
        let mut tick = 0u64;
        for event in track {
            tick += u64::from(event.delta.as_int());
            if let TrackEventKind::Meta(meta) = event.kind {
                events.push((tick, meta));
            }
        }
    }
    // Stable: what stands first in the file stays first within one tick.
    events.sort_by_key(|(tick, _)| *tick);
    Ok(collect(&events, f64::from(ppq.as_int().max(1))))
}

fn collect(events: &[(u64, MetaMessage<'_>)], ppq: f64) -> Midi {
    let mut midi = Midi::default();
    // The standard's default until a tempo is set: 120 BPM.
    let (mut from_tick, mut from_seconds, mut micros) = (0u64, 0.0, 500_000u32);
    for (tick, meta) in events {
        let seconds = from_seconds + (tick - from_tick) as f64 / ppq * f64::from(micros) * 1e-6;
        match meta {
            MetaMessage::Tempo(new) if new.as_int() > 0 => {
                (from_tick, from_seconds, micros) = (*tick, seconds, new.as_int());
                midi.tempi.push(At { seconds, what: micros });
            }
            MetaMessage::TimeSignature(beats, power, ..) if *power < 8 => {
                midi.meters.extend(Meter::new(*beats, 1 << power).map(|what| At { seconds, what }));
            }
            MetaMessage::KeySignature(fifths, minor) => {
                midi.keys.extend(Key::from_fifths(*fifths, *minor).map(|what| At { seconds, what }));
            }
            MetaMessage::Marker(text) if midi.markers.len() < MOST_MARKERS => {
                let what: String = String::from_utf8_lossy(text).trim().chars().take(80).collect();
                midi.markers.push(At { seconds, what });
            }
            _ => {}
        }
    }
    midi
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 96 ticks a quarter; 4/4, 500 000 microseconds; one bar later 3/4, D minor, 600 000 and a marker: by hand from
    /// the Standard MIDI-File Format Spec. 1.1.
    #[test]
    fn times_follow_from_the_tempo_map() {
        let mut track = vec![0, 0xFF, 0x58, 4, 4, 2, 24, 8, 0, 0xFF, 0x51, 3, 0x07, 0xA1, 0x20];
        track.extend([0x83, 0x00, 0xFF, 0x58, 4, 3, 2, 24, 8, 0, 0xFF, 0x51, 3, 0x09, 0x27, 0xC0]);
        track.extend([0, 0xFF, 0x59, 2, 0xFF, 1, 0x81, 0x40, 0xFF, 0x06, 5]);
        track.extend(b"Verse");
        track.extend([0, 0xFF, 0x2F, 0]);
        let mut bytes = b"MThd\0\0\0\x06\0\x01\0\x01\0\x60MTrk".to_vec();
        bytes.extend((track.len() as u32).to_be_bytes());
        bytes.extend(track);
        let midi = read_midi(&bytes).unwrap();
        assert_eq!(midi.tempi, [At { seconds: 0.0, what: 500_000 }, At { seconds: 2.0, what: 600_000 }]);
        assert_eq!(midi.tempo().unwrap().bpm(), [120.0, 100.0]);
        assert_eq!(midi.meters[1], At { seconds: 2.0, what: Meter { beats: 3, unit: 4 } });
        assert_eq!(midi.keys[0].what.to_string(), "D minor");
        assert_eq!(midi.markers, [At { seconds: 3.2, what: "Verse".to_owned() }]);
    }

    #[test]
    fn rubbish_is_refused_and_silence_states_nothing() {
        for bytes in [&b""[..], b"MThd", b"RIFF\0\0\0\0WAVE", &[0xFF; 64]] {
            assert!(read_midi(bytes).is_err());
        }
        let empty = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x04\0\xFF\x2F\0";
        assert_eq!(read_midi(empty).unwrap(), Midi::default());
    }
}
