//! Files that another library made (libsndfile 1.2.2 with its LAME and Vorbis encoders) from the formulas below.

use loadin_codec::{Codec, Container};

use super::fixture::{Decoded, decode};

/// Two tones, one of them dying away, and a third on the right; 12 001 frames at 48 kHz.
pub(crate) fn tones(channel: usize, frame: usize) -> f64 {
    let turn = std::f64::consts::TAU * frame as f64 / 48_000.0;
    if channel == 1 {
        0.3 * (660.0 * turn).sin()
    } else {
        0.5 * (440.0 * turn).sin() + 0.2 * (1234.0 * turn).sin() * (-8.0 * frame as f64 / 48_000.0).exp()
    }
}

/// Saws of whole 24-bit codes.
pub(crate) fn saw(channel: usize, frame: usize) -> i64 {
    let frame = frame as i64;
    if channel == 1 { (frame * 31 % 1009 - 504) * 4000 } else { (frame * 97 % 4001 - 2000) * 1000 }
}

fn distance_db(decoded: &Decoded) -> f64 {
    let channels = decoded.sound.iter().enumerate();
    let errors = channels.flat_map(|(channel, samples)| {
        samples.iter().enumerate().map(move |(frame, sample)| (sample - tones(channel, frame)).powi(2))
    });
    10.0 * (errors.sum::<f64>() / (2 * decoded.sound.frames()) as f64).log10()
}

/// Encoders put 1105 (MP3) or some other number of frames before the sound and fill the last packet up; both streams
/// state how many, and both are left out. One frame too many would put the distance at -32 dB.
#[test]
fn lossy_streams_begin_and_end_where_the_sound_did() {
    for (file, container, codec) in [
        (&include_bytes!("data/tones.mp3")[..], Container::Mp3, Codec::Mp3),
        (include_bytes!("data/tones.ogg"), Container::Ogg, Codec::Vorbis),
    ] {
        let decoded = decode(file).unwrap();
        let format = &decoded.format;
        assert_eq!((format.container, format.codec, format.rate_hz), (container, codec, 48_000));
        assert!(format.is_lossy() && format.lsb() == 0.0);
        assert_eq!((decoded.sound.frames(), format.frames), (12_001, Some(12_001)), "{codec}");
        assert_eq!(decoded.damage, [], "{codec}");
        let distance = distance_db(&decoded);
        assert!(distance < -44.0, "{codec}: {distance} dB from the tones");
    }
}

/// Without the encoder's tag the length is not known, and is not guessed: everything is read.
#[test]
fn an_mp3_without_a_tag_is_read_to_its_end() {
    let file = include_bytes!("data/tones.mp3");
    let second = (4..file.len()).find(|at| file[*at..].starts_with(&[0xFF, 0xFB])).unwrap();
    let decoded = decode(&file[second..]).unwrap();
    assert_eq!(decoded.format.frames, None);
    // 1152 frames a packet: 12 001 frames, 1105 before them, and what fills the last packet.
    assert_eq!(decoded.sound.frames(), 12 * 1152);
    assert_eq!(decoded.damage, []);
}

/// The tag has a sum of its own: where one byte of it is wrong, nobody knows how much silence the coder has put before the
/// sound, and no length is stated.
#[test]
fn an_mp3_with_a_damaged_tag_states_no_length() {
    let file = include_bytes!("data/tones.mp3");
    let whole = decode(file).unwrap();
    assert!(whole.format.frames.is_some());
    let tag = file.windows(4).position(|window| window == b"LAME").unwrap();
    // Delay and padding, and the sum itself.
    for at in [21, 35] {
        let mut damaged = file.to_vec();
        damaged[tag + at] ^= 0x40;
        let decoded = decode(&damaged).unwrap();
        assert_eq!(decoded.format.frames, None, "byte {at}");
        assert!(decoded.sound.frames() > whole.sound.frames(), "nothing is cut off");
    }
}

#[test]
fn a_cut_mp3_says_what_is_lost() {
    let file = include_bytes!("data/tones.mp3");
    let decoded = decode(&file[..file.len() / 2]).unwrap();
    let read = decoded.sound.frames() as u64;
    assert!((1000..9000).contains(&read), "{read} frames");
    let damage: Vec<_> = decoded.damage.iter().map(|damage| (damage.start_frame, damage.frames)).collect();
    assert_eq!(damage, [(read, 12_001 - read)]);
}

pub(crate) fn assert_saw(name: &str, decoded: &Decoded, frames: usize) {
    assert_eq!((decoded.sound.frames(), decoded.format.bits), (frames, 24), "{name}");
    for channel in 0..2 {
        let wanted: Vec<i64> = (0..frames).map(|frame| saw(channel, frame)).collect();
        assert_eq!(decoded.codes(channel, 24), wanted, "{name}, channel {channel}");
    }
    assert_eq!((decoded.damage.len(), decoded.repairs.len()), (0, 0), "{name}");
}

/// The packet table of this file is shorter than its chunk, which general readers fall over.
#[test]
fn alac_in_caf_is_exact() {
    let decoded = decode(include_bytes!("data/saw-alac.caf")).unwrap();
    assert_eq!((decoded.format.container, decoded.format.codec), (Container::Caf, Codec::Alac));
    assert!(!decoded.format.is_lossy());
    assert_saw("ALAC", &decoded, 4500);
}

