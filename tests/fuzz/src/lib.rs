//! What must hold for any bytes whatever, one function a fuzz target: nothing panics, and what comes out is sound.
//!
//! `cargo xtask fuzz` runs them under libFuzzer; `tests/tests/fuzz_seeds.rs` runs them once over `tests/fuzz/seeds`, where the
//! inputs that once broke something are kept.

mod files;
mod pit;
mod readings;

pub use files::{book_import, car_file, sheet_file};
pub use pit::{client_frames, crew, hub_frames};
pub use readings::{candump, dbc, lines, nmea, replay, source_spec};

/// One check: arbitrary bytes in, a panic when something is wrong.
pub type Check = fn(&[u8]);

/// Every check by the name of its target.
pub const ALL: [(&str, Check); 12] = [
    ("book_import", book_import),
    ("candump", candump),
    ("car_file", car_file),
    ("client_frames", client_frames),
    ("crew", crew),
    ("dbc", dbc),
    ("hub_frames", hub_frames),
    ("lines", lines),
    ("nmea", nmea),
    ("replay", replay),
    ("sheet_file", sheet_file),
    ("source_spec", source_spec),
];
