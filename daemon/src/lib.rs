//! Sheathline lines up optic nerve sheath measurements from DICOM structured reports against
//! each patient's own earlier values.
//!
//! Data flows one way: receive, queue, extract, normalise, assess, publish. Modules in reading
//! order: the words ([`domain`]), the pure stages ([`sr`], [`template`], [`extract`],
//! [`normalise`], [`reading`], [`geometry`], [`assess`], [`history`], [`render`]), the configuration
//! ([`config`]), then the edges, which only the feature `edges` compiles.

pub mod domain;
pub mod legible;

pub mod assess;
pub mod codes;
pub mod companions;
pub mod department;
pub mod entries;
pub mod export;
pub mod extract;
pub mod forms;
pub mod geometry;
pub mod history;
pub mod normalise;
pub mod persons;
pub mod published;
pub mod reading;
pub mod render;
pub mod results;
pub mod simulate;
pub mod sr;
pub mod template;

pub mod hl7;
pub mod mllp;

pub mod backfill;
pub mod config;
pub mod deliver;
pub mod receive;

#[cfg(feature = "edges")]
pub mod cli;
#[cfg(feature = "edges")]
mod decoding;
#[cfg(feature = "edges")]
pub mod demo;
#[cfg(feature = "edges")]
mod nice;
#[cfg(feature = "edges")]
pub mod observe;
#[cfg(feature = "edges")]
pub mod pipeline;
#[cfg(feature = "edges")]
pub mod publish;
#[cfg(feature = "edges")]
mod rename;
#[cfg(feature = "edges")]
pub mod shares;
#[cfg(feature = "edges")]
pub mod store;
