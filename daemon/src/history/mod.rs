//! The set of objects of a patient, told as exams.
//!
//! [`tell`] is a function of the set: the order in which objects arrived, and how often, leave no
//! trace in what it returns. Late and amended reports need no special case: the set is another.

mod dated;
mod entries;
mod exam;
mod identity;
mod modality;
mod other_eye;

pub use dated::{DATE_IMPLAUSIBLE, date_doubt};
pub use entries::{CONTRADICTED, Entries, Places};
pub(crate) use exam::SUPERSEDED;
pub use exam::{Exam, ExamMeasurement, ObjectUse, exam_id};
pub use identity::{Identity, same_person};
pub use other_eye::values_unread;

use crate::domain::ObjectReading;
use std::collections::{BTreeMap, BTreeSet};

/// Exams of one patient, oldest first, from everything that was read of them.
///
/// `readings` are of one patient key, in any order, each SOP Instance UID at most once.
/// `entries` are what people said of them. Objects without a sheath measurement make no exam but may
/// still replace a document of one.
#[must_use]
pub fn tell(readings: &[ObjectReading], entries: Entries<'_>) -> Vec<Exam> {
    let mut studies: BTreeMap<&str, Vec<&ObjectReading>> = BTreeMap::new();
    for reading in readings
        .iter()
        .filter(|reading| reading.holds_sheath_values())
    {
        if let Some(facts) = &reading.exam {
            studies
                .entry(&facts.study_instance_uid)
                .or_default()
                .push(reading);
        }
    }
    let successors = Successors::of(readings);
    let mut exams: Vec<Exam> = studies
        .into_iter()
        .filter_map(|(study, objects)| Exam::of(study, objects, &successors))
        .collect();
    exams.sort_by(|a, b| (a.performed_at, &a.id).cmp(&(b.performed_at, &b.id)));
    entries::give(&mut exams, entries);
    exams
}

/// Which documents name a given one as their predecessor.
pub(crate) struct Successors<'a> {
    /// Named document to the ones with sheath values that replace it.
    with_values: BTreeMap<&'a str, BTreeSet<&'a str>>,
    /// Named document to the ones without: it is not told whether they withdraw or add.
    without_values: BTreeMap<&'a str, BTreeSet<&'a str>>,
}

impl<'a> Successors<'a> {
    fn of(readings: &'a [ObjectReading]) -> Self {
        let mut successors = Successors {
            with_values: BTreeMap::new(),
            without_values: BTreeMap::new(),
        };
        for reading in readings {
            let Some(own) = reading.sop_instance_uid.as_deref() else {
                continue;
            };
            let side = if reading.holds_sheath_values() {
                &mut successors.with_values
            } else {
                &mut successors.without_values
            };
            for named in reading
                .predecessors
                .iter()
                .map(String::as_str)
                .filter(|&n| n != own)
            {
                side.entry(named).or_default().insert(own);
            }
        }
        successors
    }

    fn replacing(&self, uid: &str) -> Vec<String> {
        names(&self.with_values, uid)
    }

    fn naming_without_values(&self, uid: &str) -> Vec<String> {
        names(&self.without_values, uid)
    }
}

fn names(map: &BTreeMap<&str, BTreeSet<&str>>, uid: &str) -> Vec<String> {
    map.get(uid)
        .into_iter()
        .flatten()
        .map(|&name| name.to_owned())
        .collect()
}

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
