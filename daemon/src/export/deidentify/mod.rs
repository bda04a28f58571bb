//! Identities taken out of an export, for research: keyed pseudonyms, dates that keep their distances,
//! capped ages, no free text, small cells counted.
//!
//! [`standard`] says it in the words of DICOM PS3.15 Annex E, [`rules`] column by column, [`key`] holds
//! the secret, [`cells`] counts who may still stand out. What remains can be linked by whoever holds
//! the key, or knows a patient's widths: it is pseudonymous, not anonymous.
//!
//! The order of rows and numbers gives dates away as well: what stands side by side arrived side by
//! side. So rows are written patient after patient in the order of pseudonyms, and filed by their
//! shifted dates.

pub mod cells;
pub mod key;
pub mod rules;
#[cfg(feature = "edges")]
pub mod run;
#[cfg(feature = "edges")]
mod shuffle;
pub mod standard;
#[cfg(test)]
mod tests;

use super::cell::Cell;
use super::column::Described;
use super::row::{Row, Transform};
use crate::domain::PatientKey;
use crate::normalise::decimal::Decimal;
use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, Utc};
use key::Secret;
use rules::Action;

/// Ages from here on are told as this one: the ages over 89 that 45 CFR 164.514(b)(2)(i)(C) puts into
/// one group (from memory).
pub const OLDEST: f64 = 90.0;

/// What cannot be dated without a patient stands on this day.
pub const NO_DAY: DateTime<Utc> = DateTime::UNIX_EPOCH;

/// Takes identities out of rows.
pub struct Deidentified<'a> {
    secret: &'a Secret,
}

impl<'a> Deidentified<'a> {
    /// With this secret.
    #[must_use]
    pub fn new(secret: &'a Secret) -> Self {
        Deidentified { secret }
    }

    fn cell(&self, column: &Described, action: Action, cell: Cell, whose: Option<&Whose>) -> Cell {
        match (action, cell) {
            (_, Cell::Empty) | (Action::LeaveOut, _) => Cell::Empty,
            (Action::Keep, cell) => cell,
            (Action::Patient, _) => whose.map_or(Cell::Empty, |one| Cell::text(&*one.pseudonym)),
            (Action::Pseudonym, Cell::Text(text)) => {
                Cell::text(self.secret.pseudonym('K', "key", &[&text]))
            }
            (Action::Number, Cell::Integer(number)) => {
                Cell::Integer(self.secret.number(column.name, number))
            }
            (Action::Uids, Cell::Text(text)) => {
                let others: Vec<String> = text.split(' ').map(|one| self.uid(one)).collect();
                Cell::text(others.join(" "))
            }
            (Action::Shift, cell) => shifted(&cell, whose),
            (Action::CapAge, Cell::Number(age)) => Cell::Number(age.min(OLDEST)),
            (Action::IfNumber, Cell::Text(text)) => kept(text, |text| Decimal::parse(text).is_ok()),
            (Action::IfUnit, Cell::Text(text)) => kept(text, rules::is_length),
            (Action::IfPublicCode, Cell::Text(text)) => kept(text, rules::is_public_code),
            (Action::Way, Cell::Text(text)) => {
                Cell::text(text.split(':').next().unwrap_or_default())
            }
            (Action::IfBuiltIn, Cell::Text(text)) => kept(text, rules::is_built_in),
            // A kind that the action was not made for is not let through.
            _ => Cell::Empty,
        }
    }

    /// UIDs become UIDs; fingerprints become others of their look.
    fn uid(&self, text: &str) -> String {
        let is_uid = text.chars().all(|c| c.is_ascii_digit() || c == '.');
        match is_uid && text.contains('.') {
            true => self.secret.uid(text),
            false => self.secret.pseudonym('K', "fingerprint", &[text]),
        }
    }
}

impl Transform for Deidentified<'_> {
    fn change(&self, mut row: Row) -> Option<Row> {
        let whose = row
            .patient
            .as_ref()
            .map(|patient| Whose::of(patient, self.secret));
        let columns = row.table.columns();
        let cells = std::mem::take(&mut row.cells);
        row.cells = cells
            .into_iter()
            .zip(columns)
            .map(|(cell, column)| {
                let action = rules::action(row.table, column);
                self.cell(column, action, cell, whose.as_ref())
            })
            .collect();
        row.recorded_at = day_of(row.recorded_at.naive_utc(), whose.as_ref()).and_utc();
        row.patient = None;
        Some(row)
    }
}

/// What stands for a patient.
struct Whose {
    pseudonym: String,
    shift: Days,
}

impl Whose {
    fn of(patient: &PatientKey, secret: &Secret) -> Whose {
        Whose {
            pseudonym: secret.patient(patient),
            shift: secret.shift(patient),
        }
    }
}

/// The day of a patient's dates in the place of a time; of nobody's the one that stands for none.
fn day_of(at: NaiveDateTime, whose: Option<&Whose>) -> NaiveDateTime {
    let Some(one) = whose else {
        return NO_DAY.naive_utc();
    };
    let day = at.date().checked_sub_days(one.shift);
    day.unwrap_or(NaiveDate::MIN).and_time(NaiveTime::MIN)
}

fn shifted(cell: &Cell, whose: Option<&Whose>) -> Cell {
    match cell {
        Cell::Date(date) => Cell::Date(day_of(date.and_time(NaiveTime::MIN), whose).date()),
        Cell::Clock(at) => Cell::Clock(day_of(*at, whose)),
        Cell::Instant(at) => Cell::Instant(day_of(at.naive_utc(), whose).and_utc()),
        _ => Cell::Empty,
    }
}

fn kept(text: String, if_it: impl Fn(&str) -> bool) -> Cell {
    match if_it(&text) {
        true => Cell::Text(text),
        false => Cell::Empty,
    }
}
