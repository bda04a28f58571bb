//! The history of an archive: asked for window by window, got object by object.
//!
//! [`window`], [`found`] and [`pages`] are pure. [`archive`] is what an archive can be asked, `dicom` asks by C-FIND, C-GET and C-MOVE, `web` by QIDO-RS and WADO-RS, whose answers [`found`]
//! reads and [`pages`] puts together; [`run`] goes through the windows and keeps what comes;
//! [`report`] is what it is asked and tells.

pub mod archive;
pub(crate) mod dicom;
pub mod found;
pub mod pages;
pub mod report;
pub mod run;
mod web;
pub mod window;
