//! WAV headers as they come from crashed recorders, broken transfers and careless writers. What each one must give
//! is common practice, no source; the padding rule is that of the Multimedia Programming Interface and Data
//! Specifications 1.0 (1991), and the `fmt ` lengths are those of Microsoft's "New Multimedia Data Types" (1994).

use loadin_codec::Error;

use super::fixture::{Decoded, chunk, codes, decode, extensible, fmt, pack_24, put_u32, riff, size_field};

const FRAMES: usize = 1001;

/// Stereo, 24 bits; an even number of bytes.
fn samples() -> Vec<i32> {
    codes(2 * FRAMES)
}

fn plain() -> Vec<u8> {
    riff(&[chunk(*b"fmt ", &fmt(1, 2, 48_000, 24)), chunk(*b"data", &pack_24(&samples()))])
}

/// All frames are there, at their place.
fn assert_whole(name: &str, decoded: &Decoded) {
    assert_frames(name, decoded, FRAMES);
    assert!(decoded.damage.is_empty(), "{name}: {:?}", decoded.damage);
    assert_eq!(decoded.format.frames, Some(FRAMES as u64), "{name}");
}

fn assert_frames(name: &str, decoded: &Decoded, frames: usize) {
    assert_eq!(decoded.sound.frames(), frames, "{name}: {:?}", decoded.repairs);
    for channel in 0..2 {
        let expected: Vec<i64> =
            samples().iter().skip(channel).step_by(2).take(frames).map(|code| i64::from(*code)).collect();
        assert_eq!(decoded.codes(channel, 24), expected, "{name}, channel {channel}");
    }
}

#[test]
fn wrong_sizes_are_read_around_and_said() {
    let whole = plain();
    let right = (whole.len() - 8) as u32;
    let data = size_field(&whole, *b"data");
    let data_bytes = (6 * FRAMES) as u32;
    for (name, riff_size, data_size) in [
        ("data too large, RIFF right", right, data_bytes + 6000),
        ("data a placeholder, RIFF right", right, u32::MAX),
        ("RIFF 36", 36, data_bytes),
        ("RIFF 0", 0, data_bytes),
        ("data 0, RIFF right", right, 0),
        ("data 0, RIFF 36", 36, 0),
        ("both 0", 0, 0),
        ("both 0xFFFFFFFF", u32::MAX, u32::MAX),
        ("both 0x7FFFF000", 0x7FFF_F024, 0x7FFF_F000),
        ("both 0x7FFFFFFF", 0x7FFF_FFFF, 0x7FFF_FFFF),
        ("both 0x80000000", 0x8000_0024, 0x8000_0000),
        ("data short of the RIFF size, nothing behind it", right, data_bytes / 2),
    ] {
        let mut file = whole.clone();
        put_u32(&mut file, 4, riff_size);
        put_u32(&mut file, data, data_size);
        let decoded = decode(&file).unwrap();
        assert_whole(name, &decoded);
        assert!(!decoded.repairs.is_empty(), "{name}: the wrong size is said");
    }
    assert_eq!(decode(&whole).unwrap().repairs, Vec::<String>::new());
}

#[test]
fn a_truncated_file_gives_every_whole_frame_and_says_what_is_lost() {
    let whole = plain();
    for kept in [1, 499, 500, FRAMES - 1] {
        for extra in [0, 1, 5] {
            let decoded = decode(&whole[..44 + 6 * kept + extra]).unwrap();
            let name = format!("{kept} frames and {extra} bytes");
            assert_frames(&name, &decoded, kept);
            let damage: Vec<_> =
                decoded.damage.iter().map(|damage| (damage.start_frame, damage.frames)).collect();
            assert_eq!(damage, [(kept as u64, (FRAMES - kept) as u64)], "{name}");
            assert_eq!(decoded.format.frames, Some(FRAMES as u64), "{name}");
        }
    }
}

