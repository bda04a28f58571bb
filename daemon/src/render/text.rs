//! `result.txt`: a paragraph a clinician can read, and the list behind it.

use super::cautions::NOT_A_DEVICE;
use super::{Content, beside};
use crate::assess::{Comparison, Row, Status};
use crate::domain::Severity;
use std::fmt::Write;

/// The whole text, lines of at most 96 characters.
#[must_use]
pub fn text(content: &Content) -> String {
    let mut out = String::new();
    heading(&mut out, content);
    paragraph(&mut out, &summary(content));
    rows(&mut out, content);
    for (title, lines) in beside::sections(content) {
        list(&mut out, title, &lines);
    }
    list(&mut out, "Baseline", &baseline(content));
    list(&mut out, "Readings", &readings(content));
    list(&mut out, "Remarks", &remarks(content));
    let cautions: Vec<String> = content.cautions.iter().map(|c| c.text.clone()).collect();
    list(&mut out, "Cautions", &cautions);
    let context = content.context.as_ref();
    let context = context.map_or(Vec::new(), |context| context.lines());
    list(&mut out, beside::PUBLISHED, &context);
    list(
        &mut out,
        "What would change this result",
        &content.would_change,
    );
    paragraph(&mut out, NOT_A_DEVICE);
    out
}

fn heading(out: &mut String, content: &Content) {
    let patient = &content.patient;
    let issuer = if patient.issuer.is_empty() {
        "no issuer named"
    } else {
        &patient.issuer
    };
    let born = patient
        .birth_date
        .map_or("unknown".into(), |date| date.to_string());
    let operator = content.exam.operator.as_deref().unwrap_or("unknown");
    let model = content.exam.device.model.as_deref().unwrap_or("unknown");
    let label = content.exam.label.map_or("none", |label| label.word());
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "OPTIC NERVE SHEATH, compared with the patient's own earlier exams\n\
         Patient    {id} ({issuer}), born {born}\n\
         Exam       {at}, study {study}\n\
         Operator   {operator}; device {model}; label: {label}\n",
        id = patient.id,
        at = content.exam.performed_at,
        study = content.exam.study_instance_uid,
    );
}

/// The answer in a few sentences: what a clinician can take into a report.
#[must_use]
pub fn summary(content: &Content) -> String {
    let assessment = &content.assessment;
    let status = assessment.status.word().replace('_', " ").to_uppercase();
    // The leading row in any case, another one only when it is out of bounds.
    let rows: Vec<String> = named_rows(content)
        .filter_map(|(name, row)| Some((name, row.measured_mm, row.comparison?)))
        .enumerate()
        .filter(|(at, (_, _, c))| *at == 0 || c.status != Status::WithinExpected)
        .map(|(_, (name, measured_mm, c))| compared(name, measured_mm, &c))
        .collect();
    let detail = if rows.is_empty() {
        measured(content)
    } else {
        rows.join(" ")
    };
    format!(
        "{status}. {} {detail} {}",
        assessment.sentence(),
        baseline_sentence(content)
    )
}

/// Rows that exist, the deciding one first.
fn named_rows(content: &Content) -> impl Iterator<Item = (&'static str, &Row)> {
    let rows = &content.assessment.rows;
    [
        ("Both eyes", &rows.both),
        ("Right eye", &rows.right),
        ("Left eye", &rows.left),
    ]
    .into_iter()
    .filter_map(|(name, row)| Some((name, row.as_ref()?)))
}

/// Measured values alone, where there is no comparison.
fn measured(content: &Content) -> String {
    let values: Vec<String> = named_rows(content)
        .map(|(name, row)| format!("{} {:.2} mm", name.to_lowercase(), row.measured_mm))
        .collect();
    if values.is_empty() {
        return "There is no usable reading.".into();
    }
    format!("Measured: {}.", values.join(", "))
}

/// One row as a sentence.
fn compared(name: &str, measured_mm: f64, c: &Comparison) -> String {
    let chance = if c.status.flagged() {
        format!(
            " A value this high comes up by chance in {} % of stable exams; that is not the \
             probability of raised pressure.",
            percent(c.probability_high)
        )
    } else {
        String::new()
    };
    format!(
        "{name}: measured {measured_mm:.2} mm, expected {:.2} mm (interval {:.2} to {:.2}), change {:+.2} mm \
         ({:+.1} %); the smallest change that counts is {:.2} mm.{chance}",
        c.expected_mm, c.lower_mm, c.upper_mm, c.change_mm, c.change_percent, c.smallest_change_mm,
    )
}

