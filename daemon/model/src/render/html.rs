//! `result.html`: one page for a reader who has ten seconds, and for one who has ten minutes.
//!
//! The answer stands first, in words and numbers; what it rests on follows. Nothing is loaded and
//! nothing runs. No colour means anything: the page says the same printed in black and white.

pub(crate) mod lists;
pub(crate) mod tables;

#[cfg(test)]
mod tests;

use super::trend::{self, Trend};
use crate::assess::{DecidedBy, age_words};
use crate::domain::{Eye, Modality};
use crate::history::{Identity, same_person};
use crate::legible;
use crate::results::statement::Statement;
use crate::results::{Content, Envelope, phrases};
use maud::{DOCTYPE, Markup, PreEscaped, html};

pub(crate) const STYLE: &str = include_str!("html/page.css");

/// More exams than these make a picture too small to read on a page; the newest are shown.
const MOST_EXAMS: usize = 12;

/// The pictures of a page: first the eye that decided, if one did, and both eyes through time; of a
/// patient of whom one eye was measured, that eye.
///
/// `others` are results of the same patient, newest version of each exam, in any order. Of them
/// those are shown that are no later than the exam of `content` and can be of the same person.
#[must_use]
pub fn trends(content: &Content, others: &[Content]) -> Vec<Trend> {
    let date = content.exam.performed_at.date();
    let mut shown: Vec<&Content> = others
        .iter()
        .filter(|other| other.exam.id != content.exam.id)
        .filter(|other| other.exam.performed_at.date() <= date)
        .filter(|other| same_person(&identity(content), &identity(other)))
        .filter(|other| same_imaging(content, other))
        // Where a day is in doubt, nobody knows where it belongs in the course.
        .filter(|other| !other.is_date_doubted() && !content.is_date_doubted())
        .chain([content])
        .collect();
    shown.sort_by_key(|one| (one.exam.performed_at, &one.exam.id));
    let all = shown.len();
    let shown = shown.split_off(all.saturating_sub(MOST_EXAMS));
    let title = |of: &str| match all - shown.len() {
        0 => format!("{of} through time"),
        _ => format!(
            "{of} through time: the newest {} of {all} exams",
            shown.len()
        ),
    };
    let of = |name: &str, eye| trend::of_contents(title(name), &shown, &content.events, eye);
    let one = |eye: Eye| match eye {
        Eye::Right => of("Right eye", Some(eye)),
        Eye::Left => of("Left eye", Some(eye)),
    };
    let was_measured = |eye: Eye| {
        shown
            .iter()
            .any(|one| one.assessment.rows.of(eye).is_some())
    };
    match (was_measured(Eye::Right), was_measured(Eye::Left)) {
        (true, false) => return vec![one(Eye::Right)],
        (false, true) => return vec![one(Eye::Left)],
        _ => {}
    }
    let both = of("Both eyes", None);
    let decided = content.assessment.decided().map(|(by, _)| by);
    match decided {
        // What the headline is about comes first.
        Some(DecidedBy::Right) => vec![one(Eye::Right), both],
        Some(DecidedBy::Left) => vec![one(Eye::Left), both],
        _ => {
            let alone = phrases::only_eye(content).map(|(eye, _)| one(eye));
            [both].into_iter().chain(alone).collect()
        }
    }
}

/// Widths of different kinds of imaging never stand in one picture. Where nothing is stated, it is
/// taken for ultrasound.
fn same_imaging(one: &Content, other: &Content) -> bool {
    let of = |content: &Content| match content.exam.modality {
        Modality::Unspecified => Modality::Ultrasound,
        modality => modality,
    };
    of(one) == of(other)
}

fn identity(content: &Content) -> Identity {
    Identity {
        birth_date: content.patient.birth_date,
        sex: content.patient.sex,
        contradictory: false,
    }
}

/// The head of a page that loads nothing and runs nothing; `more` goes behind the style of all pages.
pub(crate) fn head(title: &str, more: &str) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta http-equiv="Content-Security-Policy"
                content="default-src 'none'; style-src 'unsafe-inline'";
            title { (title) }
            style { (PreEscaped(STYLE)) (PreEscaped(more)) }
        }
    }
}

