//! `Block`: a stretch of planar sound, the unit that flows through every processor. Knows no rate and no place in time:
//! whoever needs them keeps them.

/// A stretch of sound: one `f64` slice a channel, all of one length.
///
/// Full scale is ±1.0; integers of up to 32 bits and every float pass through losslessly.
/// A block keeps its memory when it is cleared, so that a stream allocates once.
///
/// ```
/// use loadin_audio::Block;
///
/// let mut block = Block::from_channels(vec![vec![0.5, -0.5, 0.25], vec![0.0, 0.0, 1.0]]);
/// block.drop_front(1);
/// assert_eq!((block.channels(), block.frames()), (2, 2));
/// assert_eq!(block.channel(0), [-0.5, 0.25]);
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Block {
    channels: Vec<Vec<f64>>,
    frames: usize,
}

impl Block {
    /// An empty block of `channels` channels.
    pub fn new(channels: usize) -> Self {
        Self { channels: vec![Vec::new(); channels], frames: 0 }
    }

    /// A block of `frames` frames of digital silence.
    pub fn silence(channels: usize, frames: usize) -> Self {
        Self { channels: vec![vec![0.0; frames]; channels], frames }
    }

    /// A block made from one vector a channel.
    ///
    /// # Panics
    /// When the channels differ in length.
    pub fn from_channels(channels: Vec<Vec<f64>>) -> Self {
        let frames = channels.first().map_or(0, Vec::len);
        assert!(channels.iter().all(|c| c.len() == frames), "channels of one length");
        Self { channels, frames }
    }

    /// How many channels there are.
    pub fn channels(&self) -> usize {
        self.channels.len()
    }

    /// How many frames there are.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// Whether there is no frame.
    pub fn is_empty(&self) -> bool {
        self.frames == 0
    }

    /// The samples of one channel.
    pub fn channel(&self, index: usize) -> &[f64] {
        &self.channels[index]
    }

    /// The samples of one channel, to be changed in place.
    pub fn channel_mut(&mut self, index: usize) -> &mut [f64] {
        &mut self.channels[index]
    }

    /// Both channels of a stereo block, to be changed in place.
    ///
    /// # Panics
    /// When there are not two channels.
    pub fn pair_mut(&mut self) -> [&mut [f64]; 2] {
        match &mut self.channels[..] {
            [left, right] => [left, right],
            other => panic!("two channels, not {}", other.len()),
        }
    }

    /// The channels in order.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = &[f64]> {
        self.channels.iter().map(Vec::as_slice)
    }

    /// The channels in order, to be changed in place.
    pub fn iter_mut(&mut self) -> impl ExactSizeIterator<Item = &mut [f64]> {
        self.channels.iter_mut().map(Vec::as_mut_slice)
    }

    /// Drops all frames and keeps the memory.
    pub fn clear(&mut self) {
        self.truncate(0);
    }

    /// Sets the number of channels; a block that changes it loses its frames.
    pub fn set_channels(&mut self, channels: usize) {
        if channels != self.channels.len() {
            self.clear();
            self.channels.resize_with(channels, Vec::new);
        }
    }

    /// Sets the number of frames; added frames are silent.
    pub fn resize(&mut self, frames: usize) {
        for channel in &mut self.channels {
            channel.resize(frames, 0.0);
        }
        self.frames = frames;
    }

    /// Keeps the first `frames` frames.
    pub fn truncate(&mut self, frames: usize) {
        if frames < self.frames {
            self.resize(frames);
        }
    }

    /// Removes the first `frames` frames.
    pub fn drop_front(&mut self, frames: usize) {
        let gone = frames.min(self.frames);
        for channel in &mut self.channels {
            channel.drain(..gone);
        }
        self.frames -= gone;
    }

    /// Appends the frames `from..to` of `other`, which has as many channels.
    pub fn append(&mut self, other: &Self, from: usize, to: usize) {
        assert_eq!(self.channels(), other.channels(), "blocks of one channel count");
        for (channel, more) in self.channels.iter_mut().zip(&other.channels) {
            channel.extend_from_slice(&more[from..to]);
        }
        self.frames += to - from;
    }

    /// Appends the frames `from..to` of plain vectors, one a channel.
    pub fn append_slices(&mut self, channels: &[Vec<f64>], from: usize, to: usize) {
        assert_eq!(self.channels(), channels.len(), "one vector a channel");
        for (channel, more) in self.channels.iter_mut().zip(channels) {
            channel.extend_from_slice(&more[from..to]);
        }
        self.frames += to - from;
    }

    /// Appends silent frames.
    pub fn append_silence(&mut self, frames: usize) {
        self.resize(self.frames + frames);
    }

    /// Puts silent frames before the first one.
    pub fn prepend_silence(&mut self, frames: usize) {
        for channel in &mut self.channels {
            channel.splice(..0, std::iter::repeat_n(0.0, frames));
        }
        self.frames += frames;
    }

    /// Keeps one channel and drops the others.
    pub fn keep_channel(&mut self, index: usize) {
        self.channels.swap(0, index);
        self.channels.truncate(1);
    }

    /// Puts a copy of the only channel beside it.
    pub fn duplicate_channel(&mut self) {
        let copy = self.channels[0].clone();
        self.channels.push(copy);
    }

    /// Appends one frame.
    ///
    /// # Panics
    /// When `frame` has another channel count.
    pub fn push_frame(&mut self, frame: &[f64]) {
        assert_eq!(self.channels(), frame.len(), "a frame has one sample a channel");
        for (channel, &sample) in self.channels.iter_mut().zip(frame) {
            channel.push(sample);
        }
        self.frames += 1;
    }

    /// Access for writers that fill whole channels: sets `frames` and hands out each channel of that length.
    pub fn fill_with(&mut self, frames: usize, mut fill: impl FnMut(usize, &mut [f64])) {
        self.resize(frames);
        for (index, channel) in self.channels.iter_mut().enumerate() {
            fill(index, channel);
        }
    }
}
