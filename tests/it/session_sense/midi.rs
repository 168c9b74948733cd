//! `session.mid` against "Standard MIDI-File Format Spec. 1.1" (International MIDI Association): its tables and its
//! worked examples.

use std::fs;

use loadin_audio::signal;
use loadin_session::facts::{At, Key, Meter, SessionMap, bpm_of, micros_of, read_midi};
use loadin_tests::Delivery;

use crate::job::{loadin, prep};

fn at<T>(seconds: f64, what: T) -> At<T> {
    At { seconds, what }
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// The tempo track of the format-1 example: 4/4, 500 000 microseconds, 384 ticks at 96 a quarter.
#[test]
fn the_tempo_track_of_the_standards_example() {
    let map = SessionMap {
        tempi: vec![at(0.0, 500_000)],
        meters: vec![at(0.0, Meter { beats: 4, unit: 4 })],
        seconds: 2.0,
        ..SessionMap::default()
    };
    let bytes = map.to_midi(96).unwrap();
    assert_eq!(
        bytes[..14],
        hex("4D 54 68 64 00 00 00 06 00 01 00 01 00 60"),
        "format 1, one track, 96 ticks"
    );
    let wanted = "4D 54 72 6B 00 00 00 14 00 FF 58 04 04 02 18 08 00 FF 51 03 07 A1 20 83 00 FF 2F 00";
    assert_eq!(bytes[14..], hex(wanted));
}

/// The table of variable-length quantities, as the length of a session: at 500 ticks a quarter of half a second a tick
/// is a millisecond.
#[test]
fn the_table_of_variable_lengths() {
    for (value, bytes) in [
        (0x0000_0000u32, "00"),
        (0x0000_0040, "40"),
        (0x0000_007F, "7F"),
        (0x0000_0080, "81 00"),
        (0x0000_2000, "C0 00"),
        (0x0000_3FFF, "FF 7F"),
        (0x0000_4000, "81 80 00"),
        (0x0010_0000, "C0 80 00"),
        (0x001F_FFFF, "FF FF 7F"),
        (0x0020_0000, "81 80 80 00"),
        (0x0800_0000, "C0 80 80 00"),
        (0x0FFF_FFFF, "FF FF FF 7F"),
    ] {
        let seconds = f64::from(value) / 1000.0;
        let map = SessionMap { tempi: vec![at(0.0, 500_000)], seconds, ..SessionMap::default() };
        let wanted = [hex("00 FF 51 03 07 A1 20"), hex(bytes), hex("FF 2F 00")].concat();
        assert_eq!(map.to_midi(500).unwrap()[22..], wanted, "{value:x}");
    }
}

/// "FF 58 04 06 03 24 08" is the document's example of 6/8; sf and mi of FF 59 as it defines them.
#[test]
fn signatures_as_the_standard_spells_them() {
    let map = SessionMap {
        tempi: vec![at(0.0, 500_000)],
        meters: vec![at(0.0, Meter { beats: 6, unit: 8 })],
        key: Some(Key { letter: 'E', accidental: -1, minor: true }),
        ..SessionMap::default()
    };
    let bytes = map.to_midi(96).unwrap();
    assert_eq!(
        bytes[22..],
        hex("00 FF 58 04 06 03 24 08 00 FF 59 02 FA 01 00 FF 51 03 07 A1 20 00 FF 2F 00")
    );
}

/// The format-0 example of appendix 2, byte by byte.
#[test]
fn the_standards_song_is_read() {
    let song = hex(
        "4D 54 68 64 00 00 00 06 00 00 00 01 00 60 4D 54 72 6B 00 00 00 3B 00 FF 58 04 04 02 18 08 00 FF 51 03 07 A1 20 \
         00 C0 05 00 C1 2E 00 C2 46 00 92 30 60 00 3C 60 60 91 43 40 60 90 4C 20 81 40 82 30 40 00 3C 40 00 81 43 40 \
         00 80 4C 40 00 FF 2F 00",
    );
    let midi = read_midi(&song).unwrap();
    assert_eq!(midi.tempi, [at(0.0, 500_000)]);
    assert_eq!(midi.tempo().unwrap().steady(), Some(120.0));
    assert_eq!(midi.meters, [at(0.0, Meter { beats: 4, unit: 4 })]);
    assert!(midi.keys.is_empty() && midi.markers.is_empty());
}

/// Microseconds a quarter are 60 000 000 / BPM, rounded (arithmetic); whole tempi come back whole.
#[test]
fn tempi_in_microseconds() {
    for (bpm, micros) in [
        (60.0, 0x0F_4240),
        (82.0, 0x0B_2A3B),
        (90.0, 0x0A_2C2B),
        (97.0, 0x09_703D),
        (100.0, 0x09_27C0),
        (120.0, 0x07_A120),
        (126.0, 0x07_441E),
        (128.0, 0x07_270E),
        (140.0, 0x06_8A1B),
    ] {
        assert_eq!(micros_of(bpm), micros, "{bpm}");
        assert!((bpm_of(micros) - bpm).abs() < 1.1e-3, "{bpm}: {}", bpm_of(micros));
    }
}

/// Through the whole program: a client's map with a change moves with the head that is cut, and the file is listed in
/// the checksums. 500 ticks a quarter: 120 BPM, from 8 s on 100 BPM.
#[test]
fn a_clients_map_moves_with_the_cut() {
    let delivery = Delivery::new("Song");
    let silence_first = |seed| [vec![0.0; 20 * 48_000], signal::noise(seed, 0.25, 48_000)].concat();
    delivery.wav("Kick.wav", 48_000, 24, &[silence_first(1)]);
    delivery.wav("Bass.wav", 48_000, 24, &[silence_first(2)]);
    let client = SessionMap {
        tempi: vec![at(0.0, 500_000), at(8.0, 600_000), at(19.4, 500_000)],
        meters: vec![at(0.0, Meter { beats: 4, unit: 4 })],
        markers: vec![at(1.0, "Count".to_owned()), at(20.0, "Verse".to_owned())],
        seconds: 30.0,
        ..SessionMap::default()
    };
    delivery.file("map.mid", &client.to_midi(500).unwrap());
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &[]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let cut = manifest["link"]["trim_head_frames"].as_u64().unwrap() as f64 / 48_000.0;
    assert!(cut > 9.0, "the head was cut by {cut} s, so that the first change lies before the start");
    let bytes = fs::read(out.join("session.mid")).unwrap();
    let midi = read_midi(&bytes).unwrap();
    let tempi: Vec<u32> = midi.tempi.iter().map(|at| at.what).collect();
    assert_eq!(tempi, [600_000, 500_000]);
    assert!((midi.tempi[1].seconds - (19.4 - cut)).abs() < 4e-4, "{:?}", midi.tempi);
    assert_eq!(midi.markers.len(), 1, "what stood before the start is gone");
    assert!((midi.markers[0].seconds - (20.0 - cut)).abs() < 4e-4, "{:?}", midi.markers);
    assert!(fs::read_to_string(out.join("checksums.sha256")).unwrap().contains("  session.mid"));
    let verified = loadin(&["verify", out.to_str().unwrap()]);
    assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
}
