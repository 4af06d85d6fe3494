//! App.
fn main() {}
