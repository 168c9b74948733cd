//! The table of containers in DEVELOPERS.md: every cell is what happens to a file of that kind, here and now.
//! `LOADIN_UPDATE=1 cargo test -p loadin-tests table` writes it.

use std::fmt::Write as _;
use std::{fs, path::Path};

use loadin_audio::Block;
use loadin_codec::{Metadata, SampleKind, SoundWriter, Target, WavSpec};

use super::beside::{beside, chunks, metadata, metadata_in};
use super::samples::{self as files, CHANNELS, Coding, Order, RATE_HZ};
use crate::job::assert_published_table;
use crate::reference_codec::fixture::{Decoded, decode};
use crate::reference_codec::mp4;
use crate::reference_codec::other_formats::{saw, tones};

/// One line of the table.
struct Row {
    container: &'static str,
    codec: String,
    read: String,
    write: &'static str,
    metadata: String,
}

impl Row {
    fn says_the_same_as(&self, other: &Self) -> bool {
        (self.container, &self.read, self.write, &self.metadata)
            == (other.container, &other.read, other.write, &other.metadata)
    }
}

/// Container in the table, target of the writer.
const TARGETS: [(&str, Target); 4] =
    [("WAV", Target::Wav), ("AIFF", Target::Aiff), ("CAF", Target::Caf), ("FLAC", Target::Flac)];

fn int(bits: u16, bytes: usize) -> Coding {
    Coding::Int { bits, bytes }
}

fn name(coding: Coding) -> String {
    match coding {
        Coding::U8 => "PCM, 8 bits, unsigned".to_owned(),
        Coding::Int { bits, bytes } if usize::from(bits) == bytes * 8 => format!("PCM, {bits} bits"),
        Coding::Int { bits, bytes } => format!("PCM, {bits} bits in {}", bytes * 8),
        Coding::F32 => "float, 32 bits".to_owned(),
        Coding::F64 => "float, 64 bits".to_owned(),
        Coding::ALaw => "A-law".to_owned(),
        Coding::MuLaw => "µ-law".to_owned(),
    }
}

/// What reading gives, compared with what was put in.
fn read(file: &[u8], coding: Coding) -> String {
    let decoded = match decode(file) {
        Ok(decoded) => decoded,
        Err(error) => return format!("refused: {error}"),
    };
    let frames = decoded.sound.frames();
    let samples = (0..frames).flat_map(|frame| decoded.sound.iter().map(move |channel| channel[frame]));
    let exact = samples.eq(coding.samples()) && decoded.damage.is_empty() && decoded.repairs.is_empty();
    if exact && decoded.format.rate_hz == RATE_HZ { "exact" } else { "WRONG" }.to_owned()
}

/// How near a lossy stream comes to the tones that it was made of, from its first frame on.
fn near(file: &[u8], frames: usize) -> String {
    match decode(file) {
        Ok(decoded) => {
            let channel = |index: usize| decoded.sound.channel(index)[..frames].iter().enumerate();
            let error =
                |index| channel(index).map(move |(n, sample)| (sample - tones(index, n)).powi(2)).sum();
            let errors: f64 = [error(0), error(1)].iter().sum();
            let db = 10.0 * (errors / (2 * frames) as f64).log10();
            if db < -40.0 { "within -40 dB".to_owned() } else { format!("WRONG by {db} dB") }
        }
        Err(error) => format!("refused: {error}"),
    }
}

fn saws(file: &[u8]) -> String {
    let decoded = decode(file).expect("a file that is read");
    let wanted = |channel: usize| (0..decoded.sound.frames()).map(|n| saw(channel, n)).collect::<Vec<_>>();
    let exact = (0..2).all(|channel| decoded.codes(channel, 24) == wanted(channel));
    if exact && decoded.damage.is_empty() { "exact" } else { "WRONG" }.to_owned()
}

fn spec(kind: SampleKind, frames: u64, beside: &Metadata) -> WavSpec {
    WavSpec {
        rate_hz: RATE_HZ,
        channels: CHANNELS,
        kind,
        frames,
        channel_mask: None,
        bext: beside.bext.clone(),
        chunks_before: Vec::new(),
        chunks_after: beside.chunks.clone(),
    }
}

