//! One row for each entry of what people said of exams and patients.

use super::lists::{AUTHORS, ENTRIES, SAID};
use super::{code, date, direct, free, key, measure, quasi, technical, uid};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Subject};
use crate::export::stored::Spoken;
use sheathline_model::annotations::{Of, Said, SecondReading};
use sheathline_model::domain::Millimetres;

/// One entry.
pub(super) struct Entries;

impl Subject for Entries {
    type Of<'a> = Spoken;
}

impl Spoken {
    fn is_in_force(&self) -> bool {
        self.ended.is_none() && !matches!(self.entry.said, Said::Nothing(..))
    }
}

/// The mean of the widths of one eye, where the entry is a second reading with any.
fn second(spoken: &Spoken, eye: impl Fn(&SecondReading) -> &Vec<Millimetres>) -> Cell {
    let Said::SecondRead(_, reading) = &spoken.entry.said else {
        return Cell::Empty;
    };
    let widths = eye(reading);
    // Whole micrometres: the mean of 5.6 and 5.8 is 5.7.
    let sum: i64 = widths.iter().map(|one| one.um()).sum();
    Cell::number((!widths.is_empty()).then(|| sum as f64 / (1000 * widths.len()) as f64))
}

pub(super) const COLUMNS: &[Column<Entries>] = &[
    technical("entry_id", "number of the entry; they are numbered as they came")
        .integer()
        .key()
        .from(|s| Cell::Integer(s.entry.id)),
    technical("act", "entries of one command share this number")
        .integer()
        .required()
        .from(|s| Cell::Integer(s.entry.act)),
    code("kind", "what it is about")
        .required()
        .one_of(ENTRIES)
        .from(|s| Cell::text(s.entry.said.kind().word())),
    code(
        "value",
        "label, kind of event, outcome of a rise, or judgement of a second reading; empty of other kinds, and where the entry only takes another back",
    )
    .one_of(SAID)
    .from(|s| match &s.entry.said {
        Said::Label(..) | Said::Event(_) | Said::Settled(..) | Said::SecondJudged(..) => {
            Cell::text_of(s.entry.said.value().as_ref())
        }
        Said::Pressure(..)
        | Said::Acknowledged(..)
        | Said::Note(_)
        | Said::LeftOut(_)
        | Said::TakenBack(_)
        | Said::SecondAsked(_)
        | Said::SecondRead(..)
        | Said::Nothing(..) => Cell::Empty,
    }),
    measure(
        "result_version",
        Kind::Integer,
        "the version of the result whose rise, or withdrawn rise, was acknowledged",
    )
    .at_least(1.0)
    .from(|s| match s.entry.said {
        Said::Acknowledged(_, version) => Cell::Integer(version.into()),
        _ => Cell::Empty,
    }),
    measure(
        "second_right_mm",
        Kind::Number,
        "mean of what a second reader measured of the right eye",
    )
    .unit("mm")
    .from(|s| second(s, |one| &one.right)),
    measure(
        "second_left_mm",
        Kind::Number,
        "mean of what a second reader measured of the left eye",
    )
    .unit("mm")
    .from(|s| second(s, |one| &one.left)),
    measure(
        "pressure",
        Kind::Number,
        "the opening pressure, in its own unit",
    )
    .from(|s| match &s.entry.said {
        Said::Pressure(_, pressure) => Cell::number(pressure.value().parse().ok()),
        _ => Cell::Empty,
    }),
    code("pressure_unit", "UCUM code of that unit")
        .one_of(&["cm[H2O]", "mm[Hg]", "kPa", "mm[H2O]"])
        .from(|s| match &s.entry.said {
            Said::Pressure(_, pressure) => Cell::text(pressure.unit().code()),
            _ => Cell::Empty,
        }),
    quasi("patient_issuer", Kind::Text, "issuer of the patient id")
        .from(|s| Cell::text(&s.patient.issuer)),
    direct(
        "patient_id",
        "patient id; of joined ids the one that survives",
    )
    .required()
    .from(|s| Cell::text(&s.patient.id)),
    quasi(
        "given_issuer",
        Kind::Text,
        "issuer of the patient id that it was given under",
    )
    .from(|s| Cell::text(&s.entry.patient.issuer)),
    direct("given_patient_id", "patient id that it was given under")
        .required()
        .from(|s| Cell::text(&s.entry.patient.id)),
    key(
        "exam_id",
        "the exam that it is for; empty of an event, and where exams is not 1",
    )
    .from(|s| Cell::text_of(s.exam.as_ref().map(|(id, _)| id))),
    measure(
        "exams",
        Kind::Integer,
        "exams that hold the readings it was given for; each has it",
    )
    .required()
    .at_least(0.0)
    .from(|s| Cell::count(s.exams)),
    uid("study_instance_uid", "Study Instance UID of those readings")
        .from(|s| Cell::text_of(s.entry.said.about().map(|about| &about.study_instance_uid))),
    measure(
        "readings",
        Kind::Integer,
        "readings it was given for; 0: all of the study; empty of an event",
    )
    .at_least(0.0)
    .from(|s| {
        let about = s.entry.said.about();
        about.map_or(Cell::Empty, |about| Cell::count(about.readings.len()))
    }),
    date(
        "valid_on",
        Kind::Date,
        "the day that it holds for: of an event its own, else that of the exam",
    )
    .from(|s| match s.entry.said.of() {
        Of::Day(day) => Cell::Date(day),
        Of::Exam(_) => s.exam.as_ref().map_or(Cell::Empty, |(_, day)| Cell::Date(*day)),
    }),
    date("said_at", Kind::Instant, "when it was recorded")
        .required()
        .from(|s| Cell::Instant(s.entry.recorded_at)),
    direct("author", "who says it; empty where nobody knows")
        .from(|s| Cell::text(s.entry.by.author.name())),
    code(
        "author_kind",
        "a name or account that was told, or the user of the system; unknown: recorded before authors were kept",
    )
    .required()
    .one_of(AUTHORS)
    .from(|s| Cell::text(s.entry.by.author.kind())),
    direct("entered_by", "user of the system who typed it")
        .from(|s| Cell::text(&s.entry.by.entered_by)),
    code("source", "by which way it came: command, table, page, demo, earlier")
        .required()
        .from(|s| Cell::text(&s.entry.by.source)),
    free("reason", "the reason given").from(|s| Cell::text(&s.entry.by.reason)),
    technical("corrects", "the entry that it mends or takes back")
        .integer()
        .from(|s| s.entry.corrects.map_or(Cell::Empty, Cell::Integer)),
    technical("corrected_by", "the first entry that mends it or takes it back")
        .integer()
        .from(|s| s.ended.map_or(Cell::Empty, |end| Cell::Integer(end.by))),
    measure(
        "taken_back",
        Kind::Flag,
        "whether it was taken back, with nothing said in its place",
    )
    .required()
    .from(|s| Cell::Flag(s.ended.is_some_and(|end| end.is_taken_back))),
    measure(
        "in_force",
        Kind::Flag,
        "whether it counts: it says something, and no other entry names it",
    )
    .required()
    .from(|s| Cell::Flag(s.is_in_force())),
];