/// A file of 3 GiB that broke off is broken: its size is no recorder's placeholder.
#[test]
fn a_large_but_honest_size_is_believed() {
    let mut file = plain();
    let data = size_field(&file, *b"data");
    put_u32(&mut file, 4, 3_000_000_036);
    put_u32(&mut file, data, 3_000_000_000);
    let decoded = decode(&file).unwrap();
    assert_frames("3 GB", &decoded, FRAMES);
    assert_eq!(decoded.damage[0].frames, 500_000_000 - FRAMES as u64);
}

/// What stands behind a RIFF file whose sizes agree is not sound, and as sound it would be loud noise.
#[test]
fn what_stands_behind_the_file_is_not_played() {
    let mut file = plain();
    file.extend(b"TAG");
    file.extend([0xA5; 125]);
    let decoded = decode(&file).unwrap();
    assert_whole("a tag behind the file", &decoded);
    assert!(decoded.repairs[0].contains("128"), "{:?}", decoded.repairs);
}

/// Writers that count in 32 bits start again at 4 GiB. Here the same with less: a size that is short by 2^32 is
/// only told by the file's length, see `long_files`.
#[test]
fn a_length_that_is_no_whole_number_of_frames() {
    for extra in 1..6 {
        let mut data = pack_24(&samples());
        data.extend(vec![0x55; extra]);
        let file = riff(&[chunk(*b"fmt ", &fmt(1, 2, 48_000, 24)), chunk(*b"data", &data)]);
        assert_whole(&format!("{extra} bytes more"), &decode(&file).unwrap());
    }
}

#[test]
fn odd_chunks_with_and_without_padding() {
    let format = chunk(*b"fmt ", &fmt(1, 2, 48_000, 24));
    let data = chunk(*b"data", &pack_24(&samples()));
    for id in [*b"JUNK", *b"LIST", *b"iXML", *b"abcd"] {
        for size in [1, 3, 4, 19] {
            let contents = vec![b'x'; size];
            let padded = chunk(id, &contents);
            let forgotten = padded[..8 + size].to_vec();
            for (name, odd) in [("padded", padded), ("without padding", forgotten)] {
                let name = format!("{} of {size} bytes, {name}", String::from_utf8_lossy(&id));
                assert_whole(&name, &decode(&riff(&[odd.clone(), format.clone(), data.clone()])).unwrap());
                let decoded =
                    decode(&riff(&[format.clone(), odd.clone(), data.clone(), odd.clone()])).unwrap();
                assert_whole(&name, &decoded);
                let kept = decoded.metadata.chunks.iter().filter(|chunk| chunk.bytes == contents).count();
                assert_eq!(kept, if &id == b"JUNK" { 0 } else { 2 }, "{name}: carried");
            }
        }
    }
}

#[test]
fn odd_data_with_and_without_padding() {
    let mono = codes(333);
    let data = chunk(*b"data", &pack_24(&mono));
    let tail = chunk(*b"LIST", b"INFOIARL\x04\0\0\0abcd");
    let forgotten = data[..data.len() - 1].to_vec();
    for (name, data) in [("padded", data), ("without padding", forgotten)] {
        let decoded = decode(&riff(&[chunk(*b"fmt ", &fmt(1, 1, 48_000, 24)), data, tail.clone()])).unwrap();
        let wanted: Vec<i64> = mono.iter().map(|code| i64::from(*code)).collect();
        assert_eq!(decoded.codes(0, 24), wanted, "{name}");
        assert_eq!(decoded.metadata.chunks.len(), 1, "{name}");
        assert_eq!(decoded.repairs, Vec::<String>::new(), "{name}");
    }
}

#[test]
fn formats_and_facts_of_unusual_lengths() {
    let data = chunk(*b"data", &pack_24(&samples()));
    let plain = fmt(1, 2, 48_000, 24);
    for extra in [0usize, 2, 4, 6, 24, 100] {
        let mut longer = plain.clone();
        longer.extend(vec![0; extra]);
        let decoded = decode(&riff(&[chunk(*b"fmt ", &longer), data.clone()])).unwrap();
        assert_whole(&format!("fmt of {} bytes", longer.len()), &decoded);
    }
    for size in [0, 2, 4, 12] {
        let fact = chunk(*b"fact", &vec![7; size]);
        assert_whole("fact", &decode(&riff(&[chunk(*b"fmt ", &plain), fact, data.clone()])).unwrap());
    }
    let whole = extensible(1, 2, 24, 24, 3);
    for length in [40, 26] {
        assert_whole(
            "extensible",
            &decode(&riff(&[chunk(*b"fmt ", &whole[..length]), data.clone()])).unwrap(),
        );
    }
}

