//! ALAC and AAC in MP4, put together by hand from packets that other libraries made: ISO/IEC 14496-12 (boxes),
//! 14496-14 and 14496-1 (`esds`), and the ALAC "magic cookie" in a box `alac` (layouts from memory).

use loadin_codec::{Codec, Container};

use super::fixture::decode;
use super::other_formats::{assert_saw, tones};

/// A stream as MP4 wants it.
pub(crate) struct Stream<'a> {
    pub(crate) entry: [u8; 4],
    /// The box in the sample entry that describes the codec.
    pub(crate) describes: Vec<u8>,
    pub(crate) packets: Vec<&'a [u8]>,
    pub(crate) packet_frames: u32,
    /// Frames in all; the last packet may hold fewer.
    pub(crate) frames: u32,
    /// Boxes beside `moov`'s own: an edit list in `edts` for the track.
    pub(crate) edits: Vec<u8>,
    pub(crate) user_data: Vec<u8>,
}

pub(crate) fn boxed(id: [u8; 4], contents: &[&[u8]]) -> Vec<u8> {
    let contents = contents.concat();
    [&(contents.len() as u32 + 8).to_be_bytes()[..], &id, &contents].concat()
}

pub(crate) fn words(words: &[u32]) -> Vec<u8> {
    words.iter().flat_map(|word| word.to_be_bytes()).collect()
}

const RATE_HZ: u32 = 48_000;

/// The file: the packets first, then the tables.
pub(crate) fn mp4(stream: &Stream<'_>) -> Vec<u8> {
    let ftyp = boxed(*b"ftyp", &[b"M4A \0\0\0\0M4A mp42isom"]);
    let data = stream.packets.concat();
    let offset = ftyp.len() as u32 + 8;
    let mdat = boxed(*b"mdat", &[&data]);
    let entry = boxed(
        stream.entry,
        &[
            &[0, 0, 0, 0, 0, 0, 0, 1],
            &[0; 8],
            &[0, 2, 0, 16, 0, 0, 0, 0],
            &words(&[RATE_HZ << 16]),
            &stream.describes,
        ],
    );
    let count = stream.packets.len() as u32;
    let last = stream.frames - (count - 1) * stream.packet_frames;
    let sizes: Vec<u32> = stream.packets.iter().map(|packet| packet.len() as u32).collect();
    let stbl = boxed(
        *b"stbl",
        &[
            &boxed(*b"stsd", &[&words(&[0, 1]), &entry]),
            &boxed(*b"stts", &[&words(&[0, 2, count - 1, stream.packet_frames, 1, last])]),
            &boxed(*b"stsc", &[&words(&[0, 1, 1, count, 1])]),
            &boxed(*b"stsz", &[&words(&[0, 0, count]), &words(&sizes)]),
            &boxed(*b"stco", &[&words(&[0, 1, offset])]),
        ],
    );
    let reference = boxed(*b"dref", &[&words(&[0, 1]), &boxed(*b"url ", &[&words(&[1])])]);
    let minf = boxed(*b"minf", &[&boxed(*b"smhd", &[&[0; 8]]), &boxed(*b"dinf", &[&reference]), &stbl]);
    let mdhd = boxed(*b"mdhd", &[&words(&[0, 0, 0, RATE_HZ, stream.frames, 0x55C4_0000])]);
    let hdlr = boxed(*b"hdlr", &[&words(&[0, 0]), b"soun", &[0; 12], b"\0"]);
    let mdia = boxed(*b"mdia", &[&mdhd, &hdlr, &minf]);
    let unity = words(&[0x1_0000, 0, 0, 0, 0x1_0000, 0, 0, 0, 0x4000_0000]);
    let tkhd = boxed(
        *b"tkhd",
        &[&words(&[7, 0, 0, 1, 0, stream.frames, 0, 0, 0, 0x0100_0000]), &unity, &words(&[0, 0])],
    );
    let trak = boxed(*b"trak", &[&tkhd, &stream.edits, &mdia]);
    let mvhd = boxed(
        *b"mvhd",
        &[
            &words(&[0, 0, 0, RATE_HZ, stream.frames, 0x1_0000, 0x0100_0000, 0, 0]),
            &unity,
            &[0; 24],
            &words(&[2]),
        ],
    );
    [ftyp, mdat, boxed(*b"moov", &[&mvhd, &trak, &stream.user_data])].concat()
}

/// The packets of the ALAC stream in `saw-alac.caf`, by its packet table: numbers of seven bits a byte behind 24 bytes.
fn alac_packets(caf: &[u8]) -> (Vec<u8>, Vec<&[u8]>) {
    let find = |id: &[u8; 4]| caf.windows(4).position(|window| window == id).unwrap();
    let contents = |at: usize| {
        let size = u64::from_be_bytes(caf[at + 4..at + 12].try_into().unwrap()) as usize;
        &caf[at + 12..(at + 12 + size).min(caf.len())]
    };
    let table = contents(find(b"pakt"));
    let count = u64::from_be_bytes(table[..8].try_into().unwrap()) as usize;
    let mut numbers = table[24..].iter();
    let mut data = &contents(find(b"data"))[4..];
    let mut packets = Vec::new();
    for _ in 0..count {
        let mut size = 0usize;
        loop {
            let byte = *numbers.next().unwrap();
            size = size << 7 | usize::from(byte & 0x7F);
            if byte & 0x80 == 0 {
                break;
            }
        }
        let (packet, rest) = data.split_at(size);
        packets.push(packet);
        data = rest;
    }
    (contents(find(b"kuki")).to_vec(), packets)
}

