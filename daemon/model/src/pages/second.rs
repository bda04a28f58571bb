//! Second reading: the request, the reader's own values without the first ones, then both.
//!
//! Until it is signed the first values stand nowhere that its reader can open: not on this page, and not
//! on others, which ask who is reading.

#[cfg(test)]
mod tests;

use super::layout::{Whose, cell, field, heads, instant, text, token, whose};
use super::measure::{Proof, Row, rows, upper};
use crate::domain::{Eye, Moment};
use crate::entered::{Fault, Limits, TypedReading};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// A request for a second reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// Who asks.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// Why; empty for none given.
    pub reason: String,
}

/// Readings of both eyes.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Values {
    /// Right eye.
    pub right: Vec<TypedReading>,
    /// Left eye.
    pub left: Vec<TypedReading>,
}

impl Values {
    /// Those of an eye.
    #[must_use]
    pub fn of(&self, eye: Eye) -> &[TypedReading] {
        match eye {
            Eye::Right => &self.right,
            Eye::Left => &self.left,
        }
    }

    /// The mean of an eye; `None` without a reading.
    #[must_use]
    pub fn mean(&self, eye: Eye) -> Option<f64> {
        let values = self.of(eye);
        let sum: f64 = values.iter().map(|one| one.value.mm()).sum();
        (!values.is_empty()).then(|| sum / values.len() as f64)
    }
}

/// A second reading that was signed.
#[derive(Debug, Clone, PartialEq)]
pub struct Signed {
    /// Who read.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// What.
    pub values: Values,
    /// When its reader had opened a page with the first values before, if so.
    pub had_seen: Option<DateTime<Utc>>,
}

/// What somebody said of both.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    /// Who.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// Whether they agree.
    pub agrees: bool,
    /// Why not, or what else was said.
    pub reason: String,
}

/// How far a second reading has come for whoever looks.
#[derive(Clone)]
pub enum Stage {
    /// Nobody asks for one.
    NotAsked,
    /// Somebody asks; nobody signed in here has taken it up.
    Offered,
    /// It is taken up: its reader types.
    Reads {
        /// Rows of the right and the left eye, as typed.
        rows: [Vec<Row>; 2],
        /// What speaks against them.
        faults: Vec<Fault>,
        /// What is asked of whoever signs.
        proof: Proof,
        /// For the check while typing; the server always checks.
        limits: Limits,
    },
    /// It is signed: the first values may be seen.
    Both {
        /// The first ones.
        first: Values,
        /// The second ones, oldest first.
        second: Vec<Signed>,
        /// What was said of them.
        judged: Option<Judged>,
        /// Whether whoever looks may say it.
        may_judge: bool,
    },
}

/// The page of a second reading.
#[derive(Clone)]
pub struct View {
    /// The exam.
    pub exam_id: String,
    /// Whose.
    pub whose: Whose,
    /// When it was done.
    pub performed_at: Moment,
    /// The request.
    pub asked: Option<Asked>,
    /// Something that is wrong, as a sentence.
    pub problem: Option<String>,
    /// How far it has come.
    pub stage: Stage,
    /// Stands for the versions and entries of the patient that are shown.
    pub stamp: String,
}

/// The page.
#[must_use]
pub fn page(view: &View, form: &str) -> Markup {
    let exam = html! {
        span { "exam " strong { (view.performed_at.date()) } }
    };
    html! {
            h1 { "Second reading" }
            (whose(&view.whose, &exam))
            @if let Some(asked) = &view.asked {
                p {
                    bdi { (asked.by) } " asks for it since " (instant(asked.at))
                    @if !asked.reason.is_empty() { ": " bdi { (asked.reason) } }
                }
            }
            @if let Some(problem) = &view.problem {
                div.asked role="alert" { p.wrong { bdi { (problem) } } }
            }
            @match &view.stage {
                Stage::NotAsked => {
                    p { "Nobody asks for a second reading of this exam." }
                    p { a href={ "/exam/" (view.exam_id) } { "Back to the exam" } }
                }
                Stage::Offered => (offered(view, form)),
                Stage::Reads { rows, faults, proof, limits } => {
     (reads(view, (rows, faults, limits), *proof, form))
    }
                Stage::Both { first, second, judged, may_judge } => {
                    (both(first, second))
                    (judgement(view, judged.as_ref(), *may_judge, form))
                }
            }
        }
}

fn action(view: &View, what: &str) -> String {
    format!("/second/{}/{what}", view.exam_id)
}

