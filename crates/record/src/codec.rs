//! The names of the codecs that a decision or a paper asks about. A record keeps a codec by its name, since it may have
//! been written by a version that knows others. It reads no file: who does sees to it that these are its names.

/// Linear PCM, whole numbers.
pub const PCM: &str = "PCM";

/// Linear PCM, floats.
pub const PCM_FLOAT: &str = "PCM float";

/// Free Lossless Audio Codec (RFC 9639).
pub const FLAC: &str = "FLAC";

/// Apple Lossless Audio Codec.
pub const ALAC: &str = "ALAC";

/// MPEG audio layer III (ISO/IEC 11172-3).
pub const MP3: &str = "MP3";

/// Whether the samples stand in the file as they are: reading them costs no decoding.
pub fn is_pcm(name: &str) -> bool {
    matches!(name, PCM | PCM_FLOAT)
}

/// Whether the codec is known to take nothing away.
pub fn is_lossless(name: &str) -> bool {
    is_pcm(name) || matches!(name, FLAC | ALAC)
}
