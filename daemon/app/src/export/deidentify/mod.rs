//! Identities taken out of an export, for research: keyed pseudonyms, dates that keep their distances,
//! capped ages, no free text, small cells counted.
//!
//! [`standard`] says it in the words of DICOM PS3.15 Annex E, [`rules`] column by column, [`key`] holds
//! the secret, [`cells`] counts who may still stand out. What remains can be linked by whoever holds
//! the key, or knows a patient's widths: it is pseudonymous, not anonymous.
//!
//! A day that many patients share gives every shift away once it stands beside shifted dates: the day of
//! loading, of new settings, of a change of sender. So no instant of the store is told, and nothing that
//! changed on such a day. The order of rows and numbers tells it as well: what stands side by side
//! arrived side by side. So rows are written patient after patient in the order of pseudonyms.
//! Numbers worked out with the exact age would tell that age: `growth` makes them coarse.

pub(crate) mod cells;
pub(crate) mod devices;
mod growth;
pub(crate) mod key;
pub(crate) mod rules;
pub(crate) mod run;
mod shuffle;
pub(crate) mod standard;
#[cfg(test)]
mod tests;

use super::cell::Cell;
use super::column::Described;
use super::row::{Row, Transform};
use super::tables::Table;
use chrono::{Days, NaiveDate, NaiveDateTime, NaiveTime};
use devices::Known;
use key::Secret;
use rules::Action;
use sheathline_model::domain::PatientKey;
use sheathline_model::numbers::decimal::Decimal;

/// Ages from here on are told as this one: the ages over 89 that 45 CFR 164.514(b)(2)(i)(C) puts into
/// one group (from memory).
pub(crate) const OLDEST: f64 = 90.0;

/// Ages come rounded to 1e-4 years, so that a full year may stand a hair below; less than a day.
const HAIR: f64 = 5e-5;

/// Below so many years ages are told in months.
const IN_MONTHS_BELOW: f64 = 2.0;

/// Version of the rules; exports of different versions have other dates. 1: shifts of 1 to 365 days,
/// instants of the store, exact ages.
pub(crate) const RULE: u32 = 2;

/// Takes identities out of rows.
pub(crate) struct Deidentified<'a> {
    secret: &'a Secret,
    known: &'a Known,
}

impl<'a> Deidentified<'a> {
    /// With this secret; of these machines maker and model are told.
    #[must_use]
    pub(crate) fn new(secret: &'a Secret, known: &'a Known) -> Self {
        Deidentified { secret, known }
    }

    fn cell(&self, column: &Described, action: Action, cell: Cell, of: &Of<'_>) -> Cell {
        let whose = of.whose.as_ref();
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
            (Action::CoarseAge, Cell::Number(age)) => Cell::Number(coarse(age)),
            (Action::IfKnownMaker, Cell::Text(maker)) => {
                if self.known.has_maker(&maker) {
                    Cell::Text(maker)
                } else {
                    Cell::text(self.secret.pseudonym('K', "key", &[&maker]))
                }
            }
            (Action::IfKnownModel, Cell::Text(model)) => {
                if self.known.has(of.maker, &model) {
                    Cell::Text(model)
                } else {
                    Cell::text(self.secret.pseudonym('K', "key", &[&model]))
                }
            }
            (Action::Remarks, Cell::Text(codes)) => Cell::text(rules::without_arrival(&codes)),
            (Action::ByGrowth, cell) => growth::told(column.name, cell, of.growth.as_ref()),
            (Action::IfNumber, Cell::Text(text)) => kept(text, |text| Decimal::parse(text).is_ok()),
            (Action::IfUnit, Cell::Text(text)) => kept(text, rules::is_length),
            (Action::IfPublicCode, Cell::Text(text)) => kept(text, rules::is_public_code),
            (Action::IfBuiltIn, Cell::Text(text)) => kept(text, rules::is_built_in),
            // A kind that the action was not made for is not let through.
            _ => Cell::Empty,
        }
    }

    /// UIDs become UIDs; fingerprints become others of their look.
    fn uid(&self, text: &str) -> String {
        let is_uid = text.chars().all(|c| c.is_ascii_digit() || c == '.');
        if is_uid && text.contains('.') {
            self.secret.uid(text)
        } else {
            self.secret.pseudonym('K', "fingerprint", &[text])
        }
    }
}

impl Transform for Deidentified<'_> {
    fn change(&self, mut row: Row) -> Option<Row> {
        // What came twice came so on some day, such as that of a new archive.
        if row.table == Table::Objects && row.cell("disposition") == Some(&Cell::text("repeat")) {
            return None;
        }
        // What was mended was mended on some day, such as that of a table of labels.
        if row.table == Table::Entries && row.cell("in_force") != Some(&Cell::Flag(true)) {
            return None;
        }
        let whose = row.patient.as_ref();
        let cells = row.cells.clone();
        let of = Of {
            whose: whose.map(|patient| Whose::of(patient, self.secret)),
            maker: match row.cell("manufacturer") {
                Some(Cell::Text(maker)) => maker,
                _ => "",
            },
            growth: growth::Coarse::of(&row),
        };
        let cells = cells.into_iter().zip(row.table.columns());
        let cells = cells.map(|(cell, column)| {
            let action = rules::action(row.table, column);
            self.cell(column, action, cell, &of)
        });
        row.cells = cells.collect();
        row.version = None;
        row.recorded_at = None;
        row.patient = None;
        row.rests_on_age = None;
        Some(row)
    }
}

/// What the cells of a row are changed by.
struct Of<'a> {
    whose: Option<Whose>,
    /// As the report has it.
    maker: &'a str,
    growth: Option<growth::Coarse>,
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

/// The day of a patient's dates in the place of a time.
fn day_of(at: NaiveDateTime, whose: &Whose) -> NaiveDateTime {
    let day = at.date().checked_sub_days(whose.shift);
    day.unwrap_or(NaiveDate::MIN).and_time(NaiveTime::MIN)
}

/// What belongs to nobody has no day.
fn shifted(cell: &Cell, whose: Option<&Whose>) -> Cell {
    match (cell, whose) {
        (Cell::Date(date), Some(one)) => {
            Cell::Date(day_of(date.and_time(NaiveTime::MIN), one).date())
        }
        (Cell::Clock(at), Some(one)) => Cell::Clock(day_of(*at, one)),
        (Cell::Instant(at), Some(one)) => Cell::Instant(day_of(at.naive_utc(), one).and_utc()),
        _ => Cell::Empty,
    }
}

/// An age as it is told. A month is a twelfth of a year of 365.25 days, as the age is counted.
fn coarse(years: f64) -> f64 {
    if years < IN_MONTHS_BELOW {
        ((years + HAIR) * 12.0).floor() / 12.0
    } else {
        (years + HAIR).floor().min(OLDEST)
    }
}

fn kept(text: String, if_it: impl Fn(&str) -> bool) -> Cell {
    if if_it(&text) {
        Cell::Text(text)
    } else {
        Cell::Empty
    }
}
