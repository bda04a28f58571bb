//! Things a reader must know, each with a stable code.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

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
    /// Stable code in kebab case, listed in the manual.
    pub code: Cow<'static, str>,
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
    /// A remark of the given severity; code in kebab case, text one plain sentence.
    pub fn new(code: &'static str, severity: Severity, text: impl Into<String>) -> Self {
        Remark {
            code: Cow::Borrowed(code),
            severity,
            place: None,
            text: text.into(),
            action: None,
        }
    }

    /// Worth knowing.
    pub fn info(code: &'static str, text: impl Into<String>) -> Self {
        Self::new(code, Severity::Info, text)
    }

    /// Reduces trust.
    pub fn caution(code: &'static str, text: impl Into<String>) -> Self {
        Self::new(code, Severity::Caution, text)
    }

    /// Not used because of it.
    pub fn blocking(code: &'static str, text: impl Into<String>) -> Self {
        Self::new(code, Severity::Blocking, text)
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
