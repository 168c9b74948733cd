//! The processors of one stem, one behind the other.

use loadin_audio::{Block, DcRemover};
use loadin_plan::plan::StemPlan;
use loadin_plan::stages::Decision;
use loadin_plan::stages::stage::Processor;

/// Where finished blocks go.
type Out<'a, E> = dyn FnMut(&mut Block) -> Result<(), E> + 'a;

/// A processor and the channels that it gives.
struct ChainStep {
    processor: Box<dyn Processor>,
    channels: usize,
}

/// The processors that the decisions of one stem ask for, in recipe order; an offset goes before a
/// change of rate.
pub(crate) struct Chain {
    steps: Vec<ChainStep>,
}

impl Chain {
    /// The chain of a planned stem.
    pub(crate) fn new(stem: &StemPlan) -> Self {
        let mut channels = stem.shape().source_channels();
        let offsets = stem.offsets();
        let mut steps = Vec::new();
        if let Some(constants) = offsets.clone() {
            let processor = Box::new(DcRemover::new(constants, stem.shape().source_rate_hz()));
            steps.push(ChainStep { processor, channels });
        }
        for decision in &stem.decisions {
            if matches!(decision, Decision::ChannelFix(_)) {
                channels = usize::from(stem.output.channels);
            }
            let done = offsets.is_some() && matches!(decision, Decision::DcRemoval(_));
            if let Some(processor) = decision.processor(stem.shape()).filter(|_| !done) {
                steps.push(ChainStep { processor, channels });
            }
        }
        Self { steps }
    }

    /// A chain of given processors, each with the channels that it gives.
    pub(crate) fn of(processors: Vec<(Box<dyn Processor>, usize)>) -> Self {
        Self {
            steps: processors
                .into_iter()
                .map(|(processor, channels)| ChainStep { processor, channels })
                .collect(),
        }
    }

    /// What comes before the first frame, such as padding. The last processor is asked first, since nothing of the others
    /// stands before what it gives.
    pub(crate) fn begin<E>(&mut self, block: &mut Block, out: &mut Out<'_, E>) -> Result<(), E> {
        for index in (0..self.steps.len()).rev() {
            self.drain(index, |processor, block| processor.begin(block), block, out)?;
        }
        Ok(())
    }

    /// Passes one block through.
    pub(crate) fn process<E>(&mut self, block: &mut Block, out: &mut Out<'_, E>) -> Result<(), E> {
        self.pass(0, block, out)
    }

    /// What remains after the last frame, from the first processor on.
    pub(crate) fn finish<E>(&mut self, block: &mut Block, out: &mut Out<'_, E>) -> Result<(), E> {
        for index in 0..self.steps.len() {
            self.drain(index, |processor, block| processor.finish(block), block, out)?;
        }
        Ok(())
    }

    fn drain<E>(
        &mut self,
        index: usize,
        ask: impl Fn(&mut dyn Processor, &mut Block),
        block: &mut Block,
        out: &mut Out<'_, E>,
    ) -> Result<(), E> {
        loop {
            let step = &mut self.steps[index];
            block.set_channels(step.channels);
            block.clear();
            ask(&mut *step.processor, block);
            if block.is_empty() {
                return Ok(());
            }
            self.pass(index + 1, block, out)?;
        }
    }

    fn pass<E>(&mut self, from: usize, block: &mut Block, out: &mut Out<'_, E>) -> Result<(), E> {
        for step in &mut self.steps[from..] {
            if block.is_empty() {
                return Ok(());
            }
            step.processor.process(block);
        }
        if block.is_empty() { Ok(()) } else { out(block) }
    }
}
