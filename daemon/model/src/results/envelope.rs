//! `result.json`: the content with its version around it.

use super::{Content, Replaced};
use serde::{Deserialize, Serialize};

/// Name of the shape of `result.json`; a change that breaks readers changes the number.
pub const SCHEMA: &str = "sheathline-result-2";

/// The shape before it, which older versions of the program wrote: `lower_mm` was the expected value
/// less `z_above` times the SD, and neither `basis` nor `decided_by` was told. It is still read.
pub const SCHEMA_1: &str = "sheathline-result-1";

/// Whether results of this shape can be read.
#[must_use]
pub fn is_read(schema: &str) -> bool {
    [SCHEMA, SCHEMA_1].contains(&schema)
}

/// The shape that a stored content was made for.
#[must_use]
pub fn schema_of(content: &Content) -> &'static str {
    match content.assessment.basis {
        Some(_) => SCHEMA,
        None => SCHEMA_1,
    }
}

/// A published result.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
pub struct Envelope {
    /// [`SCHEMA`], or the shape that an older version of the program made it for.
    pub schema: String,
    /// Version of the program that wrote it.
    pub software: String,
    /// Version of this exam's result, from 1.
    pub version: u32,
    /// Idempotency key: the same for the same content.
    pub key: String,
    /// Key of what a reader sees of it ([`seen`](super::seen)): the same for results that read alike,
    /// whatever they were made from. Empty in results written before it was told.
    #[serde(default)]
    pub seen_key: String,
    /// The version it replaces.
    pub supersedes: Option<u32>,
    /// Why it was written, in words.
    pub why: Vec<String>,
    /// The version it replaces, where this one takes back or changes its flag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaces: Option<Replaced>,
    /// When it was written, UTC.
    pub created_at: String,
    /// The line that stands on everything this project prints.
    pub notice: String,
    /// What the result says.
    #[serde(flatten)]
    pub content: Content,
}

impl Envelope {
    /// Pretty JSON with a final line break.
    ///
    /// # Errors
    ///
    /// When a number in the content is none.
    pub fn to_bytes(&self) -> Result<Vec<u8>, serde_json::Error> {
        let mut bytes = serde_json::to_vec_pretty(self)?;
        bytes.push(b'\n');
        Ok(bytes)
    }
}
