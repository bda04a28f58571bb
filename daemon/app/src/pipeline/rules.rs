//! Short names of what results depend on beside what is stored.

use sha2::{Digest, Sha256};
use sheathline_model::reading::Rules;
use sheathline_model::results::Site;

/// Of what readings depend on, and of what assessments do.
pub(super) fn names(rules: &Rules, site: &Site) -> (String, String) {
    let reading = fingerprint(&(
        rules.templates.fingerprint(),
        rules.technique,
        rules.plausible,
        rules.documents,
        &rules.charsets,
        rules.presentation_states,
        env!("CARGO_PKG_VERSION"),
    ));
    let assessing = fingerprint(&(site.parameters, site.technique, site.context));
    (reading, assessing)
}

/// Of both, with the version of the program: daemons that share a store and differ in it contradict each
/// other.
#[must_use]
pub fn rules_word(rules: &Rules, site: &Site) -> String {
    let (reading, assessing) = names(rules, site);
    format!("{} {reading} {assessing}", env!("CARGO_PKG_VERSION"))
}

/// A short name of a value; equal for equal values.
fn fingerprint(value: &impl std::fmt::Debug) -> String {
    let hash = Sha256::digest(format!("{value:?}").as_bytes());
    hash.iter()
        .take(16)
        .fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"))
}
