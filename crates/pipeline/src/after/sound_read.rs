//! What a reader has found in a prepared file.

/// What a reader found in an output.
#[derive(Debug, PartialEq)]
pub(super) struct SoundRead {
    pub(super) rate_hz: u32,
    pub(super) channels: u16,
    pub(super) bits: u16,
    pub(super) float: bool,
    pub(super) frames: u64,
    pub(super) peak: f64,
}
