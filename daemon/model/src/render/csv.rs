//! `result.csv`: a row for each value used and for each assessment (RFC 4180, UTF-8, CR LF).
//!
//! Numbers have a point; what is not known is empty.

use crate::assess;
use crate::domain::Eye;
use crate::history::ExamMeasurement;
use crate::legible;
use crate::results::cautions::NOT_A_DEVICE;
use crate::results::{Envelope, phrases};

/// The columns in their order, each with what it holds.
pub const COLUMNS: [(&str, &str); 45] = [
    (
        "kind",
        "`reading`: one value used; `assessment`: one row of the answer",
    ),
    ("exam", "our name of the exam"),
    ("version", "version of the result"),
    ("key", "idempotency key of the result"),
    ("created_at", "when the result was made, UTC"),
    ("patient_issuer", "issuer of the patient id"),
    ("patient_id", "patient id"),
    ("birth_date", "birth date"),
    ("sex", "F, M or O"),
    ("study_instance_uid", "Study Instance UID"),
    ("accession", "accession number"),
    ("performed_at", "when the exam was done"),
    ("operator", "who measured"),
    ("eye", "`right`, `left`; `both` for the mean of the two"),
    ("value_mm", "the reading, or the value that was compared"),
    (
        "value_as_sent",
        "digits as they stand in the report; readings",
    ),
    ("unit_as_sent", "unit as it stands in the report; readings"),
    ("plane", "plane of the picture; readings"),
    ("depth_mm", "depth behind the globe as stated; readings"),
    ("derivation", "`single` or how the report made it; readings"),
    ("report", "SOP Instance UID of the report; readings"),
    ("place", "ordinals of the item in the report; readings"),
    (
        "status",
        "status of the row, or of the exam where the row was not compared; assessments",
    ),
    ("flagged", "whether the exam is flagged; assessments"),
    ("reason", "why there is no comparison; assessments"),
    (
        "expected_mm",
        "expected from own earlier exams; assessments",
    ),
    (
        "lower_mm",
        "lower end of the expected interval; assessments",
    ),
    (
        "upper_mm",
        "upper end of the expected interval; assessments",
    ),
    ("change_mm", "measured minus expected; assessments"),
    (
        "change_percent",
        "the change in percent of expected; assessments",
    ),
    (
        "smallest_change_mm",
        "change needed for a flag; assessments",
    ),
    (
        "probability_high",
        "chance of a value this high if nothing has changed; assessments",
    ),
    (
        "notice",
        "what stands on everything this project prints; assessments",
    ),
    (
        "modality",
        "kind of imaging: `ultrasound`, `mri`, `ct`, `other`, `unresolved`, `unspecified`",
    ),
    (
        "eight_of_ten_mm",
        "true rise found in eight of ten such exams; assessments",
    ),
    (
        "decided_by",
        "comparison that the exam's status is that of: `right`, `left`, `both`, `since_event`; \
         assessments",
    ),
    (
        "basis",
        "what the baseline rests on: `confirmed`, `provisional`, `none`; assessments",
    ),
    (
        "notices",
        "codes of what a reader must know, separated by spaces; assessments",
    ),
    (
        "since_last_mm",
        "change since the latest earlier exam; row of the eye or eyes it is of",
    ),
    ("since_last_lower_mm", "lower end of its interval"),
    ("since_last_upper_mm", "upper end of its interval"),
    (
        "since_last_hours",
        "hours between the two exams, where they are known",
    ),
    (
        "after_event",
        "course since the last event: `too_early`, `narrowing`, `returned`, `settled_wider`, \
         `widening_again`, `unclear`; assessments",
    ),
    (
        "earlier_flags",
        "earlier exams flagged and not settled since; assessments",
    ),
    (
        "preliminary",
        "whether a report that counts calls itself partial or preliminary; assessments",
    ),
];

/// The file.
#[must_use]
pub fn csv(result: &Envelope) -> String {
    let names = COLUMNS.map(|(name, _)| name.to_owned());
    let mut out = line(&names);
    let content = &result.content;
    for one in &content.measurements_used {
        out.push_str(&line(&with(
            result,
            "reading",
            one.value.eye.word(),
            reading(one),
        )));
    }
    let answers = &content.assessment.rows;
    let rows = [
        ("right", answers.of(Eye::Right)),
        ("left", answers.of(Eye::Left)),
        ("both", answers.both.as_ref()),
    ];
    for (eye, row) in rows {
        if let Some(row) = row {
            out.push_str(&line(&with(
                result,
                "assessment",
                eye,
                assessment(result, Some(row)),
            )));
        }
    }
    if rows.iter().all(|(_, row)| row.is_none()) {
        // Without a value the answer still is one.
        out.push_str(&line(&with(
            result,
            "assessment",
            "",
            assessment(result, None),
        )));
    }
    out
}

