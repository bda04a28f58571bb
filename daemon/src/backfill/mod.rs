//! The history of an archive: asked for window by window, got object by object.
//!
//! [`way`], [`window`] and [`hours`] are pure. [`archive`] is what an archive can be asked, `dicom`
//! asks by C-FIND, C-GET and C-MOVE; [`run`] goes through the windows and keeps what comes.

#[cfg(feature = "edges")]
pub mod archive;
#[cfg(feature = "edges")]
pub(crate) mod dicom;
pub mod hours;
#[cfg(feature = "edges")]
pub mod run;
pub mod way;
pub mod window;
