//! Things a reader must know, each with a stable code.

mod codes;

pub use codes::RemarkCode;

use serde::{Deserialize, Serialize};

/// How much a remark matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing.
    Info,
    /// Reduces trust in the value.
    Caution,
    /// The value or object is not used because of it.
    Blocking,
}

/// One thing a reader must know about an object, a measurement or an assessment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// What kind of remark it is.
    pub code: RemarkCode,
    /// How much it matters.
    pub severity: Severity,
    /// Place in the object: ordinals (`1.3.2`), a tag or a byte offset.
    pub place: Option<String>,
    /// One plain sentence.
    pub text: String,
    /// What a person can do about it.
    pub action: Option<String>,
}

impl Remark {
    /// A remark as grave as its code says; text one plain sentence.
    pub fn of(code: RemarkCode, text: impl Into<String>) -> Self {
        Remark {
            severity: code.severity(),
            code,
            place: None,
            text: text.into(),
            action: None,
        }
    }

    /// As grave as its place makes it.
    #[must_use]
    pub fn with(mut self, severity: Severity) -> Self {
        self.severity = severity;
        self
    }

    /// Adds the place.
    #[must_use]
    pub fn at(mut self, place: impl Into<String>) -> Self {
        self.place = Some(place.into());
        self
    }

    /// Adds what a person can do.
    #[must_use]
    pub fn act(mut self, action: impl Into<String>) -> Self {
        self.action = Some(action.into());
        self
    }
}
