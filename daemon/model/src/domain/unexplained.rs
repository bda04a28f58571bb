//! Codes and labels that stand in the way of a value and that nobody explains.

use super::Eye;
use serde::{Deserialize, Serialize};

/// One code or label of a report that nobody explains: what whoever knows the scanner needs to explain
/// it. All texts are the sender's own and are never used to read a value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unexplained {
    /// Code Value; empty for numbers that have no concept name, and for a label.
    pub code: String,
    /// Coding Scheme Designator; empty likewise.
    pub scheme: String,
    /// Code Meaning of its first place, or the text of a label; empty where it has none.
    pub meaning: String,
    /// What it stands for in the report.
    pub role: CodeRole,
    /// Places that it was met at; a code around several numbers stands at one place.
    pub times: usize,
    /// Its further Code Meanings, each once, at most [`Unexplained::CALLED`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub called: Vec<String>,
    /// Eyes that codes say around its places, each once: what a guess of its side must not speak
    /// against.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sides: Vec<Eye>,
    /// Its first places, at most [`Unexplained::EXAMPLES`].
    pub examples: Vec<CodeExample>,
}

impl Unexplained {
    /// Places of one code that a reading keeps.
    pub const EXAMPLES: usize = 2;
    /// Further meanings of one code that a reading keeps.
    pub const CALLED: usize = 16;
}

/// What a code stands for. The same code can stand for several things; each is listed by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CodeRole {
    /// It names a number.
    Number,
    /// It says something of numbers that none of the roles below tells: a finding, a kind of imaging.
    /// Readings stored before there were these roles have it for all of them.
    Context,
    /// The unit of a number.
    Unit,
    /// It names a container around a number, which is not the root.
    Section,
    /// It names a modifier, property or context of a number: the sender's own word for a side or site.
    Item,
    /// The value of a Finding Site.
    Site,
    /// The value of a Topographical Modifier: which part of the site.
    Part,
    /// The value of a Laterality.
    Side,
    /// The value of an orientation or view.
    Plane,
    /// The value of a Derivation or Selection Status.
    Derivation,
    /// The value of a Measurement Method.
    Method,
    /// Which borders the caliper touched.
    Definition,
    /// The value of an item whose own name nobody explains.
    Value,
    /// A text beside a number with a general name that no `[[label]]` lists. It is the meaning; code and
    /// scheme are empty.
    Label,
}

impl CodeRole {
    /// Every one.
    pub const ALL: [CodeRole; 14] = [
        CodeRole::Number,
        CodeRole::Context,
        CodeRole::Unit,
        CodeRole::Section,
        CodeRole::Item,
        CodeRole::Site,
        CodeRole::Part,
        CodeRole::Side,
        CodeRole::Plane,
        CodeRole::Derivation,
        CodeRole::Method,
        CodeRole::Definition,
        CodeRole::Value,
        CodeRole::Label,
    ];

    /// The one that is written so.
    #[must_use]
    pub fn from_word(word: &str) -> Option<CodeRole> {
        CodeRole::ALL.into_iter().find(|one| one.word() == word)
    }

    /// The word that it is written as.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            CodeRole::Number => "number",
            CodeRole::Context => "context",
            CodeRole::Unit => "unit",
            CodeRole::Section => "section",
            CodeRole::Item => "item",
            CodeRole::Site => "site",
            CodeRole::Part => "part",
            CodeRole::Side => "side",
            CodeRole::Plane => "plane",
            CodeRole::Derivation => "derivation",
            CodeRole::Method => "method",
            CodeRole::Definition => "definition",
            CodeRole::Value => "value",
            CodeRole::Label => "label",
        }
    }
}

/// One place of a code.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CodeExample {
    /// Ordinals of the item.
    pub place: String,
    /// Value and unit as sent, of a number that it names, is the unit of or stands beside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Meaning of the name of the item that it is the value or text of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub given_as: Option<String>,
    /// Its Code Meaning here, where it is another than at its first place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meaning: Option<String>,
    /// The code, `value scheme`, of the item that it is the value of, else of the container that it
    /// stands in, unless that is the root.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within: Option<String>,
    /// Eyes that codes say around this place.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sides: Vec<Eye>,
}
