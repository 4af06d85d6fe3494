//! The `spinover` command: wiring only.
fn main() {}
