//! A department's own measurement errors and habits, from the exams it has stored.
//!
//! In: the patients of a store with their results ([`Patient`]). Out: a [`Calibration`] (what the
//! data say of each error, what that would make of the `[baseline]` parameters, whether the present
//! ones keep their promise) or [`Statistics`] (how operators, devices and the service do). Nothing
//! here changes a parameter or a result.
//! Reading order: `anova` (readings within exams), `interval`, `pairs` (what changed between two
//! exams at which the patient was stable), `components` (why it changed), `offsets` (who reads high),
//! `promise` (flags and z of well exams), `calibrate` (all of it); then `charts`, `learning`,
//! `technique`, `turnaround`, `reference`; `statistics` takes person after person, `lines` and
//! `report` show what comes out.

mod anova;
mod calibrate;
pub mod charts;
mod components;
pub mod course;
mod enough;
pub mod flags;
mod interval;
pub mod learning;
mod lines;
mod offsets;
mod pairs;
mod patient;
mod promise;
pub mod reference;
pub mod report;
mod scatters;
mod statistics;
mod subject;
pub mod technique;
pub mod turnaround;

#[cfg(any(test, feature = "tests"))]
pub mod invented;
#[cfg(test)]
mod tests;

pub use anova::Anova;
pub use calibrate::{Calibration, CalibrationError, Proposal, calibrate};
pub use components::{Component, Components, Part, Size, WEIGHT_PAIRS};
pub use enough::{Enough, NotEnough};
pub use interval::{Interval, Quantile};
pub use lines::Line;
pub use offsets::{Against, Offset, Predicted};
pub use patient::{Patient, Persons, Reported};
pub use promise::{Beside, MeanSquare, Promise};
pub use scatters::{Own, Scatter};
pub use statistics::{
    Collector, Compared, Period, READINGS_NEEDED, Repeatability, Seen, Statistics,
};
pub use subject::Subject;
