//! All bytes of one association, from the request on.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline::config::DicomSettings;
use sheathline::receive::rehearse::rehearse;
use std::sync::LazyLock;

static SETTINGS: LazyLock<DicomSettings> = LazyLock::new(DicomSettings::default);

fuzz_target!(|bytes: &[u8]| {
    let _ = rehearse(bytes, &SETTINGS);
});
