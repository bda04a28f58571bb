//! New measurement: whose it is, what was measured, and what becomes of it once it is signed.
//!
//! Earlier values stand nowhere here: whoever knows them leans towards them, and a rise is lost. What
//! was typed is shown again letter by letter, also where it cannot be read.

mod correct;
mod find;
mod sign;
#[cfg(test)]
mod tests;
pub(crate) mod typing;

pub use correct::{Choose, Correctable, choose};
pub use find::{Candidate, Find, Kept, Shown, Sought, find, shown};
pub use sign::{Became, Signed, signed};
pub use typing::{BORDERS, Judged, PLANES, Row, Typing, readings};

use super::layout::{self, Whose, choice, field, heads, instant, token, whose};
use crate::domain::Eye;
use crate::entered::{Fault, Field, Limits, READINGS_MAX};
use crate::history::critical_factor;
use chrono::{DateTime, Utc};
use maud::{Markup, html};

pub(super) fn hidden(name: &str, value: &str) -> Markup {
    html! { input type="hidden" name=(name) value=(value); }
}

/// What is asked of whoever signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Proof {
    /// The password once more.
    Password,
    /// Nothing: they signed in just now.
    Fresh,
    /// To sign in once more; the draft stays.
    SignIn,
}

/// The field for it.
pub(super) fn proof(proof: Proof) -> Markup {
    match proof {
        Proof::Password => field(
            "password",
            "Your password once more",
            None,
            &html! {
                input #password name="password" type="password" autocomplete="current-password"
                    maxlength="256";
            },
        ),
        Proof::Fresh => html! {},
        Proof::SignIn => html! {
            p {
                "You signed in more than five minutes ago. "
                a href="/sign-in/openid?again=yes&to=/" { "Sign in once more" }
                ", then come back and sign: what is saved stays."
            }
        },
    }
}

/// A measurement that is typed.
#[derive(Clone)]
pub struct Form {
    /// Number of its draft.
    pub draft: i64,
    /// Whose.
    pub whose: Whose,
    /// Nobody with this id is known.
    pub unknown: bool,
    /// The fields.
    pub typing: Typing,
    /// What speaks against them; empty until somebody looked.
    pub faults: Vec<Fault>,
    /// Something that is wrong beside the fields, as a sentence.
    pub problem: Option<String>,
    /// Asks once more before it is signed with what speaks against it: what was looked at.
    pub ask: Option<String>,
    /// When it was saved.
    pub saved_at: DateTime<Utc>,
    /// What is asked of whoever signs.
    pub proof: Proof,
    /// For the check while typing; the server always checks.
    pub limits: Limits,
}

/// Name and id of a field.
#[must_use]
pub fn name_of(field: Field) -> String {
    match field {
        Field::Value(eye, n) => format!("{}_value_{}", eye.word(), n + 1),
        Field::Plane(eye, n) => format!("{}_plane_{}", eye.word(), n + 1),
        Field::Depth(eye, n) => format!("{}_depth_{}", eye.word(), n + 1),
        Field::Angle(eye, n) => format!("{}_angle_{}", eye.word(), n + 1),
        Field::Readings(Some(eye)) => format!("{}_eye", eye.word()),
        Field::Readings(None) => "right_eye".to_owned(),
        Field::Day => "date".to_owned(),
        Field::Time => "time".to_owned(),
        Field::Border => "border".to_owned(),
        Field::Operator => "operator".to_owned(),
        Field::Manufacturer => "maker".to_owned(),
        Field::Model => "model".to_owned(),
        Field::Serial => "serial".to_owned(),
        Field::Reason => "reason".to_owned(),
        // They were found and shown back, and stand in no field.
        Field::PatientId
        | Field::Issuer
        | Field::BirthDate
        | Field::Sex
        | Field::Name
        | Field::Accession
        | Field::Author => "whose".to_owned(),
    }
}

/// The page of the fields.
#[must_use]
pub fn form(view: &Form, form: &str) -> Markup {
    let typing = &view.typing;
    let fill = |id: &str, label: &str, kind: &str, value: &str, most: u32| {
        let wrong = view.faults.iter().any(|fault| name_of(fault.field) == id);
        field(
            id,
            label,
            None,
            &html! {
                input id=(id) name=(id) type=(kind) value=(value) maxlength=[(kind == "text").then_some(most)]
                    step=[(kind == "time").then_some("1")]
                    aria-invalid=[wrong.then_some("true")] aria-describedby=[wrong.then_some("problems")];
            },
        )
    };
    html! {
        h1 { @if typing.corrects.is_some() { "Correct a measurement" } @else { "New measurement" } }
        div #whose { (whose(&view.whose, &html! {})) }
        @if view.unknown {
            p.told { "Nobody with this id is known here yet." }
        }
        @if typing.corrects.is_some() {
            p.told {
                "An amended report replaces the one that you correct. The first one stays readable."
            }
        }
        p.help { "Draft saved " (instant(view.saved_at)) ". Nothing counts until you sign." }
        @if let Some(problem) = &view.problem {
            div.asked role="alert" { p.wrong { bdi { (problem) } } }
        }
        (problems(&view.faults))
        form method="post" action={ "/measure/" (view.draft) } autocomplete="off" {
            (token(form))
            div.fields {
                (fill("date", "Measured on", "date", &typing.date, 10))
                (fill("time", "At, if known", "time", &typing.time, 8))
                (field("border", "Borders", None, &choice("border", "border", &BORDERS, Some(&typing.border))))
                (fill("operator", "Who measured", "text", &typing.operator, 64))
            }
            @for eye in Eye::BOTH { (eye_fields(view, eye)) }
            fieldset {
                legend { "Probe or machine" }
                div.fields {
                    (fill("maker", "Maker", "text", &typing.maker, 64))
                    (fill("model", "Model", "text", &typing.model, 64))
                    (fill("serial", "Serial number", "text", &typing.serial, 64))
                }
            }
            (fill("reason", if typing.corrects.is_some() {
                "Why it is corrected"
            } else {
                "Remark, if any"
            }, "text", &typing.reason, 500))
            div.actions {
                // The first button is what the key Enter does: it saves, and signs nothing.
                button type="submit" name="act" value="save" { "Save as draft" }
                " "
                button type="submit" name="act" value="check" { "Check" }
            }
            fieldset {
                legend { "Sign" }
                p {
                    "You sign that these values were measured as they stand here. What is signed is kept, \
                     and corrected only by an amended report."
                }
                @if let Some(seen) = &view.ask {
                    p {
                        label.pick {
                            input type="checkbox" name="all_the_same" value=(seen);
                            "I looked at the notes above. The values are as measured."
                        }
                    }
                }
                (proof(view.proof))
                button.first-choice type="submit" name="act" value="sign" { "Sign" }
                " "
                button type="submit" name="act" value="drop" { "Throw the draft away" }
            }
        }
    }
}

