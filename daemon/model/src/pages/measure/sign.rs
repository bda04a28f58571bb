//! What becomes of a measurement once it is signed.

use crate::pages::layout::{Whose, instant, whose};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// How far a signed report has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Became {
    /// It is kept; its result is still being made.
    Waits,
    /// The exam that holds it has a result.
    Result {
        /// Which.
        exam_id: String,
    },
    /// It was read, and holds nothing that can be used; why.
    NotUsed(String),
    /// It is in quarantine; why.
    Quarantined(String),
}

/// A signed measurement.
#[derive(Clone)]
pub struct Signed {
    /// Whose; `None` until the report was read.
    pub whose: Option<Whose>,
    /// SOP Instance UID of its report.
    pub report: String,
    /// When it was kept.
    pub kept_at: DateTime<Utc>,
    /// How far it has come.
    pub became: Became,
}

/// The page that waits for the result.
#[must_use]
pub fn signed(view: &Signed) -> Markup {
    let here = format!("/measure/signed/{}", view.report);
    html! {
        h1 { "Signed and kept" }
        @if let Some(of) = &view.whose { (whose(of, &html! {})) }
        p { "The report was kept " (instant(view.kept_at)) ". Its UID: " code { bdi { (view.report) } } }
        @match &view.became {
            Became::Waits => {
                p.told role="status" data-waits=(here) {
                    "The result is being made. It usually takes a few seconds; others may be before it."
                }
                p { a href=(here) { "Look again" } }
            }
            Became::Result { exam_id } => {
                p.told role="status" { "The result is there." }
                p { a href={ "/exam/" (exam_id) } { "Open the exam" } }
            }
            Became::NotUsed(why) => {
                p.asked role="alert" { "The report was read, and nothing of it is used: " bdi { (why) } }
                p { "It stays kept. Tell whoever looks after the service." }
            }
            Became::Quarantined(why) => {
                p.asked role="alert" { "The report is in quarantine: " bdi { (why) } }
                p { "It stays kept until somebody decides. Tell whoever looks after the service." }
            }
        }
        p { a href="/measure" { "Next measurement" } }
    }
}
