//! Shared set-up of the benches.
