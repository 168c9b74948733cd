//! What can be wrong with what is handed in. Knows no path: whoever read the file names it.

/// Why something cannot be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The bytes are no Standard MIDI File.
    #[error("it is no readable MIDI file: {0}")]
    Midi(midly::Error),
}
