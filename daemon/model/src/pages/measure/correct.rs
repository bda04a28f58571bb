//! Which report of an exam is corrected.

use super::hidden;
use crate::domain::Moment;
use crate::pages::layout::{Whose, cell, heads, instant, token, whose};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// A report that a person typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Correctable {
    /// SOP Instance UID.
    pub report: String,
    /// When it was kept.
    pub kept_at: DateTime<Utc>,
    /// Who measured, as it says.
    pub operator: Option<String>,
    /// Whether whoever looks may correct it.
    pub may: bool,
}

/// An exam of which a typed report is to be corrected.
#[derive(Clone)]
pub struct Choose {
    /// The exam.
    pub exam_id: String,
    /// Whose.
    pub whose: Whose,
    /// When it was done.
    pub performed_at: Moment,
    /// Its typed reports.
    pub reports: Vec<Correctable>,
}

/// The page that asks which one.
#[must_use]
pub fn choose(view: &Choose, form: &str) -> Markup {
    let exam = html! { span { "exam " strong { (view.performed_at.date()) } } };
    html! {
        h1 { "Correct a measurement" }
        (whose(&view.whose, &exam))
        p {
            "What was signed is never changed. An amended report replaces it, and the first one stays \
             readable. What a scanner sent is corrected at the scanner."
        }
        @if view.reports.is_empty() {
            p { "No report of this exam was typed here." }
        } @else {
            table role="table" {
                caption { "Reports that were typed" }
                (heads(&["Kept", "Operator", "Correct"]))
                tbody role="rowgroup" {
                    @for one in &view.reports { (row(view, one, form)) }
                }
            }
        }
        p { a href={ "/exam/" (view.exam_id) } { "Back to the exam" } }
    }
}

fn row(view: &Choose, one: &Correctable, form: &str) -> Markup {
    html! {
        tr role="row" {
            (cell("Kept", &instant(one.kept_at)))
            (cell("Operator", &html! {
                @match &one.operator { Some(name) => bdi { (name) }, None => "not known" }
            }))
            (cell("Correct", &html! {
                @if one.may {
                    form method="post" action={ "/measure/correct/" (view.exam_id) } {
                        (token(form))
                        (hidden("report", &one.report))
                        button type="submit" { "Correct this report" }
                    }
                } @else {
                    "You did not sign it here. Whoever leads the measuring may correct it."
                }
            }))
        }
    }
}
