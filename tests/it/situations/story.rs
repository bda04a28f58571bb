//! A story as its folder tells it: `story.md`, `exams.csv`, `people.csv`, `must.csv`, `page.txt`.

use crate::harness::fixture;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// One row of `exams.csv`: readings of one report. A cell that is empty takes the usual value, one
/// that holds `-` none.
#[derive(Debug)]
pub(crate) struct Row(BTreeMap<String, String>);

impl Row {
    /// A row of these columns and cells.
    pub(crate) fn of<C: Into<String>>(cells: impl IntoIterator<Item = (&'static str, C)>) -> Self {
        let cells = cells.into_iter();
        Row(cells
            .map(|(column, cell)| (column.to_owned(), cell.into()))
            .collect())
    }

    pub(super) fn get(&self, name: &str) -> Option<&str> {
        let cell = self.0.get(name).map(String::as_str)?;
        (!cell.is_empty() && cell != "-").then_some(cell)
    }

    /// The cell as it stands, or the usual value.
    pub(super) fn or<'a>(&'a self, name: &str, usual: &'a str) -> &'a str {
        let cell = self.0.get(name).map_or("", String::as_str);
        if cell.is_empty() { usual } else { cell }
    }

    /// The same, where `-` is none.
    pub(super) fn given<'a>(&'a self, name: &str, usual: &'a str) -> Option<&'a str> {
        Some(self.or(name, usual)).filter(|cell| *cell != "-")
    }

    pub(super) fn report(&self) -> &str {
        self.get("report").expect("every row names its report")
    }

    /// Its study; one of its own where none is named.
    pub(super) fn study(&self) -> &str {
        self.or("study", self.report())
    }
}

/// What a person says: `label`, `event` or `pressure`.
#[derive(Debug)]
pub(super) struct Said {
    pub(super) what: String,
    /// `report` or `report@HH:MM`; of an event the patient, or nothing for the usual one.
    pub(super) of: String,
    pub(super) value: String,
    pub(super) day: String,
}

/// What must come out.
#[derive(Debug)]
pub(super) struct Must {
    pub(super) exam: String,
    pub(super) fact: String,
    pub(super) value: String,
}

#[derive(Debug)]
pub(super) struct Story {
    pub(super) name: String,
    pub(super) folder: PathBuf,
    pub(super) rows: Vec<Row>,
    pub(super) said: Vec<Said>,
    pub(super) must: Vec<Must>,
}

impl Story {
    /// The names of the reports, in the order of the table.
    pub(super) fn reports(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for row in &self.rows {
            if !names.contains(&row.report()) {
                names.push(row.report());
            }
        }
        names
    }

    pub(super) fn rows_of(&self, report: &str) -> Vec<&Row> {
        let rows = self.rows.iter();
        rows.filter(|row| row.report() == report).collect()
    }
}

/// A UID made of a name, under the root for UUID-derived ones (PS3.5 B.2).
pub(super) fn uid(story: &str, name: &str) -> String {
    let hash = Sha256::digest(format!("{story} {name}").as_bytes());
    let bytes = hash.iter().take(15);
    let number = bytes.fold(0_u128, |n, &byte| n << 8 | u128::from(byte));
    format!("2.25.{number}")
}

fn table(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .comment(Some(b'#'))
        .from_path(path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let headers = reader.headers().expect("headers").clone();
    let rows = reader.records();
    rows.map(|row| row.unwrap_or_else(|error| panic!("{}: {error}", path.display())))
        .map(|row| {
            // A row may leave out its last cells.
            let cells = headers.iter().zip(row.iter());
            cells
                .map(|(name, cell)| (name.to_owned(), cell.to_owned()))
                .collect()
        })
        .collect()
}

/// Every story below `fixtures/situations`, by name.
pub(super) fn all() -> Vec<Story> {
    let mut folders: Vec<PathBuf> = fs::read_dir(fixture("situations"))
        .expect("the folder of the stories")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.is_dir())
        .collect();
    folders.sort();
    folders.into_iter().map(read).collect()
}

fn read(folder: PathBuf) -> Story {
    let cell =
        |row: &BTreeMap<String, String>, name: &str| row.get(name).cloned().unwrap_or_default();
    let people = folder.join("people.csv");
    let said = if people.exists() {
        table(&people)
    } else {
        Vec::new()
    };
    let name = folder
        .file_name()
        .expect("a name")
        .to_string_lossy()
        .into_owned();
    assert!(folder.join("story.md").is_file(), "{name} has no story.md");
    Story {
        name,
        rows: table(&folder.join("exams.csv"))
            .into_iter()
            .map(Row)
            .collect(),
        said: said
            .iter()
            .map(|row| Said {
                what: cell(row, "what"),
                of: cell(row, "of"),
                value: cell(row, "value"),
                day: cell(row, "day"),
            })
            .collect(),
        must: table(&folder.join("must.csv"))
            .iter()
            .map(|row| Must {
                exam: cell(row, "exam"),
                fact: cell(row, "fact"),
                value: cell(row, "value"),
            })
            .collect(),
        folder,
    }
}
