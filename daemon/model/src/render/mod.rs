//! Results as bytes: no file names of this machine, no disk, no clock.
//!
//! A result is [`crate::results::Content`]; [`text`], [`html`], [`pdf`] and [`csv`] are its renderings,
//! [`trend`] draws a patient's exams.

mod beside;
pub mod csv;
pub mod html;
pub mod pdf;
mod readings;
pub mod text;
pub mod trend;
