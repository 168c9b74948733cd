//! The `loadin` executable.
fn main() {}
