//! Whether two exams under one patient id can be of one person.

use crate::domain::{Patient, Sex};
use chrono::NaiveDate;

/// Birth date and sex as the reports of one exam agree on them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Identity {
    /// Birth date, unless missing or contradictory.
    pub birth_date: Option<NaiveDate>,
    /// Sex, unless missing or contradictory.
    pub sex: Option<Sex>,
    /// Reports of the exam itself contradict each other.
    pub contradictory: bool,
}

impl Identity {
    /// What the given identities agree on; a missing fact agrees with any.
    #[must_use]
    pub fn agreed(identities: impl Iterator<Item = Identity>) -> Self {
        let mut agreed = Identity::default();
        for one in identities {
            agreed.contradictory |= one.contradictory
                || differ(agreed.birth_date, one.birth_date)
                || differ(agreed.sex, one.sex);
            agreed.birth_date = agreed.birth_date.or(one.birth_date);
            agreed.sex = agreed.sex.or(one.sex);
        }
        if agreed.contradictory {
            Identity {
                contradictory: true,
                ..Identity::default()
            }
        } else {
            agreed
        }
    }
}

impl From<&Patient> for Identity {
    fn from(patient: &Patient) -> Self {
        Identity {
            birth_date: patient.birth_date,
            sex: patient.sex,
            contradictory: false,
        }
    }
}

/// Whether the two may be compared: a different birth date or sex under the same id means that
/// one of them is filed under the wrong patient, and nobody here can tell which.
#[must_use]
pub fn same_person(a: &Identity, b: &Identity) -> bool {
    !a.contradictory
        && !b.contradictory
        && !differ(a.birth_date, b.birth_date)
        && !differ(a.sex, b.sex)
}

fn differ<T: PartialEq>(a: Option<T>, b: Option<T>) -> bool {
    matches!((a, b), (Some(a), Some(b)) if a != b)
}
