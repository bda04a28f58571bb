//! Whether the store holds what was put into it. Changes nothing, and works beside an owner.

mod columns;
mod rows;

use super::objects::{self, ObjectId};
use super::sqlite::opening::connect_reader;
use super::sqlite::{self, schema};
use super::view::View;
use super::{StoreError, annotations, deliveries, meta, place, postgres, readings, results};
use crate::moving::mark;
use crate::session::Row;
use sheathline_model::annotations::strays;
use sheathline_model::domain::PatientKey;
use std::path::Path;

/// Rows looked at in one snapshot: a long one would keep the write-ahead log from being emptied.
const PAGE: u32 = 100;

/// What damages of entries are told of.
const ENTRIES: &str = "labels, events and pressures";

/// Findings of SQLite's own check that are told.
const FINDINGS: u32 = 100;

/// One thing that is not as it was stored. Holds no patient data.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Which part: `object 7`, `result X version 2`, `file`.
    pub part: String,
    /// How.
    pub how: String,
}

/// What was looked at, and what was found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Verified {
    /// Objects in the store.
    pub objects: u32,
    /// Objects whose bytes were dropped on purpose: hash and reading are all there is.
    pub dropped: u32,
    /// Versions of results.
    pub results: u32,
    /// Deliveries of results to destinations, however they stand.
    pub deliveries: u32,
    /// Patients with labels, events or opening pressures.
    pub people: u32,
    /// What is not as it was stored.
    pub damages: Vec<Damage>,
}

/// A store that is only looked at.
#[derive(Debug)]
pub struct Looker {
    view: View,
}

impl Looker {
    /// Opens the store at `path` for looking at it, whoever else has it open.
    ///
    /// # Errors
    /// The store is missing, something else, of another shape, or does not open.
    pub fn open(path: &Path) -> Result<Looker, StoreError> {
        let path = &place::real(path);
        if !path.exists() {
            return Err(StoreError::Missing { path: path.into() });
        }
        let note = place::look_before(path)?;
        let view = connect_reader(path)?;
        let found = schema::found(sqlite::connection(&view)?, path)?;
        schema::refuse_older(&view, path, found, note.stored)?;
        if found < schema::KNOWN {
            return Err(StoreError::Outdated {
                path: path.into(),
                found,
                known: schema::KNOWN,
            });
        }
        mark::refuse_coming(&view, &path.display().to_string())?;
        Ok(Looker { view })
    }

    /// The same with a store on a server.
    ///
    /// # Errors
    /// The server cannot be reached, or holds no store of this shape.
    pub fn open_server(settings: &postgres::Settings) -> Result<Looker, StoreError> {
        let view = postgres::open_to_look(settings)?;
        mark::refuse_coming(&view, &settings.place())?;
        Ok(Looker { view })
    }

    /// Looks through a connection.
    #[cfg(test)]
    pub(crate) fn on(view: View) -> Looker {
        Looker { view }
    }

    /// Checks the file, every object, every result and its deliveries, and everything that people said; `each_result`
    /// sees every sound result.
    ///
    /// # Errors
    /// The store cannot be read at all.
    pub fn verify(
        &self,
        mut each_result: impl FnMut(&results::ResultRow, &mut Vec<Damage>),
    ) -> Result<Verified, StoreError> {
        let mut done = Verified::default();
        self.file(&mut done)?;
        self.objects(&mut done)?;
        self.results(&mut done, &mut each_result)?;
        self.deliveries(&mut done)?;
        self.people(&mut done)?;
        if let Err(error) = rows::look(&self.view, &mut done) {
            done.add("tables", words(&error));
        }
        Ok(done)
    }

