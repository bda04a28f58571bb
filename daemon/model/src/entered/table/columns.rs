//! Which column is what: by names that are known or declared, never by likeness.

use super::{Declared, RowFault};
use crate::domain::Eye;
use crate::entered::READINGS_MAX;
use crate::entered::records::Record;
use std::collections::{BTreeMap, BTreeSet};
use std::str::FromStr;

/// What a row is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// One reading of one eye: `eye` and `value`.
    Readings,
    /// One exam: `right`, `left`, `right_2` and so on.
    Exams,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Column {
    /// Patient id.
    PatientId,
    /// Issuer of the id.
    Issuer,
    /// Birth date.
    BirthDate,
    /// Sex.
    Sex,
    /// Name.
    Name,
    /// Accession number.
    Accession,
    /// Day of the measurement, with its time if there is no column for it.
    Date,
    /// Time of the measurement.
    Time,
    /// Eye of the reading.
    Eye,
    /// Number of the reading of its eye.
    Reading,
    /// Width.
    Value,
    /// Width of the n-th reading, from 1, of an eye of the exam.
    Width(Eye, u8),
    /// Plane of the reading, or of all of the exam.
    Plane,
    /// Depth behind the globe, always in millimetres.
    Depth,
    /// Angle of the caliper, degrees.
    Angle,
    /// Borders.
    Border,
    /// Who measured.
    Operator,
    /// Maker of the machine.
    Manufacturer,
    /// Model of the machine.
    Model,
    /// Serial number of the machine.
    Serial,
}

const NAMED: [(Column, &str); 19] = [
    (Column::PatientId, "patient_id"),
    (Column::Issuer, "issuer"),
    (Column::BirthDate, "birth_date"),
    (Column::Sex, "sex"),
    (Column::Name, "name"),
    (Column::Accession, "accession"),
    (Column::Date, "date"),
    (Column::Time, "time"),
    (Column::Eye, "eye"),
    (Column::Reading, "reading"),
    (Column::Value, "value"),
    (Column::Plane, "plane"),
    (Column::Depth, "depth_mm"),
    (Column::Angle, "angle_deg"),
    (Column::Border, "border"),
    (Column::Operator, "operator"),
    (Column::Manufacturer, "manufacturer"),
    (Column::Model, "model"),
    (Column::Serial, "serial"),
];

impl Column {
    /// Every column that a table of this shape may have.
    #[must_use]
    pub fn of_shape(shape: Shape) -> Vec<Column> {
        let fits = |column: &Column| match column {
            Column::Eye | Column::Reading | Column::Value => shape == Shape::Readings,
            _ => true,
        };
        let mut columns: Vec<Column> = NAMED.iter().map(|(column, _)| *column).collect();
        columns.retain(fits);
        if shape == Shape::Exams {
            let most = u8::try_from(READINGS_MAX).unwrap_or(u8::MAX);
            let of = |eye| (1..=most).map(move |n| Column::Width(eye, n));
            columns.extend(of(Eye::Right).chain(of(Eye::Left)));
        }
        columns
    }

    /// What it is called where nothing else is declared.
    #[must_use]
    pub fn word(self) -> String {
        match self {
            Column::Width(eye, 1) => eye.word().to_owned(),
            Column::Width(eye, n) => format!("{}_{n}", eye.word()),
            other => {
                let mut named = NAMED.iter();
                let named = named.find(|(column, _)| *column == other);
                named.map_or("", |(_, word)| word).to_owned()
            }
        }
    }

    /// Whether it holds widths in the unit that is declared.
    fn is_width(self) -> bool {
        matches!(self, Column::Value | Column::Width(..))
    }
}

impl FromStr for Column {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut all = Column::of_shape(Shape::Readings);
        all.extend(Column::of_shape(Shape::Exams));
        let found = all.iter().find(|column| column.word() == text);
        found.copied().ok_or_else(|| {
            let mut words: Vec<String> = Vec::new();
            for column in all {
                if !words.contains(&column.word()) {
                    words.push(column.word());
                }
            }
            format!("{text:?} is no column; columns are {}", words.join(", "))
        })
    }
}

/// What the columns of a table are called.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Columns {
    /// Names that stand for our own ones.
    pub called: BTreeMap<Column, String>,
    /// Columns that are not read.
    pub ignored: BTreeSet<String>,
}

