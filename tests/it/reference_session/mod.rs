//! The meaning of a delivery against what stands outside the project: the naming rules of file systems, Unicode,
//! the time stamps of Broadcast WAV, and the facts of the trade.

mod demo;
mod names;
mod stamps;
