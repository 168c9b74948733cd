//! What a processor makes of sound that comes in blocks, for the tests of stages. Knows no draft.

use loadin_audio::Block;

use crate::stages::stage::Processor;

/// What a processor makes of these channels, given to it in blocks of so many frames.
pub(crate) fn processed(
    mut processor: Box<dyn Processor>,
    channels: &[Vec<f64>],
    frames: usize,
) -> Vec<Vec<f64>> {
    let mut given: Vec<Vec<f64>> = Vec::new();
    let mut take = |block: &Block| {
        given.resize(block.channels(), Vec::new());
        given.iter_mut().zip(block.iter()).for_each(|(all, more)| all.extend_from_slice(more));
    };
    let mut block = Block::new(channels.len());
    for start in (0..channels[0].len()).step_by(frames) {
        let end = (start + frames).min(channels[0].len());
        block = Block::from_channels(channels.iter().map(|channel| channel[start..end].to_vec()).collect());
        processor.process(&mut block);
        take(&block);
    }
    loop {
        block.clear();
        processor.finish(&mut block);
        if block.is_empty() {
            return given;
        }
        take(&block);
    }
}

/// What a processor makes of a mono stream that comes in blocks of `block_frames`.
pub(crate) fn through(processor: &mut dyn Processor, sound: &[f64], block_frames: usize) -> Vec<f64> {
    let (mut block, mut out) = (Block::new(1), Vec::new());
    let mut take = |block: &Block| {
        out.extend_from_slice(block.channel(0));
        !block.is_empty()
    };
    processor.begin(&mut block);
    while take(&block) {
        block.clear();
        processor.begin(&mut block);
    }
    for piece in sound.chunks(block_frames) {
        block = Block::from_channels(vec![piece.to_vec()]);
        processor.process(&mut block);
        take(&block);
    }
    block.clear();
    processor.finish(&mut block);
    while take(&block) {
        block.clear();
        processor.finish(&mut block);
    }
    out
}