/// A chance in percent; a tiny one is not written as zero.
fn percent(chance: f64) -> String {
    if chance < 0.0005 {
        "less than 0.05".into()
    } else {
        format!("{:.1}", 100.0 * chance)
    }
}

fn baseline_sentence(content: &Content) -> String {
    let (Some(first), Some(last)) = (content.baseline.first(), content.baseline.last()) else {
        return String::new();
    };
    let count = content.baseline.len();
    let unlabelled = content
        .baseline
        .iter()
        .filter(|exam| exam.label.is_none())
        .count();
    let span = if count == 1 {
        format!("Compared with one earlier exam, of {}.", first.date)
    } else {
        format!(
            "Compared with {count} earlier exams, {} to {}.",
            first.date, last.date
        )
    };
    match unlabelled {
        0 => span,
        n => format!("{span} {n} of them carry no label that says the patient was well."),
    }
}

fn rows(out: &mut String, content: &Content) {
    let compared: Vec<_> = named_rows(content)
        .filter_map(|(name, row)| Some((name, row, row.comparison?)))
        .collect();
    if compared.is_empty() {
        return;
    }
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "{:<10} {:>8} {:>8} {:>13} {:>8} {:>8} {:>9}  status",
        "mm", "measured", "expected", "interval", "change", "change %", "smallest"
    );
    for (name, row, c) in compared {
        let _ = writeln!(
            out,
            "{name:<10} {:>8.2} {:>8.2} {:>13} {:>+8.2} {:>+8.1} {:>9.2}  {}",
            row.measured_mm,
            c.expected_mm,
            format!("{:.2} to {:.2}", c.lower_mm, c.upper_mm),
            c.change_mm,
            c.change_percent,
            c.smallest_change_mm,
            c.status.word().replace('_', " ")
        );
    }
    out.push('\n');
}

fn baseline(content: &Content) -> Vec<String> {
    let mm = |values: &[crate::domain::Millimetres]| {
        let texts: Vec<String> = values.iter().map(|v| v.mm().to_string()).collect();
        if texts.is_empty() {
            "none".to_owned()
        } else {
            texts.join(" ")
        }
    };
    let used = content.baseline.iter().map(|exam| {
        format!(
            "{}: right {}, left {}; operator {}; label {}",
            exam.date,
            mm(&exam.right_mm),
            mm(&exam.left_mm),
            exam.operator.as_deref().unwrap_or("unknown"),
            exam.label.map_or("none", |label| label.word()),
        )
    });
    let aside = content
        .not_compared
        .iter()
        .map(|exam| format!("not used, {}: {}", exam.date, exam.reason.sentence()));
    used.chain(aside).collect()
}

fn readings(content: &Content) -> Vec<String> {
    let line = |m: &crate::history::ExamMeasurement, used: &str| {
        let value = m
            .value
            .value_mm
            .map_or("no value".into(), |v| v.to_string());
        let sent = m.value.value_as_sent.as_deref().unwrap_or("none");
        let unit = m.value.unit_as_sent.as_deref().unwrap_or("no unit");
        let eye = m.value.eye.word();
        let why = m
            .value
            .remarks
            .iter()
            .filter(|r| r.severity != Severity::Info || used == "not used");
        let why: Vec<&str> = why.map(|r| r.text.as_str()).collect();
        format!(
            "{eye} {value}, {used} (sent as {sent} {unit}, item {}) {}",
            m.value.place,
            why.join(" ")
        )
        .trim_end()
        .to_owned()
    };
    let used = content.measurements_used.iter().map(|m| line(m, "used"));
    used.chain(
        content
            .measurements_not_used
            .iter()
            .map(|m| line(m, "not used")),
    )
    .collect()
}

fn remarks(content: &Content) -> Vec<String> {
    let notices = content
        .assessment
        .notices
        .iter()
        .map(|notice| notice.sentence().to_owned());
    let reports = content
        .reports
        .iter()
        .filter(|report| report.superseded_by.is_empty())
        .flat_map(|report| &report.remarks);
    let stated = content.remarks.iter().chain(reports).map(|remark| {
        let place = remark
            .place
            .as_deref()
            .map_or(String::new(), |at| format!(" (at {at})"));
        format!("{}{place}", remark.text)
    });
    notices.chain(stated).collect()
}

fn list(out: &mut String, title: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "{title}");
    for line in lines {
        wrap(out, line, "  - ", "    ");
    }
    out.push('\n');
}

fn paragraph(out: &mut String, text: &str) {
    wrap(out, text, "", "");
    out.push('\n');
}

/// Breaks at blanks before column 96.
fn wrap(out: &mut String, text: &str, first: &str, rest: &str) {
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > 96 {
            let _ = writeln!(out, "{line}");
            line = rest.to_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{line}");
}
