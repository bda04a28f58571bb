//! What people said, from the store to rows.
//!
//! An entry has one row when it is recorded and a further one when another entry names it. To which exam
//! its readings belong, and which patient id survives, may change afterwards by what else comes; a run
//! that finds it changed adds a row of a further version.

use super::ExportError;
use super::folder::Folder;
use super::manifest::{Format, Through};
use super::row::Row;
use super::run::rows_of;
use super::stored::{Ended, Spoken};
use super::tables::{Table, of_entry};
use crate::export::cell::Cell;
use crate::known::content_of;
use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use sheathline_model::annotations::{Entry, Said};
use sheathline_model::assess::Reason;
use sheathline_model::domain::PatientKey;
use sheathline_model::history::Places;
use sheathline_model::results::Content;
use sheathline_store::{Store, StoreError, View, annotations, identity, results};
use std::collections::BTreeMap;

/// Ids in memory at a time.
const PAGE: u32 = 128;

/// An entry, and when something of its patient became known last.
pub(super) struct One {
    pub(super) spoken: Spoken,
    known_at: DateTime<Utc>,
}

/// Hands out every entry up to a number, id after id, as it stands by the results up to a number.
pub(super) fn each(
    store: &Store,
    until: &Through,
    take: &mut dyn FnMut(&One) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    // Before every patient.
    let mut place = PatientKey {
        issuer: String::new(),
        id: String::new(),
    };
    loop {
        let page = store.read(|conn| annotations::ids_after(conn, &place, PAGE))?;
        let Some(last) = page.last() else {
            return Ok(());
        };
        place = last.clone();
        for key in &page {
            let all = store.read(|conn| of_id(conn, key, until))?;
            all.iter().try_for_each(&mut *take)?;
        }
    }
}

/// The entries under one id. A correction stands under the id of what it corrects.
fn of_id(conn: &View, key: &PatientKey, until: &Through) -> Result<Vec<One>, StoreError> {
    let mut entries = annotations::of_patient(conn, key)?;
    entries.retain(|one| one.id <= until.entry);
    let person = identity::person(conn, key)?;
    let mut exams = Vec::new();
    let mut newest = None;
    for id in &person.ids {
        for row in results::newest_up_to(conn, id, until.result)? {
            newest = newest.max(Some(row.created_at));
            // A damaged one says nothing until a further version takes its place.
            let content = content_of(&row).ok();
            let is_told = |one: &Content| one.assessment.reason != Some(Reason::Withdrawn);
            exams.extend(content.filter(is_told));
        }
    }
    let places = Places::made_of(exams.iter().map(Content::made));
    let spoken = |entry: &Entry| {
        let about = entry.said.about();
        let of = about.map(|about| places.exams(about)).unwrap_or_default();
        let only = match of.len() {
            1 => of.first().and_then(|n| exams.get(*n)),
            _ => None,
        };
        let exam = only.map(|one| (one.exam.id.clone(), one.exam.performed_at.date()));
        One {
            known_at: newest.map_or(entry.recorded_at, |at| at.max(entry.recorded_at)),
            spoken: Spoken {
                entry: entry.clone(),
                patient: person.surviving.clone(),
                exam,
                exams: of.len(),
                ended: ended(&entries, entry.id),
            },
        }
    };
    Ok(entries.iter().map(spoken).collect())
}

/// All entries that name one are of one act, and recorded together.
fn ended(entries: &[Entry], id: i64) -> Option<Ended> {
    let naming = || entries.iter().filter(|one| one.corrects == Some(id));
    let first = naming().next()?;
    Some(Ended {
        by: first.id,
        at: first.recorded_at,
        is_taken_back: naming().all(|one| matches!(one.said, Said::Nothing(..))),
    })
}

impl One {
    /// The row as it stands now.
    pub(super) fn now(&self) -> Row {
        let spoken = &self.spoken;
        match spoken.ended {
            Some(end) => of_entry(spoken, 2, end.at),
            None => of_entry(spoken, 1, spoken.entry.recorded_at),
        }
    }

    /// The row as it stood before another entry named it.
    fn before(&self) -> Row {
        let spoken = Spoken {
            ended: None,
            ..self.spoken.clone()
        };
        of_entry(&spoken, 1, spoken.entry.recorded_at)
    }
}

/// The newest row of each entry that stands in the history of a folder. The rows themselves stay there.
pub(super) struct Newest {
    known: BTreeMap<i64, Known>,
}

struct Known {
    version: u32,
    recorded_at: DateTime<Utc>,
    hash: [u8; 32],
}

impl Newest {
    /// Those that a folder holds.
    pub(super) fn of(folder: &Folder) -> Result<Self, ExportError> {
        let mut newest = Newest {
            known: BTreeMap::new(),
        };
        read(folder, &mut |row| {
            newest.add(&row);
            Ok(())
        })?;
        Ok(newest)
    }

    fn add(&mut self, row: &Row) {
        let told = (number(row), row.version, row.recorded_at);
        if let (Some(id), Some(version), Some(recorded_at)) = told
            && self.known.get(&id).is_none_or(|old| old.version < version)
        {
            let known = Known {
                version,
                recorded_at,
                hash: hash(row),
            };
            self.known.insert(id, known);
        }
    }

    /// The rows that an entry adds to the history: those that it does not hold yet.
    pub(super) fn added(&mut self, one: &One) -> Vec<Row> {
        let mut now = one.now();
        let rows = match self.known.get(&one.spoken.entry.id) {
            None if one.spoken.ended.is_some() => vec![one.before(), now],
            None => vec![now],
            Some(old) if old.hash == hash(&now) => Vec::new(),
            Some(old) => {
                let at = one.spoken.ended.map(|end| end.at);
                // Its end is new, or else what came of its patient since.
                let at = at.filter(|at| *at > old.recorded_at);
                now.version = Some(old.version + 1);
                now.recorded_at = Some(at.unwrap_or(one.known_at).max(old.recorded_at));
                vec![now]
            }
        };
        rows.iter().for_each(|row| self.add(row));
        rows
    }

    /// Hands out the newest row of each entry, from the files of the history.
    pub(super) fn rows(
        &self,
        folder: &Folder,
        take: &mut dyn FnMut(Row) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        read(folder, &mut |row| {
            let known = number(&row).and_then(|id| self.known.get(&id));
            if known.is_some_and(|one| Some(one.version) == row.version) {
                take(row)
            } else {
                Ok(())
            }
        })
    }
}

/// Every row of the history, file after file.
fn read(
    folder: &Folder,
    take: &mut dyn FnMut(Row) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let files = folder.manifest.history.iter();
    for file in files.filter(|one| one.table == Table::Entries && one.format == Format::Csv) {
        rows_of(folder, file)?
            .into_iter()
            .try_for_each(&mut *take)?;
    }
    Ok(())
}

fn number(row: &Row) -> Option<i64> {
    match row.cell("entry_id") {
        Some(Cell::Integer(number)) => Some(*number),
        _ => None,
    }
}

fn hash(row: &Row) -> [u8; 32] {
    let mut hash = Sha256::new();
    for cell in &row.cells {
        let text = cell.written();
        hash.update((text.len() as u64).to_be_bytes());
        hash.update(text.as_bytes());
    }
    hash.finalize().into()
}
