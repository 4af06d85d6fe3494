//! One target of `cargo xtask fuzz`; what it checks is `checks::hub_frames` in `src/lib.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| spinover_fuzz::hub_frames(data));
