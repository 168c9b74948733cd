//! How the time line of an output lies in that of its source, and what that makes of a chunk. Knows no kind of chunk.

use loadin_audio::rescale_frames;

use crate::Chunk;

/// How the time line of an output lies in that of its source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimeChange {
    /// Rate of the source in Hz.
    pub from_hz: u32,
    /// Rate of the output in Hz.
    pub to_hz: u32,
    /// Output frame 0 is this frame of the source, at the output's rate; negative where silence was added.
    pub shift_frames: i64,
    /// Frames of the output.
    pub frames: u64,
    /// Time stamp of output frame 0, in frames since midnight.
    pub time_reference: u64,
    /// Bits of an output sample.
    pub bits: u16,
    /// Whether the output has the channels of the source.
    pub same_channels: bool,
}

impl TimeChange {
    /// Where a frame of the source stands in the output; `None` where it was cut away.
    pub fn frame(&self, source: u64) -> Option<u64> {
        let frame = self.rescaled(source).checked_add_signed(self.shift_frames.checked_neg()?)?;
        Some(frame).filter(|frame| *frame <= self.frames)
    }

    /// A count of frames at the output's rate.
    pub(super) fn rescaled(&self, frames: u64) -> u64 {
        rescale_frames(frames, self.from_hz, self.to_hz)
    }

    pub(super) fn is_none(&self) -> bool {
        self.from_hz == self.to_hz && self.shift_frames == 0
    }
}

/// What becomes of a chunk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fate {
    /// It is written as it was.
    AsItWas,
    /// It is written with other numbers.
    Moved(String),
    /// It is not written.
    Dropped(String),
}

/// One chunk on its way to the output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Carried {
    /// Its id, and the type of a list.
    pub name: String,
    /// What becomes of it.
    pub fate: Fate,
    /// The texts in it, readable.
    pub texts: Vec<String>,
    /// What is written; `None` for one that is dropped.
    pub chunk: Option<Chunk>,
}
