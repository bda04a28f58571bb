//! Text of a template: mistakes or a template that reads reports without harm.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline_model::reading::{Rules, read_object};
use sheathline_model::template::Templates;

const REPORT: &[u8] = include_bytes!("../../../fixtures/sr/tid1500/report.dcm");

fuzz_target!(|text: &str| {
    let extra = [("template.toml".to_owned(), text.to_owned())];
    match Templates::load(&extra, &[]) {
        Ok(templates) => drop(read_object(REPORT, None, "", &Rules::new(templates))),
        Err(mistakes) => {
            assert!(!mistakes.is_empty());
            for mistake in mistakes {
                assert!(mistake.line > 0 && mistake.column > 0 && !mistake.to_string().is_empty());
            }
        }
    }
});
