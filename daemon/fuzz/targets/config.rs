//! Text of a configuration file: mistakes with their places, or a configuration.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline::config::Config;

fuzz_target!(|text: &str| {
    match Config::from_text("site.toml", text) {
        Ok(mut config) => config.resolve("/etc".as_ref()),
        Err(mistakes) => {
            assert!(!mistakes.is_empty());
            for mistake in mistakes {
                assert!(mistake.line > 0 && mistake.column > 0 && !mistake.to_string().is_empty());
            }
        }
    }
});
