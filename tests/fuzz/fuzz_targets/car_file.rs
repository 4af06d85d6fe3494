//! One target of `cargo xtask fuzz`; what it checks is `checks::car_file` in `src/lib.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| spinover_fuzz::car_file(data));
