//! Small cells: groups of so few patients that somebody who knows one of them may find that one. Counted
//! over what is exported, exam by exam.

use crate::export::row::Row;
use crate::export::tables::Table;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Cells of fewer patients are small: common practice of statistical offices, no source.
pub(crate) const SMALL_BELOW: u64 = 5;

/// Sex and age as they stand in the files.
type Cell = (String, String);

/// Patients by sex and age at any of their exams. Rows must come patient after patient.
#[derive(Debug, Default)]
pub(crate) struct Cells {
    /// How many patients stand in exactly these cells.
    patients: BTreeMap<BTreeSet<Cell>, u64>,
    last: String,
    cells_of_last: BTreeSet<Cell>,
}

/// What was counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Counted {
    /// Patients.
    pub patients: u64,
    /// Groups of equal sex and age that hold anybody.
    pub cells: u64,
    /// Those of fewer than [`SMALL_BELOW`].
    pub small_cells: u64,
    /// Patients who stand in one of them with any of their exams.
    pub patients_in_small_cells: u64,
    /// Patients who are the only one of their sex and age at any of their exams.
    #[serde(default)]
    pub patients_alone: u64,
}

impl Cells {
    /// Takes a row as it is exported.
    pub(crate) fn count(&mut self, row: &Row) {
        if row.table != Table::Exams {
            return;
        }
        let told = |column| {
            row.cell(column)
                .map_or_else(String::new, |cell| cell.written().into_owned())
        };
        let patient = told("patient_id");
        if patient.is_empty() {
            return;
        }
        if patient != self.last {
            self.end();
            self.last = patient;
        }
        self.cells_of_last.insert((told("sex"), told("age_years")));
    }

    fn end(&mut self) {
        let cells = std::mem::take(&mut self.cells_of_last);
        if !cells.is_empty() {
            *self.patients.entry(cells).or_default() += 1;
        }
    }

    /// The sums.
    #[must_use]
    pub(crate) fn counted(mut self) -> Counted {
        self.end();
        let mut cells: BTreeMap<&Cell, u64> = BTreeMap::new();
        for (of, patients) in &self.patients {
            for cell in of {
                *cells.entry(cell).or_default() += patients;
            }
        }
        let in_cells_below = |many: u64| {
            let found = self.patients.iter().filter(|(of, _)| {
                of.iter()
                    .any(|cell| cells.get(cell).is_some_and(|&count| count < many))
            });
            found.map(|(_, patients)| patients).sum()
        };
        Counted {
            patients: self.patients.values().sum(),
            cells: cells.len() as u64,
            small_cells: cells.values().filter(|&&count| count < SMALL_BELOW).count() as u64,
            patients_in_small_cells: in_cells_below(SMALL_BELOW),
            patients_alone: in_cells_below(2),
        }
    }
}
