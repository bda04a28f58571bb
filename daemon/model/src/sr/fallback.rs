//! The character set that a site knows of its sender, for reports that declare none.

use super::charset::{self, Charset, Word};
use serde::{Serialize, Serializer};

/// A value of Specific Character Set (0008,0005), every term of it known (PS3.3 C.12.1.1.2).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FallbackCharset(String);

impl FallbackCharset {
    /// A defined term, or several joined by backslashes; `None` when one is unknown.
    #[must_use]
    pub fn of(terms: &str) -> Option<Self> {
        let charset = Charset::of(terms);
        (charset.known && charset.word == Word::Declared).then(|| FallbackCharset(terms.to_owned()))
    }

    /// As Specific Character Set writes it.
    #[must_use]
    pub fn terms(&self) -> &str {
        &self.0
    }

    /// The defined terms that can stand alone.
    pub fn single_terms() -> impl Iterator<Item = &'static str> {
        charset::SINGLE.iter().map(|(term, _)| *term)
    }

    /// The term for an encoding by the name that other trades give it, as `utf-8` or `latin1`.
    #[must_use]
    pub fn term_for(label: &str) -> Option<&'static str> {
        let encoding = encoding_rs::Encoding::for_label(label.as_bytes())?;
        let mut terms = charset::SINGLE.iter();
        terms.find(|(_, of)| *of == encoding).map(|(term, _)| *term)
    }
}

impl Serialize for FallbackCharset {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

#[cfg(test)]
mod tests;