    /// How many commits the store counts.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn commits(&self) -> Result<u64, StoreError> {
        meta::commits(&self.view)
    }

    /// What tells the store from others: see [`objects::first`].
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn identity(&self) -> Result<Option<String>, StoreError> {
        objects::first(&self.view)
    }

    /// Whether the store has this version of a result.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn knows_result(&self, exam: &str, version: u32) -> Result<bool, StoreError> {
        let sql = "select 1 from result where exam_id = ?1 and version = ?2";
        self.view.prepare(sql).exists((exam, version))
    }

    /// Ids of all rows of `table` after `after`, at most a page, by one statement that touches
    /// nothing but the index of ids.
    fn page(&self, table: &str, after: i64) -> Result<Vec<i64>, StoreError> {
        let sql = format!("select id from {table} where id > ?1 order by id limit {PAGE}");
        let statement = self.view.prepare(sql);
        statement.all([after], |row| row.get(0))
    }

    fn file(&self, done: &mut Verified) -> Result<(), StoreError> {
        // How a server keeps its files is for its own means to check.
        if sqlite::connection(&self.view).is_err() {
            return Ok(());
        }
        let check = format!("PRAGMA integrity_check({FINDINGS})");
        let checked = self.view.prepare(check).each((), |row| {
            let line: String = row.get(0)?;
            if line != "ok" {
                done.add("file", line);
            }
            Ok(())
        });
        if let Err(error) = checked {
            done.add("file", words(&error));
        }
        Ok(())
    }

    fn objects(&self, done: &mut Verified) -> Result<(), StoreError> {
        let mut after = 0;
        loop {
            let ids = match self.page("object", after) {
                Ok(ids) => ids,
                Err(error) => {
                    done.add("objects", error.to_string());
                    return Ok(());
                }
            };
            let Some(&last) = ids.last() else {
                return Ok(());
            };
            for id in ids.into_iter().map(ObjectId) {
                done.objects += 1;
                match objects::body(&self.view, id) {
                    Ok(_) => {}
                    Err(StoreError::Dropped { .. }) => done.dropped += 1,
                    Err(error) => done.add(format!("object {id}"), error.to_string()),
                }
                if let Some(how) = self.reading(id) {
                    done.add(format!("object {id}"), how);
                }
            }
            after = last;
        }
    }

    /// What is wrong with the reading of an object, against its own hash and the columns by which
    /// it is found.
    fn reading(&self, id: ObjectId) -> Option<String> {
        let stored = match readings::reading_of(&self.view, id) {
            Ok(stored) => stored,
            Err(error) => return Some(error.to_string()),
        };
        let columns = self
            .view
            .prepare(
                "select state, sop_instance_uid, content_sha256, patient_issuer, patient_id,
                        study_instance_uid
                 from object where id = ?1",
            )
            .one([id], |row| {
                let state: String = row.get(0)?;
                let found: [Option<String>; 5] = [
                    row.get(1)?,
                    row.get(2)?,
                    row.get(3)?,
                    row.get(4)?,
                    row.get(5)?,
                ];
                Ok((state, found))
            });
        let (state, found) = match columns {
            Ok(columns) => columns,
            Err(error) => return Some(words(&error)),
        };
        let Some(stored) = stored else {
            return (state == "read").then(|| "it was read, and its reading is gone".to_owned());
        };
        match columns::of_reading(&self.view, &stored) {
            Ok(None) => {}
            Ok(Some(how)) => return Some(how.to_owned()),
            Err(error) => return Some(words(&error)),
        }
        let reading = stored.reading;
        let key = reading.patient.map(|patient| patient.key);
        let told = [
            reading.sop_instance_uid,
            reading.content_sha256,
            key.as_ref().map(|key| key.issuer.clone()),
            key.map(|key| key.id),
            reading.exam.map(|exam| exam.study_instance_uid),
        ];
        (told != found).then(|| "it is filed under something else than its reading says".to_owned())
    }

    fn results(
        &self,
        done: &mut Verified,
        each: &mut impl FnMut(&results::ResultRow, &mut Vec<Damage>),
    ) -> Result<(), StoreError> {
        let mut after = 0;
        loop {
            let ids = match self.page("result", after) {
                Ok(ids) => ids,
                Err(error) => {
                    done.add("results", error.to_string());
                    return Ok(());
                }
            };
            let Some(&last) = ids.last() else {
                return Ok(());
            };
            for id in ids {
                done.results += 1;
                match results::by_number(&self.view, id) {
                    Ok(Some(row)) if row.is_damaged => done.add(
                        format!("result {} version {}", row.exam_id, row.version),
                        "its content is not the one it was stored with",
                    ),
                    Ok(Some(row)) => {
                        let part = || format!("result {} version {}", row.exam_id, row.version);
                        match columns::of_result(&self.view, id, &row) {
                            Ok(None) => {}
                            Ok(Some(how)) => done.add(part(), how),
                            Err(error) => done.add(part(), words(&error)),
                        }
                        each(&row, &mut done.damages);
                    }
                    Ok(None) => {}
                    Err(error) => done.add(format!("result number {id}"), error.to_string()),
                }
            }
            after = last;
        }
    }

    fn deliveries(&self, done: &mut Verified) -> Result<(), StoreError> {
        let mut after = 0;
        loop {
            let ids = match self.page("delivery", after) {
                Ok(ids) => ids,
                Err(error) => {
                    done.add("deliveries", error.to_string());
                    return Ok(());
                }
            };
            let Some(&last) = ids.last() else {
                return Ok(());
            };
            for id in ids {
                done.deliveries += 1;
                if let Err(error) = deliveries::check(&self.view, id) {
                    done.add(format!("delivery {id}"), error.to_string());
                }
            }
            after = last;
        }
    }

    fn people(&self, done: &mut Verified) -> Result<(), StoreError> {
        let mut last: Option<PatientKey> = None;
        loop {
            let next = self.next_person(last.as_ref());
            let key = match next {
                Ok(Some(key)) => key,
                Ok(None) => return Ok(()),
                Err(error) => {
                    done.add(ENTRIES, error.to_string());
                    return Ok(());
                }
            };
            done.people += 1;
            match annotations::of_patient(&self.view, &key) {
                Ok(entries) => {
                    let strays = strays(&entries).map(|one| {
                        format!("entry {} corrects none of this patient and kind", one.id)
                    });
                    for how in strays {
                        done.add(ENTRIES, how);
                    }
                }
                Err(error) => done.add(ENTRIES, error.to_string()),
            }
            last = Some(key);
        }
    }

    fn next_person(&self, last: Option<&PatientKey>) -> Result<Option<PatientKey>, StoreError> {
        let then = "where (patient_id, patient_issuer) > (?1, ?2)";
        let sql = format!(
            "select patient_id, patient_issuer from entry {} order by 1, 2 limit 1",
            last.map_or("", |_| then)
        );
        let statement = self.view.prepare(sql);
        let key = |row: &Row<'_>| {
            Ok(PatientKey {
                id: row.get(0)?,
                issuer: row.get(1)?,
            })
        };

        match last {
            Some(last) => statement.first([&last.id, &last.issuer], key),
            None => statement.first((), key),
        }
    }
}

/// What the database itself says, where it says something.
fn words(error: &StoreError) -> String {
    match error {
        StoreError::Refused(refusal) => refusal.to_string(),
        other => other.to_string(),
    }
}

impl Verified {
    fn add(&mut self, part: impl Into<String>, how: impl Into<String>) {
        self.damages.push(Damage {
            part: part.into(),
            how: how.into(),
        });
    }
}