/// The columns of one kind, from `value_mm` to `notice`.
type Rest = [String; 19];

/// A row: what is the same in all, then its own.
fn with(result: &Envelope, kind: &str, eye: &str, rest: Rest) -> Vec<String> {
    let content = &result.content;
    let (patient, exam) = (&content.patient, &content.exam);
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let mut cells = vec![
        kind.to_owned(),
        exam.id.clone(),
        result.version.to_string(),
        result.key.clone(),
        result.created_at.clone(),
        patient.issuer.clone(),
        patient.id.clone(),
        patient
            .birth_date
            .map_or(String::new(), |date| date.to_string()),
        patient.sex.map_or(String::new(), |sex| format!("{sex:?}")),
        exam.study_instance_uid.clone(),
        text(&exam.accession),
        exam.performed_at.to_string(),
        text(&exam.operator),
        eye.to_owned(),
    ];
    cells.extend(rest);
    cells.push(phrases::word(&exam.modality));
    cells.extend(match kind {
        "assessment" => of_exam(result, eye),
        _ => Default::default(),
    });
    cells
}

/// What the status of the exam rests on, and what stands beside the row of an eye.
fn of_exam(result: &Envelope, eye: &str) -> [String; 11] {
    let content = &result.content;
    let (answer, course) = (&content.assessment, &content.course);
    let row = match eye {
        "both" => answer.rows.both,
        "left" => answer.rows.left,
        _ => answer.rows.right,
    };
    let number = |value: Option<f64>| value.map_or(String::new(), phrases::exact);
    let compared = row.and_then(|row| row.comparison);
    let last = course.since_last.as_ref();
    let last = last.filter(|last| last.row.word() == eye);
    let decided = answer.decided_by;
    let decided = decided.or_else(|| answer.decided().map(|(by, _)| by));
    let notices: Vec<String> = answer.notices.iter().map(phrases::word).collect();
    let flags = course.flags.as_ref();
    [
        number(compared.map(|c| c.eight_of_ten_mm)),
        decided.map_or(String::new(), |by| by.word().to_owned()),
        content.basis().word().to_owned(),
        notices.join(" "),
        number(last.map(|last| last.mm)),
        number(last.map(|last| last.lower_mm)),
        number(last.map(|last| last.upper_mm)),
        number(last.and_then(|last| last.hours)),
        course
            .after_event
            .as_ref()
            .map_or(String::new(), |event| event.state.word().to_owned()),
        flags.map_or(String::new(), |flags| flags.count.to_string()),
        content.is_preliminary().to_string(),
    ]
}

fn reading(one: &ExamMeasurement) -> Rest {
    let m = &one.value;
    let mm = |length: Option<crate::domain::Millimetres>| {
        length.map_or(String::new(), phrases::millimetres)
    };
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let mut cells = Rest::default();
    let said = [
        mm(m.value_mm),
        text(&m.value_as_sent),
        text(&m.unit_as_sent),
        phrases::word(&m.plane),
        mm(m.depth_mm),
        phrases::word(&m.derivation),
        one.object.clone(),
        m.place.clone(),
    ];
    for (cell, said) in cells.iter_mut().zip(said) {
        *cell = said;
    }
    cells
}

fn assessment(result: &Envelope, row: Option<&assess::Row>) -> Rest {
    let assessment = &result.content.assessment;
    let comparison = row.and_then(|row| row.comparison);
    let of = |value: Option<f64>| value.map_or(String::new(), phrases::exact);
    let number = |field: fn(&assess::Comparison) -> f64| of(comparison.as_ref().map(field));
    let status = comparison.map_or(assessment.status, |c| c.status);
    let none = String::new;
    [
        of(row.map(|row| row.measured_mm)),
        none(),
        none(),
        none(),
        none(),
        none(),
        none(),
        none(),
        status.word().to_owned(),
        assessment.flagged.to_string(),
        assessment
            .reason
            .map_or(String::new(), |reason| phrases::word(&reason)),
        number(|c| c.expected_mm),
        number(|c| c.lower_mm),
        number(|c| c.upper_mm),
        number(|c| c.change_mm),
        number(|c| c.change_percent),
        number(|c| c.smallest_change_mm),
        number(|c| c.probability_high),
        NOT_A_DEVICE.to_owned(),
    ]
}

/// RFC 4180, 2: quotes around a field that needs them, and quotes in it doubled. No cell begins a formula.
pub(crate) fn line(cells: &[String]) -> String {
    let cell = |cell: &String| {
        let cell = legible::cell(cell);
        if cell.contains([',', '"', '\r', '\n']) {
            format!("\"{}\"", cell.replace('"', "\"\""))
        } else {
            cell.into_owned()
        }
    };
    let cells: Vec<String> = cells.iter().map(cell).collect();
    format!("{}\r\n", cells.join(","))
}

#[cfg(test)]
mod tests;
