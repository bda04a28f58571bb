//! What the demonstration prints at its end.

use super::scenario::{Clinic, Exam, ISSUER, Layout, Person};
use super::{CONFIG, Demo, Sent};
use crate::cli::{Code, Failure, print};
use crate::known::content_of;
use crate::pipeline::{self, Pipeline};
use serde::Serialize;
use sheathline_model::annotations::Counting;
use sheathline_model::domain::PatientKey;
use sheathline_model::history::exam_id;
use sheathline_model::render::trend;
use sheathline_model::results::Content;
use sheathline_store::{annotations, readings, results};
use std::fs;

/// The last exam of one patient, beside what the scenario says of it.
#[derive(Serialize)]
struct Line {
    patient: PatientKey,
    story: &'static str,
    exam_id: String,
    status: &'static str,
    flagged: bool,
    rise_in_the_scenario: bool,
    measured_mm: Option<f64>,
    expected_mm: Option<f64>,
    change_mm: Option<f64>,
    smallest_change_mm: Option<f64>,
    why: String,
}

/// Prints the table, the sum, and where to look; draws every patient's trend.
pub(super) fn everything(
    pipeline: &Pipeline,
    clinic: &Clinic,
    demo: &Demo,
    sent: &Sent,
) -> Result<(), Failure> {
    let mut lines = Vec::new();
    for patient in &clinic.patients {
        draw(pipeline, patient, demo)?;
        lines.push(line(pipeline, clinic, patient)?);
    }
    let sum = pipeline.store().read(pipeline::sum)?;
    if demo.json {
        lines.iter().try_for_each(print::json)?;
        print::json(&sum)?;
    } else {
        table(&lines);
        footer(pipeline, demo, sent, &sum)?;
    }
    let wrong: Vec<&str> = lines
        .iter()
        .filter(|line| line.flagged != line.rise_in_the_scenario)
        .map(|line| line.patient.id.as_str())
        .collect();
    let sent = u32::try_from(sent.network + sent.folder).unwrap_or(u32::MAX);
    if sum.received != sent || sum.waiting > 0 {
        return Err(Failure::new(
            Code::Incomplete,
            format!("{sent} objects were sent and {} received", sum.received),
        ));
    }
    if !wrong.is_empty() {
        return Err(Failure::new(
            Code::CheckFailed,
            format!("flags differ from the scenario: {}", wrong.join(", ")),
        ));
    }
    Ok(())
}

fn last_exam<'a>(clinic: &'a Clinic, patient: &Person) -> Option<&'a Exam> {
    clinic
        .exams
        .iter()
        .filter(|exam| exam.patient.id == patient.id && exam.layout != Layout::Kidney)
        .max_by_key(|exam| exam.date)
}

fn key(patient: &Person) -> PatientKey {
    PatientKey {
        issuer: ISSUER.to_owned(),
        id: patient.id.to_owned(),
    }
}

fn line(pipeline: &Pipeline, clinic: &Clinic, patient: &Person) -> Result<Line, Failure> {
    let exam = last_exam(clinic, patient)
        .ok_or_else(|| Failure::new(Code::NotFound, "a patient without exam"))?;
    let id = exam_id(&key(patient), &exam.study_instance_uid());
    let row = pipeline
        .store()
        .read(|conn| results::latest(conn, &id))?
        .ok_or_else(|| Failure::new(Code::NotFound, format!("no result of exam {id}")))?;
    let content = content_of(&row)?;
    let leading = content.assessment.rows.leading();
    let compared = leading.and_then(|row| row.comparison);
    Ok(Line {
        patient: key(patient),
        story: patient.story,
        exam_id: id,
        status: content.assessment.status.word(),
        flagged: content.assessment.flagged,
        rise_in_the_scenario: patient.rise,
        measured_mm: leading.map(|row| row.measured_mm),
        expected_mm: compared.map(|c| c.expected_mm),
        change_mm: compared.map(|c| c.change_mm),
        smallest_change_mm: compared.map(|c| c.smallest_change_mm),
        why: why(&content),
    })
}

