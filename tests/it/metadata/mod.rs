//! What stands beside the samples goes where its sound goes; read back by a parser that is not ours.

mod containers;
mod outputs;
mod stated;

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use bwavfile::WaveReader;
use loadin_audio::signal;
use loadin_codec::{Bext, Chunk, SampleKind, WavSpec, WavWriter};
use loadin_tests::Delivery;
use serde_json::Value;

use crate::job::{loadin, prep, recipe, stem};

const STAGES: &str = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\nrate = \"48 kHz\"\n\
    [[stage]]\nstage = \"trim-silence\"\nhead = \"500 ms\"\n[[stage]]\nstage = \"align-starts\"\n\
    [[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";

/// A chunk of words of 32 bits.
fn words(id: [u8; 4], words: &[u32]) -> Chunk {
    Chunk { id, bytes: words.iter().flat_map(|word| word.to_le_bytes()).collect() }
}

const DATA: u32 = u32::from_le_bytes(*b"data");

/// Layout of the New Multimedia Data Types and Data Techniques 3.0 (1994).
fn cue(points: &[(u32, u32)]) -> Chunk {
    let mut all = vec![points.len() as u32];
    for (id, frame) in points {
        all.extend([*id, *frame, DATA, 0, 0, *frame]);
    }
    words(*b"cue ", &all)
}

/// The list of two names, `one!` of marker 1 and `gone` of marker 2, and a stretch of 44 100 frames at marker 1.
fn names() -> Chunk {
    let mut bytes = b"adtl".to_vec();
    for (id, text) in [(1u8, b"one!"), (2, b"gone")] {
        bytes.extend(b"labl\x09\0\0\0");
        bytes.extend([id, 0, 0, 0]);
        bytes.extend(text);
        bytes.extend([0, 0]);
    }
    bytes.extend(b"ltxt\x14\0\0\0\x01\0\0\0\x44\xAC\0\0rgn \0\0\0\0\0\0\0\0");
    Chunk { id: *b"LIST", bytes }
}

fn ixml(rate_hz: u32, stamp: u64) -> Chunk {
    let text = format!(
        "<BWFXML><NOTE>take two</NOTE><SPEED><FILE_SAMPLE_RATE>{rate_hz}</FILE_SAMPLE_RATE>\
         <TIMESTAMP_SAMPLE_RATE>{rate_hz}</TIMESTAMP_SAMPLE_RATE>\
         <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>\
         <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>",
        stamp >> 32,
        stamp & 0xFFFF_FFFF
    );
    Chunk { id: *b"iXML", bytes: text.into_bytes() }
}

fn info() -> Chunk {
    Chunk { id: *b"LIST", bytes: b"INFOINAM\x06\0\0\0Gr\xF6\xDFe\0".to_vec() }
}

fn write(delivery: &Delivery, name: &str, rate_hz: u32, stamp: u64, sound: &[f64], chunks: Vec<Chunk>) {
    let mut bext = Bext::new("invented", "test");
    bext.time_reference = stamp;
    bext.loudness[0] = -2300;
    let spec = WavSpec {
        rate_hz,
        channels: 1,
        kind: SampleKind::I24,
        frames: sound.len() as u64,
        channel_mask: None,
        bext: Some(bext),
        chunks_before: Vec::new(),
        chunks_after: chunks,
    };
    let mut writer = WavWriter::new(Vec::new(), spec).unwrap();
    let codes: Vec<i32> = sound.iter().map(|sample| (sample * 8_388_607.0) as i32).collect();
    writer.write_ints(&codes).unwrap();
    delivery.file(name, &writer.finish().unwrap());
}

fn output(out: &Path, record: &Value) -> PathBuf {
    out.join(record["output"]["path"].as_str().expect("an output"))
}

fn open(path: &Path) -> WaveReader<std::io::BufReader<File>> {
    WaveReader::open(path).expect("a WAV file that the other parser reads")
}

/// Every `<name>number</name>` of an iXML chunk.
fn number(text: &str, name: &str) -> u64 {
    let behind = text.split_once(&format!("<{name}>")).expect("the element").1;
    behind.split_once('<').unwrap().0.parse().unwrap()
}