/// What speaks against the fields, each with a link to its field.
fn problems(faults: &[Fault]) -> Markup {
    let some = |blocking| {
        faults
            .iter()
            .filter(move |fault| fault.blocking == blocking)
    };
    let list = |blocking| {
        html! {
            ul {
                @for fault in some(blocking) {
                    li {
                        a href={ "#" (name_of(fault.field)) } { (upper(&fault.field.to_string())) }
                        ": " bdi { (fault.sentence) } "."
                    }
                }
            }
        }
    };
    html! {
        @if !faults.is_empty() {
            div.asked #problems role="alert" {
                @if some(true).next().is_some() {
                    p.wrong { "It cannot be signed like this." }
                    (list(true))
                }
                @if some(false).next().is_some() {
                    p { strong { "Look at this once more." } }
                    (list(false))
                }
            }
        }
    }
}

pub(super) fn upper(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}

fn eye_fields(view: &Form, eye: Eye) -> Markup {
    rows(eye, view.typing.rows(eye), &view.faults, &view.limits)
}

/// The rows of an eye, as fields. What a second reader types looks the same.
pub(super) fn rows(eye: Eye, typed: &[Row], faults: &[Fault], limits: &Limits) -> Markup {
    let empty = Row::default();
    let input = |field: Field, label: &str, value: &str, size: u32| {
        let id = name_of(field);
        let wrong = faults.iter().any(|fault| fault.field == field);
        html! {
            input id=(id) name=(id) type="text" inputmode="decimal" size=(size) maxlength="12"
                value=(value) aria-label={ (upper(eye.word())) " eye, " (label) }
                aria-invalid=[wrong.then_some("true")] aria-describedby=[wrong.then_some("problems")];
        }
    };
    html! {
        fieldset id={ (eye.word()) "_eye" } data-eye=(eye.word())
            data-least=(limits.plausible.0.mm()) data-most=(limits.plausible.1.mm())
            data-spread=(spreads(limits))
        {
            legend { (upper(eye.word())) " eye" }
            table role="table" {
                caption { "One to " (READINGS_MAX) " readings, as the scanner shows them; leave the others empty" }
                (heads(&["Reading", "Width, mm", "Plane", "Depth behind the globe, mm", "Angle, degrees"]))
                tbody role="rowgroup" {
                    @for n in 0..READINGS_MAX {
                        @let row = typed.get(n).unwrap_or(&empty);
                        @let number = n + 1;
                        tr role="row" {
                            th scope="row" role="rowheader" { (number) }
                            (layout::cell("Width, mm", &input(Field::Value(eye, n),
                                &format!("reading {number}, width in mm"), &row.value, 6)))
                            (layout::cell("Plane", &plane(eye, n, &row.plane)))
                            (layout::cell("Depth, mm", &input(Field::Depth(eye, n),
                                &format!("reading {number}, depth behind the globe in mm"), &row.depth, 5)))
                            (layout::cell("Angle, degrees", &input(Field::Angle(eye, n),
                                &format!("reading {number}, angle in degrees"), &row.angle, 4)))
                        }
                    }
                }
            }
            // Filled by the script while somebody types.
            p.live role="status" {}
        }
    }
}

/// How far 2, 3, 4 and 5 readings of one plane may lie apart, mm: for the check while somebody types.
fn spreads(limits: &Limits) -> String {
    let widest = |n| format!("{:.3}", critical_factor(n) * limits.sigma_w_mm);
    let all: Vec<String> = (2..=READINGS_MAX).map(widest).collect();
    all.join(" ")
}

fn plane(eye: Eye, n: usize, chosen: &str) -> Markup {
    let id = name_of(Field::Plane(eye, n));
    html! {
        select id=(id) name=(id)
            aria-label={ (upper(eye.word())) " eye, reading " (n + 1) ", plane" }
        {
            @for (word, words) in PLANES {
                option value=(word) selected[word == chosen] { (words) }
            }
        }
    }
}
