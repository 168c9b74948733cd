//! The codec against what stands outside the project: published files and layouts, independent readers, and every
//! kind of broken header that is known from the wild.

mod aiff;
mod bext;
mod contradictions;
mod damaged;
pub(crate) mod fixture;
pub(crate) mod flac;
mod hostile;
mod long_files;
pub(crate) mod mp4;
mod mutated;
mod open_files;
pub(crate) mod other_formats;
mod read_back;
