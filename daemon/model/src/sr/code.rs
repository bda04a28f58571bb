//! Coded concepts, compared by value and scheme and never by meaning.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A coded concept as sent (PS3.3 section 8).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Code {
    /// Code Value, Long Code Value or URN Code Value.
    pub value: String,
    /// Coding Scheme Designator.
    pub scheme: String,
    /// Code Meaning: display text, never used for matching.
    pub meaning: String,
    /// Equivalent codes given beside it (Equivalent Code Sequence), same form.
    pub equivalents: Vec<Code>,
}

/// What makes two codes the same concept: folded scheme and value.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CodeKey {
    /// Scheme, with the names of retired SNOMED-RT style codes folded to `SRT`.
    pub scheme: String,
    /// Code value.
    pub value: String,
}

impl CodeKey {
    /// Key of a value in a scheme. `SNM3` and `99SDM` are older names of `SRT` (PS3.16 8.1).
    #[must_use]
    pub fn new(value: &str, scheme: &str) -> Self {
        let (value, scheme) = folded(value, scheme);
        CodeKey {
            scheme: scheme.to_owned(),
            value: value.to_owned(),
        }
    }
}

fn folded<'a>(value: &'a str, scheme: &'a str) -> (&'a str, &'a str) {
    let scheme = match scheme.trim() {
        "SNM3" | "99SDM" => "SRT",
        other => other,
    };
    (value.trim(), scheme)
}

impl Code {
    /// Value and scheme of its [`CodeKey`].
    pub(crate) fn folded(&self) -> (&str, &str) {
        folded(&self.value, &self.scheme)
    }

    /// The key of the code itself.
    #[must_use]
    pub fn key(&self) -> CodeKey {
        CodeKey::new(&self.value, &self.scheme)
    }

    /// The key of the code, then those of its equivalents.
    pub fn keys(&self) -> impl Iterator<Item = CodeKey> + '_ {
        std::iter::once(self.key()).chain(self.equivalents.iter().map(Code::key))
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.scheme)
    }
}