pub(crate) fn alac() -> Vec<u8> {
    let (cookie, packets) = alac_packets(include_bytes!("data/saw-alac.caf"));
    mp4(&Stream {
        entry: *b"alac",
        describes: boxed(*b"alac", &[&[0; 4], &cookie[cookie.len() - 24..]]),
        packets,
        packet_frames: 4096,
        frames: 4500,
        edits: Vec::new(),
        user_data: Vec::new(),
    })
}

/// The frames of an ADTS stream (ISO/IEC 13818-7, 6.2) without their heads of seven bytes.
fn adts_packets(adts: &[u8]) -> Vec<&[u8]> {
    let mut packets = Vec::new();
    let mut rest = adts;
    while let [_, _, _, a, b, c, ..] = rest {
        let size = usize::from(a & 3) << 11 | usize::from(*b) << 3 | usize::from(c >> 5);
        packets.push(&rest[7..size]);
        rest = &rest[size..];
    }
    packets
}

/// AAC-LC, 48 kHz, stereo: object type 2, rate index 3, two channels are the bits 00010 0011 0010 000.
pub(crate) fn aac(edits: Vec<u8>, user_data: Vec<u8>) -> Vec<u8> {
    let packets = adts_packets(include_bytes!("data/tones.aac"));
    let frames = packets.len() as u32 * 1024;
    let decoder =
        [&[4, 17, 0x40, 0x15, 0, 0, 0, 0, 1, 0xF4, 0, 0, 1, 0xF4, 0][..], &[5, 2, 0x11, 0x90]].concat();
    let describes = [&[3, 25, 0, 1, 0][..], &decoder, &[6, 1, 2]].concat();
    mp4(&Stream {
        entry: *b"mp4a",
        describes: boxed(*b"esds", &[&[0; 4], &describes]),
        packets,
        packet_frames: 1024,
        frames,
        edits,
        user_data,
    })
}

/// The same with its edit list, and a title as `moov`/`udta`/`meta`/`ilst` has it.
pub(crate) fn tagged() -> Vec<u8> {
    let elst = boxed(*b"elst", &[&words(&[0, 1, 10_000, 1600, 0x1_0000])]);
    let title = boxed(*b"\xA9nam", &[&boxed(*b"data", &[&words(&[1, 0]), b"Tune"])]);
    let handler = boxed(*b"hdlr", &[&words(&[0, 0]), b"mdirappl", &[0; 8], b"\0"]);
    let meta = boxed(*b"meta", &[&words(&[0]), &handler, &boxed(*b"ilst", &[&title])]);
    aac(boxed(*b"edts", &[&elst]), boxed(*b"udta", &[&meta]))
}

#[test]
fn alac_in_mp4_is_exact() {
    let decoded = decode(&alac()).unwrap();
    assert_eq!((decoded.format.container, decoded.format.codec), (Container::Mp4, Codec::Alac));
    assert_saw("ALAC in MP4", &decoded, 4500);
}

/// How far the sound is from the tones if it begins `delay` frames late.
pub(crate) fn distance_db(sound: &loadin_audio::Block, delay: usize) -> f64 {
    let frames = sound.frames() - delay;
    let error = |channel: usize| {
        let samples = sound.channel(channel)[delay..].iter().enumerate();
        samples.map(move |(frame, sample)| (sample - tones(channel, frame)).powi(2)).sum::<f64>()
    };
    10.0 * ((error(0) + error(1)) / (2 * frames) as f64).log10()
}

/// An encoder of MDCT frames of 1024 has its sound 1024 frames late, and more if it looks ahead; this one (vo-aacenc 0.1.3)
/// another 576. Neither stream says so, so nothing is cut.
#[test]
fn aac_is_read_to_its_end() {
    for (name, file, container) in [
        ("ADTS", include_bytes!("data/tones.aac").to_vec(), Container::Adts),
        ("MP4", aac(Vec::new(), Vec::new()), Container::Mp4),
    ] {
        let decoded = decode(&file).unwrap();
        assert_eq!((decoded.format.container, decoded.format.codec), (container, Codec::Aac), "{name}");
        assert_eq!((decoded.sound.frames(), decoded.damage.len()), (12 * 1024, 0), "{name}");
        let best = (0..3000).map(|delay| (distance_db(&decoded.sound, delay), delay));
        let best = best.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
        assert!(best.0 < -40.0, "{name}: {best:?}");
        assert_eq!(best.1, 1600, "{name}");
    }
}

/// One edit that begins behind the 1600 frames of the coder and is 10 000 frames long, by the movie's clock.
#[test]
fn an_edit_list_says_where_the_sound_is() {
    let elst = boxed(*b"elst", &[&words(&[0, 1, 10_000, 1600, 0x1_0000])]);
    let decoded = decode(&aac(boxed(*b"edts", &[&elst]), Vec::new())).unwrap();
    assert_eq!((decoded.sound.frames(), decoded.format.frames), (10_000, Some(10_000)));
    assert_eq!(decoded.damage, []);
    assert!(distance_db(&decoded.sound, 0) < -40.0);
    // A gap before it, or several, are no delay.
    let elst = boxed(*b"elst", &[&words(&[0, 1, 10_000, u32::MAX, 0x1_0000])]);
    let decoded = decode(&aac(boxed(*b"edts", &[&elst]), Vec::new())).unwrap();
    assert_eq!((decoded.sound.frames(), decoded.format.frames), (12 * 1024, None));
}

/// Found by fuzzing: a track whose clock does not count frames states no length in frames, and no edit in frames.
#[test]
fn a_clock_of_its_own_states_no_frames() {
    let mut file = tagged();
    let mdhd = file.windows(4).position(|window| window == b"mdhd").unwrap();
    file[mdhd + 16..mdhd + 20].copy_from_slice(&90_000u32.to_be_bytes());
    let decoded = decode(&file).unwrap();
    assert_eq!((decoded.sound.frames(), decoded.format.frames), (12 * 1024, None));
}
