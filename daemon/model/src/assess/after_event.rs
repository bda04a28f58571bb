//! The time since an event: narrowing, returned, settled at another width, or rising again.
//!
//! The comparison itself allows for a lasting shift (`sigma_step`) and so cannot say whether there
//! is one. Here the same readings are compared without that allowance, and all exams since the event
//! count, not today's alone.

mod found;
mod level;
mod sentence;

pub(super) use found::after_event;

use super::{Status, rounded};
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// The time since the last event: where it has led, and what today adds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AfterEvent {
    /// First day of the last event; those with no eligible exam between them count as one.
    pub event: NaiveDate,
    /// What happened then, oldest first; empty only in results made before it was told.
    #[serde(default)]
    pub what: Vec<Happened>,
    /// What is known of the time since.
    pub state: AfterState,
    /// Ids of the newest forty exams since the event, this one included and the exam at the event left
    /// out, oldest first; empty only in results made before they were told.
    #[serde(default)]
    pub exams: Vec<String>,
    /// First exam after the event that serves as baseline: the new baseline starts there.
    pub new_baseline: Option<NaiveDate>,
    /// Earliest day on which an exam can start a new baseline.
    pub new_baseline_from: NaiveDate,
    /// The level since the event minus what the baseline from before it leads one to expect; `None`
    /// without one of the two.
    #[serde(default)]
    pub level: Option<Difference>,
    /// Ids of the exams that this level is pooled from, oldest first.
    #[serde(default)]
    pub level_exams: Vec<String>,
    /// Today alone minus what the baseline from before the event leads one to expect; `None` without
    /// one.
    pub residual: Option<Difference>,
    /// Today minus what the exam at the event, or the first one after it, leads one to expect;
    /// `None` without such an exam.
    pub since: Option<Difference>,
    /// Today minus the last exam since the event, or at it, that lies above today by more than error;
    /// `None` when there is none.
    #[serde(default)]
    pub narrowed: Option<Difference>,
    /// Today beside the narrowest exam since the event; `None` without an earlier one.
    #[serde(default)]
    pub nadir: Option<Nadir>,
    /// Day of the first exam since the event by which the width had returned; what rises after it is new.
    #[serde(default)]
    pub returned_on: Option<NaiveDate>,
    /// Ids of the exams proposed as the new baseline, oldest first; they serve once a person has
    /// labelled them.
    #[serde(default)]
    pub proposed_baseline: Vec<String>,
    /// Width under which a remainder counts as gone, mm: `returned_margin`.
    #[serde(serialize_with = "rounded::plain")]
    pub margin_mm: f64,
}

/// One fact that the time of a patient is divided by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Happened {
    /// The day.
    pub date: NaiveDate,
    /// What it was.
    pub kind: HappenedKind,
}

/// A recorded event, or what the label of an exam tells of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HappenedKind {
    /// An exam is labelled as taken while raised pressure was confirmed.
    RaisedConfirmed,
    /// Surgery that changes the flow of cerebrospinal fluid.
    CsfSurgery,
    /// Revision of a shunt.
    ShuntRevision,
    /// Another recorded event.
    Other,
    /// An exam is labelled as taken after the pressure had been relieved.
    AfterDecompression,
}

/// Today beside the narrowest exam since the event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Nadir {
    /// Id of that exam.
    pub exam: String,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Earlier exams since the event that today was held against: the limit is that of the largest of
    /// so many differences.
    pub comparisons: usize,
    /// Today minus that exam, growth in between taken off, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// SD of the difference in a patient in whom nothing happened in between, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// Difference from which on today counts as wider, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub limit_mm: f64,
    /// Difference from which on it counts as much wider, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub well_limit_mm: f64,
    /// What it says on its own: within, above or well above expected.
    pub status: Status,
}

/// A difference with its own interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Day of the last exam compared with.
    pub with: NaiveDate,
    /// Exams compared with.
    pub exams: usize,
    /// Measured minus expected, of both eyes or the only eye compared, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// SD of the difference, without an allowance for a lasting shift, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// mm - `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub lower_mm: f64,
    /// mm + `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub upper_mm: f64,
}

/// What is known of the time after an event. Tested in this order; the first that holds is told, so
/// that no state can hide a new rise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AfterState {
    /// Today exceeds the narrowest exam since the event by more than error: a rise, whatever the
    /// baseline from before the event says.
    WideningAgain,
    /// No exam lies beyond the days after the event in which nothing is settled.
    TooEarly,
    /// The upper limit of what may be left of the event lies below the margin.
    Returned,
    /// An exam since the event, or at it, lies above today by more than error, and the exams since then
    /// do not span the time after which a level counts as settled.
    #[serde(alias = "recovering")]
    Narrowing,
    /// The whole interval of the new level lies above the old one, over at least two exams and the time
    /// after which a level counts as settled.
    SettledWider,
    /// None of these: the numbers stand alone.
    #[serde(alias = "residual", alias = "undecided")]
    Unclear,
}

impl AfterState {
    /// All of them, in the order in which they are tested.
    pub const ALL: [AfterState; 6] = [
        AfterState::WideningAgain,
        AfterState::TooEarly,
        AfterState::Returned,
        AfterState::Narrowing,
        AfterState::SettledWider,
        AfterState::Unclear,
    ];

    /// The word used in JSON and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            AfterState::WideningAgain => "widening_again",
            AfterState::TooEarly => "too_early",
            AfterState::Returned => "returned",
            AfterState::Narrowing => "narrowing",
            AfterState::SettledWider => "settled_wider",
            AfterState::Unclear => "unclear",
        }
    }
}
