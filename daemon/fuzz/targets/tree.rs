//! Whole files through gate, decoder, extraction and normalisation: nothing is lost, and what is
//! refused says why.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline_model::domain::{Disposition, Severity};
use sheathline_model::reading::{Rules, read_object};
use sheathline_model::template::Templates;
use std::sync::LazyLock;

const LOCAL: &str = include_str!("../../../fixtures/sr/local-codes/dictionary.toml");

static RULES: LazyLock<Rules> = LazyLock::new(|| {
    let site = [("site.toml".to_owned(), LOCAL.to_owned())];
    Rules::new(Templates::load(&[], &site).expect("sound"))
});

fuzz_target!(|file: &[u8]| {
    let reading = read_object(file, None, "FUZZ", &RULES);
    let all = reading.measurements.iter().flat_map(|one| &one.remarks);
    let blocked = all
        .chain(&reading.remarks)
        .any(|remark| remark.severity == Severity::Blocking && !remark.text.is_empty());
    assert!(blocked || reading.disposition != Disposition::Quarantined);
    serde_json::to_string(&reading).expect("a JSON line");
});
