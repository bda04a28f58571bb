//! A row on its way to the files, and what may be done to it on the way.

use super::cell::Cell;
use super::tables::Table;
use chrono::{DateTime, Utc};
use sheathline_model::domain::PatientKey;
use std::collections::BTreeMap;

/// The age at the youngest exam that numbers were worked out with by growth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AgeUsed {
    /// Years.
    pub years: f64,
}

/// A row of a table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    /// Which table.
    pub table: Table,
    /// Rises with every change; the column `row_version`. `None`: not told.
    pub version: Option<u32>,
    /// When it became known here; the column `recorded_at`. It also says in which month it is filed.
    /// `None`: not told.
    pub recorded_at: Option<DateTime<Utc>>,
    /// It holds no more; the column `withdrawn`.
    pub is_withdrawn: bool,
    /// Whose it is, for what is done patient by patient; no column.
    pub patient: Option<PatientKey>,
    /// Its numbers were worked out with the age to a day; no column.
    pub rests_on_age: Option<AgeUsed>,
    /// The table's own columns, in their order.
    pub cells: Vec<Cell>,
}

impl Row {
    /// The cell of a column of the table's own.
    #[must_use]
    pub(crate) fn cell(&self, column: &str) -> Option<&Cell> {
        let mut columns = self.table.columns().iter().zip(&self.cells);
        columns.find_map(|(one, cell)| (one.name == column).then_some(cell))
    }

    /// All columns as they stand in the files.
    #[must_use]
    pub(crate) fn all_cells(self) -> Vec<Cell> {
        let mut cells = self.cells;
        cells.extend([
            self.version
                .map_or(Cell::Empty, |version| Cell::Integer(version.into())),
            self.recorded_at.map_or(Cell::Empty, Cell::Instant),
            Cell::Flag(self.is_withdrawn),
        ]);
        cells
    }
}

impl Row {
    /// A row from what [`Row::all_cells`] made; whose it is, is not known any more.
    #[must_use]
    pub(crate) fn of_all_cells(table: Table, mut cells: Vec<Cell>) -> Option<Row> {
        let own = table.columns().len();
        let version = cells.split_off(own.min(cells.len()));
        let [number, at, Cell::Flag(withdrawn)] = version.as_slice() else {
            return None;
        };
        Some(Row {
            table,
            version: match number {
                Cell::Integer(number) => Some(u32::try_from(*number).ok()?),
                Cell::Empty => None,
                _ => return None,
            },
            recorded_at: match at {
                Cell::Instant(at) => Some(*at),
                Cell::Empty => None,
                _ => return None,
            },
            is_withdrawn: *withdrawn,
            patient: None,
            rests_on_age: None,
            cells,
        })
    }
}

/// What is done to every row between the store and the files, such as taking identities out. It
/// must give the same for the same row at any time, or a later run would not fit an earlier one.
pub(crate) trait Transform {
    /// Changes the row, or takes it away. Key columns must stay filled, and kinds as they are.
    fn change(&self, row: Row) -> Option<Row>;
}

/// Rows as they are.
pub(crate) struct Identified;

impl Transform for Identified {
    fn change(&self, row: Row) -> Option<Row> {
        Some(row)
    }
}

/// The key of a row within its table.
type Key = Vec<String>;

/// The rows of one exam, version after version.
#[derive(Default)]
pub(crate) struct Held {
    rows: BTreeMap<(Table, Key), Row>,
}

impl Held {
    /// Takes the rows of the next version; returns those that are new or changed, and those that
    /// hold no more, marked so. A row that says the same again is none of them.
    pub(crate) fn next(
        &mut self,
        rows: Vec<Row>,
        version: u32,
        recorded_at: DateTime<Utc>,
    ) -> Vec<Row> {
        let mut before = std::mem::take(&mut self.rows);
        let mut changed = Vec::new();
        for row in rows {
            let key = (row.table, key_of(&row));
            let held = match before.remove(&key) {
                Some(old) if says_the_same(&old, &row) => old,
                _ => {
                    changed.push(row.clone());
                    row
                }
            };
            self.rows.insert(key, held);
        }
        for (key, mut gone) in before {
            if key.0.is_named_only() {
                continue;
            }
            if !gone.is_withdrawn {
                gone.is_withdrawn = true;
                gone.version = Some(version);
                gone.recorded_at = Some(recorded_at);
                changed.push(gone.clone());
            }
            // Kept, so that a row that comes back is told from one that was never there.
            self.rows.insert(key, gone);
        }
        changed
    }

    /// The rows that hold.
    pub(crate) fn current(self) -> impl Iterator<Item = Row> {
        self.rows.into_values().filter(|row| !row.is_withdrawn)
    }
}

fn says_the_same(old: &Row, new: &Row) -> bool {
    old.is_withdrawn == new.is_withdrawn && old.cells == new.cells
}

/// The cells that tell a row from the others of its table.
pub(super) fn key_of(row: &Row) -> Key {
    let columns = row.table.columns();
    let keys = columns
        .iter()
        .zip(&row.cells)
        .filter(|(column, _)| column.is_key);
    keys.map(|(_, cell)| cell.written().into_owned()).collect()
}
