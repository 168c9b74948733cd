//! The codec against what stands outside the project: published files and layouts, independent readers, and every
//! kind of broken header that is known from the wild.

mod aiff;
mod bext;
mod damaged;
mod fixture;
pub(crate) mod flac;
mod hostile;
mod long_files;
mod other_formats;
mod read_back;
