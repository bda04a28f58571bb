//! Rows as they are: taken from one database, put into another, and hashed.

use super::tables::{Column, Kind, STAYING_FACTS, Table};
use crate::error::{Kind as Refused, Refusal};
use crate::meta;
use crate::session::{Row, ToValue, Value};
use crate::{StoreError, Tx, View};
use sha2::{Digest, Sha256};
use std::ops::ControlFlow;

/// Rows of one commit.
const ROWS: u32 = 500;

/// Bytes after which a commit takes no further row.
const BYTES: u64 = 4 << 20;

/// One value of a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Cell {
    Null,
    Number(i64),
    Text(String),
    Bytes(Vec<u8>),
}

impl Cell {
    fn of(value: Value<'_>) -> Option<Cell> {
        Some(match value {
            Value::Null => Cell::Null,
            Value::Integer(number) => Cell::Number(number),
            Value::Text(text) => Cell::Text(text.to_owned()),
            Value::Bytes(bytes) => Cell::Bytes(bytes.to_owned()),
            Value::Real(_) => return None,
        })
    }

    fn fits(&self, column: Column) -> bool {
        match self {
            Cell::Null => true,
            Cell::Number(_) => column.kind == Kind::Number,
            Cell::Text(_) => column.kind == Kind::Text,
            Cell::Bytes(_) => column.kind == Kind::Bytes,
        }
    }

    fn bytes(&self) -> u64 {
        match self {
            Cell::Null => 0,
            Cell::Number(_) => 8,
            Cell::Text(text) => text.len() as u64,
            Cell::Bytes(bytes) => bytes.len() as u64,
        }
    }

    /// Its kind, its length and itself: no two rows are hashed from the same bytes.
    fn hash(&self, hash: &mut Sha256) {
        let mut put = |kind: u8, bytes: &[u8]| {
            hash.update([kind]);
            hash.update((bytes.len() as u64).to_le_bytes());
            hash.update(bytes);
        };
        match self {
            Cell::Null => put(0, &[]),
            Cell::Number(number) => put(1, &number.to_le_bytes()),
            Cell::Text(text) => put(2, text.as_bytes()),
            Cell::Bytes(bytes) => put(3, bytes),
        }
    }

    /// Its kind and itself in letters and digits, to be noted.
    pub(super) fn word(&self) -> String {
        let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let (kind, rest): (char, String) = match self {
            Cell::Null => ('n', String::new()),
            Cell::Number(number) => ('i', number.to_string()),
            Cell::Text(text) => ('t', hex(text.as_bytes())),
            Cell::Bytes(bytes) => ('b', hex(bytes)),
        };
        format!("{kind}{rest}")
    }

    /// What [`Cell::word`] made.
    pub(super) fn of_word(word: &str) -> Option<Cell> {
        let (kind, rest) = word.split_at_checked(1)?;
        let bytes = || -> Option<Vec<u8>> {
            let pair = |at| u8::from_str_radix(rest.get(at..at + 2)?, 16).ok();
            (0..rest.len()).step_by(2).map(pair).collect()
        };
        Some(match kind {
            "n" => Cell::Null,
            "i" => Cell::Number(rest.parse().ok()?),
            "t" => Cell::Text(String::from_utf8(bytes()?).ok()?),
            "b" => Cell::Bytes(bytes()?),
            _ => return None,
        })
    }
}

impl ToValue for Cell {
    fn to_value(&self) -> Value<'_> {
        match self {
            Cell::Null => Value::Null,
            Cell::Number(number) => Value::Integer(*number),
            Cell::Text(text) => Value::Text(text),
            Cell::Bytes(bytes) => Value::Bytes(bytes),
        }
    }
}

fn taken(table: &Table, row: &Row<'_>) -> Result<Vec<Cell>, StoreError> {
    let cells = table.columns.iter().enumerate().map(|(place, column)| {
        let cell = Cell::of(row.0.value(place)?).filter(|cell| cell.fits(*column));
        cell.ok_or_else(|| {
            let words = format!(
                "table {}, column {}: holds a value of another kind than the column has",
                table.name, column.name
            );
            StoreError::Refused(Refusal::new(Refused::Unfit, words))
        })
    });
    cells.collect()
}

