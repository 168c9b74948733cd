//! Puts together what the chunks of a RIFF file say: the format, the samples, and what stands beside them. Knows
//! nothing of how the chunks were found.

use std::io::{Read, Seek, SeekFrom};

use super::data::Data;
use super::fmt::Fmt;
use super::justified;
use super::walk::Walk;
use super::wave64;
use crate::metadata::{Metadata, rifx};
use crate::read::pcm::Coding;
use crate::read::stream::{Damage, PcmStream, Repair};
use crate::{Bext, Chunk, Codec, Container, Error, Format};

/// How the samples of a RIFF file are reached.
pub(crate) enum Sound {
    Pcm(PcmStream),
    /// By symphonia. The length is that of the blocks: `fact` is wrong in many files, and would cut sound off.
    Adpcm(Blocks),
}

/// The whole blocks of a file with ADPCM.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Blocks {
    /// Where the size of the samples stands.
    size_at: u64,
    /// The bytes that the blocks take.
    bytes: u32,
}

/// A RIFF file that is ready to be decoded.
pub(crate) struct Riff {
    pub(crate) format: Format,
    pub(crate) metadata: Metadata,
    pub(crate) repairs: Vec<Repair>,
    pub(crate) damage: Vec<Damage>,
    pub(crate) sound: Sound,
}

/// Reads the chunks of a file of the RIFF family, whose form is known by its first bytes.
pub(crate) fn open<R: Read + Seek>(source: &mut R, container: Container) -> Result<Riff, Error> {
    let mut walk = match container {
        Container::Wave64 => wave64::read(source)?,
        _ => Walk::read(source, container == Container::Rifx)?,
    };
    let fmt_bytes = walk.fmt.take().ok_or_else(|| Error::malformed("there is no fmt chunk", 12))?;
    let fmt = Fmt::parse(&fmt_bytes, walk.big_endian)?;
    let data = walk.data.ok_or(Error::NoAudio)?;
    let mut format = format(&fmt, container);
    format.check()?;
    let mut damage = contradiction(source, &fmt, &data, walk.big_endian)?;
    let sound = match fmt.coding {
        Some(coding) => {
            let coding = justified_coding(source, coding, &fmt, &data, &mut walk)?;
            let end = source.seek(SeekFrom::End(0))?;
            let (data, repair) = whole_frames(source, data, fmt.align, end)?;
            walk.repairs.extend(repair);
            let frames = data.bytes / fmt.align;
            if frames == 0 {
                return Err(Error::NoAudio);
            }
            // Whole frames on both sides: a frame that is cut in two is lost as well.
            let lost = data.claimed / fmt.align - frames;
            format.frames = Some(frames + lost);
            damage.extend((lost > 0).then(|| Damage::truncated(frames, lost)));
            Sound::Pcm(pcm(&fmt, coding, walk.big_endian, data.offset, frames))
        }
        None if matches!(container, Container::Wave64 | Container::Rifx) => {
            return Err(Error::unsupported(format!("a {container} file with ADPCM")));
        }
        None => {
            let end = source.seek(SeekFrom::End(0))?;
            let (blocks, lost) = blocks(&fmt, &data, end)?;
            damage.extend(lost);
            Sound::Adpcm(blocks)
        }
    };
    let metadata = metadata(&mut walk);
    Ok(Riff { format, metadata, repairs: walk.repairs, damage, sound })
}

/// The format, with a length that is still open.
fn format(fmt: &Fmt, container: Container) -> Format {
    Format {
        container,
        codec: fmt.codec,
        rate_hz: fmt.rate_hz,
        channels: fmt.channels,
        bits: fmt.valid_bits,
        float: fmt.codec == Codec::PcmFloat,
        channel_mask: fmt.channel_mask,
        frames: None,
    }
}

impl Blocks {
    /// Where the size of the samples stands, with that of the whole blocks: symphonia believes it, and drops the last ones
    /// where it is a byte short, or longer than the file.
    pub(crate) fn stated(self) -> Vec<(u64, u8)> {
        (self.size_at..).zip(self.bytes.to_le_bytes()).collect()
    }
}