/// A file by the writer, with samples and metadata.
fn written(target: Target, kind: SampleKind, coding: Coding) -> Option<Vec<u8>> {
    let samples = coding.samples();
    let frames = samples.len() / usize::from(CHANNELS);
    let mut bytes = Vec::new();
    let mut writer = SoundWriter::new(&mut bytes, target, spec(kind, frames as u64, &metadata())).ok()?;
    if kind.is_float() {
        let channel = |index: usize| samples.iter().skip(index).step_by(2).copied().collect();
        writer.write_floats(&Block::from_channels(vec![channel(0), channel(1)])).ok()?;
    } else {
        let full = 2f64.powi(kind.bits() as i32 - 1);
        let codes: Vec<i32> = samples.iter().map(|sample| (sample * full) as i32).collect();
        writer.write_ints(&codes).ok()?;
    }
    writer.finish().ok()?;
    Some(bytes)
}

fn kind(coding: Coding) -> Option<SampleKind> {
    match coding {
        Coding::Int { bits: 16, bytes: 2 } => Some(SampleKind::I16),
        Coding::Int { bits: 24, bytes: 3 } => Some(SampleKind::I24),
        Coding::Int { bits: 32, bytes: 4 } => Some(SampleKind::I32),
        Coding::F32 => Some(SampleKind::F32),
        Coding::F64 => Some(SampleKind::F64),
        _ => None,
    }
}

/// Whether the writer makes such a file, and the reader finds in it what was put in.
fn write(container: &str, coding: Coding) -> &'static str {
    let target = TARGETS.iter().find(|(name, _)| *name == container).map(|(_, target)| *target);
    let file = target.zip(kind(coding)).and_then(|(target, kind)| written(target, kind, coding));
    match file {
        None => "-",
        Some(file) if read(&file, coding) == "exact" => "yes",
        Some(_) => "WRONG",
    }
}

/// RF64 is what WAV becomes past 4 GiB: the head shows it, without the samples.
fn write_large() -> &'static str {
    let mut head = Vec::new();
    let spec = spec(SampleKind::I24, 1 << 30, &Metadata::default());
    let writer = SoundWriter::new(&mut head, Target::Wav, spec);
    drop(writer);
    if head.starts_with(b"RF64") { "past 4 GiB" } else { "WRONG" }
}

fn row(container: &'static str, coding: Coding, file: &[u8], metadata: &str) -> Row {
    let write = if container == "RF64" { write_large() } else { write(container, coding) };
    Row { container, codec: name(coding), read: read(file, coding), write, metadata: metadata.to_owned() }
}

