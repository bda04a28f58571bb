//! The tables and their columns: the one list that files, data package and manifest are made from.
//!
//! Each file holds one table: what its rows are about, and its columns with their sources. Behind the
//! columns of its own every table has those of [`VERSION`].

mod assessments;
mod baselines;
mod entries;
mod exams;
mod lists;
mod measurements;
mod objects;
mod people;
#[cfg(test)]
mod tests;

use super::cell::Kind;
use super::column::{Class, Column, Described, Subject};
use super::row::Row;
use super::stored::{Received, Spoken, StoredResult, device_id};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sheathline_model::assess::Reason;
use sheathline_model::domain::{Eye, PatientKey};
use std::sync::LazyLock;

/// A table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Table {
    /// Sheath values with their places.
    Measurements,
    /// Exams with their results.
    Exams,
    /// Comparisons, eye by eye.
    Assessments,
    /// Earlier exams beside each exam.
    Baselines,
    /// Everything received.
    Objects,
    /// What people said.
    Entries,
    /// Who measured.
    Operators,
    /// With which machines.
    Devices,
}

/// The columns behind those of a table: how rows replace each other.
pub(crate) const VERSION: [Described; 3] = [
    technical(
        "row_version",
        "rises with every change of the row; of equal keys the highest one holds",
    )
    .integer()
    .required()
    .at_least(1.0),
    date(
        "recorded_at",
        Kind::Instant,
        "when the row became known here; rows are filed by its month",
    )
    .required(),
    Described::new(
        "withdrawn",
        Kind::Flag,
        Class::Technical,
        "the row holds no more from now on; its other columns say what it said last",
    )
    .required(),
];

/// Columns of one table that name rows of another, or of itself.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Foreign {
    /// Columns here.
    pub fields: &'static [&'static str],
    /// The other table.
    pub table: Table,
    /// Its columns, in the same order.
    pub there: &'static [&'static str],
}

const EXAM: Foreign = Foreign {
    fields: &["exam_id"],
    table: Table::Exams,
    there: &["exam_id"],
};

const fn named(
    field: &'static [&'static str],
    table: Table,
    there: &'static [&'static str],
) -> Foreign {
    Foreign {
        fields: field,
        table,
        there,
    }
}

impl Table {
    /// All of them, in the order of the data package.
    pub(crate) const ALL: [Table; 8] = [
        Table::Measurements,
        Table::Exams,
        Table::Assessments,
        Table::Baselines,
        Table::Objects,
        Table::Entries,
        Table::Operators,
        Table::Devices,
    ];

    /// Its name, also of its files.
    #[must_use]
    pub(crate) fn name(self) -> &'static str {
        match self {
            Table::Measurements => "measurements",
            Table::Exams => "exams",
            Table::Assessments => "assessments",
            Table::Baselines => "baselines",
            Table::Objects => "objects",
            Table::Entries => "entries",
            Table::Operators => "operators",
            Table::Devices => "devices",
        }
    }

    /// What a row is.
    #[must_use]
    pub(crate) fn about(self) -> &'static str {
        match self {
            Table::Measurements => {
                "Sheath values, one a row, used or not, each with its place in its report."
            }
            Table::Exams => "Exams, one a row, with what their results say as a whole.",
            Table::Assessments => {
                "Comparisons with the patient's own baseline, a row for each eye and one for both."
            }
            Table::Baselines => {
                "Earlier exams that a comparison rests on, or that were set aside, one a row."
            }
            Table::Objects => "Objects received and read, one a row, whatever became of them.",
            Table::Entries => {
                "What people said: labels and opening pressures of exams, events of patients, one entry \
                 a row, those that were corrected or taken back as well."
            }
            Table::Operators => "Operators that exams name, one a row.",
            Table::Devices => "Machines that exams name, one a row.",
        }
    }

    /// Whether its rows stand for themselves: added when first named, never changed.
    #[must_use]
    pub(crate) fn is_named_only(self) -> bool {
        matches!(self, Table::Operators | Table::Devices)
    }

    /// Its own columns, without those of [`VERSION`].
    #[must_use]
    pub(crate) fn columns(self) -> &'static [Described] {
        macro_rules! once {
            ($columns:expr) => {{
                static ONCE: LazyLock<Vec<Described>> = LazyLock::new(|| described($columns));
                &ONCE
            }};
        }
        match self {
            Table::Measurements => once!(measurements::COLUMNS),
            Table::Exams => once!(exams::COLUMNS),
            Table::Assessments => once!(assessments::COLUMNS),
            Table::Baselines => once!(baselines::COLUMNS),
            Table::Objects => once!(objects::COLUMNS),
            Table::Entries => once!(entries::COLUMNS),
            Table::Operators => once!(people::OPERATORS),
            Table::Devices => once!(people::DEVICES),
        }
    }

    /// All columns as they stand in the files.
    #[must_use]
    pub(crate) fn all_columns(self) -> Vec<Described> {
        let mut columns = self.columns().to_vec();
        columns.extend(VERSION);
        columns
    }

    /// What it names in other tables.
    #[must_use]
    pub(crate) fn foreign(self) -> &'static [Foreign] {
        const OPERATOR: &[&str] = &["operator_id"];
        const DEVICE: &[&str] = &["device_id"];
        const EXAMS: &[Foreign] = &[
            named(OPERATOR, Table::Operators, OPERATOR),
            named(DEVICE, Table::Devices, DEVICE),
        ];
        const BASELINES: &[Foreign] = &[
            EXAM,
            named(&["earlier_exam_id"], Table::Exams, &["exam_id"]),
            named(&["earlier_operator_id"], Table::Operators, OPERATOR),
        ];
        const MEASUREMENTS: &[Foreign] =
            &[EXAM, named(&["object_id"], Table::Objects, &["object_id"])];
        match self {
            Table::Measurements => MEASUREMENTS,
            Table::Exams => EXAMS,
            Table::Assessments | Table::Entries => &[EXAM],
            Table::Baselines => BASELINES,
            Table::Objects | Table::Operators | Table::Devices => &[],
        }
    }
}

