//! A table of old values: every row is accepted, or named with line, column and reason.
//!
//! Nothing is guessed: unit, form of dates, decimal mark, separator and shape are declared once, a
//! header that nobody knows is a mistake, and a row that says the same as another one is told.

mod births;
mod columns;
mod place;
mod row;
#[cfg(test)]
mod tests;

pub use columns::{Column, Columns, Shape};

use super::records::{self, Record};
use super::{Dates, DecimalMark, Fault, Limits, READINGS_MAX, Typed, Unit, check};
use crate::domain::Eye;
use births::Births;
use chrono::{DateTime, FixedOffset, NaiveTime};
use columns::Places;
use place::place;
use row::{Read, What};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Rows of a table; what is brought in is kept by one transaction.
pub const ROWS_MAX: usize = 20_000;

/// What is told of an exam at midnight.
const MIDNIGHT: &str = "the time is midnight, and spreadsheets write a day without a time like that; if \
                        none is known, take it out";

/// What whoever brings a table declares of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Declared {
    /// Unit of every width.
    pub unit: Unit,
    /// How dates are written.
    pub dates: Dates,
    /// Between two fields.
    pub separator: char,
    /// Between whole and fraction.
    pub decimal: DecimalMark,
    /// What a row is.
    pub shape: Shape,
    /// What its columns are called.
    pub columns: Columns,
    /// Issuer of patient ids where the table names none; empty for none.
    pub issuer: String,
    /// Lines that are to be left out.
    pub leave_out: BTreeSet<u64>,
}

impl Declared {
    /// With commas, ISO dates, decimal points and our own column names.
    #[must_use]
    pub fn new(unit: Unit, shape: Shape) -> Self {
        Declared {
            unit,
            dates: Dates::default(),
            separator: ',',
            decimal: DecimalMark::Point,
            shape,
            columns: Columns::default(),
            issuer: String::new(),
            leave_out: BTreeSet::new(),
        }
    }
}

/// Who brings it, when and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signing {
    /// Who signs.
    pub author: String,
    /// When.
    pub at: DateTime<FixedOffset>,
    /// Why.
    pub reason: String,
}

/// One thing that is wrong, with its place.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RowFault {
    /// Line, from 1.
    pub line: u64,
    /// Column as the table calls it, or its number; empty: the row or the table as a whole.
    pub column: String,
    /// What is wrong and what to do; goes on from the column.
    pub reason: String,
}

impl RowFault {
    fn new(line: u64, column: impl Into<String>, reason: impl Into<String>) -> Self {
        RowFault {
            line,
            column: column.into(),
            reason: reason.into(),
        }
    }
}

impl fmt::Display for RowFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.column.as_str() {
            "" => write!(f, "line {}: {}", self.line, self.reason),
            column => write!(f, "line {}, column {column}: {}", self.line, self.reason),
        }
    }
}

/// What becomes of a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It is part of an exam.
    Accepted,
    /// Whoever brings the table leaves it out.
    LeftOut,
    /// It cannot be brought in, and why.
    Refused(Vec<RowFault>),
}

/// One row below the header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// The line it begins on, from 1.
    pub line: u64,
    /// What becomes of it.
    pub outcome: Outcome,
}

/// One exam of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct OldExam {
    /// The lines it was told on.
    pub lines: Vec<u64>,
    /// What they say; `transcribed` is `line 12`, before which the name of the table belongs.
    pub typed: Typed,
    /// What is to be looked at once more.
    pub doubts: Vec<RowFault>,
}

/// A table as it was read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// What is wrong with the file or its first line: then there are no rows.
    pub faults: Vec<RowFault>,
    /// Every row.
    pub rows: Vec<Row>,
    /// What the accepted rows say, in the order of the table.
    pub exams: Vec<OldExam>,
    /// What its columns are called.
    pub columns: Columns,
}