/// Samples that end with a whole frame, where all that is claimed is there. A size that is one byte short, as where a writer
/// has not counted it, has that byte in its padding, which is 0 otherwise.
fn whole_frames<R: Read + Seek>(
    source: &mut R,
    data: Data,
    frame_bytes: u64,
    end: u64,
) -> Result<(Data, Option<Repair>), Error> {
    let rest = data.claimed % frame_bytes;
    if rest == 0 || data.claimed > data.bytes {
        return Ok((data, None));
    }
    let whole = data.bytes.next_multiple_of(frame_bytes);
    let mut last = [0];
    if whole - data.bytes == 1 && whole & 1 == 0 && data.offset + whole <= end {
        source.seek(SeekFrom::Start(data.offset + data.bytes))?;
        source.read_exact(&mut last)?;
    }
    if last != [0] {
        let text = format!(
            "its data size of {} bytes lacks the last one of a frame, which is read too",
            data.claimed
        );
        return Ok((Data { bytes: whole, claimed: whole, ..data }, Some(Repair(text))));
    }
    let text = format!("its samples end within a frame; the last {rest} bytes are left out");
    Ok((data, Some(Repair(text))))
}

/// The whole blocks of ADPCM, and what of a last one is lost. A size that is one byte short of whole blocks, as where a
/// writer has not counted it, has that byte in its padding.
fn blocks(fmt: &Fmt, data: &Data, end: u64) -> Result<(Blocks, Option<Damage>), Error> {
    let whole = data.bytes.next_multiple_of(fmt.align);
    let is_one_short = whole - data.bytes == 1 && data.offset + whole <= end;
    let count = if is_one_short { whole } else { data.bytes } / fmt.align;
    let bytes = u32::try_from(count * fmt.align)
        .map_err(|_| Error::limit("bytes of ADPCM", "up to 4 GiB", count * fmt.align))?;
    if count == 0 {
        return Err(Error::NoAudio);
    }
    let lost = data.claimed.div_ceil(fmt.align) - count;
    let frames = |blocks: u64| blocks * u64::from(fmt.block_frames);
    let damage = (lost > 0).then(|| Damage::truncated(frames(count), frames(lost)));
    Ok((Blocks { size_at: data.offset - 4, bytes }, damage))
}

/// A fmt chunk that contradicts itself, unless the samples show that its reading is right: the rest of a container that is
/// wider than it must be is empty then.
fn contradiction<R: Read + Seek>(
    source: &mut R,
    fmt: &Fmt,
    data: &Data,
    big_endian: bool,
) -> Result<Vec<Damage>, Error> {
    let (Some(found), Some(coding)) = (&fmt.contradiction, fmt.coding) else { return Ok(Vec::new()) };
    let empty = found.empty_bytes;
    if justified::may_be_low(coding, fmt.valid_bits) && justified::is_low(source, data, big_endian)? {
        return Ok(Vec::new());
    }
    if empty > 0 && justified::is_empty_below(source, data, (coding.bytes(), empty), big_endian)? {
        return Ok(Vec::new());
    }
    Ok(vec![Damage { start_frame: 0, frames: 0, cause: found.text.clone() }])
}

/// The coding, by the samples themselves where 24 bits stand in four bytes.
fn justified_coding<R: Read + Seek>(
    source: &mut R,
    coding: Coding,
    fmt: &Fmt,
    data: &Data,
    walk: &mut Walk,
) -> Result<Coding, Error> {
    if !justified::may_be_low(coding, fmt.valid_bits) || !justified::is_low(source, data, walk.big_endian)? {
        return Ok(coding);
    }
    let text = "its 24 bits stand in the lower three of four bytes; they are read from there";
    walk.repairs.push(Repair(text.to_owned()));
    Ok(Coding::LowInt24)
}

fn pcm(fmt: &Fmt, coding: Coding, big_endian: bool, offset: u64, frames: u64) -> PcmStream {
    PcmStream { coding, big_endian, channels: usize::from(fmt.channels), offset, frames, position: 0 }
}

/// Takes what stands beside the samples, with its numbers in the order of a RIFF file.
fn metadata(walk: &mut Walk) -> Metadata {
    let big_endian = walk.big_endian;
    let chunk = |(id, bytes)| if big_endian { rifx::turned(id, bytes) } else { Chunk { id, bytes } };
    let bext = walk.bext.take().map(|bytes| Bext::parse(&chunk((*b"bext", bytes)).bytes)).transpose();
    let bext = bext.unwrap_or_else(|error| {
        walk.repairs.push(Repair(format!("its bext chunk cannot be used: {error}")));
        None
    });
    Metadata { bext, chunks: std::mem::take(&mut walk.others).into_iter().map(chunk).collect() }
}
