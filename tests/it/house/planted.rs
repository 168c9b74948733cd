//! planted
