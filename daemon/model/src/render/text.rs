//! `result.txt`: a paragraph a clinician can read, and the list behind it.

use super::{beside, readings};
use crate::domain::Millimetres;
use crate::domain::time::written;
use crate::legible;
use crate::results::cautions::NOT_A_DEVICE;
use crate::results::numbers::Printed;
use crate::results::phrases::{self, named_rows};
use crate::results::statement::{self, Statement};
use crate::results::{Content, Envelope};
use std::fmt::Write;

/// The whole text, lines of at most 96 characters.
#[must_use]
pub fn text(content: &Content) -> String {
    whole(content, &Statement::of(content, None))
}

/// The same of a published result: first of all it says which flag it takes back or changes.
#[must_use]
pub fn text_of(result: &Envelope) -> String {
    let statement = Statement::of(&result.content, result.replaces.as_ref());
    whole(&result.content, &statement)
}

fn whole(content: &Content, statement: &Statement) -> String {
    let mut out = String::new();
    heading(&mut out, content);
    let first = statement.replaces.iter().chain(&statement.doubts);
    for line in first {
        paragraph(&mut out, line);
    }
    wrap(&mut out, &headline(statement), "", "");
    let lines = [&statement.found, &statement.next].into_iter();
    for line in lines.chain(&statement.marks) {
        wrap(&mut out, line, "", "");
    }
    out.push('\n');
    if !statement.details.is_empty() {
        paragraph(&mut out, &statement.details.join(" "));
    }
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
        at = phrases::moment(content.exam.performed_at),
        study = legible::line(&content.exam.study_instance_uid),
    );
}

/// The answer in a few sentences: what a clinician can take into a report.
#[must_use]
pub fn summary(content: &Content) -> String {
    said(&Statement::of(content, None)).join(" ")
}

/// The same of a published result: first of all it says which flag it takes back or changes.
#[must_use]
pub fn summary_of(result: &Envelope) -> String {
    let statement = Statement::of(&result.content, result.replaces.as_ref());
    said(&statement).join(" ")
}

/// What stands below a result in a list of exams, in the words and the order of its page: doubts, why
/// nothing was compared, what to correct, the last event, earlier flags, the exam before.
#[must_use]
pub fn in_a_list(content: &Content) -> Vec<String> {
    let statement = Statement::of(content, None);
    let assessment = &content.assessment;
    let mut lines = statement.doubts;
    if assessment.decided().is_none() && !assessment.flagged {
        lines.push(statement.next);
    }
    lines.extend(statement.marks);
    lines.extend(statement::since_event(content));
    let course = &content.course;
    lines.extend(course.flags.iter().map(|flags| flags.sentence()));
    lines.extend(statement::since_last(content).map(|last| last.sentence()));
    lines.extend(course.not_since_last.iter().map(|not| not.sentence()));
    lines
}

/// `WELL ABOVE EXPECTED, RIGHT EYE.`
fn headline(statement: &Statement) -> String {
    format!("{}.", statement.title.to_uppercase())
}

/// The statement as sentences.
fn said(statement: &Statement) -> Vec<String> {
    let first = statement.replaces.iter().chain(&statement.doubts);
    let mut said: Vec<String> = first.cloned().collect();
    said.push(headline(statement));
    said.extend([statement.found.clone(), statement.next.clone()]);
    said.extend(statement.marks.iter().chain(&statement.details).cloned());
    said
}

fn rows(out: &mut String, content: &Content) {
    let shown: Vec<_> = named_rows(content)
        .filter_map(|(name, row)| Some((name, row, Printed::of(row).expected?)))
        .collect();
    if shown.is_empty() {
        return;
    }
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "{:<10} {:>8} {:>8} {:>14} {:>8} {:>8} {:>8}  status",
        "mm", "measured", "expected", "interval", "change", "change %", "for flag"
    );
    for (name, row, expected) in shown {
        let _ = writeln!(
            out,
            "{name:<10} {:>8} {:>8} {:>14} {:>8} {:>8} {:>8}  {}",
            Printed::of(row).measured,
            expected.mm,
            expected.interval,
            expected.change,
            expected.percent,
            expected.needed,
            phrases::row_status(row)
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
            written(exam.date, exam.time),
            mm(&exam.right_mm),
            mm(&exam.left_mm),
            phrases::operator(exam.operator.as_deref()),
            exam.label.map_or("none", |label| label.word()),
        )
    });
    let aside = phrases::not_used(content).into_iter();
    let aside = aside.map(|line| format!("not used, {line}"));
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