fn uncompressed() -> Vec<Row> {
    const FLOATS_AND_LAWS: [Coding; 4] = [Coding::F32, Coding::F64, Coding::ALaw, Coding::MuLaw];
    let ints = [int(16, 2), int(24, 3), int(32, 4), int(64, 8)];
    let odd = [Coding::U8, int(12, 2), int(20, 3), int(24, 4)];
    let of_riff: Vec<Coding> = odd.into_iter().chain(ints).chain(FLOATS_AND_LAWS).collect();
    let mut bext = metadata().bext.unwrap().to_bytes();
    let (little, big) = (chunks(Order::Little), chunks(Order::Big));
    let all = beside(&bext, &little);
    let mut rows = Vec::new();
    let has = metadata_in(&files::riff(int(24, 3), Order::Little, &all));
    rows.extend(of_riff.iter().map(|c| row("WAV", *c, &files::riff(*c, Order::Little, &[]), &has)));
    for (container, form) in [("RF64", *b"RF64"), ("BW64", *b"BW64")] {
        let has = metadata_in(&files::large_riff(form, int(24, 3), &all));
        rows.extend(of_riff.iter().map(|c| row(container, *c, &files::large_riff(form, *c, &[]), &has)));
    }
    let has = metadata_in(&files::wave64(int(24, 3), &all));
    rows.extend(of_riff.iter().map(|c| row("Wave64", *c, &files::wave64(*c, &[]), &has)));
    // EBU Tech 3285: the two words of the stamp, the version, five loudness values.
    bext[338..342].reverse();
    bext[342..346].reverse();
    bext[346..348].reverse();
    bext[412..422].as_chunks_mut::<2>().0.iter_mut().for_each(|value| value.reverse());
    let has = metadata_in(&files::riff(int(24, 3), Order::Big, &beside(&bext, &big)));
    rows.extend(of_riff.iter().map(|c| row("RIFX", *c, &files::riff(*c, Order::Big, &[]), &has)));

    let has = metadata_in(&written(Target::Aiff, SampleKind::I24, int(24, 3)).unwrap());
    let plain = [int(8, 1), int(12, 2), int(16, 2), int(20, 3), int(24, 3), int(32, 4)];
    rows.extend(plain.map(|c| row("AIFF", c, &files::aiff(None, c, Order::Big), &has)));
    let compressions: [(&[u8; 4], Coding, Order); 14] = [
        (b"NONE", int(24, 3), Order::Big),
        (b"twos", int(16, 2), Order::Big),
        (b"sowt", int(16, 2), Order::Little),
        (b"sowt", int(24, 3), Order::Little),
        (b"sowt", int(32, 4), Order::Little),
        (b"in24", int(24, 3), Order::Big),
        (b"42ni", int(24, 3), Order::Little),
        (b"in32", int(32, 4), Order::Big),
        (b"23ni", int(32, 4), Order::Little),
        (b"raw ", Coding::U8, Order::Big),
        (b"fl32", Coding::F32, Order::Big),
        (b"fl64", Coding::F64, Order::Big),
        (b"alaw", Coding::ALaw, Order::Big),
        (b"ulaw", Coding::MuLaw, Order::Big),
    ];
    for (id, coding, order) in compressions {
        let mut line = row("AIFF-C", coding, &files::aiff(Some(id), coding, order), &has);
        // Floats are what the writer of AIFF makes AIFF-C for.
        if matches!(coding, Coding::F32 | Coding::F64) {
            line.write = write("AIFF", coding);
        }
        line.codec = format!("{} (`{}`)", line.codec, String::from_utf8_lossy(id).trim_end());
        rows.push(line);
    }
    let has = metadata_in(&written(Target::Caf, SampleKind::I24, int(24, 3)).unwrap());
    for coding in [int(8, 1)].into_iter().chain(ints).chain(FLOATS_AND_LAWS) {
        for (order, word) in [(Order::Big, "big-endian"), (Order::Little, "little-endian")] {
            if coding.bytes() == 1 && order == Order::Little {
                continue;
            }
            let mut line = row("CAF", coding, &files::caf(coding, order), &has);
            if coding.bytes() > 1 {
                line.codec = format!("{}, {word}", line.codec);
                line.write = if order == Order::Little { line.write } else { "-" };
            }
            rows.push(line);
        }
    }
    rows
}

/// FLAC of any depth, by the encoder crate that the writer uses for three of them.
fn flac(bits: u16) -> Vec<u8> {
    let coding = int(bits, usize::from(bits).div_ceil(8));
    let samples = coding.samples();
    let codes: Vec<i32> = samples.iter().map(|s| (s * 2f64.powi(i32::from(bits) - 1)) as i32).collect();
    let mut bytes = Vec::new();
    let cursor = std::io::Cursor::new(&mut bytes);
    let options = flac_codec::encode::Options::default();
    let writer = flac_codec::encode::FlacSampleWriter::new(cursor, options, RATE_HZ, bits.into(), 2, None);
    let mut writer = writer.unwrap();
    writer.write(&codes).unwrap();
    writer.finalize().unwrap();
    bytes
}

