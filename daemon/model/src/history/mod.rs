//! The set of objects of a patient, told as exams.
//!
//! [`tell`] is a function of the set: the order in which objects arrived, and how often, leave no
//! trace in what it returns. Late and amended reports need no special case: the set is another.

mod clock;
mod critical;
mod dated;
mod early;
mod entries;
mod exam;
mod identity;
mod left_unread;
mod modality;
mod other_eye;
mod remarks;
mod replacing;
mod sessions;

pub use critical::critical_factor;
pub use dated::date_doubt;
pub use entries::{CONTRADICTED, Entries, Made, Places};
pub use exam::{Exam, ExamMeasurement, ObjectUse, exam_id, session_id};
pub use identity::{Identity, same_person};
pub use left_unread::left_unread;
pub use other_eye::values_unread;
pub use sessions::Apart;

use crate::domain::ObjectReading;
use clock::Clock;
use replacing::Replacing;
use std::collections::BTreeMap;

/// Exams of one patient, oldest first, from everything that was read of them.
///
/// `readings` are of one patient key, in any order, each SOP Instance UID at most once.
/// `entries` are what people said of them, `apart` tells the sessions of a study from each other.
/// Objects without a sheath measurement make no exam but may still replace a document of one.
#[must_use]
pub fn tell(readings: &[ObjectReading], entries: Entries<'_>, apart: &Apart) -> Vec<Exam> {
    let replacing = Replacing::of(readings, apart.gap());
    let clock = Clock::of(&replacing);
    let mut studies: BTreeMap<&str, Vec<&ObjectReading>> = BTreeMap::new();
    for &reading in &replacing.order {
        if let Some(facts) = &reading.exam {
            let study = facts.study_instance_uid.as_str();
            studies.entry(study).or_default().push(reading);
        }
    }
    let mut exams: Vec<Exam> = Vec::new();
    for (study, reports) in studies {
        let sessions = sessions::of_study(&reports, &replacing, &clock, apart);
        let told = sessions.iter();
        exams.extend(told.filter_map(|session| Exam::of(study, session, &replacing)));
    }
    exams.sort_by(|a, b| (a.performed_at, &a.id).cmp(&(b.performed_at, &b.id)));
    entries::give(&mut exams, entries);
    exams
}

#[cfg(any(test, feature = "tests"))]
pub mod testing;
#[cfg(test)]
mod tests;
