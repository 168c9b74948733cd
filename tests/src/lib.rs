//! Shared set-up of the black-box and reference tests.