/// The page of a published result with its pictures.
#[must_use]
pub fn page(result: &Envelope, trends: &[Trend]) -> String {
    let content = &result.content;
    let status = phrases::status(content.assessment.status);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("Optic nerve sheath, {}: {status}", content.exam.performed_at.date()), ""))
            body {
                main {
                    header { (heading(result)) }
                    (statement(result))
                    (tables::rows(content))
                    (pictures(trends))
                    div.more {
                        (lists::beside(content))
                        (lists::joined(content))
                        (lists::readings(content))
                        (lists::remarks(content))
                        (tables::baseline(content))
                        (lists::not_compared(content))
                        (lists::cautions(content))
                        (lists::would_change(content))
                    }
                    footer { (lists::provenance(result)) }
                }
            }
        }
    };
    // Over the whole page, so that no field can be forgotten.
    legible::lines(&page.into_string())
}

fn heading(result: &Envelope) -> Markup {
    let content = &result.content;
    let (patient, exam) = (&content.patient, &content.exam);
    let issuer = match patient.issuer.as_str() {
        "" => "no issuer named",
        issuer => issuer,
    };
    html! {
        p.kind { "Optic nerve sheath, compared with the patient's own earlier exams" }
        dl.facts {
            (fact("Patient", html! { strong { bdi { (patient.id) } } " (" bdi { (issuer) } ")" }))
            (fact("Born", html! {
                @match patient.birth_date { Some(date) => (date), None => "unknown" }
                @if let Some(age) = content.age_years() { ", age " (age_words(age)) }
                @if let Some(sex) = patient.sex { ", sex " (format!("{sex:?}")) }
            }))
            (fact("Exam", html! { strong { (phrases::moment(exam.performed_at)) } }))
            (fact("Accession", text(exam.accession.as_deref().unwrap_or("none"))))
            (fact("Operator", text(&phrases::operator(exam.operator.as_deref()))))
            (fact("Device", text(&phrases::device(&exam.device))))
            (fact("Imaging", html! { (exam.modality.title()) }))
            (fact("Borders", html! { (borders(content)) }))
            (fact("Label", html! {
                @match exam.label { Some(label) => (label.word().replace('_', " ")), None => "none" }
            }))
            (fact("Result", html! {
                "version " (result.version)
                @if let Some(old) = result.supersedes { ", replaces version " (old) }
            }))
        }
    }
}

pub(crate) fn fact(name: &str, value: Markup) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// Text of a report: its direction of reading stays inside it.
fn text(text: &str) -> Markup {
    html! { bdi { (text) } }
}

pub(crate) fn borders(content: &Content) -> &'static str {
    match content.exam.definition {
        Some(crate::domain::Border::Outer) => "outer",
        Some(crate::domain::Border::Inner) => "inner",
        None => "not known",
    }
}

pub(crate) fn statement(result: &Envelope) -> Markup {
    let content = &result.content;
    let said = Statement::of(content, result.replaces.as_ref());
    html! {
        section.statement.flagged[content.assessment.flagged] aria-labelledby="answer" {
            @for line in said.replaces.iter().chain(&said.doubts) {
                p.first { bdi { (line) } }
            }
            h1 #answer { (said.title) }
            p.flag { (said.verdict) "." }
            @if !said.figures.is_empty() {
                dl.figures {
                    @for (name, number) in &said.figures {
                        @let (number, unit) = number.split_once(" mm").unwrap_or((number, ""));
                        div { dt { (name) } dd { (number) small { " mm" (unit) } } }
                    }
                }
            }
            p.flag { bdi { (said.next) } }
            @for line in &said.marks { p.flag { bdi { (line) } } }
            @for line in &said.details { p { bdi { (line) } } }
        }
    }
}

pub(crate) fn pictures(trends: &[Trend]) -> Markup {
    const IDS: [&str; 2] = ["trend-first", "trend-second"];
    html! {
        // One exam alone shows no course.
        @for (trend, id) in trends.iter().filter(|trend| trend.points.len() > 1).zip(IDS) {
            figure {
                h2 { (trend.title) }
                // By keyboard too, where it is wider than the screen. The picture escapes its own texts.
                div.scroll tabindex="0" role="region" aria-label=(trend.title) {
                    (PreEscaped(trend::figure(trend, id)))
                    (PreEscaped(trend::axis(trend)))
                }
            }
        }
    }
}
