//! Codes that look like ours and that nobody explains.

use serde::{Deserialize, Serialize};

/// One code of a report that nobody explains: what whoever knows the scanner needs to explain it. All
/// texts are the sender's own and are never used to read a value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unexplained {
    /// Code Value; empty for numbers that have no concept name.
    pub code: String,
    /// Coding Scheme Designator.
    pub scheme: String,
    /// Code Meaning of its first place; empty where it has none.
    pub meaning: String,
    /// What it stands for in the report.
    pub role: CodeRole,
    /// Numbers that it was met at.
    pub times: usize,
    /// Its first places, at most [`Unexplained::EXAMPLES`].
    pub examples: Vec<CodeExample>,
}

impl Unexplained {
    /// Places of one code that a reading keeps.
    pub const EXAMPLES: usize = 2;
}

/// What a code stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CodeRole {
    /// It names a number.
    Number,
    /// It says something of numbers: a site, a modifier, a group.
    Context,
}

/// One place of a code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CodeExample {
    /// Ordinals of the item.
    pub place: String,
    /// Value and unit as sent, of a number of this name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Meaning of the name of the coded item that it is the value of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub given_as: Option<String>,
    /// Its Code Meaning here, where it is another than at its first place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meaning: Option<String>,
}
