//! Files that we write, read by two independent readers: hound 3.5.1 and symphonia 0.6.1.

use std::io::Cursor;

use loadin_audio::Block;
use loadin_codec::{Bext, Chunk, Error, SampleKind, WavSpec, WavWriter};
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use super::fixture::{codes, decode, size_field};

const FRAMES: usize = 3001;

fn spec(kind: SampleKind, channels: u16, frames: usize) -> WavSpec {
    WavSpec {
        rate_hz: 48_000,
        channels,
        kind,
        frames: frames as u64,
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    }
}

/// Interleaved codes with both extremes among them.
fn integers(kind: SampleKind, channels: u16) -> Vec<i32> {
    let bits = kind.bits();
    let mut codes: Vec<i32> =
        codes(FRAMES * usize::from(channels)).iter().map(|code| code << 8 >> (32 - bits)).collect();
    codes[..2].copy_from_slice(&[i32::MIN >> (32 - bits), i32::MAX >> (32 - bits)]);
    codes
}

fn floats(channels: u16, single: bool) -> Block {
    let codes = codes(FRAMES * usize::from(channels));
    let planes = (0..usize::from(channels)).map(|channel| {
        let samples = codes.iter().skip(channel).step_by(usize::from(channels));
        // Peaks of 2.0: floats hold more than full scale.
        samples.map(|code| f64::from(*code) / 4_194_304.0 + if single { 0.0 } else { 1e-12 }).collect()
    });
    Block::from_channels(planes.collect())
}

fn write_ints(spec: WavSpec, samples: &[i32]) -> Vec<u8> {
    let mut writer = WavWriter::new(Vec::new(), spec).unwrap();
    let mut payload = Vec::new();
    // Pieces of a length that divides nothing.
    for piece in samples.chunks(997) {
        payload.extend_from_slice(writer.write_ints(piece).unwrap());
    }
    let file = writer.finish().unwrap();
    let data = size_field(&file, *b"data") + 4;
    assert_eq!(
        file[data..data + payload.len()],
        payload,
        "the bytes that are handed out are the bytes of the file"
    );
    file
}

fn write_floats(spec: WavSpec, block: &Block) -> Vec<u8> {
    let mut writer = WavWriter::new(Vec::new(), spec).unwrap();
    writer.write_floats(block).unwrap();
    writer.finish().unwrap()
}

/// Interleaved samples as symphonia reads them.
fn by_symphonia(file: &[u8]) -> Vec<f64> {
    let source =
        MediaSourceStream::new(Box::new(Cursor::new(file.to_vec())), MediaSourceStreamOptions::default());
    let mut reader = symphonia::default::get_probe()
        .probe(&Hint::new(), source, FormatOptions::default(), MetadataOptions::default())
        .unwrap();
    let track = reader.default_track(TrackType::Audio).unwrap().clone();
    let params = track.codec_params.as_ref().unwrap().audio().unwrap().clone();
    let options = AudioDecoderOptions::default();
    let mut decoder = symphonia::default::get_codecs().make_audio_decoder(&params, &options).unwrap();
    let (mut all, mut piece) = (Vec::new(), Vec::new());
    while let Some(packet) = reader.next_packet().unwrap() {
        decoder.decode(&packet).unwrap().copy_to_vec_interleaved::<f64>(&mut piece);
        all.extend_from_slice(&piece);
    }
    all
}

fn assert_equal(name: &str, found: &[f64], wanted: &[f64]) {
    assert_eq!(found.len(), wanted.len(), "{name}");
    if let Some(at) = found.iter().zip(wanted).position(|(found, wanted)| found.to_bits() != wanted.to_bits())
    {
        panic!("{name}: sample {at} is {}, not {}", found[at], wanted[at]);
    }
}

fn interleaved(block: &Block) -> Vec<f64> {
    (0..block.frames()).flat_map(|frame| block.iter().map(move |channel| channel[frame])).collect()
}

#[test]
fn integers_of_every_width() {
    for kind in [SampleKind::I16, SampleKind::I24, SampleKind::I32] {
        for channels in [1u16, 2, 3, 6] {
            let name = format!("{} bits, {channels} channels", kind.bits());
            let samples = integers(kind, channels);
            let file = write_ints(spec(kind, channels, FRAMES), &samples);
            assert_eq!(file.len() % 2, 0, "{name}");
            let scale = 2f64.powi(kind.bits() as i32 - 1);
            let wanted: Vec<f64> = samples.iter().map(|code| f64::from(*code) / scale).collect();
            assert_equal(&name, &by_symphonia(&file), &wanted);
            let mut reader = hound::WavReader::new(Cursor::new(&file)).unwrap();
            assert_eq!(
                (u32::from(reader.spec().bits_per_sample), reader.spec().channels),
                (kind.bits(), channels)
            );
            assert_eq!(reader.samples::<i32>().collect::<Result<Vec<_>, _>>().unwrap(), samples, "{name}");
            let decoded = decode(&file).unwrap();
            assert_equal(&name, &interleaved(&decoded.sound), &wanted);
            assert_eq!((decoded.repairs.len(), decoded.damage.len()), (0, 0), "{name}");
        }
    }
}

