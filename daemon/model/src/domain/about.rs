//! What a person's entry is about.

use serde::{Deserialize, Serialize};

/// One value of one report.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct ReadingRef {
    /// SOP Instance UID of the report.
    pub object: String,
    /// Its place in the report, as [`super::Measurement`] names it.
    pub place: String,
}

/// The readings that a label, a pressure or a note was given for. It stays with them, whichever exam
/// they come to belong to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct About {
    /// Study Instance UID.
    pub study_instance_uid: String,
    /// The readings; empty for all of the study, as entries were made before they named readings.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<ReadingRef>,
}

impl About {
    /// About a study as a whole, without naming readings.
    #[must_use]
    pub fn of_study(study_instance_uid: impl Into<String>) -> Self {
        About {
            study_instance_uid: study_instance_uid.into(),
            readings: Vec::new(),
        }
    }
}
