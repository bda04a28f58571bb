//! The answer in one word. None of them is "normal".

use serde::{Deserialize, Serialize};

/// How an exam, or one row of it, compares with the patient's own baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// Inside the interval; a rise smaller than the change needed for a flag is not excluded.
    WithinExpected,
    /// Above the first limit.
    AboveExpected,
    /// Above the second limit.
    WellAboveExpected,
    /// Below the lower limit.
    BelowExpected,
    /// Nothing to compare with; never replaced by a population figure.
    NoBaseline,
    /// There is something, but a comparison would mislead; the reason says why.
    NotComparable,
}

impl Status {
    /// All of them, in the order of a legend.
    pub const ALL: [Status; 6] = [
        Status::WithinExpected,
        Status::AboveExpected,
        Status::WellAboveExpected,
        Status::BelowExpected,
        Status::NoBaseline,
        Status::NotComparable,
    ];

    /// The word used in JSON and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Status::WithinExpected => "within_expected",
            Status::AboveExpected => "above_expected",
            Status::WellAboveExpected => "well_above_expected",
            Status::BelowExpected => "below_expected",
            Status::NoBaseline => "no_baseline",
            Status::NotComparable => "not_comparable",
        }
    }

    /// Whether the status is a flagged rise.
    #[must_use]
    pub fn flagged(self) -> bool {
        matches!(self, Status::AboveExpected | Status::WellAboveExpected)
    }
}
