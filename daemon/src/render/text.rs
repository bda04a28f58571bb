//! `result.txt`: a paragraph a clinician can read, and the list behind it.

use super::cautions::NOT_A_DEVICE;
use super::phrases::{self, named_rows};
use super::{Content, beside, readings};
use crate::assess::{Comparison, Status};
use crate::domain::Millimetres;
use crate::legible;
use std::fmt::Write;

/// The whole text, lines of at most 96 characters.
#[must_use]
pub fn text(content: &Content) -> String {
    let mut out = String::new();
    heading(&mut out, content);
    paragraph(&mut out, &summary(content));
    rows(&mut out, content);
    for (title, lines) in sections(content) {
        list(&mut out, title, &lines);
    }
    wrap(&mut out, NOT_A_DEVICE, "", "");
    out
}

/// Title of the cautions.
pub(crate) const CAUTIONS: &str = "Cautions";

/// Title of the ids that were joined.
pub(crate) const JOINED: &str = "Joined patient ids";

/// Titles and lines below the answer, in the order of reading; a title without lines has nothing
/// to say.
#[must_use]
pub fn sections(content: &Content) -> Vec<(&'static str, Vec<String>)> {
    let mut sections: Vec<_> = beside::sections(content).into();
    let cautions = content.cautions.iter().map(|c| c.text.clone());
    let context = content.context.as_ref();
    sections.extend([
        (JOINED, content.joined_lines()),
        ("Baseline", baseline(content)),
        ("Readings", readings(content)),
        ("Remarks", phrases::remarks(content)),
        (CAUTIONS, cautions.collect()),
        (
            beside::PUBLISHED,
            context.map_or(Vec::new(), |context| context.lines()),
        ),
        (
            "What would change this result",
            content.would_change.clone(),
        ),
    ]);
    sections
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
    let operator = phrases::operator(content.exam.operator.as_deref());
    let model = content.exam.device.model.as_deref().unwrap_or("unknown");
    let label = content.exam.label.map_or("none", |label| label.word());
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "OPTIC NERVE SHEATH, compared with the patient's own earlier exams\n\
         Patient    {id} ({issuer}), born {born}\n\
         Exam       {at}, study {study}\n\
         Operator   {operator}; device {model}; label: {label}\n\
         Imaging    {imaging}\n",
        imaging = content.exam.modality.title(),
        id = legible::line(&patient.id),
        issuer = legible::line(issuer),
        operator = legible::line(&operator),
        model = legible::line(model),
        at = content.exam.performed_at,
        study = legible::line(&content.exam.study_instance_uid),
    );
}

/// The answer in a few sentences: what a clinician can take into a report.
#[must_use]
pub fn summary(content: &Content) -> String {
    let status = phrases::status(content.assessment.status).to_uppercase();
    // The leading row in any case; others only where they are out of bounds, and not when all are.
    let out = |c: &Comparison| c.status != Status::WithinExpected;
    let all: Vec<_> = named_rows(content)
        .filter_map(|(name, row)| Some((name, row.measured_mm, row.comparison?)))
        .collect();
    let all_out = all.iter().all(|(_, _, c)| out(c));
    let rows: Vec<String> = all
        .iter()
        .enumerate()
        .filter(|(at, (_, _, c))| *at == 0 || out(c) && !all_out)
        .map(|(_, (name, measured_mm, c))| compared(name, *measured_mm, c))
        .collect();
    let detail = if rows.is_empty() {
        measured(content)
    } else {
        rows.join(" ")
    };
    let sentences = [
        format!("{status}."),
        phrases::answer(content),
        detail,
        phrases::chance(content),
        phrases::baseline(content),
    ];
    let said: Vec<&str> = sentences
        .iter()
        .map(String::as_str)
        .filter(|sentence| !sentence.is_empty())
        .collect();
    said.join(" ")
}

/// Measured values alone, where there is no comparison.
fn measured(content: &Content) -> String {
    let values: Vec<String> = named_rows(content)
        .map(|(name, row)| format!("{} {:.2} mm", name.to_lowercase(), row.measured_mm))
        .collect();
    if values.is_empty() {
        // The answer has said why.
        return String::new();
    }
    format!("Measured: {}.", values.join(", "))
}

/// One row as a sentence.
fn compared(name: &str, measured_mm: f64, c: &Comparison) -> String {
    format!(
        "{name}: measured {measured_mm:.2} mm, expected {:.2} mm (interval {:.2} to {:.2}), change {:+.2} mm \
         ({:+.1} %); the smallest change that counts is {:.2} mm.",
        c.expected_mm, c.lower_mm, c.upper_mm, c.change_mm, c.change_percent, c.smallest_change_mm,
    )
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
            phrases::status(c.status)
        );
    }
    out.push('\n');
}

/// The exams that the comparison rests on, and those that did not serve.
pub(crate) fn baseline(content: &Content) -> Vec<String> {
    let mm = |values: &[Millimetres]| {
        let texts: Vec<String> = values.iter().copied().map(phrases::millimetres).collect();
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
            phrases::operator(exam.operator.as_deref()),
            exam.label.map_or("none", |label| label.word()),
        )
    });
    let aside = content
        .not_compared
        .iter()
        .map(|exam| format!("not used, {}: {}", exam.date, exam.reason.sentence()));
    let more = phrases::not_listed(content);
    used.chain(aside).chain(more).collect()
}

fn readings(content: &Content) -> Vec<String> {
    let not_used = readings::not_used(content).into_iter();
    let mut lines = readings::used(content);
    lines.extend(readings::doubts(content));
    lines.extend(not_used.map(|line| format!("not used: {line}")));
    lines.extend(readings::beside(content));
    lines
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
    let text = legible::line(text);
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

#[cfg(test)]
mod tests;
