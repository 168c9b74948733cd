//! The sources of one stem as one stream: a single file, or two mono files as left and right.

use std::collections::BTreeMap;
use std::fs::File;

use loadin_audio::Block;
use loadin_codec::{Bext, Decoder};

use super::{RenderError, Shop};
use crate::content::Content;
use crate::plan::StemPlan;
use crate::scan;

/// One file that is being read.
struct Reader {
    path: String,
    decoder: Decoder,
    content: Content,
    /// Frames that were read and not handed on yet.
    waiting: Block,
    next: Block,
    ended: bool,
}

impl Reader {
    fn fill(&mut self) -> Result<(), RenderError> {
        if self.ended || !self.waiting.is_empty() {
            return Ok(());
        }
        self.next.clear();
        let more = self.decoder.next_block(&mut self.next).map_err(|e| RenderError::Source(e.to_string()))?;
        self.ended = !more;
        if more {
            self.content.push(&self.next);
            std::mem::swap(&mut self.waiting, &mut self.next);
        }
        Ok(())
    }
}

/// The stream of a stem's frames as they were delivered.
pub(super) struct Source {
    readers: Vec<Reader>,
    frames: u64,
}

impl Source {
    pub(super) fn open(shop: &Shop<'_>, stem: &StemPlan) -> Result<Self, RenderError> {
        let open = |source: &crate::plan::SourcePlan| {
            let file = File::open(scan::locate(shop.delivery, &source.path))
                .map_err(|error| RenderError::Source(error.to_string()))?;
            let decoder =
                loadin_codec::open(file, false).map_err(|error| RenderError::Source(error.to_string()))?;
            let channels = usize::from(decoder.format().channels);
            if decoder.format().rate_hz != source.rate_hz || decoder.format().channels != source.channels {
                return Err(RenderError::SourceChanged);
            }
            Ok(Reader {
                path: source.path.clone(),
                decoder,
                content: Content::new(channels, source.rate_hz),
                waiting: Block::new(channels),
                next: Block::new(channels),
                ended: false,
            })
        };
        Ok(Self { readers: stem.sources.iter().map(open).collect::<Result<_, _>>()?, frames: 0 })
    }

    /// Source frames handed on so far.
    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    /// The `bext` chunk of the first file.
    pub(super) fn bext(&self) -> Option<&Bext> {
        self.readers[0].decoder.metadata().bext.as_ref()
    }

    /// Fills `block` with the next frames; false at the end.
    pub(super) fn next(&mut self, block: &mut Block) -> Result<bool, RenderError> {
        for reader in &mut self.readers {
            reader.fill()?;
        }
        let ready = self.readers.iter().map(|reader| reader.waiting.frames()).min().unwrap_or(0);
        if ready == 0 {
            return Ok(false);
        }
        self.frames += ready as u64;
        if let [only] = &mut self.readers[..] {
            std::mem::swap(block, &mut only.waiting);
            only.waiting.set_channels(block.channels());
            only.waiting.clear();
            return Ok(true);
        }
        let mut channels = Vec::new();
        for reader in &mut self.readers {
            channels.extend(reader.waiting.iter().map(|channel| channel[..ready].to_vec()));
            reader.waiting.drop_front(ready);
        }
        *block = Block::from_channels(channels);
        Ok(true)
    }

    /// Whether the sources were what the survey saw.
    pub(super) fn check(&self, contents: &BTreeMap<String, String>) -> Result<(), RenderError> {
        let same =
            |reader: &Reader| contents.get(&reader.path).is_some_and(|seen| *seen == reader.content.finish());
        if self.readers.iter().all(same) { Ok(()) } else { Err(RenderError::SourceChanged) }
    }
}
