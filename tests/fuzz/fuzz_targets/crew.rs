//! One target of `cargo xtask fuzz`; what it checks is `checks::crew` in `src/lib.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| spinover_fuzz::crew(data));