impl Columns {
    /// What a column is called.
    #[must_use]
    pub fn name(&self, column: Column) -> String {
        let called = self.called.get(&column).cloned();
        called.unwrap_or_else(|| column.word())
    }
}

/// Where each column stands.
pub(super) struct Places {
    at: BTreeMap<Column, usize>,
    names: Columns,
    pub(super) count: usize,
}

impl Places {
    pub(super) fn of(header: &Record, declared: &Declared) -> Result<Places, Vec<RowFault>> {
        let line = header.line;
        if let Some((field, what)) = &header.wrong {
            return Err(vec![RowFault::new(line, field.to_string(), what)]);
        }
        if header
            .fields
            .first()
            .is_some_and(|first| first.starts_with("sep="))
        {
            let what = "is a line for spreadsheets and names no column; take it out".to_owned();
            return Err(vec![RowFault::new(line, "", what)]);
        }
        let columns = Column::of_shape(declared.shape);
        let mut faults = Vec::new();
        let mut at: BTreeMap<Column, usize> = BTreeMap::new();
        let mut seen: BTreeSet<&str> = BTreeSet::new();
        for (n, name) in header.fields.iter().enumerate() {
            let mut wrong = |what: String| {
                let shown = match name.as_str() {
                    "" => (n + 1).to_string(),
                    name => name.to_owned(),
                };
                faults.push(RowFault::new(line, shown, what));
            };
            let mut all = columns.iter();
            let known = all.find(|column| declared.columns.name(**column) == *name);
            if !seen.insert(name) {
                wrong("stands twice".to_owned());
            } else if name.is_empty() {
                wrong("has no name; name it, or take the column out".to_owned());
            } else if let Some(column) = known {
                if column.is_width() && speaks_of(name, declared.unit.other().word()) {
                    wrong(format!(
                        "speaks of {}, and the unit is declared as {}; nothing is converted",
                        declared.unit.other().word(),
                        declared.unit.word()
                    ));
                }
                at.insert(*column, n);
            } else if !declared.columns.ignored.contains(name) {
                wrong(
                    "is no known column; say which it is, or that it is not to be read".to_owned(),
                );
            }
        }
        let places = Places {
            at,
            names: declared.columns.clone(),
            count: header.fields.len(),
        };
        if let [only] = header.fields.as_slice()
            && let Some(other) = [',', ';', '\t'].into_iter().find(|one| only.contains(*one))
        {
            return Err(vec![RowFault::new(
                line,
                "",
                format!(
                    "it is one column by the declared separator {:?}; {other:?} may be the one",
                    declared.separator
                ),
            )]);
        }
        faults.extend(places.missing(line, declared));
        if faults.is_empty() {
            Ok(places)
        } else {
            Err(faults)
        }
    }

    fn missing(&self, line: u64, declared: &Declared) -> Vec<RowFault> {
        let mut faults = Vec::new();
        let mut lacks = |what: String| {
            faults.push(RowFault::new(
                line,
                "",
                format!("there is no column {what}; nothing can be brought in without"),
            ));
        };
        let mut wanted = vec![Column::PatientId, Column::BirthDate, Column::Date];
        if declared.shape == Shape::Readings {
            wanted.extend([Column::Eye, Column::Value]);
        }
        for column in wanted {
            if !self.at.contains_key(&column) {
                lacks(self.names.name(column));
            }
        }
        if declared.shape == Shape::Exams && !self.at.keys().any(|column| column.is_width()) {
            let [right, left] = Eye::BOTH.map(|eye| self.names.name(Column::Width(eye, 1)));
            lacks(format!("{right} or {left}"));
        }
        faults
    }

    /// What a column is called in this table.
    pub(super) fn name(&self, column: Column) -> String {
        self.names.name(column)
    }

    /// Where times of day stand.
    pub(super) fn of_time(&self) -> Column {
        if self.at.contains_key(&Column::Time) {
            Column::Time
        } else {
            Column::Date
        }
    }

    /// The field of a column; `None` without such a column or with an empty field.
    pub(super) fn field<'r>(&self, record: &'r Record, column: Column) -> Option<&'r str> {
        let text = record.fields.get(*self.at.get(&column)?)?;
        (!text.is_empty()).then_some(text)
    }
}

/// Whether a name has a unit as a word of its own.
fn speaks_of(name: &str, unit: &str) -> bool {
    let words = name.split(|letter: char| !letter.is_alphanumeric());
    words
        .into_iter()
        .any(|word| word.eq_ignore_ascii_case(unit))
}
