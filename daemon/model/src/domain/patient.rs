//! Who the exam is of, and what people know of it.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Identity of a patient: the same id under another issuer is another person.
///
/// `Debug` hides both, so that a log line cannot show them by accident.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct PatientKey {
    /// Issuer of the id; empty when neither the report nor the configuration names one.
    pub issuer: String,
    /// The id, without padding; leading zeros and case are kept.
    pub id: String,
}

impl fmt::Debug for PatientKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("PatientKey(hidden)")
    }
}

/// Sex as DICOM lists it (PS3.3 C.7.1.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Sex {
    /// Female.
    F,
    /// Male.
    M,
    /// Other.
    O,
}

impl Sex {
    /// Its letter in DICOM, HL7 (table 0001) and JSON.
    #[must_use]
    pub fn letter(self) -> &'static str {
        match self {
            Sex::F => "F",
            Sex::M => "M",
            Sex::O => "O",
        }
    }

    /// Of its letter; other text says nothing.
    #[must_use]
    pub fn of_letter(text: &str) -> Option<Self> {
        let all = [Sex::F, Sex::M, Sex::O];
        all.into_iter().find(|sex| sex.letter() == text)
    }
}

/// The patient as one report describes them. `Debug` hides all of it.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Patient {
    /// Issuer and id.
    #[serde(flatten)]
    pub key: PatientKey,
    /// Birth date, if given.
    pub birth_date: Option<NaiveDate>,
    /// Sex, if given.
    pub sex: Option<Sex>,
}

impl fmt::Debug for Patient {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Patient(hidden)")
    }
}

/// What a person says of an exam.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Label {
    /// The patient was well.
    Well,
    /// Raised pressure was suspected and ruled out.
    RaisedRuledOut,
    /// Raised pressure was confirmed.
    RaisedConfirmed,
    /// Taken after the pressure had been relieved.
    AfterDecompression,
}

impl Label {
    /// Every label, in the order they are documented.
    pub const ALL: [Label; 4] = [
        Label::Well,
        Label::RaisedRuledOut,
        Label::RaisedConfirmed,
        Label::AfterDecompression,
    ];

    /// The word used in commands and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Label::Well => "well",
            Label::RaisedRuledOut => "raised_ruled_out",
            Label::RaisedConfirmed => "raised_confirmed",
            Label::AfterDecompression => "after_decompression",
        }
    }

    /// What people read.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Label::Well => "well",
            Label::RaisedRuledOut => "raised ruled out",
            Label::RaisedConfirmed => "raised confirmed",
            Label::AfterDecompression => "after decompression",
        }
    }
}

/// Kind of a dated fact of the patient.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// Surgery that changes the flow of cerebrospinal fluid.
    CsfSurgery,
    /// Revision of a shunt.
    ShuntRevision,
    /// Anything else that may leave the sheath changed.
    Other,
}

impl EventKind {
    /// Every kind, in the order they are documented.
    pub const ALL: [EventKind; 3] = [
        EventKind::CsfSurgery,
        EventKind::ShuntRevision,
        EventKind::Other,
    ];

    /// The word used in commands and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            EventKind::CsfSurgery => "csf_surgery",
            EventKind::ShuntRevision => "shunt_revision",
            EventKind::Other => "other",
        }
    }

    /// What people read.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            EventKind::CsfSurgery => "CSF surgery",
            EventKind::ShuntRevision => "shunt revision",
            EventKind::Other => "other event",
        }
    }
}

/// A dated fact of the patient.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Event {
    /// The day it happened.
    pub date: NaiveDate,
    /// What happened.
    pub kind: EventKind,
}
