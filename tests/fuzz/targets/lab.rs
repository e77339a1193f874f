#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| dosewright::cli::fuzzed::lab(data));
