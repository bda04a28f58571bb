//! A number, or how far the data are from giving one.

use serde::{Serialize, Serializer};

/// What was estimated; with too few data nothing is, and the counts say so.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Enough<T> {
    /// There were enough data.
    Yes(T),
    /// There were not.
    No(NotEnough),
}

/// In JSON `{"not_enough": 3, "needed": 10}`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct NotEnough {
    /// How many there are.
    #[serde(rename = "not_enough")]
    pub have: usize,
    /// How many it takes.
    pub needed: usize,
}

impl<T> Enough<T> {
    /// Estimates when there are at least `needed` of `have`, and when the estimate exists.
    pub(super) fn of(have: usize, needed: usize, estimate: impl FnOnce() -> Option<T>) -> Self {
        let none = Enough::No(NotEnough { have, needed });
        if have >= needed {
            estimate().map_or(none, Enough::Yes)
        } else {
            none
        }
    }

    /// The estimate, if there is one.
    pub fn yes(&self) -> Option<&T> {
        match self {
            Enough::Yes(value) => Some(value),
            Enough::No(_) => None,
        }
    }
}

impl std::fmt::Display for NotEnough {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "not enough ({} of {})", self.have, self.needed)
    }
}

impl<T: Serialize> Serialize for Enough<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Enough::Yes(value) => value.serialize(serializer),
            Enough::No(counts) => counts.serialize(serializer),
        }
    }
}
