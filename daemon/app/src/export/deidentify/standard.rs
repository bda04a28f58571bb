//! What is done, in the words of the standard: DICOM PS3.15 Annex E, codes of PS3.16 CID 7050.
//!
//! The Annex is written for DICOM objects. An export is tables made from them; each column is
//! treated as the Annex treats the attribute that it comes from.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// A profile or option of Annex E.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Method {
    /// Code value, coding scheme DCM.
    pub code: Cow<'static, str>,
    /// Code meaning.
    pub meaning: Cow<'static, str>,
    /// What it comes to here.
    pub here: Cow<'static, str>,
}

/// The profile and its options, in the order of their codes.
pub(crate) const METHODS: [Method; 4] = [
    Method {
        code: Cow::Borrowed("113100"),
        meaning: Cow::Borrowed("Basic Application Confidentiality Profile"),
        here: Cow::Borrowed(
            "Ids, names, serial numbers, UIDs, and makers and models that no list of the site names are replaced by keyed pseudonyms; issuers, accession numbers, senders, birth dates and free text are left out.",
        ),
    },
    Method {
        code: Cow::Borrowed("113104"),
        meaning: Cow::Borrowed("Clean Structured Content Option"),
        here: Cow::Borrowed(
            "Of the content of reports only numbers, closed words and codes of public vocabularies remain.",
        ),
    },
    Method {
        code: Cow::Borrowed("113107"),
        meaning: Cow::Borrowed("Retain Longitudinal Temporal Information Modified Dates Option"),
        here: Cow::Borrowed(
            "All dates of a patient go back by the same number of weeks, 1 to 52; times of day, and every instant that is not the patient's own, are left out.",
        ),
    },
    Method {
        code: Cow::Borrowed("113108"),
        meaning: Cow::Borrowed("Retain Patient Characteristics Option"),
        here: Cow::Borrowed(
            "Sex and age at the exam remain: whole years, months below two years; ages of 90 years and more are 90.",
        ),
    },
];