/// WAVEFORMATEXTENSIBLE: the valid bits are left-justified in their container (Microsoft Learn, `WAVEFORMATEXTENSIBLE`).
#[test]
fn valid_bits_are_left_justified() {
    let wanted: Vec<i32> = codes(64).iter().map(|code| code >> 4).collect();
    let bytes: Vec<u8> = wanted.iter().flat_map(|code| (code << 4).to_le_bytes()[..3].to_vec()).collect();
    let decoded =
        decode(&riff(&[chunk(*b"fmt ", &extensible(1, 1, 24, 20, 4)), chunk(*b"data", &bytes)])).unwrap();
    assert_eq!((decoded.format.bits, decoded.format.lsb()), (20, 2f64.powi(-19)));
    assert_eq!(decoded.format.channel_mask, Some(4));
    assert_eq!(decoded.codes(0, 20), wanted.iter().map(|code| i64::from(*code)).collect::<Vec<_>>());
    // Valid bits of 0, or more than there is room for, are a mistake of the writer.
    for bits in [0, 32, 0xFFFF] {
        let file = riff(&[chunk(*b"fmt ", &extensible(1, 1, 24, bits, 0)), chunk(*b"data", &bytes)]);
        let decoded = decode(&file).unwrap();
        assert_eq!((decoded.format.bits, decoded.format.channel_mask), (24, None));
    }
}

#[test]
fn many_channels() {
    for channels in [3u16, 8, 26, 32, 64] {
        let wanted = codes(usize::from(channels) * 7);
        let file =
            riff(&[chunk(*b"fmt ", &extensible(1, channels, 24, 24, 0)), chunk(*b"data", &pack_24(&wanted))]);
        let decoded = decode(&file).unwrap();
        assert_eq!((decoded.format.channels, decoded.sound.frames()), (channels, 7));
        let last: Vec<i64> = wanted
            .chunks(usize::from(channels))
            .map(|frame| i64::from(frame[usize::from(channels) - 1]))
            .collect();
        assert_eq!(decoded.codes(usize::from(channels) - 1, 24), last);
    }
}

/// RIFX is RIFF with every number turned round, the first field of a GUID too (Microsoft, "New Multimedia Data
/// Types", 1994; the head is that of an open data file, `test-44100Hz-be-1ch-4bytes.wav` of `scipy` 1.17.1).
#[test]
fn big_endian_files() {
    let head = |tag: u16| -> Vec<u8> {
        let fields = [tag, 1, 0, 44_100, 1, 22_664, 2, 16];
        fields.iter().flat_map(|field: &u16| field.to_be_bytes()).collect()
    };
    let tail = *b"\0\x16\0\x10\0\0\0\x04\0\0\0\x01\0\0\0\x10\x80\0\0\xAA\0\x38\x9B\x71";
    let (plain, extensible) = (head(1), [head(0xFFFE), tail.to_vec()].concat());
    for format in [plain, extensible] {
        let mut contents = b"WAVEfmt ".to_vec();
        contents.extend((format.len() as u32).to_be_bytes());
        contents.extend(format);
        contents.extend(b"data\0\0\0\x06\0\x01\x80\0\x7F\xFF");
        let mut file = b"RIFX".to_vec();
        file.extend((contents.len() as u32).to_be_bytes());
        file.extend(contents);
        let decoded = decode(&file).unwrap();
        assert_eq!((decoded.format.rate_hz, decoded.format.bits), (44_100, 16));
        assert_eq!(decoded.codes(0, 16), [1, -32_768, 32_767]);
        assert_eq!(decoded.repairs, Vec::<String>::new());
    }
}