#[test]
fn a_cut_alac_stream_says_what_is_lost() {
    let file = include_bytes!("data/saw-alac.caf");
    let decoded = decode(&file[..file.len() - 300]).unwrap();
    let lost: u64 = decoded.damage.iter().map(|damage| damage.frames).sum();
    assert_eq!(lost, 4500 - 4096, "{:?}", decoded.damage);
    let wanted: Vec<i64> = (0..4096).map(|frame| saw(0, frame)).collect();
    assert_eq!(decoded.codes(0, 24)[..4096], wanted);
}

#[test]
fn wave64_is_exact() {
    let file = include_bytes!("data/saw.w64");
    let decoded = decode(file).unwrap();
    assert_eq!((decoded.format.container, decoded.format.codec), (Container::Wave64, Codec::PcmInt));
    assert_saw("Wave64", &decoded, 300);
    let cut = decode(&file[..file.len() - 601]).unwrap();
    assert_eq!((cut.sound.frames(), cut.damage[0].frames), (199, 101));
    // A recorder that stopped leaves no size.
    let mut open = file.to_vec();
    let data = open.windows(8).position(|window| window == b"data\xF3\xAC\xD3\x11").unwrap() + 16;
    open[data..data + 8].fill(0);
    let decoded = decode(&open).unwrap();
    assert_eq!((decoded.sound.frames(), decoded.repairs.len()), (300, 1));
}

/// Apple Core Audio Format Specification 1.0: a `desc` chunk, and `data` with its edit count; flags 1 float, 2 little.
fn caf(format: [u8; 4], flags: u32, bits: u32, channels: u32, data_size: i64, samples: &[u8]) -> Vec<u8> {
    let mut file = b"caff\0\x01\0\0desc\0\0\0\0\0\0\0\x20".to_vec();
    file.extend(44_100f64.to_be_bytes());
    file.extend(format);
    for field in [flags, bits.div_ceil(8) * channels, 1, channels, bits] {
        file.extend(field.to_be_bytes());
    }
    file.extend(b"free\0\0\0\0\0\0\0\x03abcdata");
    file.extend(data_size.to_be_bytes());
    file.extend([0; 4]);
    file.extend(samples);
    file
}

#[test]
fn uncompressed_caf() {
    let wanted: Vec<i64> = (0..101).map(|frame| saw(0, frame)).collect();
    let big: Vec<u8> = wanted.iter().flat_map(|code| code.to_be_bytes()[5..].to_vec()).collect();
    let little: Vec<u8> = wanted.iter().flat_map(|code| code.to_le_bytes()[..3].to_vec()).collect();
    for (name, flags, samples) in [("big-endian", 0, &big), ("little-endian", 2, &little)] {
        let decoded = decode(&caf(*b"lpcm", flags, 24, 1, 307, samples)).unwrap();
        assert_eq!((decoded.format.container, decoded.format.rate_hz), (Container::Caf, 44_100), "{name}");
        assert_eq!(decoded.codes(0, 24), wanted, "{name}");
        assert_eq!((decoded.damage.len(), decoded.repairs.len()), (0, 0), "{name}");
    }
    // A size of -1 is "up to the end".
    let decoded = decode(&caf(*b"lpcm", 0, 24, 1, -1, &big)).unwrap();
    assert_eq!((decoded.codes(0, 24), decoded.repairs.len()), (wanted.clone(), 1));
    let decoded = decode(&caf(*b"lpcm", 0, 24, 1, 307, &big[..150])).unwrap();
    assert_eq!((decoded.sound.frames(), decoded.damage[0].frames), (50, 51));
    let floats: Vec<u8> = [0.5f64, -2.0].iter().flat_map(|sample| sample.to_le_bytes()).collect();
    let decoded = decode(&caf(*b"lpcm", 3, 64, 2, 20, &floats)).unwrap();
    assert_eq!((decoded.sound.channel(0), decoded.sound.channel(1)), (&[0.5][..], &[-2.0][..]));
    assert_eq!(decode(&caf(*b"lpcm", 0, 8, 1, 6, &[0x80, 0x7F])).unwrap().codes(0, 8), [-128, 127]);
    assert_eq!(decode(&caf(*b"ulaw", 0, 8, 1, 6, &[0x80, 0xFF])).unwrap().codes(0, 16), [32_124, 0]);
    for (name, file) in [
        ("no samples", caf(*b"lpcm", 0, 24, 1, 4, &[])),
        ("no channel", caf(*b"lpcm", 0, 24, 0, 307, &big)),
        ("unknown packets", caf(*b"QDM2", 0, 0, 1, 307, &big)),
    ] {
        assert!(decode(&file).is_err(), "{name}");
    }
}

/// Found by mutation: a count that says less than there is would cut the sound in silence.
#[test]
fn a_stated_length_that_is_too_short_is_noticed() {
    // Frames of 1152 in the tag of the MP3 file: 12 are 8.
    let mut mp3 = include_bytes!("data/tones.mp3").to_vec();
    assert_eq!((&mp3[36..40], &mp3[44..48]), (&b"Xing"[..], &[0, 0, 0, 12][..]));
    mp3[47] = 8;
    let decoded = decode(&mp3).unwrap();
    assert!(decoded.damage[0].cause.contains("goes on"), "{:?}", decoded.damage);
    // Valid frames in the packet table of the CAF file (`mNumberValidFrames`): 4500 are 4405.
    let mut caf = include_bytes!("data/saw-alac.caf").to_vec();
    assert_eq!((&caf[88..92], &caf[108..116]), (&b"pakt"[..], &4500u64.to_be_bytes()[..]));
    caf[108..116].copy_from_slice(&4405u64.to_be_bytes());
    assert!(decode(&caf).unwrap().repairs[0].contains("packet table"), "{:?}", decode(&caf).unwrap().repairs);
}
