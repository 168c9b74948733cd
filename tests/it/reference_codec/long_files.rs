//! Files past 4 GiB, without 4 GiB: ITU-R BS.2088 and EBU Tech 3306 (`ds64`).

use std::io::{Cursor, Read, Result as IoResult, Seek, SeekFrom, Write};

use loadin_audio::Block;
use loadin_codec::{Chunk, Container, SampleKind, WavSpec, WavWriter};

use super::fixture::{chunk, decode, fmt};

/// Keeps the first bytes and counts the others.
#[derive(Default)]
struct Counter {
    head: Vec<u8>,
    bytes: u64,
}

impl Write for Counter {
    fn write(&mut self, bytes: &[u8]) -> IoResult<usize> {
        let kept = bytes.len().min(200usize.saturating_sub(self.head.len()));
        self.head.extend_from_slice(&bytes[..kept]);
        self.bytes += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> IoResult<()> {
        Ok(())
    }
}

fn spec(frames: u64) -> WavSpec {
    WavSpec {
        rate_hz: 48_000,
        channels: 2,
        kind: SampleKind::I24,
        frames,
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: vec![Chunk { id: *b"LIST", bytes: vec![0; 3] }],
    }
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from_le_bytes(bytes[at..at + 8].try_into().unwrap())
}

/// ITU-R BS.2088, sections 3.2 and 4: `RF64`, sizes of 0xFFFFFFFF, `ds64` as the first chunk, riffSize = length − 8.
#[test]
fn past_4_gib_sizes_go_into_ds64() {
    // RIFF counts 4 + fmt 24 + data 8 + samples + LIST 12 bytes.
    let most = (u64::from(u32::MAX) - 48) / 6;
    let head = |frames| {
        let mut sink = Counter::default();
        WavWriter::new(&mut sink, spec(frames)).unwrap();
        sink.head
    };
    let plain = head(most);
    assert_eq!(&plain[..4], b"RIFF");
    assert_eq!(u64::from(u32_at(&plain, 4)), 48 + 6 * most);

    let frames = most + 1;
    let long = head(frames);
    assert_eq!((&long[..4], &long[8..16]), (&b"RF64"[..], &b"WAVEds64"[..]));
    assert_eq!((u32_at(&long, 4), u32_at(&long, 16)), (u32::MAX, 28));
    assert_eq!(u64_at(&long, 20), 48 + 36 + 6 * frames, "riffSize");
    assert_eq!(u64_at(&long, 28), 6 * frames, "dataSize");
    assert_eq!((u64_at(&long, 36), u32_at(&long, 44)), (frames, 0), "sampleCount, no table");
    assert_eq!((&long[72..76], u32_at(&long, 76)), (&b"data"[..], u32::MAX));
}

/// A whole file of 4.4 GB goes through the writer, into a sink that only counts.
#[test]
fn the_length_is_what_the_header_says() {
    let piece = vec![0i32; 2 << 20];
    let frames = 700 * (1 << 20);
    let mut sink = Counter::default();
    let mut writer = WavWriter::new(&mut sink, spec(frames)).unwrap();
    for _ in 0..700 {
        writer.write_ints(&piece).unwrap();
    }
    writer.finish().unwrap();
    assert_eq!(u64_at(&sink.head, 20), sink.bytes - 8);
    assert!(sink.bytes > 1 << 32);
}

/// A file that is made while it is read: a head, then 16-bit frames that count, then a tail.
struct Made {
    head: Vec<u8>,
    data_bytes: u64,
    tail: Vec<u8>,
    at: u64,
}

impl Made {
    fn end(&self) -> u64 {
        self.head.len() as u64 + self.data_bytes + self.tail.len() as u64
    }

