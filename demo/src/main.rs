//! Makes the invented demo delivery.
fn main() {}
