//! What was read from one object: the line that `read --json` prints.

use super::{ImageFacts, Measurement, Moment, Patient, Remark, RemarkCode, Unexplained};
use serde::{Deserialize, Serialize};

/// What became of an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Disposition {
    /// Read; no remark beyond `info`, neither on the object nor on a value.
    Accepted,
    /// Read; there is something to know about it.
    AcceptedWithRemarks,
    /// Well-formed, nothing for us.
    NoSheathMeasurement,
    /// Cannot be understood or trusted; the blocking remark says why.
    Quarantined,
}

/// The machine that measured.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Device {
    /// Maker.
    pub manufacturer: Option<String>,
    /// Model name.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
}

/// The exam as one object describes it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExamFacts {
    /// Study Instance UID: what makes several objects one exam.
    pub study_instance_uid: String,
    /// When it was done: observation, study, then content date and time, whichever is given first.
    pub performed_at: Option<Moment>,
    /// When its content was made, where the report tells day and time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content_at: Option<Moment>,
    /// When the study began, where the report tells day and time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub study_at: Option<Moment>,
    /// Who measured, as the report writes it.
    pub operator: Option<String>,
    /// With which machine.
    pub device: Device,
    /// Accession number, if any.
    pub accession: Option<String>,
}

/// What a document says of its own state (PS3.3 C.17.2); `None` where it says nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DocumentState {
    /// Preliminary Flag (0040,A496): PRELIMINARY, or FINAL.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub preliminary: Option<bool>,
    /// Completion Flag (0040,A491): PARTIAL, or COMPLETE.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub partial: Option<bool>,
    /// Verification Flag (0040,A493): UNVERIFIED, or VERIFIED.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unverified: Option<bool>,
}

impl DocumentState {
    /// Whether it says nothing at all.
    #[must_use]
    pub fn is_silent(&self) -> bool {
        *self == DocumentState::default()
    }
}

/// All that was read from one object.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ObjectReading {
    /// SOP Instance UID, when one could be read.
    pub sop_instance_uid: Option<String>,
    /// SOP Class UID, when one could be read.
    pub sop_class_uid: Option<String>,
    /// Series Instance UID, when one could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub series_instance_uid: Option<String>,
    /// What became of it.
    pub disposition: Disposition,
    /// The template that understood it, with its content hash: `tid1500@1f0c…`.
    pub template: Option<String>,
    /// The site dictionaries that explained something of it, by name and content hash:
    /// `pocket-t@1f0c…`. A reading that was stored before there was this list has none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dictionaries: Vec<String>,
    /// The patient; `None` when the object does not say.
    pub patient: Option<Patient>,
    /// The exam; `None` when the object does not say.
    pub exam: Option<ExamFacts>,
    /// The machine that the header names, whatever the content says of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<Device>,
    /// SOP Instance UIDs of the documents this one replaces (Predecessor Documents Sequence).
    pub predecessors: Vec<String>,
    /// How far it is from final.
    #[serde(default, skip_serializing_if = "DocumentState::is_silent")]
    pub state: DocumentState,
    /// Hash of the content whatever its transfer syntax, hex; `None` when it could not be decoded.
    pub content_sha256: Option<String>,
    /// Values, in tree order, used or not.
    pub measurements: Vec<Measurement>,
    /// Scale and side of the picture, when the object is an ultrasound picture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub image: Option<ImageFacts>,
    /// Codes that look like ours and that nobody explains, each once. A reading that was stored
    /// before there was this list has none, whatever its remarks say.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unexplained: Vec<Unexplained>,
    /// What a reader must know about the object.
    pub remarks: Vec<Remark>,
}

impl ObjectReading {
    /// Its SOP Instance UID; empty where it has none.
    #[must_use]
    pub fn uid(&self) -> &str {
        self.sop_instance_uid.as_deref().unwrap_or_default()
    }

    /// Whether the object was understood and holds sheath values, usable or not.
    #[must_use]
    pub fn holds_sheath_values(&self) -> bool {
        matches!(
            self.disposition,
            Disposition::Accepted | Disposition::AcceptedWithRemarks
        ) && self
            .measurements
            .iter()
            .any(|m| m.quantity == super::Quantity::SheathDiameter)
    }
}

/// Remarks on a report of which a value may be left that no rule could read.
const UNREAD: [RemarkCode; 12] = [
    RemarkCode::LabelConflict,
    RemarkCode::LabelUnclear,
    RemarkCode::LabelUnknown,
    RemarkCode::LocalCodeUnknown,
    RemarkCode::PresentationLabelUnclear,
    RemarkCode::QuantityUnclear,
    RemarkCode::RelationshipNotUnderstood,
    RemarkCode::SheathOrNerveUnclear,
    RemarkCode::SheathValueNotTaken,
    RemarkCode::TemplateNone,
    RemarkCode::TemplateTie,
    RemarkCode::ValueNotRecognised,
];

/// Remarks on a value whose side, plane, kind or unit no code tells.
const UNTOLD: [RemarkCode; 6] = [
    RemarkCode::DerivationUnclear,
    RemarkCode::LateralityMissing,
    RemarkCode::LateralityUnclear,
    RemarkCode::PlaneUnclear,
    RemarkCode::UnitMissing,
    RemarkCode::UnitUnknown,
];

impl ObjectReading {
    /// Whether it may hold a value of ours that nobody could read or use, for want of what a code or
    /// label means or of a rule that takes it.
    #[must_use]
    pub fn leaves_values_unread(&self) -> bool {
        let has = |remarks: &[Remark], codes: &[RemarkCode]| {
            remarks.iter().any(|remark| codes.contains(&remark.code))
        };
        let unusable = |one: &Measurement| {
            one.quantity == super::Quantity::SheathDiameter && has(&one.remarks, &UNTOLD)
        };
        !self.unexplained.is_empty()
            || has(&self.remarks, &UNREAD)
            || self.measurements.iter().any(unusable)
    }
}

impl ObjectReading {
    /// What is left of an object that could not be understood: the reason.
    #[must_use]
    pub fn quarantined(remark: Remark) -> Self {
        ObjectReading {
            sop_instance_uid: None,
            sop_class_uid: None,
            series_instance_uid: None,
            disposition: Disposition::Quarantined,
            template: None,
            dictionaries: Vec::new(),
            patient: None,
            exam: None,
            machine: None,
            predecessors: Vec::new(),
            state: DocumentState::default(),
            content_sha256: None,
            measurements: Vec::new(),
            image: None,
            unexplained: Vec::new(),
            remarks: vec![remark],
        }
    }
}
