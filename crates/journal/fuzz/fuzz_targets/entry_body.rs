#![no_main]
#[path = "../src/harness.rs"]
#[allow(dead_code)]
mod harness;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    harness::entry_body(data);
});