fn read_ixml(path: &Path) -> String {
    let mut bytes = Vec::new();
    open(path).read_ixml(&mut bytes).unwrap();
    String::from_utf8(bytes).unwrap()
}

/// Two stems at 44.1 and 96 kHz, to 48 kHz.
///
/// "Vox" begins at 1:00:00 (158 760 000 frames at 44.1 kHz) and sounds from 3 s on; "Bass" begins one second later
/// (345 696 000 frames at 96 kHz) and sounds at once. So the first sound is at 1 s, and half a second before it is kept:
/// the common start is 0.5 s after that of "Vox": 24 000 frames of its head go, and "Bass" gets 24 000 in front.
fn deliver() -> Delivery {
    let delivery = Delivery::new("take");
    let mut vox = vec![0.0; 3 * 44_100];
    vox.extend(signal::noise(1, 0.25, 7 * 44_100));
    let loops: &[u32] = &[0, 0, 22_676, 60, 0, 0, 0, 1, 0, 9, 0, 176_400, 220_499, 0, 0];
    let chunks = vec![
        // 4 s and 0.25 s.
        cue(&[(1, 176_400), (2, 11_025)]),
        names(),
        words(*b"smpl", loops),
        ixml(44_100, 158_760_000),
        info(),
        Chunk { id: *b"what", bytes: b"ever".to_vec() },
    ];
    write(&delivery, "Vox.wav", 44_100, 158_760_000, &vox, chunks);
    let bass = signal::noise(2, 0.25, 8 * 96_000);
    write(
        &delivery,
        "Bass.wav",
        96_000,
        345_696_000,
        &bass,
        vec![cue(&[(7, 96_001)]), ixml(96_000, 345_696_000)],
    );
    delivery
}

/// By hand, in frames at 48 kHz:
///
/// * both outputs begin at 1:00:00.5: 172 800 000 + 24 000 = 172 824 000;
/// * marker 1 of "Vox": 176 400 · 48 / 44.1 = 192 000, less 24 000 is 168 000; its stretch of 44 100 becomes 48 000;
/// * marker 2: 11 025 · 48 / 44.1 = 12 000, which lies in what was cut, so it goes together with its name;
/// * the loop: from 168 000; its last frame 220 499 · 48 / 44.1 = 239 998.9, so 239 999 less 24 000 is 215 999;
/// * the sample period: 1 000 000 000 / 48 000 = 20 833.3 nanoseconds;
/// * the marker of "Bass": 96 001 / 2 = 48 000.5, rounded up to 48 001, and 24 000 frames later: 72 001.
#[test]
fn every_position_is_right_to_the_frame_behind_resampling_cut_and_alignment() {
    let delivery = deliver();
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let (vox, bass) = (stem(&manifest, "Vox.wav"), stem(&manifest, "Bass.wav"));
    for (record, shift) in [(vox, 24_000), (bass, -24_000)] {
        assert_eq!(record["time_map"]["shift_frames"], shift);
        let path = output(&out, record);
        assert_eq!(open(&path).broadcast_extension().unwrap().unwrap().time_reference, 172_824_000);
        let text = read_ixml(&path);
        assert_eq!(number(&text, "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"), 172_824_000);
        assert_eq!(number(&text, "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI"), 0);
        assert_eq!(number(&text, "FILE_SAMPLE_RATE"), 48_000);
        assert_eq!(number(&text, "TIMESTAMP_SAMPLE_RATE"), 48_000);
    }
    let points = open(&output(&out, vox)).cue_points().unwrap();
    let read: Vec<_> = points.iter().map(|p| (p.frame, p.length, p.label.as_deref())).collect();
    assert_eq!(read, [(168_000, Some(48_000), Some("one!"))]);
    let points = open(&output(&out, bass)).cue_points().unwrap();
    assert_eq!(points.iter().map(|point| point.frame).collect::<Vec<_>>(), [72_001]);
    let bytes = fs::read(output(&out, vox)).unwrap();
    let smpl = words(*b"smpl", &[0, 0, 20_833, 60, 0, 0, 0, 1, 0, 9, 0, 168_000, 215_999, 0, 0]);
    for chunk in [smpl, info(), Chunk { id: *b"what", bytes: b"ever".to_vec() }] {
        let mut whole = chunk.id.to_vec();
        whole.extend((chunk.bytes.len() as u32).to_le_bytes());
        whole.extend(&chunk.bytes);
        assert!(bytes.windows(whole.len()).any(|part| part == whole), "{:?} stands in the file", chunk.id);
    }
}

