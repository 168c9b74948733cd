//! The work on a delivery: list, survey, plan, render, seal, and what comes after.
//!
//! *Invariants:* a delivery is only read; nothing here prints, reads an argument or a variable of the environment.
//! The folders stand on floors, the lowest first; each imports only from those before it.

pub mod work;

pub mod source;

mod survey;

pub mod stated;

mod journal;

pub mod output;

pub mod render;

pub mod run;

pub mod after;
pub mod units;
