//! What the pages need to know and can be tested without a browser: numbers, traces, waits, calls, addresses. No I/O.

pub mod air_then;
pub mod alarms;
pub mod calls;
pub mod draft;
pub mod keys;
pub mod playback;
pub mod route;
pub mod season;
pub mod show;
pub mod suggest;
pub mod trace;
pub mod turnaround;
pub mod waits;
