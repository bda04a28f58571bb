//! The store as tables for analysts: CSV and Parquet, with a data package and a manifest.
//!
//! # From the store to the files
//!
//! ```text
//!  store ──walk──> StoredResult, Received ──tables──> Row ──Held──> changed rows ──Transform──> folder
//!  store ──said──> Spoken ───────────tables──> Row ──Newest─> changed rows ──Transform──> folder
//! ```
//!
//! - [`tables`] is the one list of tables and columns: name, kind, unit, constraints, privacy class,
//!   sentence, and where the value comes from. Files, data package and dictionary follow from it.
//! - `walk` reads the store in pages, each one short read. Results and readings are only ever added
//!   to the store under rising numbers, so a run goes on behind the last numbers of the run before.
//! - [`row::Held`] keeps of each version of a result what it changed.
//! - [`row::Transform`] is the place where rows are changed on their way, such as taking identities
//!   out: every row of every file passes it once. It sees the patient of the row, and the class of
//!   each cell by `row.table.columns()`; `run::Job::transform` names it, and `Job::identified` goes
//!   into the manifest, so that the two kinds of export never share a folder.
//! - `run` does one run; `folder` makes parts visible whole, with a manifest written last.
//!
//! # What a row says of others
//!
//! Rows of one key replace each other: the highest `row_version` holds. A row that holds no more comes
//! once again with `withdrawn`. `recorded_at` is when the store took the version, not when it was
//! exported, so one run and many runs write the same rows.

pub(crate) mod cell;
pub(crate) mod column;
pub(crate) mod deidentify;
pub(crate) mod dictionary;
pub(crate) mod manifest;
pub(crate) mod package;
pub(crate) mod row;
pub(crate) mod stored;
pub(crate) mod tables;

mod csv_file;
pub(crate) mod error;
mod fhir;
mod files;
mod folder;
mod holding;
mod parquet_file;
pub(crate) mod run;
mod said;
pub(crate) mod walk;

pub(crate) use error::ExportError;