impl Table {
    /// Everything that keeps it from being brought in, in the order of lines.
    #[must_use]
    pub fn all_faults(&self) -> Vec<&RowFault> {
        let rows = self.rows.iter().flat_map(|row| match &row.outcome {
            Outcome::Refused(faults) => faults.as_slice(),
            Outcome::Accepted | Outcome::LeftOut => &[],
        });
        self.faults.iter().chain(rows).collect()
    }

    /// Whether it can be brought in.
    #[must_use]
    pub fn is_clean(&self) -> bool {
        self.all_faults().is_empty()
    }

    fn unreadable(line: u64, reason: impl Into<String>) -> Self {
        Table {
            faults: vec![RowFault::new(line, "", reason)],
            ..Table::default()
        }
    }
}

/// The lines of a table as they stand, the header first: where each begins, and its fields.
///
/// # Errors
/// The bytes are no text that can be read; what to do, as it goes on from "the table".
pub fn lines(bytes: &[u8], separator: char) -> Result<Vec<(u64, Vec<String>)>, String> {
    let text = records::decoded(bytes)?;
    let records = records::records(text, separator, ROWS_MAX + 1).into_iter();
    Ok(records.map(|record| (record.line, record.fields)).collect())
}

/// Reads a table.
#[must_use]
pub fn table(bytes: &[u8], declared: &Declared, signing: &Signing, limits: &Limits) -> Table {
    let text = match records::decoded(bytes) {
        Ok(text) => text,
        Err(what) => return Table::unreadable(1, what),
    };
    // The header, and one row that is too many.
    let mut records = records::records(text, declared.separator, ROWS_MAX + 2).into_iter();
    let Some(header) = records.next() else {
        return Table::unreadable(1, "the table is empty");
    };
    let places = match Places::of(&header, declared) {
        Ok(places) => places,
        Err(faults) => {
            return Table {
                faults,
                ..Table::default()
            };
        }
    };
    let records: Vec<Record> = records.collect();
    if let Some(beyond) = records.get(ROWS_MAX) {
        let what = format!("more than {ROWS_MAX} rows; split the table");
        return Table::unreadable(beyond.line, what);
    }
    if records.is_empty() {
        return Table::unreadable(header.line, "there is no row below the first line");
    }
    let mut table = Reading::default();
    for record in &records {
        table.take(record, &places, declared);
    }
    table.finish(declared, signing, limits, &places)
}

/// A table half read.
#[derive(Default)]
struct Reading {
    faults: BTreeMap<u64, Vec<RowFault>>,
    lines: Vec<u64>,
    left_out: BTreeSet<u64>,
    /// Rows that read well, by what makes them one exam, and the exams in the order of the table.
    exams: BTreeMap<What, Vec<(u64, Read)>>,
    order: Vec<What>,
}

impl Reading {
    fn take(&mut self, record: &Record, places: &Places, declared: &Declared) {
        let line = record.line;
        self.lines.push(line);
        if declared.leave_out.contains(&line) {
            self.left_out.insert(line);
            return;
        }
        match row::read(record, places, declared) {
            Err(faults) => {
                self.faults.insert(line, faults);
            }
            Ok((what, read)) => {
                let exam = self.exams.entry(what.clone()).or_default();
                if exam.is_empty() {
                    self.order.push(what);
                }
                exam.push((line, read));
            }
        }
    }