#[test]
fn floats_of_both_widths() {
    for channels in [1u16, 2, 5] {
        let block = floats(channels, true);
        let file = write_floats(spec(SampleKind::F32, channels, FRAMES), &block);
        let wanted = interleaved(&block);
        assert_equal("32 bits", &by_symphonia(&file), &wanted);
        assert_equal("32 bits", &interleaved(&decode(&file).unwrap().sound), &wanted);
        let mut reader = hound::WavReader::new(Cursor::new(&file)).unwrap();
        let found: Vec<f64> = reader.samples::<f32>().map(|sample| f64::from(sample.unwrap())).collect();
        assert_equal("32 bits", &found, &wanted);

        let block = floats(channels, false);
        let file = write_floats(spec(SampleKind::F64, channels, FRAMES), &block);
        let wanted = interleaved(&block);
        assert_equal("64 bits", &by_symphonia(&file), &wanted);
        assert_equal("64 bits", &interleaved(&decode(&file).unwrap().sound), &wanted);
    }
}

/// Files that hound writes, read by us; it marks everything above 16 bits as extensible.
#[test]
fn files_of_another_writer() {
    for (bits, channels) in [(8u16, 1u16), (16, 2), (24, 2), (32, 1)] {
        let wave = hound::WavSpec {
            channels,
            sample_rate: 44_100,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let samples: Vec<i32> = codes(400).iter().map(|code| code << 8 >> (32 - bits)).collect();
        let mut file = Cursor::new(Vec::new());
        let mut writer = hound::WavWriter::new(&mut file, wave).unwrap();
        for sample in &samples {
            writer.write_sample(*sample).unwrap();
        }
        writer.finalize().unwrap();
        let decoded = decode(&file.into_inner()).unwrap();
        assert_eq!((decoded.format.bits, decoded.format.rate_hz), (bits, 44_100));
        let scale = 2f64.powi(i32::from(bits) - 1);
        let wanted: Vec<f64> = samples.iter().map(|code| f64::from(*code) / scale).collect();
        assert_equal("hound", &interleaved(&decoded.sound), &wanted);
    }
}

/// `fact` stands in every file that is no plain PCM (Microsoft, "New Multimedia Data Types", 1994), `fmt ` has 40
/// bytes where channels need naming and 16 for plain PCM, and `bext` comes before the samples (EBU Tech 3285).
#[test]
fn headers_by_the_book() {
    let mut with_bext = spec(SampleKind::I24, 1, 1);
    with_bext.bext = Some(Bext::new("x", "y"));
    with_bext.chunks_before = vec![Chunk { id: *b"iXML", bytes: b"<a/>!".to_vec() }];
    with_bext.chunks_after =
        vec![Chunk { id: *b"cue ", bytes: vec![0; 4] }, Chunk { id: *b"abcd", bytes: vec![1; 3] }];
    let file = write_ints(with_bext.clone(), &[-2]);
    assert_eq!(&file[12..16], b"bext");
    assert_eq!(u32::from_le_bytes(file[4..8].try_into().unwrap()) as usize, file.len() - 8);
    let data = size_field(&file, *b"data");
    assert_eq!(
        file[data..data + 8],
        [3, 0, 0, 0, 0xFE, 0xFF, 0xFF, 0],
        "an odd size without the padding byte"
    );
    assert_eq!(file[size_field(&file, *b"fmt ")], 16);
    let decoded = decode(&file).unwrap();
    assert_eq!(decoded.metadata.bext, with_bext.bext);
    let carried: Vec<_> = with_bext.chunks_before.iter().chain(&with_bext.chunks_after).cloned().collect();
    assert_eq!(decoded.metadata.chunks, carried);
    assert_eq!(decoded.repairs, Vec::<String>::new());

    for (kind, channels, fmt_bytes, has_fact) in
        [(SampleKind::I16, 2, 16, false), (SampleKind::F32, 1, 18, true), (SampleKind::I24, 6, 40, true)]
    {
        let spec = spec(kind, channels, FRAMES);
        let file = if kind.is_float() {
            write_floats(spec, &floats(channels, true))
        } else {
            write_ints(spec, &integers(kind, channels))
        };
        assert_eq!(file[size_field(&file, *b"fmt ")], fmt_bytes);
        let head = &file[..100];
        assert_eq!(head.windows(4).any(|window| window == b"fact"), has_fact, "{channels} channels");
        if has_fact {
            let fact = size_field(&file, *b"fact");
            assert_eq!(file[fact..fact + 8], [4, 0, 0, 0, 0xB9, 0x0B, 0, 0], "3001 frames");
        }
    }
}

#[test]
fn speaker_masks() {
    for (channels, mask, stated) in
        [(2, Some(3), None), (2, Some(0x30), Some(0x30)), (6, Some(0x3F), Some(0x3F)), (6, None, None)]
    {
        let mut spec = spec(SampleKind::I24, channels, FRAMES);
        spec.channel_mask = mask;
        let file = write_ints(spec, &integers(SampleKind::I24, channels));
        assert_eq!(decode(&file).unwrap().format.channel_mask, stated, "{channels} channels, {mask:?}");
    }
}

#[test]
fn a_promise_of_frames_is_kept_or_an_error() {
    let mut writer = WavWriter::new(Vec::new(), spec(SampleKind::I16, 2, 3)).unwrap();
    writer.write_ints(&[0; 4]).unwrap();
    match writer.finish() {
        Err(Error::FrameCount { promised: 3, found: 2 }) => {}
        other => panic!("{other:?}"),
    }
    let mut writer = WavWriter::new(Vec::new(), spec(SampleKind::I16, 2, 3)).unwrap();
    assert!(matches!(writer.write_ints(&[0; 8]), Err(Error::FrameCount { promised: 3, found: 4 })));
    for (channels, rate_hz) in [(0, 48_000), (65, 48_000), (2, 0), (2, 768_001)] {
        let spec = WavSpec { rate_hz, ..spec(SampleKind::F64, channels, 1) };
        assert!(WavWriter::new(Vec::new(), spec).is_err(), "{channels} channels, {rate_hz} Hz");
    }
}
