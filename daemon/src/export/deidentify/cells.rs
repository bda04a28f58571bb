//! Small cells: groups of so few patients that somebody who knows one of them may find that one.

use crate::export::cell::Cell;
use crate::export::row::Row;
use crate::export::tables::Table;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Cells of fewer patients are small: common practice of statistical offices, no source.
pub const SMALL_BELOW: u64 = 5;

/// Patients by sex and whole years of age at the first exam that is met. Rows must come patient after
/// patient.
#[derive(Debug, Default)]
pub struct Cells {
    patients: BTreeMap<(String, Option<i64>), u64>,
    last: String,
}

/// What was counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counted {
    /// Patients.
    pub patients: u64,
    /// Groups of equal sex and age that hold anybody.
    pub cells: u64,
    /// Those of fewer than [`SMALL_BELOW`].
    pub small_cells: u64,
    /// Patients in them.
    pub patients_in_small_cells: u64,
}

impl Cells {
    /// Takes a row whose identities are pseudonyms.
    pub fn count(&mut self, row: &Row) {
        if row.table != Table::Exams {
            return;
        }
        let patient = row
            .cell("patient_id")
            .map_or_else(String::new, |cell| cell.written().into_owned());
        if patient.is_empty() || patient == self.last {
            return;
        }
        self.last = patient;
        let sex = row
            .cell("sex")
            .map_or_else(String::new, |cell| cell.written().into_owned());
        let years = match row.cell("age_years") {
            #[expect(clippy::cast_possible_truncation, reason = "ages end at 90")]
            Some(Cell::Number(years)) => Some(years.floor() as i64),
            _ => None,
        };
        *self.patients.entry((sex, years)).or_default() += 1;
    }

    /// The sums.
    #[must_use]
    pub fn counted(&self) -> Counted {
        let small = || self.patients.values().filter(|&&count| count < SMALL_BELOW);
        Counted {
            patients: self.patients.values().sum(),
            cells: self.patients.len() as u64,
            small_cells: small().count() as u64,
            patients_in_small_cells: small().sum(),
        }
    }
}
