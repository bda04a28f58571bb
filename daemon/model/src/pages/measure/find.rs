//! Who is measured: looked for, and shown back before anything is typed.

use super::hidden;
use crate::pages::layout::{Whose, cell, choice, field, heads, instant, text, token, whose};
use chrono::{DateTime, NaiveDate, Utc};
use maud::{Markup, html};

/// What was typed to find a patient.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Sought {
    /// Patient id.
    pub id: String,
    /// Its issuer; empty: whichever.
    pub issuer: String,
    /// Birth date.
    pub birth_date: String,
    /// Accession number, in place of the two.
    pub accession: String,
}

/// A draft of the account that looks.
#[derive(Clone, PartialEq, Eq)]
pub struct Kept {
    /// Its number.
    pub id: i64,
    /// Patient id.
    pub patient: String,
    /// Birth date.
    pub birth_date: NaiveDate,
    /// The day of the measurement, as typed.
    pub date: String,
    /// When it was saved.
    pub saved_at: DateTime<Utc>,
}

/// The first page: who is measured.
#[derive(Clone, Default)]
pub struct Find {
    /// What was typed.
    pub sought: Sought,
    /// Why nobody was found, as a sentence.
    pub problem: Option<String>,
    /// Own drafts.
    pub drafts: Vec<Kept>,
}

/// The page that asks who is measured.
#[must_use]
pub fn find(view: &Find, form: &str) -> Markup {
    let sought = &view.sought;
    html! {
        h1 { "New measurement" }
        p {
            "For a scanner that sends no report. First say who is measured. Earlier values are not shown \
             before you sign: whoever knows them leans towards them."
        }
        @if let Some(problem) = &view.problem {
            div.asked role="alert" { p.wrong { bdi { (problem) } } }
        }
        form method="post" action="/measure/find" autocomplete="off" {
            (token(form))
            fieldset {
                legend { "By id and birth date" }
                div.fields {
                    (field("patient_id", "Patient id", None, &html! {
                        input #patient_id name="patient_id" type="text" maxlength="64" value=(sought.id);
                    }))
                    (field("birth_date", "Birth date", None, &html! {
                        input #birth_date name="birth_date" type="date" value=(sought.birth_date);
                    }))
                    (field("issuer", "Issuer of the id, where several have it", None, &html! {
                        input #issuer name="issuer" type="text" maxlength="64" value=(sought.issuer);
                    }))
                }
            }
            fieldset {
                legend { "Or by accession number" }
                (field("accession", "Accession number", None, &html! {
                    input #accession name="accession" type="text" maxlength="16" value=(sought.accession);
                }))
            }
            button.first-choice type="submit" { "Find the patient" }
        }
        @if !view.drafts.is_empty() { (drafts(&view.drafts)) }
    }
}

fn drafts(kept: &[Kept]) -> Markup {
    html! {
        section aria-labelledby="drafts" {
            h2 #drafts { "Your drafts" }
            p { "Nobody else sees them, and they count for nothing until you sign." }
            table role="table" {
                caption { "Saved last first" }
                (heads(&["Patient", "Born", "Measured on", "Saved", "Draft"]))
                tbody role="rowgroup" {
                    @for draft in kept {
                        tr role="row" {
                            (cell("Patient", &text(&draft.patient)))
                            (cell("Born", &html! { (draft.birth_date) }))
                            (cell("Measured on", &match draft.date.as_str() {
                                "" => html! { "no day yet" },
                                day => text(day),
                            }))
                            (cell("Saved", &instant(draft.saved_at)))
                            (cell("Draft", &html! {
                                a href={ "/measure/" (draft.id) } {
                                    "Go on with the draft of " bdi { (draft.patient) }
                                }
                            }))
                        }
                    }
                }
            }
        }
    }
}

/// Somebody who was found, or whom nobody knows yet.
#[derive(Clone, PartialEq)]
pub struct Candidate {
    /// Whom.
    pub whose: Whose,
    /// Exams that are stored of them; none: nobody with this id is known.
    pub exams: usize,
    /// Known reports tell no birth date, so that only the id agrees.
    pub birth_date_untold: bool,
}

/// The patient shown back, before anything is typed.
#[derive(Clone)]
pub struct Shown {
    /// What was typed to find them.
    pub sought: Sought,
    /// Who it may be: one, or several issuers of one id.
    pub candidates: Vec<Candidate>,
}

/// The page that shows the patient back.
#[must_use]
pub fn shown(view: &Shown, form: &str) -> Markup {
    html! {
        h1 { "Is this who is measured?" }
        p { "Compare with the wristband or the request." }
        @if view.candidates.len() > 1 {
            p.wrong { "Several issuers have this id. Choose by issuer, birth date and name." }
        }
        @for (n, one) in view.candidates.iter().enumerate() {
            section aria-label={ "Patient " (n + 1) } {
                (whose(&one.whose, &html! {}))
                @if one.exams == 0 {
                    p.told {
                        "Nobody with this id is known here. The measurement will be the first: there is \
                         nothing to compare it with. Look at the id once more."
                    }
                } @else {
                    p {
                        "Known here by " (one.exams) @if one.exams == 1 { " exam." } @else { " exams." }
                    }
                    @if one.birth_date_untold {
                        p.told {
                            "No report of this id tells a birth date. Only the id agrees: look at it once \
                             more."
                        }
                    }
                }
                form method="post" action="/measure/begin" autocomplete="off" {
                    (token(form))
                    (hidden("patient_id", &one.whose.id))
                    (hidden("issuer", &one.whose.issuer))
                    (hidden("birth_date", &one.whose.birth_date.map_or(String::new(), |day| day.to_string())))
                    (hidden("accession", &view.sought.accession))
                    @if one.exams == 0 {
                        div.fields {
                            (field("name", "Name, if you want it in the report", None, &html! {
                                input #name name="name" type="text" maxlength="64";
                            }))
                            (field("sex", "Sex", None, &choice("sex", "sex", &[
                                ("", "not told"), ("F", "F"), ("M", "M"), ("O", "other"),
                            ], None)))
                        }
                    }
                    button.first-choice type="submit" { "Yes, measure " bdi { (one.whose.id) } }
                }
            }
        }
        p { a href="/measure" { "No, look for somebody else" } }
    }
}
