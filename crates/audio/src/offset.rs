//! Takes an offset (DC) away without touching silence. Knows nothing of whether it is worth taking away.

use crate::Block;
use crate::silence::SILENCE;

/// Subtracts one constant a channel from everything but digital silence: 10 ms or more of it in a channel stay exactly 0
/// there, whatever the other channels do.
///
/// It is made for the rate at which the silence is digital, so it stands before a change of rate.
#[derive(Debug, Clone)]
pub struct DcRemover {
    constants: Vec<f64>,
    least: usize,
    /// Frames that came in and are not given yet: some channel is silent to their end, and nobody knows for how long.
    held: Block,
    /// Silent frames of every channel before the first one that is held.
    runs: Vec<usize>,
}

impl DcRemover {
    /// A remover for a stream at `rate_hz` with one constant a channel.
    pub fn new(constants: Vec<f64>, rate_hz: u32) -> Self {
        let (channels, least) = (constants.len(), (rate_hz as usize / 100).max(1));
        Self { constants, least, held: Block::new(channels), runs: vec![0; channels] }
    }

    /// Takes the frames of `block` and leaves in it those that are ready.
    pub fn process(&mut self, block: &mut Block) {
        self.held.append(block, 0, block.frames());
        let open = |(run, samples): (&usize, &[f64])| {
            let silent = trailing(samples);
            let all = if silent == samples.len() { silent + run } else { silent };
            if all < self.least { silent } else { 0 }
        };
        let waiting = self.runs.iter().zip(self.held.iter()).map(open).max().unwrap_or(0);
        self.give(self.held.frames() - waiting, block);
    }

    /// Leaves in the empty `block` what remains; empty when all has been given.
    pub fn finish(&mut self, block: &mut Block) {
        self.give(self.held.frames(), block);
    }

    /// Moves the first frames of those that are held into `block`, without their offset.
    fn give(&mut self, frames: usize, block: &mut Block) {
        block.set_channels(self.constants.len());
        block.clear();
        block.append(&self.held, 0, frames);
        let own = self.constants.iter().zip(&mut self.runs);
        for ((channel, held), (constant, run)) in block.iter_mut().zip(self.held.iter()).zip(own) {
            *run = subtract(channel, held, *constant, *run, self.least);
        }
        self.held.drop_front(frames);
    }
}

fn is_silent(sample: f64) -> bool {
    sample.abs() <= SILENCE
}

fn trailing(samples: &[f64]) -> usize {
    samples.iter().rev().take_while(|sample| is_silent(**sample)).count()
}

/// Subtracts from `given`, which is the head of `held`, with `before` silent frames in front of it; gives the silent frames at
/// its end.
fn subtract(given: &mut [f64], held: &[f64], constant: f64, before: usize, least: usize) -> usize {
    let (frames, mut at, mut run) = (given.len(), 0, before);
    while at < frames {
        let sounding = held[at..frames].iter().take_while(|sample| !is_silent(**sample)).count();
        given[at..at + sounding].iter_mut().for_each(|sample| *sample -= constant);
        run = if sounding > 0 { 0 } else { run };
        at += sounding;
        let silent = held[at..].iter().take_while(|sample| is_silent(**sample)).count();
        let here = silent.min(frames - at);
        // A run that is still open at the end of what is held is long enough, or it would not be given.
        let (certain, stretch) = (run + silent >= least, &mut given[at..at + here]);
        stretch.fill(if certain { 0.0 } else { -constant });
        (at, run) = (at + here, run + here);
    }
    run
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What is left of these channels, given in pieces; 10 ms are 5 frames.
    fn removed(constants: &[f64], channels: &[Vec<f64>], piece: usize) -> Vec<Vec<f64>> {
        let mut remover = DcRemover::new(constants.to_vec(), 500);
        let mut result = Block::new(channels.len());
        let frames = channels[0].len();
        for start in (0..frames).step_by(piece) {
            let part = start..(start + piece).min(frames);
            let mut block =
                Block::from_channels(channels.iter().map(|channel| channel[part.clone()].to_vec()).collect());
            remover.process(&mut block);
            result.append(&block, 0, block.frames());
        }
        let mut rest = Block::new(channels.len());
        remover.finish(&mut rest);
        result.append(&rest, 0, rest.frames());
        rest.clear();
        remover.finish(&mut rest);
        assert!(rest.is_empty(), "all has been given");
        result.iter().map(<[f64]>::to_vec).collect()
    }

    /// The same by its definition.
    fn defined(constant: f64, channel: &[f64]) -> Vec<f64> {
        let silent = |at: usize| {
            let zeros = |samples: &mut dyn Iterator<Item = &f64>| samples.take_while(|s| **s == 0.0).count();
            let (before, after) = channel.split_at(at);
            channel[at] == 0.0 && zeros(&mut before.iter().rev()) + zeros(&mut after.iter()) >= 5
        };
        (0..channel.len()).map(|at| if silent(at) { 0.0 } else { channel[at] - constant }).collect()
    }

    #[test]
    fn ten_milliseconds_of_silence_stay_silent_and_less_does_not() {
        let sound =
            [0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0];
        let wanted = [
            -0.1, -0.1, 0.4, -0.1, -0.1, -0.1, -0.1, 0.4, 0.0, 0.0, 0.0, 0.0, 0.0, 0.4, -0.1, -0.1, -0.1,
            -0.1,
        ];
        assert_eq!(removed(&[0.1], &[sound.to_vec()], 4), [wanted]);
    }

    #[test]
    fn silence_of_one_channel_stays_whatever_the_other_does() {
        let (left, right) = (vec![0.5; 12], [vec![0.25; 2], vec![0.0; 8], vec![0.25; 2]].concat());
        let wanted = [vec![0.375; 12], [vec![0.125; 2], vec![0.0; 8], vec![0.125; 2]].concat()];
        assert_eq!(removed(&[0.125, 0.125], &[left, right], 5), wanted);
    }

    proptest! {
        #[test]
        fn it_is_what_it_says_however_the_stream_is_cut(
            left in prop::collection::vec(prop_oneof![3 => Just(0.0), 1 => Just(0.5)], 0..80),
            seed in 0usize..80,
            piece in 1usize..20,
        ) {
            let mut right = left.clone();
            right.rotate_left(if left.is_empty() { 0 } else { seed % left.len() });
            let wanted = if left.is_empty() { vec![Vec::new(); 2] } else { vec![defined(0.1, &left), defined(-0.2, &right)] };
            prop_assert_eq!(removed(&[0.1, -0.2], &[left, right], piece), wanted);
        }
    }
}
