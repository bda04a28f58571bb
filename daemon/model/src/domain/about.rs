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

    /// What is left of it without the readings of another one, none or one; `None` where it names none
    /// of them. What is about a study as a whole names all readings of the study.
    #[must_use]
    pub fn without(&self, other: &About) -> Option<Vec<About>> {
        let names = match self.readings.as_slice() {
            [] => self.study_instance_uid == other.study_instance_uid,
            readings => readings.iter().any(|one| other.readings.contains(one)),
        };
        names.then(|| {
            let mut left = self.clone();
            left.readings.retain(|one| !other.readings.contains(one));
            let is_left = !left.readings.is_empty();
            is_left.then_some(left).into_iter().collect()
        })
    }
}
