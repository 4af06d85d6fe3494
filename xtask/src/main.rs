//! Tasks.
fn main() {}
