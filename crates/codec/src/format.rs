//! What a file is: container, codec, numbers. Knows nothing of how any of them is read or written.

use std::fmt;

use crate::Error;

macro_rules! names {
    ($(#[$doc:meta])* $type:ident { $($variant:ident $name:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[non_exhaustive]
        pub enum $type {
            $(#[doc = $name] $variant,)*
        }

        impl $type {
            /// The name in messages and records.
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }
        }

        impl fmt::Display for $type {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.as_str())
            }
        }
    };
}

names! {
    /// How samples are packed into a file.
    Container {
        Wav "WAV",
        Rf64 "RF64",
        Bw64 "BW64",
        Rifx "RIFX",
        Wave64 "Wave64",
        Aiff "AIFF",
        Aifc "AIFF-C",
        Caf "CAF",
        Flac "FLAC",
        Mp4 "MP4",
        Mp3 "MP3",
        Ogg "Ogg",
        Adts "ADTS",
    }
}

names! {
    /// How samples are coded.
    Codec {
        PcmInt "PCM",
        PcmFloat "PCM float",
        ALaw "A-law",
        MuLaw "mu-law",
        Adpcm "ADPCM",
        Flac "FLAC",
        Alac "ALAC",
        Mp3 "MP3",
        Aac "AAC",
        Vorbis "Vorbis",
        Other "other",
    }
}

impl Codec {
    /// Whether the codec takes something away that does not come back.
    pub fn is_lossy(self) -> bool {
        !matches!(self, Self::PcmInt | Self::PcmFloat | Self::Flac | Self::Alac)
    }
}

/// Rates that a header may state.
const MOST_RATE_HZ: u32 = 768_000;

/// Channels that a header may state.
const MOST_CHANNELS: u16 = 64;

/// The format of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Format {
    /// Container, by content.
    pub container: Container,
    /// Codec.
    pub codec: Codec,
    /// Frames a second, 1 to 768 000.
    pub rate_hz: u32,
    /// Channels, 1 to 64.
    pub channels: u16,
    /// Valid bits a sample; for lossy codecs those of the decoder's output.
    pub bits: u16,
    /// Whether the samples are floats.
    pub float: bool,
    /// Speaker mask in the bits of `WAVEFORMATEXTENSIBLE`, where the file states one.
    pub channel_mask: Option<u32>,
    /// Frames, where they are known before decoding.
    pub frames: Option<u64>,
}

impl Format {
    /// The distance of two neighbouring sample values; 0 where they lie on no grid.
    pub fn lsb(&self) -> f64 {
        if self.float || self.is_lossy() || self.bits == 0 {
            0.0
        } else {
            2f64.powi(1 - i32::from(self.bits))
        }
    }

    /// Whether the codec is lossy.
    pub fn is_lossy(&self) -> bool {
        self.codec.is_lossy()
    }

    /// Refuses channel counts and rates that no sound has.
    pub(crate) fn check(&self) -> Result<(), Error> {
        check_layout(self.channels, self.rate_hz)
    }
}

/// Refuses channel counts and rates that no sound has, when reading and when writing.
pub(crate) fn check_layout(channels: u16, rate_hz: u32) -> Result<(), Error> {
    if !(1..=MOST_CHANNELS).contains(&channels) {
        return Err(Error::limit("channels", format!("1 to {MOST_CHANNELS}"), channels));
    }
    if !(1..=MOST_RATE_HZ).contains(&rate_hz) {
        return Err(Error::limit("Hz", format!("1 to {MOST_RATE_HZ}"), rate_hz));
    }
    Ok(())
}

/// The container of a file that is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// WAV, RF64 past 4 GiB.
    Wav,
    /// AIFF, AIFF-C for floats.
    Aiff,
    /// CAF.
    Caf,
    /// FLAC; integers only.
    Flac,
}

/// How samples are stored by a writer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleKind {
    /// 16-bit integers.
    I16,
    /// 24-bit integers.
    I24,
    /// 32-bit integers.
    I32,
    /// 32-bit floats.
    F32,
    /// 64-bit floats.
    F64,
}

impl SampleKind {
    /// Bits a sample.
    pub fn bits(self) -> u32 {
        match self {
            Self::I16 => 16,
            Self::I24 => 24,
            Self::I32 | Self::F32 => 32,
            Self::F64 => 64,
        }
    }

    /// Whether samples are floats.
    pub fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    /// Bytes a sample.
    pub fn bytes(self) -> usize {
        self.bits() as usize / 8
    }
}
