//! A decoded report.

use super::{Header, Limits, Tree};
use crate::domain::Remark;
use thiserror::Error;

/// One decoded object.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// Facts outside the tree.
    pub header: Header,
    /// The content tree; `None` when the object has none.
    pub tree: Option<Tree>,
    /// Hash of the content whatever its transfer syntax, hexadecimal.
    pub content_sha256: String,
    /// What decoding found.
    pub remarks: Vec<Remark>,
}

/// Why bytes could not be decoded.
#[derive(Debug, Error)]
#[error("the object cannot be read")]
pub struct ReadError;

impl ReadError {
    /// The error as a remark.
    #[must_use]
    pub fn remark(&self) -> Remark {
        Remark::blocking("unreadable", self.to_string())
    }
}

/// Decodes one object.
///
/// # Errors
///
/// When the bytes are no readable object.
pub fn read(_bytes: &[u8], _syntax: Option<&str>, _limits: &Limits) -> Result<Document, ReadError> {
    Err(ReadError)
}