    fn finish(
        mut self,
        declared: &Declared,
        signing: &Signing,
        limits: &Limits,
        places: &Places,
    ) -> Table {
        let mut exams = Vec::new();
        let mut seen: BTreeMap<String, u64> = BTreeMap::new();
        let mut births = Births::default();
        for what in std::mem::take(&mut self.order) {
            let rows = self.exams.remove(&what).unwrap_or_default();
            let told = self.one_exam(&rows, declared.shape, places);
            let Some(typed) = told.map(|(right, left)| what.typed(right, left, &rows, signing))
            else {
                continue;
            };
            let lines: Vec<u64> = rows.iter().map(|(line, _)| *line).collect();
            let first = lines.first().copied().unwrap_or_default();
            // Rows of one exam that say different things of it are two exams at one time.
            if let Some(other) = seen.insert(typed.uids().study, first) {
                let reason = format!(
                    "line {other} has another exam of this patient at the same time; give both their \
                     times, or make what they say of the exam agree"
                );
                self.refuse(first, places.name(Column::Date), reason);
                continue;
            }
            if let Some(reason) = births.other(&typed.subject, first) {
                self.refuse(first, places.name(Column::BirthDate), reason);
                continue;
            }
            let (blocking, doubts): (Vec<Fault>, Vec<Fault>) = check(&typed, limits)
                .into_iter()
                .partition(|fault| fault.blocking);
            let placed = |fault: &Fault| {
                let (line, column) = place(&rows, fault.field, declared.shape);
                RowFault::new(line, places.name(column), fault.sentence.clone())
            };
            if blocking.is_empty() {
                let mut doubts: Vec<RowFault> = doubts.iter().map(placed).collect();
                if typed.time == Some(NaiveTime::MIN) {
                    let column = places.name(places.of_time());
                    doubts.push(RowFault::new(first, column, MIDNIGHT));
                }
                exams.push(OldExam {
                    doubts,
                    lines,
                    typed,
                });
            }
            for fault in blocking.iter().map(placed) {
                self.faults.entry(fault.line).or_default().push(fault);
            }
        }
        self.into_table(exams, declared)
    }

    fn refuse(&mut self, line: u64, column: String, reason: String) {
        let fault = RowFault::new(line, column, reason);
        self.faults.entry(line).or_default().push(fault);
    }

    /// The readings of both eyes of the rows of one exam; `None` where they contradict each other.
    fn one_exam(
        &mut self,
        rows: &[(u64, Read)],
        shape: Shape,
        places: &Places,
    ) -> Option<(row::Readings, row::Readings)> {
        let mut good = true;
        if shape == Shape::Exams
            && let [(first, _), others @ ..] = rows
        {
            for (line, _) in others {
                let reason = format!(
                    "the same patient and time as line {first}; leave one of them out, or give both \
                     their times"
                );
                self.refuse(*line, places.name(Column::Date), reason);
                good = false;
            }
        }
        let mut numbered: BTreeMap<(Eye, u32), u64> = BTreeMap::new();
        let mut plain: Vec<(&Read, u64)> = Vec::new();
        for (line, read) in rows.iter().filter(|_| shape == Shape::Readings) {
            if let Some((eye, number)) = read.eye().zip(read.number) {
                if let Some(other) = numbered.insert((eye, number), *line) {
                    let reason = format!("line {other} is this reading of this eye already");
                    self.refuse(*line, places.name(Column::Reading), reason);
                    good = false;
                }
            } else if let Some((_, other)) = plain.iter().find(|(one, _)| *one == read) {
                let reason = format!(
                    "the same as line {other}; leave one out, or number the readings of an eye in a \
                     column \"reading\""
                );
                self.refuse(*line, String::new(), reason);
                good = false;
            }
            // Beyond what one exam can hold it is refused as a whole.
            if plain.len() <= 4 * READINGS_MAX {
                plain.push((read, *line));
            }
        }
        let all = |eye| rows.iter().flat_map(move |(_, read)| read.readings(eye));
        good.then(|| (all(Eye::Right).collect(), all(Eye::Left).collect()))
    }

    fn into_table(mut self, exams: Vec<OldExam>, declared: &Declared) -> Table {
        let mut faults = Vec::new();
        for line in declared.leave_out.difference(&self.left_out) {
            faults.push(RowFault::new(
                *line,
                "",
                "is to be left out, and no row begins on this line",
            ));
        }
        let outcome = |line: u64, faults: Option<Vec<RowFault>>| match faults {
            Some(faults) => Outcome::Refused(faults),
            None if declared.leave_out.contains(&line) => Outcome::LeftOut,
            None => Outcome::Accepted,
        };
        let rows = self.lines.iter().map(|&line| Row {
            line,
            outcome: outcome(line, self.faults.remove(&line)),
        });
        let rows = rows.collect();
        Table {
            faults,
            rows,
            exams,
            columns: declared.columns.clone(),
        }
    }
}