fn described<S: Subject>(columns: &[Column<S>]) -> Vec<Described> {
    columns.iter().map(|column| column.is).collect()
}

/// The rows that one version of a result says.
#[must_use]
pub(crate) fn of_result(told: &StoredResult) -> Vec<Row> {
    let content = &told.content;
    let patient = PatientKey {
        issuer: content.patient.issuer.clone(),
        id: content.patient.id.clone(),
    };
    let filed = Filed {
        version: told.version,
        recorded_at: told.recorded_at,
        patient: Some(patient),
    };
    let mut rows = Vec::new();
    let operator = content.exam.operator.as_ref();
    let nobody = Filed {
        version: 1,
        patient: None,
        ..filed
    };
    rows.extend(operator.map(|name| nobody.row(Table::Operators, people::OPERATORS, name)));
    let device = &content.exam.device;
    let device = device_id(device).map(|_| nobody.row(Table::Devices, people::DEVICES, device));
    rows.extend(device);
    let mut exam = filed.row(Table::Exams, exams::COLUMNS, told);
    exam.is_withdrawn = content.assessment.reason == Some(Reason::Withdrawn);
    rows.push(exam);
    let values = content.measurements_used.iter();
    let values = values.chain(&content.measurements_not_used);
    rows.extend(values.map(|one| {
        let value = measurements::Value { told, one };
        filed.row(Table::Measurements, measurements::COLUMNS, &value)
    }));
    for eye in [Some(Eye::Right), Some(Eye::Left), None] {
        let assessed = assessments::Assessed { told, eye };
        if assessed.is_told() {
            let mut row = filed.row(Table::Assessments, assessments::COLUMNS, &assessed);
            row.rests_on_age = told.age_used();
            rows.push(row);
        }
    }
    let used = content.baseline.iter().map(baselines::Which::Used);
    let aside = content.not_compared.iter().map(baselines::Which::SetAside);
    rows.extend(used.chain(aside).map(|one| {
        let earlier = baselines::Earlier { told, one };
        filed.row(Table::Baselines, baselines::COLUMNS, &earlier)
    }));
    rows
}

/// The row of an object.
#[must_use]
pub(crate) fn of_object(received: &Received) -> Row {
    let filed = Filed {
        version: received.version,
        recorded_at: received.recorded_at,
        patient: received.reading.patient.as_ref().map(|one| one.key.clone()),
    };
    filed.row(Table::Objects, objects::COLUMNS, received)
}

/// The row of an entry, as the version of it that became known then.
#[must_use]
pub(crate) fn of_entry(spoken: &Spoken, version: u32, recorded_at: DateTime<Utc>) -> Row {
    let filed = Filed {
        version,
        recorded_at,
        patient: Some(spoken.patient.clone()),
    };
    filed.row(Table::Entries, entries::COLUMNS, spoken)
}

/// What all rows of one source share.
#[derive(Clone)]
struct Filed {
    version: u32,
    recorded_at: DateTime<Utc>,
    patient: Option<PatientKey>,
}

impl Filed {
    fn row<'a, S: Subject>(&self, table: Table, columns: &[Column<S>], of: &S::Of<'a>) -> Row {
        Row {
            table,
            version: Some(self.version),
            recorded_at: Some(self.recorded_at),
            is_withdrawn: false,
            patient: self.patient.clone(),
            rests_on_age: None,
            cells: columns.iter().map(|column| (column.of)(of)).collect(),
        }
    }
}

impl Described {
    const fn integer(self) -> Described {
        Described {
            kind: Kind::Integer,
            ..self
        }
    }
}

const fn key(name: &'static str, about: &'static str) -> Described {
    Described::new(name, Kind::Text, Class::Key, about)
}

const fn uid(name: &'static str, about: &'static str) -> Described {
    Described::new(name, Kind::Text, Class::Uid, about)
}

const fn code(name: &'static str, about: &'static str) -> Described {
    Described::new(name, Kind::Text, Class::Code, about)
}

const fn free(name: &'static str, about: &'static str) -> Described {
    Described::new(name, Kind::Text, Class::FreeText, about)
}

const fn direct(name: &'static str, about: &'static str) -> Described {
    Described::new(name, Kind::Text, Class::DirectIdentifier, about)
}

const fn technical(name: &'static str, about: &'static str) -> Described {
    Described::new(name, Kind::Text, Class::Technical, about)
}

const fn date(name: &'static str, kind: Kind, about: &'static str) -> Described {
    Described::new(name, kind, Class::Date, about)
}

const fn quasi(name: &'static str, kind: Kind, about: &'static str) -> Described {
    Described::new(name, kind, Class::QuasiIdentifier, about)
}

const fn measure(name: &'static str, kind: Kind, about: &'static str) -> Described {
    Described::new(name, kind, Class::Measure, about)
}
