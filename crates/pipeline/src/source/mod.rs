//! Where sound comes from: the files of a delivery and the entries of archives, listed, opened, digested. Nothing is written.

pub(crate) mod archive;
pub(crate) mod digesting;
pub(crate) mod file;
pub(crate) mod inflate;
mod link;
pub(crate) mod sample_digest;
pub(crate) mod window;

pub mod scan;
