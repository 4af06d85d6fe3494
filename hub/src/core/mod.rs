//! The one truth: a deterministic state machine, `(state, now, input) -> outputs`. No I/O, no clock, no threads, no hash order.
pub mod feed;
