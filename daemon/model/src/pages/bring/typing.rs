//! What is declared of a table, as it is chosen, and what that says.

use crate::entered::table::{Column, Columns, Declared, Shape};
use crate::entered::{Dates, DecimalMark, Unit};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// What stands in the choices.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Declaring {
    /// Unit, a word; empty: not declared.
    pub unit: String,
    /// How dates are written.
    pub dates: String,
    /// Between two fields, a word.
    pub separator: String,
    /// Decimal mark, a word.
    pub decimal: String,
    /// What a row is, a word; empty: not declared.
    pub shape: String,
    /// Issuer of ids where no column tells.
    pub issuer: String,
    /// What each header holds: a column's word, [`NOT_READ`], or nothing yet.
    pub columns: BTreeMap<String, String>,
    /// Lines that are left out.
    pub leave_out: BTreeSet<u64>,
}

/// The word for a column that is not read.
pub const NOT_READ: &str = "-";

/// Units as they are chosen. None is chosen beforehand: one that was guessed makes every value ten times
/// what it is.
pub const UNITS: [(&str, &str); 3] = [("", "choose"), ("mm", "mm"), ("cm", "cm")];

/// What a row is, as it is chosen.
pub const SHAPES: [(&str, &str); 3] = [
    ("", "choose"),
    ("readings", "one reading of one eye"),
    ("exams", "one exam, readings in columns"),
];

/// Forms of dates as they are chosen.
pub const DATES: [(&str, &str); 8] = [
    ("iso", "2026-05-07"),
    ("%d.%m.%Y", "07.05.2026"),
    ("%d/%m/%Y", "07/05/2026, day first"),
    ("%m/%d/%Y", "05/07/2026, month first"),
    ("%d-%m-%Y", "07-05-2026"),
    ("%Y/%m/%d", "2026/05/07"),
    ("%Y.%m.%d", "2026.05.07"),
    ("%Y%m%d", "20260507"),
];

/// Separators as they are chosen.
pub const SEPARATORS: [(&str, &str); 3] = [
    ("comma", "comma ,"),
    ("semicolon", "semicolon ;"),
    ("tab", "tab"),
];

/// Decimal marks as they are chosen.
pub const DECIMALS: [(&str, &str); 2] = [("point", "point 5.6"), ("comma", "comma 5,6")];

impl Declaring {
    /// The separator.
    ///
    /// # Errors
    /// None is chosen, as a sentence.
    pub fn separator(&self) -> Result<char, String> {
        match self.separator.as_str() {
            "comma" => Ok(','),
            "semicolon" => Ok(';'),
            "tab" => Ok('\t'),
            _ => Err("Say what stands between two fields.".to_owned()),
        }
    }

    /// What is declared.
    ///
    /// # Errors
    /// What is not declared yet, as a sentence.
    pub fn declared(&self) -> Result<Declared, String> {
        let unit = match self.unit.as_str() {
            "mm" => Unit::Mm,
            "cm" => Unit::Cm,
            _ => return Err("Say in which unit the widths are; none is guessed.".to_owned()),
        };
        let shape = match self.shape.as_str() {
            "readings" => Shape::Readings,
            "exams" => Shape::Exams,
            _ => return Err("Say what a row is: one reading, or one exam.".to_owned()),
        };
        let decimal = match self.decimal.as_str() {
            "point" => DecimalMark::Point,
            "comma" => DecimalMark::Comma,
            _ => return Err("Say which the decimal mark is.".to_owned()),
        };
        let dates: Dates = self.dates.parse()?;
        Ok(Declared {
            dates,
            separator: self.separator()?,
            decimal,
            columns: self.called(shape)?,
            issuer: self.issuer.trim().to_owned(),
            leave_out: self.leave_out.clone(),
            ..Declared::new(unit, shape)
        })
    }

    /// What columns are called: as chosen, else by our own words.
    fn called(&self, shape: Shape) -> Result<Columns, String> {
        let mut columns = Columns::default();
        for (header, word) in self.columns.iter().filter(|(_, word)| !word.is_empty()) {
            if word == NOT_READ {
                columns.ignored.insert(header.clone());
                continue;
            }
            let column: Column = word.parse()?;
            if let Some(other) = columns.called.insert(column, header.clone()) {
                return Err(format!(
                    "{word} is chosen for two columns, {other:?} and {header:?}; choose one."
                ));
            }
        }
        // A header that bears one of our words, and was chosen to be something else, is not that word's.
        for column in Column::of_shape(shape) {
            let word = column.word();
            let elsewhere = self
                .columns
                .get(&word)
                .is_some_and(|chosen| *chosen != word);
            if elsewhere && !columns.called.contains_key(&column) {
                columns.called.insert(column, format!("({word})"));
            }
        }
        Ok(columns)
    }

    /// Takes our own words for columns that bear them, where nothing else was chosen.
    pub fn match_by_name(&mut self, headers: &[String]) {
        let known = |shape| Column::of_shape(shape).into_iter().map(Column::word);
        let known: BTreeSet<String> = match self.shape.as_str() {
            "readings" => known(Shape::Readings).collect(),
            "exams" => known(Shape::Exams).collect(),
            _ => return,
        };
        self.columns.retain(|header, _| headers.contains(header));
        for header in headers.iter().filter(|header| known.contains(*header)) {
            let chosen = self.columns.entry(header.clone()).or_default();
            if chosen.is_empty() {
                chosen.clone_from(header);
            }
        }
    }
}
