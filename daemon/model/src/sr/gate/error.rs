//! Why bytes were refused, where, and what to do.

use crate::domain::{Remark, RemarkCode};
use dicom_core::Tag;
use std::fmt;
use thiserror::Error;

/// A refusal: nothing of the object was decoded.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{fault} ({place})")]
pub struct GateError {
    /// What is wrong.
    pub fault: Fault,
    /// Where.
    pub place: Place,
}

/// Where in the bytes the gate stopped.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// Byte offset from the start of the file or data set; inside a deflated data set, from the
    /// start of what came out of inflating.
    pub offset: usize,
    /// Whether the offset counts inflated bytes.
    pub inflated: bool,
    /// The element or item at fault, when its tag could be read.
    pub tag: Option<Tag>,
    /// The open sequences from the outside in, each with the number of its open item from 1,
    /// or 0 between items.
    pub path: Vec<(Tag, u32)>,
}

/// Sequences shown of a path; the rest is the outermost part, which helps least.
const SHOWN: usize = 8;

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hidden = self.path.len().saturating_sub(SHOWN);
        if hidden > 0 {
            write!(f, "{hidden} more > ")?;
        }
        for (tag, item) in self.path.iter().skip(hidden) {
            write!(f, "{tag}")?;
            if *item > 0 {
                write!(f, " item {item}")?;
            }
            f.write_str(" > ")?;
        }
        if let Some(tag) = self.tag {
            write!(f, "{tag}, ")?;
        }
        write!(f, "byte {}", self.offset)?;
        if self.inflated {
            f.write_str(" of the inflated data set")?;
        }
        Ok(())
    }
}

/// What the gate refuses.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Fault {
    /// No `DICM` at byte 128 and nothing that looks like DICOM.
    #[error("this is not a DICOM file")]
    NotDicom,
    /// DICOM elements or `DICM` at the very start.
    #[error("this DICOM file has no 128-byte preamble with DICM after it")]
    NoPreamble,
    /// Group 0002 cannot be walked.
    #[error("the file meta group is broken: {0}")]
    Meta(&'static str),
    /// Group 0002 names no transfer syntax.
    #[error("the file meta group names no transfer syntax")]
    NoTransferSyntax,
    /// Not one of the four syntaxes of reports.
    #[error("transfer syntax {0:?} is not supported")]
    TransferSyntax(String),
    /// No data set at all.
    #[error("there is no data set")]
    Empty,
    /// More bytes than allowed.
    #[error("the data set has {bytes} bytes, {limit} are allowed")]
    TooBig {
        /// Bytes received.
        bytes: usize,
        /// Bytes allowed.
        limit: usize,
    },
    /// Inflating was stopped at the limit.
    #[error("the deflated data set grows past the {limit} bytes allowed")]
    InflatedTooBig {
        /// Bytes allowed.
        limit: usize,
    },
    /// Not a complete raw deflate stream (PS3.5 A.5).
    #[error("the deflated data set is damaged or cut short")]
    Inflate,
    /// More sequences inside each other than allowed.
    #[error("sequences are nested deeper than the {limit} levels allowed")]
    TooDeep {
        /// Levels allowed.
        limit: usize,
    },
    /// More elements, items and text values than allowed.
    #[error("there are more than the {limit} elements, items and values allowed")]
    TooMany {
        /// Number allowed.
        limit: usize,
    },
    /// A length larger than what is left of its container.
    #[error("a length of {declared} bytes is declared where {left} are left")]
    LengthOverrun {
        /// The length as declared.
        declared: u32,
        /// Bytes left in the innermost container with a known end.
        left: usize,
    },
    /// The bytes or the container end inside a header or before a delimiter.
    #[error("the data set is cut short")]
    Truncated,
    /// Undefined length where none is allowed.
    #[error("an undefined length stands where the standard allows none")]
    UndefinedLength,
    /// Pixel data in fragments; none of the syntaxes of reports has them (PS3.5 A.4).
    #[error("encapsulated pixel data stands in a transfer syntax that has none")]
    EncapsulatedPixels,
    /// A delimiter with a length, or where nothing of undefined length is open.
    #[error("a delimitation item is misplaced or has a length")]
    Delimiter,
    /// An item tag outside a sequence.
    #[error("an item stands outside a sequence")]
    ItemOutside,
    /// Something else than an item in a sequence.
    #[error("a sequence holds something that is not an item")]
    NotAnItem,
    /// A binary value that is no whole number of its words.
    #[error("a binary value of {length} bytes does not divide into words of {word} bytes")]
    WordLength {
        /// Bytes of the value.
        length: u32,
        /// Bytes of a word of its value representation.
        word: u32,
    },
    /// A value representation that is not two capital letters.
    #[error("the value representation is not two capital letters")]
    VrLetters,
    /// The same element twice in one data set or item.
    #[error("an element stands twice in the same data set or item")]
    Duplicate,
    /// A group no data set may use (PS3.5 7.1, 7.8).
    #[error("a data set may not use this group number")]
    Group,
    /// Zeros or other bytes after the last element.
    #[error("there are bytes after the end of the data set")]
    Trailing,
}

impl Fault {
    /// The code of the remark that tells of it.
    #[must_use]
    pub fn code(&self) -> RemarkCode {
        match self {
            Fault::NotDicom => RemarkCode::GateNotDicom,
            Fault::NoPreamble => RemarkCode::GateNoPreamble,
            Fault::Meta(_) => RemarkCode::GateMetaBroken,
            Fault::NoTransferSyntax => RemarkCode::GateNoTransferSyntax,
            Fault::TransferSyntax(_) => RemarkCode::TransferSyntaxUnsupported,
            Fault::Empty => RemarkCode::GateEmpty,
            Fault::TooBig { .. } => RemarkCode::GateTooBig,
            Fault::InflatedTooBig { .. } => RemarkCode::GateInflatedTooBig,
            Fault::Inflate => RemarkCode::GateInflateBroken,
            Fault::TooDeep { .. } => RemarkCode::GateTooDeep,
            Fault::TooMany { .. } => RemarkCode::GateTooManyElements,
            Fault::LengthOverrun { .. } => RemarkCode::GateLengthOverrun,
            Fault::Truncated => RemarkCode::GateTruncated,
            Fault::UndefinedLength => RemarkCode::GateUndefinedLength,
            Fault::EncapsulatedPixels => RemarkCode::GateEncapsulatedPixels,
            Fault::Delimiter => RemarkCode::GateDelimiterMisplaced,
            Fault::ItemOutside => RemarkCode::GateItemOutsideSequence,
            Fault::NotAnItem => RemarkCode::GateNotAnItem,
            Fault::WordLength { .. } => RemarkCode::GateWordLength,
            Fault::VrLetters => RemarkCode::GateVrLetters,
            Fault::Duplicate => RemarkCode::GateDuplicateElement,
            Fault::Group => RemarkCode::GateForbiddenGroup,
            Fault::Trailing => RemarkCode::GateTrailingBytes,
        }
    }
}

impl GateError {
    /// The code of the remark that tells of it.
    #[must_use]
    pub fn code(&self) -> RemarkCode {
        self.fault.code()
    }

    /// The refusal as a blocking remark.
    #[must_use]
    pub fn remark(&self) -> Remark {
        let code = self.code();
        let action = code.action();
        Remark::of(code, format!("{}.", capital(&self.fault.to_string())))
            .at(self.place.to_string())
            .act(action)
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}
