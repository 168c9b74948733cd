//! Files built byte by byte, and what the decoder makes of them.

use std::io::Cursor;

use loadin_audio::Block;
use loadin_codec::{Damage, Error, Format, Metadata};

/// Everything that a decoder said about one file.
#[derive(Debug)]
pub(crate) struct Decoded {
    pub(crate) format: Format,
    pub(crate) metadata: Metadata,
    pub(crate) repairs: Vec<String>,
    pub(crate) damage: Vec<Damage>,
    pub(crate) sound: Block,
}

impl Decoded {
    /// Samples of one channel on the grid of `bits`; fails when one lies between two steps.
    pub(crate) fn codes(&self, channel: usize, bits: i32) -> Vec<i64> {
        let steps = self.sound.channel(channel).iter().map(|sample| sample * 2f64.powi(bits - 1));
        steps
            .map(|step| {
                assert!((step - step.round()).abs() == 0.0, "{step} lies between two {bits}-bit codes");
                step as i64
            })
            .collect()
    }
}

/// Decodes a whole file in memory.
pub(crate) fn decode(bytes: &[u8]) -> Result<Decoded, Error> {
    let mut decoder = loadin_codec::open(Cursor::new(bytes.to_vec()), true)?;
    let mut sound = Block::new(usize::from(decoder.format().channels));
    let mut block = Block::default();
    while decoder.next_block(&mut block)? {
        sound.append(&block, 0, block.frames());
    }
    assert_eq!(
        decoder.frames_read(),
        sound.frames() as u64,
        "frames that were counted and frames that were given"
    );
    Ok(Decoded {
        format: decoder.format().clone(),
        metadata: decoder.metadata().clone(),
        repairs: decoder.repairs().iter().map(ToString::to_string).collect(),
        damage: decoder.damage().to_vec(),
        sound,
    })
}

/// A chunk with its padding.
pub(crate) fn chunk(id: [u8; 4], contents: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((contents.len() as u32).to_le_bytes());
    bytes.extend(contents);
    bytes.extend(std::iter::repeat_n(0, contents.len() % 2));
    bytes
}

/// The first 16 bytes of a `fmt ` chunk.
pub(crate) fn fmt(tag: u16, channels: u16, rate_hz: u32, bits: u16) -> Vec<u8> {
    let align = channels * bits.div_ceil(8);
    let mut bytes = Vec::new();
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate_hz.to_le_bytes());
    bytes.extend((rate_hz * u32::from(align)).to_le_bytes());
    bytes.extend(align.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes
}

/// A `fmt ` chunk of 40 bytes: `bits` valid ones in a container of `container` bits.
pub(crate) fn extensible(tag: u16, channels: u16, container: u16, bits: u16, mask: u32) -> Vec<u8> {
    let mut bytes = fmt(0xFFFE, channels, 48_000, container);
    bytes.extend(22u16.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(mask.to_le_bytes());
    bytes.extend(tag.to_le_bytes());
    bytes.extend(b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71");
    bytes
}

/// A RIFF file with a right size.
pub(crate) fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let contents = chunks.concat();
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((contents.len() as u32 + 4).to_le_bytes());
    bytes.extend(b"WAVE");
    bytes.extend(contents);
    bytes
}

/// Writes a little-endian size into a file.
pub(crate) fn put_u32(bytes: &mut [u8], at: usize, value: u32) {
    bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
}

/// Where the size field of a chunk stands.
pub(crate) fn size_field(bytes: &[u8], id: [u8; 4]) -> usize {
    bytes.windows(4).position(|window| window == id).expect("the chunk is there") + 4
}

/// Reproducible 24-bit codes, loud and without a pattern (xorshift, George Marsaglia 2003).
pub(crate) fn codes(count: usize) -> Vec<i32> {
    let mut state = 0x9E37_79B9_u32;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state
    };
    (0..count).map(|_| next() as i32 >> 8).collect()
}

/// The bytes of 24-bit codes.
pub(crate) fn pack_24(codes: &[i32]) -> Vec<u8> {
    codes.iter().flat_map(|code| code.to_le_bytes()[..3].to_vec()).collect()
}
