//! Which eye a value belongs to, and the honest answer when nobody can tell.

use serde::{Deserialize, Serialize};

/// One eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Eye {
    /// The patient's right eye.
    Right,
    /// The patient's left eye.
    Left,
}

impl Eye {
    /// Both eyes, in the order every table and matrix of the project uses.
    pub const BOTH: [Eye; 2] = [Eye::Right, Eye::Left];

    /// The word used in JSON and in sentences.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Eye::Right => "right",
            Eye::Left => "left",
        }
    }

    /// The fellow eye.
    #[must_use]
    pub fn other(self) -> Eye {
        match self {
            Eye::Right => Eye::Left,
            Eye::Left => Eye::Right,
        }
    }
}

/// The eye of a measurement, where "cannot be told" is an answer and never a default.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Laterality {
    /// Every source that speaks says right.
    Right,
    /// Every source that speaks says left.
    Left,
    /// No source speaks, or two contradict each other; a remark says which.
    Unresolved,
}

impl Laterality {
    /// The eye, when it is known.
    #[must_use]
    pub fn eye(self) -> Option<Eye> {
        match self {
            Laterality::Right => Some(Eye::Right),
            Laterality::Left => Some(Eye::Left),
            Laterality::Unresolved => None,
        }
    }

    /// The word used in JSON and in sentences.
    #[must_use]
    pub fn word(self) -> &'static str {
        // A word of its own: an empty one would read as "no eye asked for".
        self.eye().map_or("unresolved", Eye::word)
    }
}

impl From<Eye> for Laterality {
    fn from(eye: Eye) -> Self {
        match eye {
            Eye::Right => Laterality::Right,
            Eye::Left => Laterality::Left,
        }
    }
}
