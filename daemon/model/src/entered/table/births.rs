//! One id of a table has one birth date: with two of them, one is mistyped, or the rows are of two people.

use crate::domain::PatientKey;
use crate::entered::Subject;
use chrono::NaiveDate;
use std::collections::BTreeMap;

/// The birth date that a table first states of each id, and on which line.
#[derive(Default)]
pub(super) struct Births(BTreeMap<PatientKey, (NaiveDate, u64)>);

impl Births {
    /// Why a line is refused: an earlier one states another birth date of the id.
    pub(super) fn other(&mut self, subject: &Subject, line: u64) -> Option<String> {
        let first = self.0.entry(subject.patient.clone());
        let (birth_date, before) = first.or_insert((subject.birth_date, line));
        (*birth_date != subject.birth_date).then(|| {
            format!(
                "is not that of line {before}, {birth_date}, for the same patient id; one of the two is \
                 mistyped, or the id is another person's"
            )
        })
    }
}