    fn byte(&self, at: u64) -> u8 {
        let head = self.head.len() as u64;
        if at < head {
            self.head[at as usize]
        } else if at < head + self.data_bytes {
            let at = at - head;
            ((at / 2) as u16).to_le_bytes()[(at & 1) as usize]
        } else {
            self.tail[(at - head - self.data_bytes) as usize]
        }
    }
}

impl Read for Made {
    fn read(&mut self, bytes: &mut [u8]) -> IoResult<usize> {
        let count = (bytes.len() as u64).min(self.end().saturating_sub(self.at)) as usize;
        for (offset, byte) in bytes[..count].iter_mut().enumerate() {
            *byte = self.byte(self.at + offset as u64);
        }
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for Made {
    fn seek(&mut self, to: SeekFrom) -> IoResult<u64> {
        self.at = match to {
            SeekFrom::Start(at) => at,
            SeekFrom::End(by) => self.end().saturating_add_signed(by),
            SeekFrom::Current(by) => self.at.saturating_add_signed(by),
        };
        Ok(self.at)
    }
}

const LONG: u64 = (1 << 32) + 1000;

fn long_head(form: [u8; 4], ds64: Option<[u64; 3]>, data_size: u32) -> Vec<u8> {
    let mut head = form.to_vec();
    head.extend(u32::MAX.to_le_bytes());
    head.extend(b"WAVE");
    if let Some(fields) = ds64 {
        let mut contents: Vec<u8> = fields.iter().flat_map(|field| field.to_le_bytes()).collect();
        contents.extend([0; 4]);
        head.extend(chunk(*b"ds64", &contents));
    }
    head.extend(chunk(*b"fmt ", &fmt(1, 2, 48_000, 16)));
    head.extend(b"data");
    head.extend(data_size.to_le_bytes());
    head
}

fn open(head: Vec<u8>, data_bytes: u64, tail: Vec<u8>) -> loadin_codec::Decoder {
    loadin_codec::open(Made { head, data_bytes, tail, at: 0 }, false).unwrap()
}

#[test]
fn long_files_are_read_whole() {
    let riff = LONG + 72 + 12;
    let tail = chunk(*b"LIST", b"abcd");
    for (name, form, ds64, size, container) in [
        ("RF64", *b"RF64", Some([riff, LONG, LONG / 4]), u32::MAX, Container::Rf64),
        ("BW64, sampleCount a dummy", *b"BW64", Some([riff, LONG, 0]), u32::MAX, Container::Bw64),
        ("RF64 whose recorder stopped", *b"RF64", Some([0, 0, 0]), u32::MAX, Container::Rf64),
        ("RF64 with a nonsense size", *b"RF64", Some([u64::MAX, u64::MAX, 0]), u32::MAX, Container::Rf64),
        ("RF64 without ds64", *b"RF64", None, u32::MAX, Container::Rf64),
    ] {
        let states_the_size = ds64.is_some_and(|fields| fields[1] == LONG);
        let tail = if states_the_size { tail.clone() } else { Vec::new() };
        let mut decoder = open(long_head(form, ds64, size), LONG, tail);
        assert_eq!(
            (decoder.format().container, decoder.format().frames),
            (container, Some(LONG / 4)),
            "{name}"
        );
        assert_eq!(decoder.repairs().is_empty(), states_the_size, "{name}: {:?}", decoder.repairs());
        assert_eq!(decoder.metadata().chunks.len(), usize::from(states_the_size), "{name}");
        let mut block = Block::default();
        assert!(decoder.next_block(&mut block).unwrap());
        let wanted: Vec<f64> =
            (0..block.frames()).map(|frame| f64::from((2 * frame) as u16 as i16) / 32768.0).collect();
        assert_eq!(block.channel(0), wanted, "{name}");
    }
}

/// Writers that count in 32 bits start again at 4 GiB, and so does what they write into the header.
#[test]
fn sizes_that_wrapped_around_are_read_whole() {
    let mut head = long_head(*b"RIFF", None, LONG as u32);
    head[4..8].copy_from_slice(&((LONG + 36) as u32).to_le_bytes());
    let decoder = open(head, LONG, Vec::new());
    assert_eq!(decoder.format().frames, Some(LONG / 4));
    assert_eq!(decoder.damage(), []);
    let said = decoder.repairs().iter().any(|repair| repair.to_string().contains("counted in 32 bits"));
    assert!(said, "{:?}", decoder.repairs());
}

#[test]
fn a_truncated_long_file_says_what_is_lost() {
    let mut decoder = open(long_head(*b"RF64", Some([LONG + 72, LONG, 0]), u32::MAX), 4003, Vec::new());
    let mut block = Block::default();
    while decoder.next_block(&mut block).unwrap() {}
    assert_eq!(decoder.frames_read(), 1000);
    let damage = &decoder.damage()[0];
    assert_eq!((damage.start_frame, damage.frames), (1000, LONG / 4 - 1000));
}

/// Readers accept real sizes in an RF64 file too (ITU-R BS.2088, section 3.2); `sampleCount` is not believed.
#[test]
fn small_files_with_ds64() {
    for size in [u32::MAX, 8] {
        let mut file = long_head(*b"RF64", Some([8 + 72, 8, 41_745]), size);
        file.extend([1, 0, 2, 0, 3, 0, 4, 0]);
        let decoded = decode(&file).unwrap();
        assert_eq!((decoded.codes(0, 16), decoded.codes(1, 16)), (vec![1, 3], vec![2, 4]));
        assert_eq!((decoded.repairs.len(), decoded.damage.len()), (0, 0));
    }
    assert!(loadin_codec::open(Cursor::new(b"RF64\xFF\xFF\xFF\xFFWAVE".to_vec()), false).is_err());
}
