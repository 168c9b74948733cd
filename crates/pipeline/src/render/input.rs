//! The sources of one stem as one stream: a single file, or two mono files as left and right; decoded now, or kept
//! since the survey.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};

use loadin_audio::Block;
use loadin_codec::{Decoder, Metadata};
use loadin_plan::plan::StemPlan;
use loadin_plan::shape::SourcePlan;

use super::context::RenderContext;
use super::error::RenderError;
use crate::source::file;
use crate::source::sample_digest::SampleDigest;
use crate::work::sound_cache::CachedSound;

/// Where the frames of one file come from.
enum Origin {
    /// The file, which must be what the survey saw.
    File { path: String, decoder: Box<Decoder>, content: SampleDigest },
    /// What the survey kept.
    CachedSound(Box<CachedSound>),
}

/// One file that is being read.
struct Reader {
    origin: Origin,
    /// Frames of a file beside another one that were read and not handed on yet.
    waiting: Block,
    channels: usize,
    ended: bool,
}

impl Reader {
    fn new(origin: Origin, source: &SourcePlan) -> Self {
        Self { origin, waiting: Block::default(), channels: usize::from(source.channels), ended: false }
    }

    /// What the survey kept.
    fn kept(context: &RenderContext, source: &SourcePlan) -> Option<Self> {
        let kept = context.work.sound_cache.take(&source.path)?;
        Some(Self::new(Origin::CachedSound(Box::new(kept)), source))
    }

    fn open(context: &RenderContext, source: &SourcePlan) -> Result<Self, RenderError> {
        let file = file::open(&context.delivery, &source.path)
            .map_err(|error| RenderError::Source(error.to_string()))?;
        let decoder =
            loadin_codec::open(file, false).map_err(|error| RenderError::Source(error.to_string()))?;
        if decoder.format().rate_hz != source.rate_hz || decoder.format().channels != source.channels {
            return Err(RenderError::SourceChanged);
        }
        let content = SampleDigest::new(usize::from(source.channels), source.rate_hz);
        let origin = Origin::File { path: source.path.clone(), decoder: Box::new(decoder), content };
        Ok(Self::new(origin, source))
    }

    fn metadata(&self) -> &Metadata {
        match &self.origin {
            Origin::CachedSound(kept) => &kept.metadata,
            Origin::File { decoder, .. } => decoder.metadata(),
        }
    }

    /// Fills `block` with the next frames; false at the end.
    fn next(&mut self, block: &mut Block) -> Result<bool, RenderError> {
        match &mut self.origin {
            Origin::CachedSound(kept) => {
                kept.next(block);
                Ok(!block.is_empty())
            }
            Origin::File { decoder, content, .. } => {
                let decoded = catch_unwind(AssertUnwindSafe(|| decoder.next_block(block)));
                let decoded = decoded.map_err(|_| RenderError::Source("its decoder gave up".to_owned()))?;
                let more = decoded.map_err(|e| RenderError::Source(e.to_string()))?;
                if more {
                    content.push(block);
                }
                Ok(more)
            }
        }
    }

    /// Has frames wait, as long as there are any.
    fn fill(&mut self) -> Result<(), RenderError> {
        if self.waiting.is_empty() && !self.ended {
            let mut next = std::mem::take(&mut self.waiting);
            self.ended = !self.next(&mut next)?;
            self.waiting = next;
        }
        Ok(())
    }
}

/// The stream of a stem's frames as they were delivered.
pub(super) struct Source {
    readers: Vec<Reader>,
    /// Frames handed on.
    frames: u64,
}

impl Source {
    pub(super) fn open(context: &RenderContext, stem: &StemPlan) -> Result<Self, RenderError> {
        let reader = |source| Reader::kept(context, source).map_or_else(|| Reader::open(context, source), Ok);
        Ok(Self { readers: stem.sources.iter().map(reader).collect::<Result<_, _>>()?, frames: 0 })
    }

    /// Source frames handed on so far.
    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    /// What stands beside the samples of every file.
    pub(super) fn metadata(&self) -> Vec<&Metadata> {
        self.readers.iter().map(Reader::metadata).collect()
    }

    /// Fills `block` with the next frames; false at the end.
    pub(super) fn next(&mut self, block: &mut Block) -> Result<bool, RenderError> {
        if let [only] = &mut self.readers[..] {
            let more = only.next(block)?;
            self.frames += if more { block.frames() as u64 } else { 0 };
            return Ok(more);
        }
        for reader in &mut self.readers {
            reader.fill()?;
        }
        // A file that has ended is followed by silence, as long as the other one goes on.
        let going = self.readers.iter().filter(|reader| !reader.waiting.is_empty());
        let Some(ready) = going.map(|reader| reader.waiting.frames()).min() else { return Ok(false) };
        self.frames += ready as u64;
        let mut channels = Vec::new();
        for reader in &mut self.readers {
            let missing = ready.saturating_sub(reader.waiting.frames());
            reader.waiting.set_channels(reader.channels);
            reader.waiting.append_silence(missing);
            channels.extend(reader.waiting.iter().map(|channel| channel[..ready].to_vec()));
            reader.waiting.drop_front(ready);
        }
        *block = Block::from_channels(channels);
        Ok(true)
    }

    /// Whether the sources were what the survey saw.
    pub(super) fn check(&self, contents: &BTreeMap<String, String>) -> Result<(), RenderError> {
        let same = |reader: &Reader| match &reader.origin {
            Origin::CachedSound(_) => true,
            Origin::File { path, content, .. } => {
                contents.get(path).is_some_and(|seen| *seen == content.finish())
            }
        };
        if self.readers.iter().all(same) { Ok(()) } else { Err(RenderError::SourceChanged) }
    }
}