/// Every chunk has its line in the record, with the texts in it as Unicode, whatever their encoding.
#[test]
fn the_manifest_says_what_became_of_every_chunk() {
    let delivery = deliver();
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    let fates = |record: &Value| -> Vec<(String, String)> {
        let all = record["metadata"].as_array().unwrap().iter();
        let word = |record: &Value, key: &str| record[key].as_str().unwrap().to_owned();
        all.map(|record| (word(record, "chunk"), word(record, "fate"))).collect()
    };
    let expected = [
        ("bext", "moved"),
        ("cue", "moved"),
        ("LIST adtl", "moved"),
        ("smpl", "moved"),
        ("iXML", "moved"),
        ("LIST INFO", "kept"),
        ("what", "kept"),
    ];
    let vox = stem(&manifest, "Vox.wav");
    assert_eq!(fates(vox), expected.map(|(chunk, fate)| (chunk.to_owned(), fate.to_owned())));
    assert_eq!(vox["metadata"][5]["texts"][0], "INAM=Größe", "Windows-1252 in the file");
    // A plain WAV file has no such chunks, and says so.
    let plain = STAGES.replace("stage = \"re-encode\"\n", "stage = \"re-encode\"\ncontainer = \"wav\"\n");
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("plain"), &["--recipe", &recipe(&delivery.out(""), &plain)]);
    let vox = stem(&manifest, "Vox.wav");
    assert_eq!(fates(vox), expected.map(|(chunk, _)| (chunk.to_owned(), "dropped".to_owned())));
    let bytes = fs::read(output(&delivery.out("plain"), vox)).unwrap();
    assert_eq!(
        bytes.len(),
        44 + vox["output"]["frames"].as_u64().unwrap() as usize * 3,
        "header and samples alone"
    );
}

/// Of two halves that become one file, the left one's metadata stand for both; what only the right one has is named.
#[test]
fn what_only_the_right_half_has_is_named() {
    let delivery = Delivery::new("pair");
    let sound = |seed| signal::noise(seed, 0.25, 4800);
    write(&delivery, "Gtr L.wav", 48_000, 0, &sound(1), vec![info()]);
    write(&delivery, "Gtr R.wav", 48_000, 0, &sound(2), vec![info(), names()]);
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"channel-fix\"\npairs = \"join\"\n\
        [[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
    let (ran, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let records = stem(&manifest, "Gtr L.wav")["metadata"].as_array().unwrap();
    let words: Vec<_> =
        records.iter().map(|r| (r["chunk"].as_str().unwrap(), r["fate"].as_str().unwrap())).collect();
    assert_eq!(words, [("bext", "moved"), ("LIST INFO", "kept"), ("LIST adtl", "dropped")]);
    assert!(records[2]["why"].as_str().unwrap().contains("other half"), "{}", records[2]);
    assert_eq!(records[2]["texts"][0], "labl=one!");
}

/// A restored file has its markers where the delivered one had them, but for those that went with the cut.
#[test]
fn restored_markers_stand_where_they_stood() {
    let delivery = deliver();
    let (out, back) = (delivery.out("out"), delivery.out("back"));
    prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    let ran =
        loadin(&["restore", out.to_str().unwrap(), "--to", back.to_str().unwrap(), "--progress", "none"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let points = open(&back.join("Vox.wav")).cue_points().unwrap();
    assert_eq!(points.iter().map(|p| (p.frame, p.length)).collect::<Vec<_>>(), [(176_400, Some(44_100))]);
    // 72 001 less 24 000 is 48 001, and twice that is 96 002: the half frame was rounded.
    let points = open(&back.join("Bass.wav")).cue_points().unwrap();
    assert_eq!(points.iter().map(|p| p.frame).collect::<Vec<_>>(), [96_002]);
}