fn offered(view: &View, form: &str) -> Markup {
    html! {
        p {
            "Take it up to read. From then on, until you sign, this exam's values are not shown to you: \
             not here, and not on the pages of the exam, of the patient and of today."
        }
        form method="post" action=(action(view, "take")) {
            (token(form))
            button.first-choice type="submit" { "Take it up" }
        }
        p { a href="/today" { "Not now" } }
    }
}

fn reads(
    view: &View,
    (rows_of, faults, limits): (&[Vec<Row>; 2], &[Fault], &Limits),
    proof: Proof,
    form: &str,
) -> Markup {
    let [right, left] = rows_of;
    html! {
        p.told {
            "Measure on the pictures at the scanner or in the archive, without the first calipers. The \
             first values are not in this page. You see them once you sign."
        }
        @if !faults.is_empty() {
            div.asked #problems role="alert" {
                p.wrong { "It cannot be signed like this." }
                ul {
                    @for fault in faults {
                        li { (upper(&fault.field.to_string())) ": " bdi { (fault.sentence) } "." }
                    }
                }
            }
        }
        form method="post" action=(action(view, "sign")) autocomplete="off" {
            (token(form))
            (rows(Eye::Right, right, faults, limits))
            (rows(Eye::Left, left, faults, limits))
            (super::measure::proof(proof))
            (field("reason", "Remark, if any", None, &html! {
                input #reason name="reason" type="text" maxlength="500";
            }))
            button.first-choice type="submit" { "Sign the second reading" }
        }
        form method="post" action=(action(view, "give-up")) {
            (token(form))
            p.help { "If you give it up you see the first values again, and that is noted." }
            button type="submit" { "Give it up" }
        }
    }
}

fn both(first: &Values, second: &[Signed]) -> Markup {
    html! {
        p { "Both stand beside each other. Neither replaces the other, and no mean is made of them." }
        @for read in second {
            table role="table" {
                caption {
                    "Read again by " bdi { (read.by) } ", " (instant(read.at))
                    @match read.had_seen {
                        Some(at) => {
                            ". This reader had opened a page with the first values before: " (instant(at))
                        }
                        None => ". This reader had not opened the first values here",
                    }
                }
                (heads(&["Eye", "First", "Second", "Second less first"]))
                tbody role="rowgroup" {
                    @for eye in Eye::BOTH {
                        tr role="row" {
                            th scope="row" role="rowheader" { (upper(eye.word())) }
                            (cell("First", &values(first, eye)))
                            (cell("Second", &values(&read.values, eye)))
                            (cell("Second less first", &difference(first, &read.values, eye)))
                        }
                    }
                }
            }
        }
    }
}

fn values(of: &Values, eye: Eye) -> Markup {
    let all: Vec<String> = of.of(eye).iter().map(TypedReading::digits).collect();
    html! {
        @match of.mean(eye) {
            Some(mean) => { strong { (format!("{mean:.2} mm")) } " (" (all.join(", ")) ")" }
            None => "not measured",
        }
    }
}

fn difference(first: &Values, second: &Values, eye: Eye) -> Markup {
    html! {
        @match (first.mean(eye), second.mean(eye)) {
            (Some(first), Some(second)) => strong { (format!("{:+.2} mm", second - first)) },
            _ => "cannot be told",
        }
    }
}

fn judgement(view: &View, judged: Option<&Judged>, may_judge: bool, form: &str) -> Markup {
    html! {
        @if let Some(judged) = judged {
            p.told {
                bdi { (judged.by) } " says " (instant(judged.at)) ": "
                strong { @if judged.agrees { "they agree" } @else { "they differ" } }
                @if !judged.reason.is_empty() { ". " (text(&judged.reason)) }
            }
        }
        @if may_judge {
            form method="post" action=(action(view, "judge")) {
                (token(form))
                input type="hidden" name="stamp" value=(view.stamp);
                fieldset {
                    legend { @if judged.is_some() { "Say it anew" } @else { "Do they agree?" } }
                    (field("judge_reason", "Reason; needed where they differ", None, &html! {
                        input #judge_reason name="reason" type="text" maxlength="500";
                    }))
                    button type="submit" name="says" value="agrees" { "They agree" }
                    " "
                    button type="submit" name="says" value="differs" { "They differ" }
                }
            }
        }
        p { a href={ "/exam/" (view.exam_id) } { "Back to the exam" } }
    }
}
