//! One exam compared with the baseline of the patient's own earlier exams.

pub mod parameters;
pub mod status;

pub use parameters::{Parameters, Unlabelled};
pub use status::Status;
