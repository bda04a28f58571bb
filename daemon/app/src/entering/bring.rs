//! A table of old values: what would become of each exam, and all of it in one transaction.

use super::here::Patients;
use super::{NotEntered, TRIES, against, back, object};
use crate::intake::{Intake, Object};
use crate::observe::Observed;
use chrono::Utc;
use sheathline_model::annotations::By;
use sheathline_model::domain::Source;
use sheathline_model::entered::table::{Column, OldExam, RowFault};
use sheathline_model::entered::{Field, Table};
use sheathline_store::bringings::{self, Report};
use sheathline_store::{Store, StoreError, View, annotations, archives};

/// A table with what is recorded of it.
pub struct Bring<'a> {
    /// What was read.
    pub table: &'a Table,
    /// Who brings it, and why.
    pub by: &'a By,
    /// What the file is called, without its folder.
    pub file_name: &'a str,
    /// SHA-256 of the file.
    pub file_sha256: [u8; 32],
    /// Results of exams that are more than so many days old are not delivered; `None`: all are.
    pub current_days: Option<u32>,
}

/// What becomes of an exam of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// It is kept.
    New,
    /// It is here, was taken back, and counts again.
    Again,
    /// It is here; nothing is done.
    Already,
}

/// What the store makes of a table.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Looked {
    /// Of each exam of the table, in its order.
    pub states: Vec<State>,
    /// What keeps it from being brought in: of the table and of the store.
    pub faults: Vec<RowFault>,
    /// What is to be looked at once more.
    pub doubts: Vec<RowFault>,
}

impl Looked {
    /// How many exams are in a state.
    #[must_use]
    pub fn count(&self, state: State) -> usize {
        self.states.iter().filter(|one| **one == state).count()
    }
}

/// What came of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Brought {
    /// Its own number; `None`: nothing in it was new, and nothing was recorded.
    pub number: Option<i64>,
    /// Exams that were not here before.
    pub new: usize,
    /// Exams that had been taken back and count again.
    pub again: usize,
    /// Exams that were here.
    pub already: usize,
}

/// What the store makes of a table; changes nothing.
///
/// # Errors
/// The store cannot be read.
pub fn look_at(store: &Store, table: &Table) -> Result<Looked, StoreError> {
    store.read(|view| looked(view, table))
}

fn looked(view: &View, table: &Table) -> Result<Looked, StoreError> {
    let mut looked = Looked {
        faults: table.all_faults().into_iter().cloned().collect(),
        ..Looked::default()
    };
    let mut patients = Patients::default();
    for exam in &table.exams {
        let typed = &exam.typed;
        let uids = typed.uids();
        let here = patients.of(view, &typed.subject.patient)?;
        if archives::is_here(view, &uids.instance)? {
            let is_back = here.is_back(&uids.study, &uids.instance);
            looked.states.push(if is_back {
                State::Again
            } else {
                State::Already
            });
            continue;
        }
        looked.states.push(State::New);
        looked.doubts.extend(exam.doubts.iter().cloned());
        for fault in against::of_store(view, typed, here)? {
            let told = RowFault {
                line: first_line(exam),
                column: column(table, fault.field),
                reason: fault.sentence,
            };
            if fault.blocking {
                looked.faults.push(told);
            } else {
                looked.doubts.push(told);
            }
        }
    }
    looked.faults.sort();
    looked.faults.dedup();
    Ok(looked)
}

fn first_line(exam: &OldExam) -> u64 {
    exam.lines.first().copied().unwrap_or_default()
}

/// What the column of a field that the store speaks against is called.
fn column(table: &Table, field: Field) -> String {
    let column = match field {
        Field::BirthDate => Column::BirthDate,
        Field::PatientId => Column::PatientId,
        _ => Column::Date,
    };
    table.columns.name(column)
}

/// Brings a table in: all of it on stable storage when it says so, or nothing of it.
///
/// # Errors
/// Something speaks against a line; or it could not be kept.
pub fn bring_in(
    store: &Store,
    observed: &Observed,
    bring: &Bring<'_>,
) -> Result<Brought, NotEntered> {
    let exams = &bring.table.exams;
    for _ in 0..TRIES {
        let (looked, number) =
            store.read(|view| Ok((looked(view, bring.table)?, bringings::next_number(view)?)))?;
        if !looked.faults.is_empty() {
            return Err(NotEntered::Lines(looked.faults));
        }
        let mut brought = Brought {
            number: None,
            new: looked.count(State::New),
            again: looked.count(State::Again),
            already: looked.count(State::Already),
        };
        if brought.new + brought.again == 0 {
            return Ok(brought);
        }
        let mut again = Vec::new();
        let (mut objects, mut reports) = (Vec::new(), Vec::new());
        for (exam, state) in exams.iter().zip(&looked.states) {
            let instance = exam.typed.uids().instance;
            let report = Report {
                line: u32::try_from(first_line(exam)).unwrap_or(u32::MAX),
                sop_instance_uid: instance.clone(),
            };
            match state {
                State::New => {
                    objects.push(old_object(exam, number, bring.current_days)?);
                    reports.push((report, true));
                }
                State::Again => {
                    again.push(instance);
                    reports.push((report, false));
                }
                State::Already => {}
            }
        }
        if keep(store, observed, bring, (objects, reports, again), number)? {
            brought.number = Some(number);
            return Ok(brought);
        }
    }
    Err(NotEntered::Overtaken)
}

/// The report of an old exam, with the table it was copied from.
fn old_object(
    exam: &OldExam,
    number: i64,
    current_days: Option<u32>,
) -> Result<Object, NotEntered> {
    let mut typed = exam.typed.clone();
    let place = typed.transcribed.unwrap_or_default();
    typed.transcribed = Some(format!("table {number}, {place}"));
    Ok(object(&typed, current_days)?)
}

/// Objects, the reports they are with whether each is new, and the reports that count again.
type Parts = (Vec<Object>, Vec<(Report, bool)>, Vec<String>);

/// Keeps it all; `false` if somebody entered or said something meanwhile.
fn keep(
    store: &Store,
    observed: &Observed,
    bring: &Bring<'_>,
    (objects, reports, again): Parts,
    number: i64,
) -> Result<bool, NotEntered> {
    let mut prepared = Ok((Vec::new(), 0));
    store.read(|view| {
        let instances: Vec<&str> = again.iter().map(String::as_str).collect();
        prepared = back::prepare(view, &instances, back::Wanted::Again);
        Ok(())
    })?;
    let (again, _) = prepared?;
    let brought = bringings::Brought {
        by: bring.by.clone(),
        file_name: bring.file_name.to_owned(),
        file_sha256: bring.file_sha256,
        rows: u32::try_from(bring.table.rows.len()).unwrap_or(u32::MAX),
    };
    let intake = Intake::of_store(store, observed);
    let kept = intake.keep_within(objects, &Source::Table, move |tx, keep| {
        if bringings::next_number(tx)? != number {
            return Ok(false);
        }
        for (report, is_new) in &reports {
            if *is_new && archives::is_here(tx, &report.sop_instance_uid)? {
                return Ok(false);
            }
        }
        let act = annotations::new_act(tx)?;
        if !back::record(tx, act, &brought.by, &again)? {
            return Ok(false);
        }
        bringings::record(tx, &brought, Utc::now())?;
        let mut nth = 0;
        for (report, is_new) in &reports {
            if *is_new {
                keep(nth)?;
                nth += 1;
            }
            bringings::add(tx, number, report)?;
        }
        Ok(true)
    })?;
    Ok(kept)
}
