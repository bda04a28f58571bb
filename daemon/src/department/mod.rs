//! A department's own measurement errors, from the exams it has stored.
//!
//! In: the patients of a store with their results ([`Patient`]). Out: a [`Calibration`]: what the
//! data say of each error, what that would make of the `[baseline]` parameters, and whether the
//! present ones keep their promise. Nothing here changes a parameter; it proposes.
//! Reading order: `anova` (readings within exams), `interval`, `pairs` (what changed between two
//! exams at which the patient was stable), `components` (why it changed), `offsets` (who reads high),
//! `promise` (flags and z of well exams), `calibrate` (all of it).

mod anova;
mod calibrate;
mod components;
mod interval;
mod offsets;
mod pairs;
mod patient;
mod promise;

#[cfg(test)]
mod tests;

pub use anova::Anova;
pub use calibrate::{Calibration, CalibrationError, Proposal, calibrate};
pub use components::{Component, Components, WEIGHT_PAIRS};
pub use interval::Interval;
pub use offsets::Offset;
pub use patient::Patient;
pub use promise::Promise;