/// Rows one after another, in the order of their key.
#[derive(Debug)]
pub(super) struct Page {
    pub(super) rows: Vec<Vec<Cell>>,
    /// Key of the last row that was looked at; `None`: there are no more.
    pub(super) last: Option<Vec<Cell>>,
}

/// The next rows of a table behind a key, or its first.
pub(super) fn page(view: &View, table: &Table, after: &[Cell]) -> Result<Page, StoreError> {
    let limit = i64::from(ROWS);
    let mut values: Vec<&dyn ToValue> = after.iter().map(|cell| cell as &dyn ToValue).collect();
    values.push(&limit);
    // Without a key to begin behind, the limit is the first value.
    let sql = if after.is_empty() {
        table.select_first()
    } else {
        table.select_after()
    };
    let (mut rows, mut last, mut bytes) = (Vec::new(), None, 0);
    let values: Vec<Value<'_>> = values.iter().map(|value| value.to_value()).collect();
    view.session().ask(&sql, &values, &mut |row| {
        let row = taken(table, row)?;
        last = Some(
            table
                .key_places()
                .filter_map(|place| row.get(place).cloned())
                .collect(),
        );
        if moves(table, &row) {
            bytes += row.iter().map(Cell::bytes).sum::<u64>();
            rows.push(row);
        }
        Ok(if bytes < BYTES {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        })
    })?;
    Ok(Page { rows, last })
}

/// Whether this row goes along.
fn moves(table: &Table, row: &[Cell]) -> bool {
    let of_database =
        |name: &Cell| matches!(name, Cell::Text(name) if STAYING_FACTS.contains(&name.as_str()));
    table.name != meta::TABLE || !row.first().is_some_and(of_database)
}

/// Puts rows there, as they are.
pub(super) fn put(tx: &Tx, table: &Table, rows: &[Vec<Cell>]) -> Result<(), StoreError> {
    let sql = table.insert();
    for row in rows {
        let values: Vec<&dyn ToValue> = row.iter().map(|cell| cell as &dyn ToValue).collect();
        tx.execute(&sql, values.as_slice())?;
    }
    Ok(())
}

/// What stands in a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Measured {
    /// Its name.
    pub table: &'static str,
    /// Its rows.
    pub rows: u64,
    /// Bytes of all values, without what the database adds.
    pub bytes: u64,
    /// SHA-256 over all its rows in the order of their key.
    pub sha256: [u8; 32],
}

/// Reads all of a table.
pub(super) fn measure(view: &View, table: &'static Table) -> Result<Measured, StoreError> {
    let (mut hash, mut rows, mut bytes) = (Sha256::new(), 0, 0);
    let mut after = Vec::new();
    loop {
        let page = page(view, table, &after)?;
        for cell in page.rows.iter().flatten() {
            cell.hash(&mut hash);
            bytes += cell.bytes();
        }
        rows += page.rows.len() as u64;
        match page.last {
            Some(last) => after = last,
            None => break,
        }
    }
    Ok(Measured {
        table: table.name,
        rows,
        bytes,
        sha256: hash.finalize().into(),
    })
}

#[cfg(test)]
mod tests {
    use super::Cell;

    #[test]
    fn a_value_is_read_back_from_its_word() {
        let all = [
            Cell::Null,
            Cell::Number(i64::MIN),
            Cell::Text(String::new()),
            Cell::Text("Ö\0x".to_owned()),
            Cell::Bytes(vec![0, 255]),
        ];
        for one in all {
            assert_eq!(Cell::of_word(&one.word()), Some(one));
        }
        for none in ["", "x", "i", "t1", "tzz", "tff", "é"] {
            assert_eq!(Cell::of_word(none), None, "{none}");
        }
    }
}