/// Why there is no comparison, or what stands behind it, in one sentence.
fn why(content: &Content) -> String {
    let not_used: Vec<&str> = content
        .measurements_not_used
        .iter()
        .flat_map(|m| &m.value.remarks)
        .filter(|remark| remark.severity == sheathline_model::domain::Severity::Blocking)
        .map(|remark| remark.text.as_str())
        .collect();
    match (not_used.first(), content.assessment.reason) {
        (Some(first), _) => (*first).to_owned(),
        (None, Some(reason)) => reason.sentence().to_owned(),
        (None, None) => match content.baseline.len() {
            1 => "Compared with one earlier exam.".into(),
            n => format!("Compared with {n} earlier exams."),
        },
    }
}

fn table(lines: &[Line]) {
    let mm = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.2}"));
    print::line(format_args!(
        "{:<8} {:<20} {:>8} {:>8} {:>7} {:>8}  the patient of the scenario, and why",
        "patient", "status", "measured", "expected", "change", "smallest"
    ));
    for line in lines {
        let flag = if line.flagged { "*" } else { " " };
        let change = line
            .change_mm
            .map_or("-".to_owned(), |value| format!("{value:+.2}"));
        print::line(format_args!(
            "{:<8}{flag}{:<20} {:>8} {:>8} {:>7} {:>8}  {}",
            line.patient.id,
            line.status,
            mm(line.measured_mm),
            mm(line.expected_mm),
            change,
            mm(line.smallest_change_mm),
            line.story,
        ));
        print::line(format_args!("{:<66}{}", "", line.why));
    }
    print::line("* flagged. Values in mm; a status without a flag does not mean normal.");
}

fn footer(
    pipeline: &Pipeline,
    demo: &Demo,
    sent: &Sent,
    sum: &pipeline::Sum,
) -> Result<(), Failure> {
    let dir = demo.dir.display();
    print::line("");
    print::line(format_args!(
        "sent {} through the network listener and {} through the drop folder",
        sent.network, sent.folder
    ));
    print::line(format_args!("{sum}"));
    for stored in pipeline.store().read(readings::quarantined)? {
        for remark in &stored.reading.remarks {
            let place = remark
                .place
                .as_deref()
                .map_or(String::new(), |at| format!(" at {at}"));
            print::line(format_args!(
                "  quarantine, object {}: {}{place}: {}",
                stored.id, remark.code, remark.text
            ));
        }
    }
    print::line("");
    // As it was called: after `cargo run` the program is on no search path.
    let program = std::env::args()
        .next()
        .unwrap_or_else(|| "sheathline".into());
    print::line("Where to look:");
    print::line(format_args!(
        "  {dir}/outbox/          one folder per result: result.pdf and .html to read, .json, .csv and .txt"
    ));
    print::line(format_args!(
        "  {dir}/trend-*.svg      every patient's exams as a picture"
    ));
    print::line(format_args!(
        "  {program} history --config {dir}/{CONFIG} LC-1002"
    ));
    print::line(format_args!(
        "  {program} explain --config {dir}/{CONFIG} EXAM"
    ));
    print::line("");
    print::line(sheathline_model::results::cautions::NOT_A_DEVICE);
    Ok(())
}

fn draw(pipeline: &Pipeline, patient: &Person, demo: &Demo) -> Result<(), Failure> {
    let key = key(patient);
    let (rows, events) = pipeline.store().read(|conn| {
        Ok((
            results::latest_of_patient(conn, &key)?,
            Counting::of(&annotations::of_patient(conn, &key)?).events,
        ))
    })?;
    let contents: Vec<Content> = rows.iter().map(content_of).collect::<Result<_, _>>()?;
    let contents: Vec<&Content> = contents.iter().collect();
    let title = format!("Optic nerve sheath, patient {}", patient.id);
    let path = demo.dir.join(format!("trend-{}.svg", patient.id));
    let picture = trend::of_contents(title, &contents, &events, None);
    // Invented, and the same whenever it is made.
    fs::write(&path, trend::svg(&picture)).map_err(|error| Failure::at(&path, error))
}
