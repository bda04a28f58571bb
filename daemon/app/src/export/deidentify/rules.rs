//! What becomes of each column. A column that no line here names is decided by its class, and where
//! the class leaves a doubt it is left out.

use super::growth;
use crate::export::column::{Class, Described};
use crate::export::tables::Table;
use sheathline_model::template::builtin;
use sheathline_model::template::words::Unit;

/// Schemes that everybody uses (PS3.16 table 8-1); the older names of SNOMED as well.
const PUBLIC_SCHEMES: [&str; 10] = [
    "DCM", "SCT", "SRT", "SNM3", "99SDM", "LN", "FMA", "RADLEX", "NCIt", "UMLS",
];

/// Remarks that depend on when a report came or was kept, so on days that patients share.
const REMARKS_ON_ARRIVAL: [&str; 2] = ["history-only", "stored-bytes-missing"];

/// What becomes of a cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Action {
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
    /// Whole years, whole months below two years; from [`OLDEST`](super::OLDEST) on that.
    CoarseAge,
    /// Kept if it is a decimal number, else left out: a report may hold words there.
    IfNumber,
    /// Kept if it is a length of UCUM, else left out.
    IfUnit,
    /// Kept if its scheme is public, else left out: schemes and values of a site name the site.
    IfPublicCode,
    /// Kept if the list of known machines has it, else a keyed pseudonym: sites write their wards there.
    IfKnownMaker,
    /// The same, together with its maker.
    IfKnownModel,
    /// Without the codes that tell when reports came.
    Remarks,
    /// As it is where the exact age has no part in it, else as `growth` does it.
    ByGrowth,
    /// Kept if the program brings the template along, else left out: a site names its own.
    IfBuiltIn,
}

/// What becomes of a column of a table.
#[must_use]
pub(crate) fn action(table: Table, column: &Described) -> Action {
    match (table, column.name) {
        // They follow from the exact age as well, by the growth that is expected.
        (_, "eight_of_ten_mm" | "after_event_level_mm") => Action::LeaveOut,
        // The basic profile empties it, and the age is there.
        (_, "birth_date") => Action::LeaveOut,
        (_, "patient_id") => Action::Patient,
        (_, "accession") => Action::LeaveOut,
        (_, "sex") => Action::Keep,
        (_, "manufacturer") => Action::IfKnownMaker,
        (_, "model") => Action::IfKnownModel,
        (_, "age_years") => Action::CoarseAge,
        // Days that many patients share, such as that of loading or of a change of settings, and what
        // changed on such a day: each patient's own shift would show in them.
        (_, "received_at" | "recorded_at" | "row_version" | "source") => Action::LeaveOut,
        // Its day is that of the exam, or comes from a clock that was wrong, for many patients alike.
        (_, "observed_at") => Action::LeaveOut,
        (_, "remarks") => Action::Remarks,
        (Table::Assessments, name) if growth::is_touched(name) => Action::ByGrowth,
        (_, "object_id") => Action::Number,
        (_, "value_as_sent") => Action::IfNumber,
        (_, "unit_as_sent") => Action::IfUnit,
        (_, "concept") => Action::IfPublicCode,
        (_, "template") => Action::IfBuiltIn,
        // A file name of the site, and fingerprints of what only the site has.
        (_, "rule" | "template_hash") => Action::LeaveOut,
        (_, "parameters_key") => Action::Pseudonym,
        // What was said together, by whom, and what was mended on some day. Only what counts is told.
        (
            Table::Entries,
            "act" | "given_patient_id" | "said_at" | "author" | "author_kind" | "entered_by"
            | "readings" | "corrects" | "corrected_by" | "taken_back",
        ) => Action::LeaveOut,
        (_, "entry_id") => Action::Number,
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

/// Remarks without those on arrival.
pub(super) fn without_arrival(codes: &str) -> String {
    let told = codes
        .split(' ')
        .filter(|code| !REMARKS_ON_ARRIVAL.contains(code));
    told.collect::<Vec<_>>().join(" ")
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