fn refusal(name: &str, file: &[u8]) -> String {
    match decode(file) {
        Ok(decoded) => panic!("{name} was read: {:?}", decoded.format),
        Err(error) => error.to_string(),
    }
}

#[test]
fn what_cannot_be_right_is_refused_with_the_numbers() {
    let data = chunk(*b"data", &pack_24(&samples()));
    let with = |format: &[u8]| riff(&[chunk(*b"fmt ", format), data.clone()]);
    let mut no_align = fmt(1, 2, 48_000, 24);
    // Bytes a second and a frame.
    no_align[8..14].fill(0);
    for (name, file, said) in [
        ("no channel", with(&fmt(1, 0, 48_000, 24)), vec!["0 channels", "1 to 64"]),
        ("65 channels", with(&fmt(1, 65, 48_000, 24)), vec!["65 channels", "1 to 64"]),
        ("no rate", with(&fmt(1, 2, 0, 24)), vec!["0 Hz", "1 to 768000"]),
        ("a rate of MHz", with(&fmt(1, 2, 800_000, 24)), vec!["800000 Hz"]),
        ("frames of 0 bytes", with(&no_align), vec!["frames of 0 bytes"]),
        ("a codec without a reader", with(&fmt(0x55, 2, 48_000, 16)), vec!["0x0055"]),
        ("no fmt", riff(&[chunk(*b"JUNK", b"ab")]), vec!["no fmt chunk"]),
        ("no data", riff(&[chunk(*b"fmt ", &fmt(1, 2, 48_000, 24))]), vec!["no audio"]),
        (
            "empty data",
            riff(&[chunk(*b"fmt ", &fmt(1, 2, 48_000, 24)), chunk(*b"data", &[])]),
            vec!["no audio"],
        ),
        (
            "half a frame",
            riff(&[chunk(*b"fmt ", &fmt(1, 2, 48_000, 24)), chunk(*b"data", &[1; 4])]),
            vec!["no audio"],
        ),
        ("only a header is left", plain()[..44].to_vec(), vec!["no audio"]),
        ("less than a frame is left", plain()[..48].to_vec(), vec!["no audio"]),
    ] {
        let text = refusal(name, &file);
        for part in said {
            assert!(text.contains(part), "{name}: {text}");
        }
    }
}

#[test]
fn what_is_no_audio_is_named() {
    let cases: [(&[u8], &str); 10] = [
        (b"", "an empty file"),
        (b"Dear mixer,\nthe tempo is 97.\n", "text"),
        (b"PK\x03\x04\x14\0\0\0", "ZIP"),
        (b"%PDF-1.7", "PDF"),
        (b"MThd\0\0\0\x06", "MIDI"),
        (&[0x00, 0x05, 0x16, 0x07, 0, 2, 0, 0], "AppleDouble"),
        (b"\x89PNG\r\n\x1a\n", "image"),
        (&[0; 64], "zeros"),
        (&[1, 2, 3, 4, 5, 6, 7], "unknown"),
        (b"\xFF\xFET\0e\0m\0p\0o\0", "text"),
    ];
    for (bytes, wanted) in cases {
        match decode(bytes) {
            Err(Error::NotAudio { found }) => assert!(found.contains(wanted), "{wanted}: {found}"),
            other => panic!("{wanted}: {other:?}"),
        }
    }
}

#[test]
fn a_sample_that_is_no_number_is_named() {
    let mut floats = vec![0.5f64; 20_000];
    floats[19_001] = f64::NAN;
    let bytes: Vec<u8> = floats.iter().flat_map(|sample| sample.to_le_bytes()).collect();
    let file = riff(&[chunk(*b"fmt ", &fmt(3, 2, 48_000, 64)), chunk(*b"data", &bytes)]);
    match decode(&file) {
        Err(Error::NotFinite { channel: 1, frame: 9500 }) => {}
        other => panic!("{other:?}"),
    }
}
