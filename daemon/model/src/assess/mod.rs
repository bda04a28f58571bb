//! One exam compared with the baseline of the patient's own earlier exams.
//!
//! In: a [`Question`], or a [`History`] for all exams of a patient. Out: an [`Assessment`]. Reading
//! order: `summary` (readings of one eye become one value), `planes` and `eligible` (which exams
//! may serve), `covariance` and `predict` (what to expect today), `screen` (baseline exams that do
//! not fit), `verdict` (status), `compare` (all of it in order), `chain` (exam after exam). Beside the
//! comparison stands its `course`: `growth`, `threshold`, `since_last`, `trend`, and `after_event`, which can
//! raise the status: `pair` holds two exams against each other, `since_event` finds the exams since.

mod after_event;
mod answer;
mod arithmetic;
mod chain;
mod compare;
mod course;
mod covariance;
mod doubts;
mod eligible;
mod gls;
mod growth;
mod known;
mod model;
mod normal;
mod notice;
mod pair;
pub mod parameters;
mod planes;
mod predict;
mod question;
mod remarks;
pub(crate) mod rounded;
mod screen;
mod since_event;
mod since_last;
pub mod status;
mod summary;
mod threshold;
mod trend;
mod verdict;
pub mod words;

#[cfg(test)]
mod tests;

pub use after_event::{AfterEvent, AfterState, Difference, Happened, HappenedKind, Nadir};
pub use answer::{
    Arithmetic, Assessment, Basis, Comparison, DecidedBy, ExamWorking, EyeWorking, Fit,
    Observation, Row, Rows,
};
#[cfg(test)]
pub(crate) use chain::flags_without_doubts;
pub use chain::{assess, assess_all, assess_with_course, explain, explain_all};
pub use course::Course;
pub use growth::{Growth, age_words};
pub use known::{Counted, Entry, KnownErrors, KnownOffset, Roster};
pub use notice::{Notice, Reason, SetAside, Unused, Why};
pub use parameters::{ParameterError, Parameters, Unlabelled};
pub use question::{Exam, History, Modality, PerEye, Question, QuestionError, Subject};
pub use since_last::{Apart, Flags, NotSinceLast, SinceLast};
pub use status::Status;
pub use threshold::{Episode, Place, Position, Threshold, ThresholdEstimate};
pub use trend::{ChangePoint, Trend};
