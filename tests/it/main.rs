//! Black-box and reference tests of the whole program. One folder a subject.

mod job;
mod reference_codec;
