//! Tables into files that nobody sees yet: each in CSV and in Parquet, hashed while it is written.

use super::ExportError;
use super::csv_file::CsvFile;
use super::manifest::{File, Format};
use super::parquet_file::ParquetFile;
use super::row::Row;
use super::tables::Table;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Files being written, at most one pair of each table open at a time.
pub(super) struct Files {
    aside: PathBuf,
    places: Places,
    open: BTreeMap<Table, (String, Pair)>,
    taken: BTreeSet<String>,
    /// What is finished and synced, with the place that each file is to have.
    done: Vec<File>,
}

/// Where rows are filed.
pub(super) enum Places {
    /// `history/TABLE/month=YYYY-MM/part-NUMBER`, by the month in which a row became known.
    Month(u32),
    /// `current/TABLE`.
    Table,
}

struct Pair {
    csv: CsvFile<Hashed>,
    parquet: ParquetFile<Hashed>,
    rows: u64,
}

impl Files {
    pub(super) fn new(aside: PathBuf, places: Places) -> Self {
        Files {
            aside,
            places,
            open: BTreeMap::new(),
            taken: BTreeSet::new(),
            done: Vec::new(),
        }
    }

    pub(super) fn write(&mut self, row: Row) -> Result<(), ExportError> {
        let table = row.table;
        let group = match self.places {
            Places::Table => String::new(),
            Places::Month(_) => row
                .recorded_at
                .map_or_else(String::new, |at| at.format("%Y-%m").to_string()),
        };
        if self.open.get(&table).is_none_or(|(open, _)| *open != group) {
            self.begin(table, group)?;
        }
        let Some((_, pair)) = self.open.get_mut(&table) else {
            return Ok(());
        };
        let cells = row.all_cells();
        let failed = |why: &dyn std::fmt::Display| unwritable(table, why);
        pair.csv.write(&cells).map_err(|error| failed(&error))?;
        pair.parquet.write(&cells).map_err(|error| failed(&error))?;
        pair.rows += 1;
        Ok(())
    }

    /// Opens the files of a table, if they are not; a table without rows has its columns at least.
    pub(super) fn begin(&mut self, table: Table, group: String) -> Result<(), ExportError> {
        self.end_of(table)?;
        let columns = table.all_columns();
        let csv = self.aside_file(table, Format::Csv)?;
        let parquet = self.aside_file(table, Format::Parquet)?;
        let failed = |why: &dyn std::fmt::Display| unwritable(table, why);
        let pair = Pair {
            csv: CsvFile::begin(csv, &columns).map_err(|error| failed(&error))?,
            parquet: ParquetFile::begin(parquet, table.name(), &columns)
                .map_err(|error| failed(&error))?,
            rows: 0,
        };
        self.open.insert(table, (group, pair));
        Ok(())
    }

    fn aside_file(&self, table: Table, format: Format) -> Result<Hashed, ExportError> {
        let path = self
            .aside
            .join(format!("{}.{}", table.name(), format.ending()));
        Hashed::create(&path)
    }

    /// Finishes the files of a table and moves them out of the way of the next ones.
    fn end_of(&mut self, table: Table) -> Result<(), ExportError> {
        let Some((group, pair)) = self.open.remove(&table) else {
            return Ok(());
        };
        let place = self.place(table, &group);
        let failed = |why: &dyn std::fmt::Display| unwritable(table, why);
        let csv = pair.csv.end().map_err(|error| failed(&error))?;
        let parquet = pair.parquet.end().map_err(|error| failed(&error))?;
        for (hashed, format) in [(csv, Format::Csv), (parquet, Format::Parquet)] {
            let path = format!("{place}.{}", format.ending());
            let (from, bytes, sha256) = hashed.end()?;
            let to = self.aside.join(flat(&path));
            fs::rename(&from, &to).map_err(ExportError::at(&from))?;
            self.done.push(File {
                path,
                table,
                format,
                rows: pair.rows,
                bytes,
                sha256,
            });
        }
        Ok(())
    }

    fn place(&mut self, table: Table, group: &str) -> String {
        let name = table.name();
        let Places::Month(part) = self.places else {
            return format!("current/{name}");
        };
        let place = format!("history/{name}/month={group}/part-{part:06}");
        // A clock that was set back files rows under a month that was closed.
        let more = (2..).map(|more| format!("{place}-{more}"));
        let mut names = std::iter::once(place.clone()).chain(more);
        let free = names
            .find(|name| !self.taken.contains(name))
            .unwrap_or(place);
        self.taken.insert(free.clone());
        free
    }

    /// Finishes everything: the files, each with the place it is to have, and where it is now.
    pub(super) fn end(mut self) -> Result<Vec<(PathBuf, File)>, ExportError> {
        let open: Vec<Table> = self.open.keys().copied().collect();
        for table in open {
            self.end_of(table)?;
        }
        let done = self.done.into_iter();
        let done = done.map(|file| (self.aside.join(flat(&file.path)), file));
        Ok(done.collect())
    }
}

fn unwritable(table: Table, why: &dyn std::fmt::Display) -> ExportError {
    ExportError::Row {
        table: table.name(),
        why: why.to_string(),
    }
}

/// A path as one name.
fn flat(path: &str) -> String {
    path.replace('/', "+")
}

impl Format {
    fn ending(self) -> &'static str {
        match self {
            Format::Csv => "csv",
            Format::Parquet => "parquet",
        }
    }
}

/// A new file of patients' data: not for everybody on the machine.
pub(super) fn create(path: &Path) -> Result<BufWriter<fs::File>, ExportError> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true).mode(0o640);
    let file = options.open(path).map_err(ExportError::at(path))?;
    Ok(BufWriter::new(file))
}

/// A new file whose bytes are counted and hashed on the way.
pub(super) struct Hashed {
    path: PathBuf,
    file: BufWriter<fs::File>,
    hash: Sha256,
    bytes: u64,
}

impl Hashed {
    pub(super) fn create(path: &Path) -> Result<Self, ExportError> {
        Ok(Hashed {
            path: path.to_owned(),
            file: create(path)?,
            hash: Sha256::new(),
            bytes: 0,
        })
    }

    /// Syncs it; where it is, its length and its hash.
    pub(super) fn end(mut self) -> Result<(PathBuf, u64, String), ExportError> {
        self.file.flush().map_err(ExportError::at(&self.path))?;
        let file = self.file.get_ref();
        file.sync_all().map_err(ExportError::at(&self.path))?;
        let hash = self.hash.finalize();
        let digits = hash.iter();
        let sha256 = digits.fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"));
        Ok((self.path, self.bytes, sha256))
    }
}

impl Write for Hashed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hash.update(bytes.get(..written).unwrap_or_default());
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
