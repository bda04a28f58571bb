//! One row for each exam: what its newest result says as a whole.

use super::lists::{AFTER_STATES, BASES, DECIDERS, LABELS, MODALITIES, REASONS, STATUSES};
use super::{code, date, direct, free, key, measure, quasi, technical, uid};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Described, Subject};
use crate::export::stored::{SOFTWARE, StoredResult, device_id, operator_id};

/// One exam.
pub(super) struct Exams;

impl Subject for Exams {
    type Of<'a> = StoredResult;
}

const fn since_last(name: &'static str, about: &'static str) -> Described {
    measure(name, Kind::Number, about).unit("mm")
}

/// A day is 0.0027 years; more digits only pretend.
fn to_a_day(years: f64) -> f64 {
    (years * 1e4).round() / 1e4
}

pub(super) const COLUMNS: &[Column<Exams>] = &[
    key("exam_id", "our name of the exam")
        .key()
        .from(|t| Cell::text(&t.content.exam.id)),
    key("result_key", "fingerprint of all that the result says")
        .required()
        .from(|t| Cell::text(&t.key)),
    free("why", "why this version of the result was written")
        .from(|t| Cell::text(t.why.join("; "))),
    quasi("patient_issuer", Kind::Text, "issuer of the patient id")
        .from(|t| Cell::text(&t.content.patient.issuer)),
    direct(
        "patient_id",
        "patient id; of joined ids the one that survives",
    )
    .required()
    .from(|t| Cell::text(&t.content.patient.id)),
    date("birth_date", Kind::Date, "birth date")
        .from(|t| t.content.patient.birth_date.map_or(Cell::Empty, Cell::Date)),
    quasi("sex", Kind::Text, "sex as DICOM lists it")
        .one_of(&["F", "M", "O"])
        .from(|t| {
            t.content
                .patient
                .sex
                .map_or(Cell::Empty, |sex| Cell::word(&sex))
        }),
    quasi(
        "age_years",
        Kind::Number,
        "age at the exam in years of 365.25 days",
    )
    .unit("a")
    .at_least(0.0)
    .from(|t| Cell::number(t.content.age_years().map(to_a_day))),
    measure(
        "joined_ids",
        Kind::Integer,
        "merges of patient ids in force",
    )
    .at_least(0.0)
    .from(|t| Cell::count(t.content.joined.len())),
    uid("study_instance_uid", "Study Instance UID")
        .required()
        .from(|t| Cell::text(&t.content.exam.study_instance_uid)),
    direct("accession", "accession number")
        .from(|t| Cell::text_of(t.content.exam.accession.as_ref())),
    date(
        "performed_at",
        Kind::Clock,
        "wall clock where the exam was done",
    )
    .required()
    .from(|t| Cell::clock(t.content.exam.performed_at.local)),
    quasi(
        "performed_offset_s",
        Kind::Integer,
        "offset of that clock from UTC, if the report gives it",
    )
    .unit("s")
    .from(|t| {
        let offset = t.content.exam.performed_at.offset_s;
        offset.map_or(Cell::Empty, |offset| Cell::Integer(offset.into()))
    }),
    key("operator_id", "who measured; see operators").from(|t| {
        t.content
            .exam
            .operator
            .as_ref()
            .map_or(Cell::Empty, |name| Cell::text(operator_id(name)))
    }),
    key("device_id", "with which machine; see devices")
        .from(|t| device_id(&t.content.exam.device).map_or(Cell::Empty, Cell::text)),
    code("definition", "borders measured between")
        .one_of(&["outer", "inner"])
        .from(|t| {
            t.content
                .exam
                .definition
                .map_or(Cell::Empty, |one| Cell::word(&one))
        }),
    code("modality", "kind of imaging, as the reports state it")
        .required()
        .one_of(MODALITIES)
        .from(|t| Cell::word(&t.content.exam.modality)),
    code("label", "what a person says of the exam")
        .one_of(LABELS)
        .from(|t| {
            t.content
                .exam
                .label
                .map_or(Cell::Empty, |label| Cell::text(label.word()))
        }),
    measure(
        "opening_pressure",
        Kind::Number,
        "opening pressure that a person recorded, in its own unit",
    )
    .from(|t| {
        let pressure = t.content.exam.opening_pressure.as_ref();
        Cell::number(pressure.and_then(|one| one.value().parse().ok()))
    }),
    code("opening_pressure_unit", "UCUM code of that unit")
        .one_of(&["cm[H2O]", "mm[Hg]", "kPa", "mm[H2O]"])
        .from(|t| {
            let pressure = t.content.exam.opening_pressure.as_ref();
            pressure.map_or(Cell::Empty, |one| Cell::text(one.unit().code()))
        }),
    code(
        "status",
        "the comparison in one word; of a withdrawn exam it stays not_comparable",
    )
    .required()
    .one_of(STATUSES)
    .from(|t| Cell::text(t.content.assessment.status.word())),
    measure(
        "flagged",
        Kind::Flag,
        "whether a rise was found; false never means normal",
    )
    .required()
    .from(|t| Cell::Flag(t.content.assessment.flagged)),
    code("reason", "why there is no comparison")
        .one_of(REASONS)
        .from(|t| {
            t.content
                .assessment
                .reason
                .map_or(Cell::Empty, |one| Cell::word(&one))
        }),
    code(
        "notices",
        "what a reader must know of the comparison: codes, separated by spaces",
    )
    .from(|t| Cell::words(&t.content.assessment.notices)),
    code("basis", "what the baseline rests on")
        .required()
        .one_of(BASES)
        .from(|t| Cell::text(t.content.basis().word())),
    code("decided_by", "comparison that the status is that of")
        .one_of(DECIDERS)
        .from(|t| {
            let answer = &t.content.assessment;
            let by = answer.decided_by;
            let by = by.or_else(|| answer.decided().map(|(by, _)| by));
            by.map_or(Cell::Empty, |by| Cell::text(by.word()))
        }),
    measure(
        "preliminary",
        Kind::Flag,
        "whether a report that counts calls itself partial or preliminary",
    )
    .required()
    .from(|t| Cell::Flag(t.content.is_preliminary())),
    code("since_last_eye", "what the next three are of")
        .one_of(&["right", "left", "both"])
        .from(|t| {
            let last = t.content.course.since_last.as_ref();
            last.map_or(Cell::Empty, |last| Cell::text(last.row.word()))
        }),
    since_last("since_last_mm", "change since the latest earlier exam")
        .from(|t| Cell::number(t.content.course.since_last.as_ref().map(|last| last.mm))),
    since_last("since_last_lower_mm", "lower end of its interval").from(|t| {
        Cell::number(
            t.content
                .course
                .since_last
                .as_ref()
                .map(|last| last.lower_mm),
        )
    }),
    since_last("since_last_upper_mm", "upper end of its interval").from(|t| {
        Cell::number(
            t.content
                .course
                .since_last
                .as_ref()
                .map(|last| last.upper_mm),
        )
    }),
    code("after_event", "course since the last event")
        .one_of(AFTER_STATES)
        .from(|t| {
            let event = t.content.course.after_event.as_ref();
            event.map_or(Cell::Empty, |event| Cell::text(event.state.word()))
        }),
    since_last(
        "after_event_level_mm",
        "level since the last event minus the level before it",
    )
    .from(|t| {
        let event = t.content.course.after_event.as_ref();
        Cell::number(event.and_then(|event| Some(event.level.as_ref()?.mm)))
    }),
    measure(
        "earlier_flags",
        Kind::Integer,
        "earlier exams flagged and not settled since",
    )
    .at_least(0.0)
    .from(|t| {
        let flags = t.content.course.flags.as_ref();
        Cell::count(flags.map_or(0, |flags| flags.count))
    }),
    code(
        "planes",
        "planes that the comparison rests on, separated by spaces",
    )
    .from(|t| Cell::words(&t.content.assessment.planes)),
    measure(
        "gap_years",
        Kind::Number,
        "years from the last baseline exam",
    )
    .unit("a")
    .at_least(0.0)
    .from(|t| Cell::number(t.content.assessment.gap_years)),
    measure(
        "baseline_exams",
        Kind::Integer,
        "own earlier exams that the comparison rests on",
    )
    .at_least(0.0)
    .from(|t| Cell::count(t.content.baseline.len())),
    measure(
        "events",
        Kind::Integer,
        "recorded events of the patient up to the exam",
    )
    .at_least(0.0)
    .from(|t| Cell::count(t.content.events.len())),
    measure(
        "reports",
        Kind::Integer,
        "reports of the exam, replaced ones included",
    )
    .at_least(0.0)
    .from(|t| Cell::count(t.content.reports.len())),
    measure(
        "values_used",
        Kind::Integer,
        "readings that entered the assessment",
    )
    .at_least(0.0)
    .from(|t| Cell::count(t.content.measurements_used.len())),
    measure("values_not_used", Kind::Integer, "values kept and not used")
        .at_least(0.0)
        .from(|t| Cell::count(t.content.measurements_not_used.len())),
    code(
        "remarks",
        "codes of remarks on the exam, separated by spaces",
    )
    .from(|t| Cell::codes(t.content.remarks.iter().map(|one| one.code.as_ref()))),
    code(
        "cautions",
        "codes of cautions that apply, separated by spaces",
    )
    .from(|t| Cell::codes(t.content.cautions.iter().map(|one| one.code.as_str()))),
    code(
        "parameters_key",
        "fingerprint of parameters and limits of technique; equal ones compare alike",
    )
    .required()
    .from(|t| Cell::text(&t.parameters_key)),
    technical("software", "the program that wrote the row")
        .required()
        .from(|_| Cell::text(SOFTWARE)),
];
