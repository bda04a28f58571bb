//! Why an act cannot be prepared.

use super::NotOne;
use sheathline_model::annotations::NotTaken;
use sheathline_model::results::ResultError;
use sheathline_store::StoreError;

/// An exam that an order names and that cannot be meant.
#[derive(Debug)]
pub struct Unfound {
    /// Number of the order.
    pub order: usize,
    /// Why not.
    pub why: NotMeant,
}

/// Why not.
#[derive(Debug, thiserror::Error)]
pub enum NotMeant {
    /// The name means no exam, or no single one.
    #[error(transparent)]
    NotOne(#[from] NotOne),
    /// The order of this number says something of the same kind of it.
    #[error("another line names the same exam")]
    Again(usize),
}

/// Why an act cannot be prepared.
#[derive(Debug, thiserror::Error)]
pub enum ActError {
    /// Exams that cannot be meant: at least one.
    #[error("{}", .0.first().map(|one| one.why.to_string()).unwrap_or_default())]
    Unfound(Vec<Unfound>),
    /// An event of nobody.
    #[error("the store does not know that patient")]
    NoPatient,
    /// An event is to be taken back that is not recorded.
    #[error("no such event is recorded")]
    NoEvent,
    /// The day of an event cannot be right; in words.
    #[error("{0}")]
    Day(String),
    /// No entry has this number.
    #[error("there is no entry {0}; `entries PATIENT` shows those of a patient")]
    NoEntry(i64),
    /// A rise is to be acknowledged or settled that never was.
    #[error(
        "exam {0} has no rise: none of the versions of its result is flagged. There is nothing to \
         acknowledge or to settle"
    )]
    NoRise(String),
    /// A newer version than the one that was shown stands.
    #[error(
        "exam {exam}: version {newest} of the result has come since version {shown} was shown, and says: \
         {says}. Look at it first"
    )]
    Newer {
        /// The exam.
        exam: String,
        /// What was shown.
        shown: u32,
        /// What stands.
        newest: u32,
        /// What that says.
        says: String,
    },
    /// A second reading is to be judged that is not there.
    #[error("exam {0} has no second reading to be judged")]
    NoSecond(String),
    /// A second reading without a value.
    #[error("a second reading holds at least one value")]
    EmptySecond,
    /// It needs a reason; in words.
    #[error("a reason is missing: {0}")]
    Reason(&'static str),
    /// The entry cannot be taken back.
    #[error(transparent)]
    NotTaken(#[from] NotTaken),
    /// What it would do to the results cannot be worked out.
    #[error(transparent)]
    Result(#[from] ResultError),
    /// The same.
    #[error(transparent)]
    Json(#[from] serde_json::Error),
    /// The store cannot say.
    #[error(transparent)]
    Store(#[from] StoreError),
}
