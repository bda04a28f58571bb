//! What a document says of its own state, and what a site makes of it.

use crate::domain::{DocumentState, Measurement, Remark, RemarkCode};
use crate::sr::Header;
use serde::Serialize;

/// What is made of a document in some state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Policy {
    /// Its values count.
    Use,
    /// Its values count, with a remark.
    UseWithCaution,
    /// Its values are kept and do not count; a later document may bring them again.
    Hold,
}

/// `[documents]`: which documents count (PS3.3 C.17.2: Completion, Preliminary and Verification
/// Flag). An absent flag says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Documents {
    /// Completion Flag PARTIAL.
    pub partial: Policy,
    /// Preliminary Flag PRELIMINARY.
    pub preliminary: Policy,
    /// Verification Flag UNVERIFIED.
    pub unverified: Policy,
}

impl Default for Documents {
    fn default() -> Self {
        Documents {
            partial: Policy::UseWithCaution,
            preliminary: Policy::UseWithCaution,
            // Few machines have anybody sign a measurement.
            unverified: Policy::Use,
        }
    }
}

/// What a document says of its own state.
pub(super) fn state(header: &Header) -> DocumentState {
    let says = |flag: &Option<String>, early: &str, late: &str| match flag.as_deref() {
        Some(word) if word == early => Some(true),
        Some(word) if word == late => Some(false),
        _ => None,
    };
    DocumentState {
        preliminary: says(&header.preliminary, "PRELIMINARY", "FINAL"),
        partial: says(&header.completion, "PARTIAL", "COMPLETE"),
        unverified: says(&header.verification, "UNVERIFIED", "VERIFIED"),
    }
}

/// Applies the policy: remarks on the document, and values set aside where it is on hold.
pub(super) fn apply(
    documents: &Documents,
    header: &Header,
    measurements: &mut [Measurement],
    remarks: &mut Vec<Remark>,
) {
    let is = |flag: &Option<String>, word: &str| flag.as_deref() == Some(word);
    let states = [
        (
            is(&header.completion, "PARTIAL"),
            documents.partial,
            (RemarkCode::DocumentPartial, "partial", "(0040,A491)"),
        ),
        (
            is(&header.preliminary, "PRELIMINARY"),
            documents.preliminary,
            (
                RemarkCode::DocumentPreliminary,
                "preliminary",
                "(0040,A496)",
            ),
        ),
        (
            is(&header.verification, "UNVERIFIED"),
            documents.unverified,
            (RemarkCode::DocumentUnverified, "unverified", "(0040,A493)"),
        ),
    ];
    for (_, policy, (code, word, at)) in states.into_iter().filter(|state| state.0) {
        if policy == Policy::Use {
            continue;
        }
        remarks.push(Remark::of(code, format!("The report calls itself {word}.")).at(at));
        if policy == Policy::Hold {
            for one in measurements.iter_mut() {
                one.set_aside(
                    Remark::of(
                        RemarkCode::DocumentHeld,
                        format!("The report is {word}, and this site waits for its successor."),
                    )
                    .at(one.place.clone()),
                );
            }
        }
    }
}
