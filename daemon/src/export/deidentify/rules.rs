//! What becomes of each column. A column that no line here names is decided by its class, and where
//! the class leaves a doubt it is left out.

use crate::export::column::{Class, Described};
use crate::export::tables::Table;
use crate::template::{builtin, words::Unit};

/// Schemes that everybody uses (PS3.16 table 8-1); the older names of SNOMED as well.
const PUBLIC_SCHEMES: [&str; 10] = [
    "DCM", "SCT", "SRT", "SNM3", "99SDM", "LN", "FMA", "RADLEX", "NCIt", "UMLS",
];

/// What becomes of a cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// As it is.
    Keep,
    /// Empty.
    LeaveOut,
    /// The pseudonym of the row's patient.
    Patient,
    /// A keyed pseudonym of the text, the same wherever the text stands.
    Pseudonym,
    /// Another number, the same wherever the number stands.
    Number,
    /// Other UIDs, or other fingerprints, one for each in the text.
    Uids,
    /// Back by the patient's days, without time of day.
    Shift,
    /// Ages from [`OLDEST`](super::OLDEST) on are that.
    CapAge,
    /// Kept if it is a decimal number, else left out: a report may hold words there.
    IfNumber,
    /// Kept if it is a length of UCUM, else left out.
    IfUnit,
    /// Kept if its scheme is public, else left out: schemes and values of a site name the site.
    IfPublicCode,
    /// The way it came, without the sender's name.
    Way,
    /// Kept if the program brings the template along, else left out: a site names its own.
    IfBuiltIn,
}

/// What becomes of a column of a table.
#[must_use]
pub fn action(table: Table, column: &Described) -> Action {
    match (table, column.name) {
        // The basic profile empties it, and the age is there.
        (_, "birth_date") => Action::LeaveOut,
        (_, "patient_id") => Action::Patient,
        (_, "accession") => Action::LeaveOut,
        (_, "sex" | "manufacturer" | "model") => Action::Keep,
        (_, "age_years") => Action::CapAge,
        (_, "source") => Action::Way,
        (_, "object_id") => Action::Number,
        (_, "value_as_sent") => Action::IfNumber,
        (_, "unit_as_sent") => Action::IfUnit,
        (_, "concept") => Action::IfPublicCode,
        (_, "template") => Action::IfBuiltIn,
        // A file name of the site, and fingerprints of what only the site has.
        (_, "rule" | "template_hash") => Action::LeaveOut,
        (_, "parameters_key") => Action::Pseudonym,
        _ => by_class(column),
    }
}

fn by_class(column: &Described) -> Action {
    match column.class {
        Class::DirectIdentifier | Class::Key => Action::Pseudonym,
        Class::Uid => Action::Uids,
        Class::Date => Action::Shift,
        Class::FreeText | Class::QuasiIdentifier => Action::LeaveOut,
        Class::Code | Class::Measure | Class::Technical => Action::Keep,
    }
}

/// `value scheme` of a public scheme.
pub(super) fn is_public_code(text: &str) -> bool {
    let code = text.rsplit_once(' ');
    code.is_some_and(|(_, scheme)| PUBLIC_SCHEMES.contains(&scheme))
}

/// The name of a template that the program brings along.
pub(super) fn is_built_in(name: &str) -> bool {
    let mut files = builtin::TEMPLATES.iter().map(|(file, _)| file);
    files.any(|file| {
        file.strip_prefix("sr-templates/")
            .and_then(|file| file.strip_suffix(".toml"))
            == Some(name)
    })
}

/// The UCUM code of a length.
pub(super) fn is_length(code: &str) -> bool {
    Unit::ALL.iter().any(|&(_, known)| known == code)
}
