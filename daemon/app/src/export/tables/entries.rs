//! One row for each entry of what people said: labels and opening pressures of exams, events of patients.

use super::lists::{AUTHORS, ENTRIES, SAID};
use super::{code, date, direct, free, key, measure, quasi, technical, uid};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Subject};
use crate::export::stored::Spoken;
use sheathline_model::annotations::{Of, Said};

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
        "the label, or the kind of event; empty of a pressure, and where the entry only takes another back",
    )
    .one_of(SAID)
    .from(|s| match &s.entry.said {
        Said::Label(_, label) => Cell::text(label.word()),
        Said::Event(event) => Cell::text(event.kind.word()),
        Said::Pressure(..) | Said::Nothing(..) => Cell::Empty,
    }),
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
    code("source", "by which way it came: command, table, demo, earlier")
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
