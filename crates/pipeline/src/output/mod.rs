//! The output folder: who may write there, what is in it, how it is packed. It knows no audio.

pub(crate) mod audio_folder;
pub(crate) mod bag;
pub(crate) mod checksums;
pub(crate) mod error;
pub(crate) mod papers;
pub(crate) mod prepared;

pub mod difference;
pub mod folder;
pub mod manifest_file;
