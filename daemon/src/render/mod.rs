//! Results as bytes: no file names of this machine, no disk, no clock.
//!
//! [`content::Content`] is what a result says; [`json`] and [`text`] are its two renderings,
//! [`trend`] draws a patient's exams, [`change`] says why a new version differs.

mod beside;
pub mod cautions;
pub mod change;
pub mod content;
pub mod json;
pub mod text;
pub mod trend;

pub use content::{Content, content};
pub use json::Envelope;
