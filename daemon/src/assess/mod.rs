//! One exam compared with the baseline of the patient's own earlier exams.
//!
//! In: a [`Question`], or a [`History`] for all exams of a patient. Out: an [`Assessment`]. Reading
//! order: `summary` (readings of one eye become one value), `planes` and `eligible` (which exams
//! may serve), `covariance` and `predict` (what to expect today), `screen` (baseline exams that do
//! not fit), `verdict` (status), `compare` (all of it in order), `chain` (exam after exam).

mod answer;
mod chain;
mod compare;
mod covariance;
mod eligible;
mod growth;
mod model;
mod normal;
mod notice;
pub mod parameters;
mod planes;
mod predict;
mod question;
mod remarks;
mod screen;
pub mod status;
mod summary;
mod verdict;
pub mod words;
mod working;

#[cfg(test)]
mod tests;

pub use answer::{
    Arithmetic, Assessment, Comparison, ExamWorking, EyeWorking, Fit, Observation, Row, Rows,
};
pub use chain::{assess, assess_all, explain, explain_all};
pub use notice::{Notice, Reason, SetAside, Unused, Why};
pub use parameters::{ParameterError, Parameters, Unlabelled};
pub use question::{Exam, History, Modality, PerEye, Question, QuestionError, Subject};
pub use status::Status;
