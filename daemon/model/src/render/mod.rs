//! Results as bytes: no file names of this machine, no disk, no clock.
//!
//! [`content::Content`] is what a result says; [`json`], [`text`] and [`html`] are its renderings,
//! [`trend`] draws a patient's exams, [`change`] says why a new version differs.

mod beside;
pub mod cautions;
pub mod change;
pub mod content;
pub mod csv;
pub mod html;
pub mod json;
mod numbers;
pub mod pdf;
pub(crate) mod phrases;
mod readings;
mod replaced;
#[cfg(any(test, feature = "tests"))]
pub mod samples;
mod seen;
mod statement;
pub mod text;
pub mod trend;

pub use content::{Content, content};
pub use json::Envelope;
pub use numbers::{Expected, Printed};
pub use replaced::Replaced;
pub use seen::{Seen, seen};
pub use statement::Figures;