fn compressed() -> Vec<Row> {
    let line = |container: &'static str, codec: &str, read: String, metadata: &str| Row {
        container,
        codec: codec.to_owned(),
        read,
        write: "-",
        metadata: metadata.to_owned(),
    };
    let mut rows = Vec::new();
    let has = metadata_in(&written(Target::Flac, SampleKind::I24, int(24, 3)).unwrap());
    for bits in [8, 12, 16, 20, 24, 32] {
        let coding = int(bits, usize::from(bits).div_ceil(8));
        let mut one = row("FLAC", coding, &flac(bits), &has);
        one.codec = format!("FLAC, {bits} bits");
        rows.push(one);
    }
    rows.push(line(
        "CAF",
        "ALAC, 24 bits",
        saws(include_bytes!("../reference_codec/data/saw-alac.caf")),
        &metadata_in(&written(Target::Caf, SampleKind::I24, int(24, 3)).unwrap()),
    ));
    rows.push(line("MP4", "ALAC, 24 bits", saws(&mp4::alac()), &metadata_in(&mp4::tagged())));
    rows.push(line(
        "MP4",
        "AAC-LC, with an edit list",
        near(&mp4::tagged(), 10_000),
        &metadata_in(&mp4::tagged()),
    ));
    rows.push(line("ADTS", "AAC-LC", behind_delay(include_bytes!("../reference_codec/data/tones.aac")), "-"));
    let mp3 = include_bytes!("../reference_codec/data/tones.mp3");
    rows.push(line("MP3", "MP3", near(mp3, 12_001), &metadata_in(&[&ID3[..], mp3].concat())));
    let ogg = include_bytes!("../reference_codec/data/tones.ogg");
    rows.push(line("Ogg", "Vorbis", near(ogg, 12_001), &titles(&decode(ogg).unwrap())));
    rows.push(line("Ogg", "Opus", near(include_bytes!("../reference_codec/data/tones.opus"), 0), "-"));
    let ima = include_bytes!("../reference_codec/data/tones-ima.wav");
    let has = metadata_in(&files::riff(
        int(24, 3),
        Order::Little,
        &beside(&metadata().bext.unwrap().to_bytes(), &chunks(Order::Little)),
    ));
    rows.push(line("WAV", "IMA ADPCM", near(ima, 3000), &has));
    let ms = include_bytes!("../reference_codec/data/tones-ms.wav");
    rows.push(line("WAV", "MS ADPCM", near(ms, 3000), &has));
    rows
}

/// ID3v2.3 (id3.org): one frame TIT2 in Latin-1.
const ID3: [u8; 25] = *b"ID3\x03\0\0\0\0\0\x0FTIT2\0\0\0\x05\0\0\0Tune";

/// This stream says nothing of its coder's delay, which is 1600 frames.
fn behind_delay(file: &[u8]) -> String {
    let decoded = decode(file).expect("a file that is read");
    let near = mp4::distance_db(&decoded.sound, 1600) < -40.0;
    if near && decoded.format.frames.is_none() { "within -40 dB, its delay stays" } else { "WRONG" }
        .to_owned()
}

fn titles(decoded: &Decoded) -> String {
    let lists = decoded.metadata.chunks.iter().filter(|chunk| chunk.bytes.starts_with(b"INFO")).count();
    if lists == 1 { "titles" } else { "-" }.to_owned()
}

/// Samples of which all the rest is the same stand in one line.
fn table() -> String {
    let mut lines: Vec<(Row, Vec<String>)> = Vec::new();
    for row in uncompressed().into_iter().chain(compressed()) {
        let codec = row.codec.clone();
        match lines.iter_mut().find(|(first, _)| first.says_the_same_as(&row)) {
            Some((_, codecs)) => codecs.push(codec),
            None => lines.push((row, vec![codec])),
        }
    }
    let mut text = "| container | samples | read | written | metadata |\n|---|---|---|---|---|\n".to_owned();
    for (Row { container, read, write, metadata, .. }, codecs) in lines {
        writeln!(text, "| {container} | {} | {read} | {write} | {metadata} |", codecs.join("; ")).unwrap();
    }
    text
}

/// Small files with everything in them, for the fuzzers to begin with.
#[test]
#[expect(clippy::disallowed_methods, reason = "the switch that writes what is published")]
fn the_seeds_are_current() {
    let by_writer = |target| written(target, SampleKind::I24, int(24, 3)).unwrap();
    for (name, bytes) in [
        ("beside.aif", by_writer(Target::Aiff)),
        ("beside.caf", by_writer(Target::Caf)),
        ("beside.flac", by_writer(Target::Flac)),
        ("beside.wav", by_writer(Target::Wav)),
        ("beside.m4a", mp4::tagged()),
    ] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("it/reference_codec/data").join(name);
        if std::env::var("LOADIN_UPDATE").is_ok() {
            fs::write(&path, &bytes).unwrap();
        }
        assert!(
            fs::read(&path).is_ok_and(|found| found == bytes),
            "{name}: run the test with LOADIN_UPDATE=1"
        );
    }
}

const BEGIN: &str = "<!-- made by a test: table.rs -->\n";
const END: &str = "<!-- end -->";

#[test]
fn the_table_says_what_happens() {
    let table = table();
    assert!(!table.contains("WRONG"), "{table}");
    assert_published_table((BEGIN, END), &table, "table");
}
