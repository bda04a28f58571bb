//! From bytes to a [`Document`].
//!
//! Character sets: every declared set is followed, code extensions and sets of single items too.
//! An unknown set reads as Latin-1. Where none is declared, the one that the configuration names for
//! the sender is assumed. Bytes that fit no known set come out as a backslash and three octal digits.
//! So text never refuses an object, and numbers and codes come out whatever the text around them.
//! Each of these cases leaves a remark. A Patient ID is not decoded: see [`Header::patient_id`].

use super::FallbackCharset;
use super::charset::Charset;
use super::content;
use super::element::Remarks;
use super::gate::{self, Admitted, GateError};
use super::header::Header;
use super::image;
use super::limits::Limits;
use super::presentation::{self, Presentation};
use super::tree::Tree;
use crate::domain::{ImageFacts, Remark, RemarkCode};
use dicom_encoding::transfer_syntax::TransferSyntaxIndex;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use std::rc::Rc;
use thiserror::Error;

/// One object, read.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// What stands outside the content tree.
    pub header: Header,
    /// The content tree; `None` when the object is no structured report.
    pub tree: Option<Tree>,
    /// Scale and side of the picture, when the object is an ultrasound picture.
    pub image: Option<ImageFacts>,
    /// What is drawn over pictures, when the object is a presentation state.
    pub presentation: Option<Presentation>,
    /// SHA-256 of the content in hexadecimal, the same in every transfer syntax.
    pub content_sha256: String,
    /// Oddities met while reading, each with its place.
    pub remarks: Vec<Remark>,
}

/// Why an object could not be read. Nothing of it is used.
#[derive(Debug, Error)]
pub enum ReadError {
    /// The gate refused the bytes.
    #[error(transparent)]
    Gate(#[from] GateError),
    /// The decoder refused what the gate admitted.
    #[error("the data set cannot be decoded")]
    Decode(#[source] Box<dicom_object::ReadError>),
    /// The decoder knows no such transfer syntax.
    #[error("the decoder has no transfer syntax {0}")]
    Syntax(&'static str),
}

impl ReadError {
    /// The code of the remark that tells of it.
    #[must_use]
    pub fn code(&self) -> RemarkCode {
        match self {
            ReadError::Gate(error) => error.code(),
            ReadError::Decode(_) => RemarkCode::DecodeFailed,
            ReadError::Syntax(_) => RemarkCode::TransferSyntaxUnsupported,
        }
    }

    /// The refusal as a blocking remark.
    #[must_use]
    pub fn remark(&self) -> Remark {
        match self {
            ReadError::Gate(error) => error.remark(),
            ReadError::Decode(_) | ReadError::Syntax(_) => {
                Remark::of(self.code(), "The data set cannot be decoded.")
                    .act("Keep the object and report it: what the gate admits should decode.")
            }
        }
    }
}

/// Reads a DICOM file (`syntax` is `None`) or a bare data set in the transfer syntax named.
///
/// Stack use is bounded by `limits.depth`, memory by `limits.elements` and the bytes given.
///
/// # Errors
/// When the bytes are refused as a whole. Anything odd in a readable object is a remark.
pub fn read(bytes: &[u8], syntax: Option<&str>, limits: &Limits) -> Result<Document, ReadError> {
    read_assuming(bytes, syntax, None, limits)
}

/// As [`read`]; text of an object that declares no character set is taken to be in `fallback`.
///
/// # Errors
/// As [`read`].
pub fn read_assuming(
    bytes: &[u8],
    syntax: Option<&str>,
    fallback: Option<&FallbackCharset>,
    limits: &Limits,
) -> Result<Document, ReadError> {
    let around = Rc::new(Charset::before(fallback));
    let passed = gate::pass(bytes, syntax, limits)?;
    let object = passed.elements();
    let mut remarks = Remarks::default();
    for remark in &passed.remarks {
        remarks.push(remark.clone());
    }
    let header = Header::read(object, &around, &mut remarks);
    if let (Some(media), Some(own)) = (&passed.media_instance, &header.sop_instance_uid)
        && media != own
    {
        remarks.push(
            Remark::of(
                RemarkCode::FileMetaInstanceDiffers,
                "The file names another SOP Instance UID than the data set in it; the data set's is used.",
            )
            .at("(0002,0003)")
            .act("Find out whether the file was altered after it was exported."),
        );
    }
    let tree = content::tree(object, &around, &mut remarks);
    let image = image::facts(
        object,
        header.sop_class_uid.as_deref(),
        &around,
        &mut remarks,
    );
    let class = header.sop_class_uid.as_deref();
    let presentation = presentation::facts(object, class, &around, &mut remarks);
    Ok(Document {
        header,
        tree,
        image,
        presentation,
        content_sha256: passed.content_sha256,
        remarks: remarks.finish(),
    })
}

/// The elements of a data set that is no document, as the answer to a query. Texts are not decoded:
/// it is for UIDs, codes and numbers.
///
/// # Errors
/// When the bytes are refused as a whole.
pub fn attributes(
    bytes: &[u8],
    syntax: &str,
    limits: &Limits,
) -> Result<InMemDicomObject, ReadError> {
    decode(&gate::admit(bytes, Some(syntax), limits)?)
}

/// The same bytes without the element Pixel Data; `None` when there is none to take out, when the
/// data set is deflated, or when the bytes cannot be read.
#[must_use]
pub fn without_pixels(bytes: &[u8], syntax: Option<&str>, limits: &Limits) -> Option<Vec<u8>> {
    let pixels = gate::admit(bytes, syntax, limits).ok()?.pixels?;
    let (before, after) = (bytes.get(..pixels.start)?, bytes.get(pixels.end..)?);
    Some([before, after].concat())
}

fn decode(admitted: &Admitted<'_>) -> Result<InMemDicomObject, ReadError> {
    let syntax = TransferSyntaxRegistry
        .get(admitted.syntax)
        .ok_or(ReadError::Syntax(admitted.syntax))?;
    InMemDicomObject::read_dataset_with_ts(&*admitted.data, syntax)
        .map_err(|error| ReadError::Decode(Box::new(error)))
}

#[cfg(test)]
mod tests;
