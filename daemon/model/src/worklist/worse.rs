//! Whether a rise is worse than the one that somebody has seen.

use super::VersionFacts;
use crate::annotations::Entry;
use crate::assess::{Assessment, Status, rounded};
use crate::results::numbers;
use serde::{Deserialize, Serialize};

/// By so much a change grows through error alone: the SD of one reading within an exam, as the default
/// of `[baseline] sigma_w`. Small, since a rise that is shown once more costs a look, and one that is
/// not shown may cost more.
pub const ERROR_MM: f64 = 0.20;

/// How grave a rise is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Weight {
    /// It is well above what was expected, not only above.
    pub well_above: bool,
    /// The change of the row that decided, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub change_mm: Option<f64>,
}

impl Weight {
    /// Of a flagged answer.
    #[must_use]
    pub fn of(assessment: &Assessment) -> Self {
        let compared = assessment.decided().and_then(|(_, row)| row.comparison);
        Weight {
            well_above: assessment.status == Status::WellAboveExpected,
            change_mm: compared.map(|one| one.change_mm),
        }
    }

    /// Whether it is worse than another one: well above where that was above, or a change that is larger
    /// by more than error.
    #[must_use]
    pub fn is_worse_than(self, other: Weight) -> bool {
        let grown = match (self.change_mm, other.change_mm) {
            (Some(now), Some(then)) => now - then > ERROR_MM,
            // Nobody saw a number.
            (Some(_), None) => true,
            (None, _) => false,
        };
        grown || self.well_above && !other.well_above
    }

    fn words(self) -> String {
        let status = if self.well_above {
            "well above expected"
        } else {
            "above expected"
        };
        match self.change_mm {
            Some(change) => format!("{status}, change {} mm", numbers::signed(change)),
            None => status.to_owned(),
        }
    }
}

impl VersionFacts {
    pub(super) fn is_worse_than(&self, other: &VersionFacts) -> bool {
        match (self.flagged, other.flagged) {
            (Some(now), Some(then)) => now.is_worse_than(then),
            (Some(_), None) => true,
            (None, _) => false,
        }
    }
}

/// Why a rise is new although somebody has seen it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Worse {
    /// The version that was seen.
    pub version: u32,
    /// By whom.
    pub by: String,
    /// What it said.
    pub was: Weight,
    /// What the newest says.
    pub now: Weight,
}

impl Worse {
    pub(super) fn of(entry: &Entry, seen: &VersionFacts, newest: &VersionFacts) -> Option<Self> {
        Some(Worse {
            version: seen.version,
            by: entry.by.author.name().to_owned(),
            was: seen.flagged?,
            now: newest.flagged?,
        })
    }

    /// In words.
    #[must_use]
    pub fn sentence(&self) -> String {
        let Worse {
            version,
            by,
            was,
            now,
        } = self;
        let by = match by.as_str() {
            "" => "somebody",
            by => by,
        };
        format!(
            "worse than what {by} saw: version {version} said {}; now {}",
            was.words(),
            now.words()
        )
    }
}
