//! Rows in an order that tells nothing of when they came: by their keys, which are pseudonyms here. Rows
//! go into many small files first, then one after the other is sorted in memory.

use crate::export::ExportError;
use crate::export::cell::Cell;
use crate::export::files::create;
use crate::export::row::{Row, key_of};
use crate::export::tables::Table;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::{self, File};
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Files at a time. Of 10^7 rows each holds 40,000, some tens of megabytes in memory.
const FILES: usize = 256;

/// Rows aside, not in order yet.
pub(super) struct Shuffle {
    files: Vec<(PathBuf, BufWriter<File>)>,
}

/// A row as it waits.
#[derive(Serialize, Deserialize)]
struct Waiting {
    /// Whose, then which: rows of one patient stay together.
    key: Vec<String>,
    table: Table,
    cells: Vec<String>,
}

impl Shuffle {
    /// In a folder that nobody else uses.
    pub(super) fn new(aside: &Path) -> Result<Self, ExportError> {
        let file = |number| {
            let path = aside.join(format!("shuffle-{number}"));
            create(&path).map(|file| (path, file))
        };
        let files = (0..FILES).map(file).collect::<Result<_, _>>()?;
        Ok(Shuffle { files })
    }

    pub(super) fn add(&mut self, row: Row) -> Result<(), ExportError> {
        let table = row.table;
        let whose = row
            .cell("patient_id")
            .map(|cell| cell.written().into_owned());
        let mut key: Vec<String> = whose.into_iter().collect();
        key.extend(key_of(&row));
        let first = key.first().map_or("", String::as_str);
        let byte = Sha256::digest(first).first().copied().unwrap_or_default();
        let Some((path, file)) = self.files.get_mut(usize::from(byte) % FILES) else {
            return Ok(());
        };
        let cells = row.all_cells();
        let cells = cells
            .iter()
            .map(|cell| cell.written().into_owned())
            .collect();
        let waiting = Waiting { key, table, cells };
        let failed = |error: serde_json::Error| ExportError::at(path)(error.into());
        serde_json::to_writer(&mut *file, &waiting).map_err(failed)?;
        file.write_all(b"\n").map_err(ExportError::at(path))
    }

    /// Hands out all rows in order, and takes the files away.
    pub(super) fn each(
        self,
        mut take: impl FnMut(Row) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        for (path, file) in self.files {
            let written = file.into_inner();
            written.map_err(|error| ExportError::at(&path)(error.into_error()))?;
            let lines = BufReader::new(File::open(&path).map_err(ExportError::at(&path))?).lines();
            let mut rows = Vec::new();
            for line in lines {
                let line = line.map_err(ExportError::at(&path))?;
                let row: Waiting = serde_json::from_str(&line)
                    .map_err(|error| ExportError::at(&path)(error.into()))?;
                rows.push(row);
            }
            rows.sort_by(|one, other| (one.table, &one.key).cmp(&(other.table, &other.key)));
            for waiting in rows {
                let table = waiting.table;
                let columns = table.all_columns();
                let cells = columns.iter().zip(&waiting.cells);
                let cells = cells.map(|(column, text)| Cell::read(column.kind, text));
                let row = cells
                    .collect::<Option<_>>()
                    .and_then(|cells| Row::of_all_cells(table, cells));
                take(row.ok_or(ExportError::Row {
                    table: table.name(),
                    why: "it was not read back as it was written".to_owned(),
                })?)?;
            }
            fs::remove_file(&path).map_err(ExportError::at(&path))?;
        }
        Ok(())
    }
}
