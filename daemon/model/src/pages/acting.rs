//! The forms by which people say something of an exam or a patient. What each would change is shown
//! before it is recorded, so the first answer to every form is a page that asks.

use super::exam::View;
use super::layout::{self, choice, field};
use super::today::Waits;
use crate::domain::{EventKind, Label, PressureUnit};
use maud::{Markup, html};

/// What the reader may do.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct May {
    /// Label, acknowledge, settle, note, say a pressure or an event, ask for a second reading.
    pub label: bool,
    /// Take exams out of the baseline.
    pub leave_out: bool,
    /// Correct a measurement that was typed.
    pub correct: bool,
    /// Take readings of an exam back, and let them count again.
    pub take_back: bool,
}

/// The word of a form that takes a label back.
pub const TAKE_BACK: &str = "none";

/// Labels for people, with the word of the form.
#[must_use]
pub fn labels() -> Vec<(&'static str, &'static str)> {
    let words = |label: Label| match label {
        Label::Well => "well: the patient was well",
        Label::RaisedRuledOut => "raised ruled out: raised pressure was suspected and ruled out",
        Label::RaisedConfirmed => "raised confirmed: raised pressure was confirmed",
        Label::AfterDecompression => "after decompression: taken after the pressure was relieved",
    };
    Label::ALL
        .into_iter()
        .map(|label| (label.word(), words(label)))
        .collect()
}

/// Kinds of events for people, with the word of the form.
#[must_use]
pub fn event_kinds() -> Vec<(&'static str, &'static str)> {
    EventKind::ALL
        .into_iter()
        .map(|kind| (kind.word(), kind.title()))
        .collect()
}

/// What every form says: that it is ours, and what its reader had before them.
fn hidden(view: &View, token: &dyn Fn() -> String) -> Markup {
    html! {
        (layout::token(&token()))
        input type="hidden" name="version" value=(view.result.version);
        input type="hidden" name="stamp" value=(view.stamp);
    }
}

fn reason(id: &str, label: &str, needed: bool) -> Markup {
    field(
        id,
        label,
        None,
        &html! { textarea id=(id) name="reason" rows="2" maxlength="2000" required[needed] {} },
    )
}

/// The forms of an exam, those that its reader may use.
#[must_use]
pub fn exam(view: &View, token: &dyn Fn() -> String) -> Markup {
    if !view.may.label && !view.may.leave_out && !view.may.take_back {
        return html! {};
    }
    let exam = &view.result.content.exam;
    let to = |act: &str| format!("/exam/{}/{act}", exam.id);
    let waits = view.rise.as_ref().map(|(waits, _)| *waits);
    let now = exam.label.map(Label::word);
    html! {
        section #act.no-print {
            h2 { "Say something of this exam" }
            p.help { "Everything is recorded with your name and the time, and nothing is overwritten. You see \
                      what it changes before it counts." }
            @if view.may.label {
                @if matches!(waits, Some(Waits::New | Waits::Withdrawn)) {
                    form #acknowledge method="post" action=(to("acknowledge")) {
                        fieldset {
                            legend {
                                @if waits == Some(Waits::New) { "Acknowledge the rise" }
                                @else { "Acknowledge that the rise was withdrawn" }
                            }
                            (hidden(view, token))
                            (reason("acknowledge-reason", "Remark (may be empty)", false))
                            button.first-choice type="submit" { "Acknowledge" }
                        }
                    }
                }
                @if !view.is_gone && matches!(waits, Some(Waits::New | Waits::Acknowledged | Waits::Settled)) {
                    form #settle method="post" action=(to("settle")) {
                        fieldset {
                            legend { "Settle the rise" }
                            (hidden(view, token))
                            (field("settle-outcome", "What came of it",
                                Some("Confirmed and ruled out label the exam as well."),
                                &choice("settle-outcome", "outcome", &[
                                    ("confirmed", "raised pressure was confirmed"),
                                    ("ruled_out", "raised pressure was ruled out"),
                                    ("not_settled", "nobody could tell"),
                                ], None)))
                            (reason("settle-reason", "Reason", true))
                            button type="submit" { "Show what it changes" }
                        }
                    }
                }
            }
            @if view.may.label && !view.is_gone {
                form #label method="post" action=(to("label")) {
                    fieldset {
                        legend { "Label" }
                        (hidden(view, token))
                        @let mut options = labels();
                        @let taken_back = (TAKE_BACK, "no label: take the label back");
                        @if now.is_some() { @let () = options.push(taken_back); }
                        (field("label-word", "What is known of this exam",
                            Some("Labels decide which exams serve as baseline."),
                            &choice("label-word", "label", &options, now)))
                        (reason("label-reason", "Reason (may be empty)", false))
                        button type="submit" { "Show what it changes" }
                    }
                }
                form #pressure method="post" action=(to("pressure")) {
                    fieldset {
                        legend { "Opening pressure" }
                        (hidden(view, token))
                        div.fields {
                            (field("pressure-value", "Value", None, &html! {
                                input #pressure-value name="value" inputmode="decimal" maxlength="8" size="6" required
                                    value=(exam.opening_pressure.as_ref().map_or(String::new(), |p| p.value().to_owned()));
                            }))
                            (field("pressure-unit", "Unit", None, &choice("pressure-unit", "unit",
                                &PressureUnit::ALL.map(|unit| (unit.code(), unit.code())),
                                exam.opening_pressure.as_ref().map(|p| p.unit().code()))))
                        }
                        (reason("pressure-reason", "Reason (may be empty)", false))
                        button type="submit" { "Show what it changes" }
                    }
                }
                form #note method="post" action=(to("note")) {
                    fieldset {
                        legend { "Note" }
                        (hidden(view, token))
                        (reason("note-text", "Text", true))
                        button type="submit" { "Add the note" }
                    }
                }
                form #second method="post" action=(to("second")) {
                    fieldset {
                        legend { "Ask for a second reading" }
                        (hidden(view, token))
                        (reason("second-reason", "What to look at (may be empty; name no value)", false))
                        button type="submit" { "Ask" }
                    }
                }
            }
            @if view.may.leave_out && !view.is_gone {
                form #leave-out method="post" action=(to("leave-out")) {
                    fieldset {
                        legend { "Take the exam out of the baseline" }
                        (hidden(view, token))
                        p.help { "It is still compared itself; no later exam is compared with it." }
                        (reason("leave-out-reason", "Reason", true))
                        div.field {
                            label.pick { input type="checkbox" name="back" value="yes"; "put it back instead" }
                        }
                        button type="submit" { "Show what it changes" }
                    }
                }
            }
            @if view.may.take_back { (readings_back(view, &to("readings-back"), token)) }
        }
    }
}

/// Taking the readings of an exam back, and letting those count again that were taken back.
fn readings_back(view: &View, to: &str, token: &dyn Fn() -> String) -> Markup {
    html! {
        @if !view.is_gone {
            form #readings-back method="post" action=(to) {
                fieldset {
                    legend { "Take its readings back" }
                    (hidden(view, token))
                    p.help { "For readings that were entered by mistake or are of somebody else. They stay in the \
                              store and count as if they had never come: this result is withdrawn, and later \
                              exams are compared without it." }
                    (reason("readings-back-reason", "What was wrong with them", true))
                    button type="submit" { "Show what it changes" }
                }
            }
        }
        @if view.has_taken_back {
            form #readings-again method="post" action=(to) {
                fieldset {
                    legend { "Let readings count again" }
                    (hidden(view, token))
                    input type="hidden" name="back" value="yes";
                    p.help { "Readings of this exam were taken back; what was said of it stands below. They would \
                              count as before." }
                    (reason("readings-again-reason", "Reason (may be empty)", false))
                    button type="submit" { "Show what it changes" }
                }
            }
        }
    }
}

/// The button that takes one entry back; nothing where the reader may not.
#[must_use]
pub fn entry_back(view: &View, entry: &super::exam::Entry, token: &dyn Fn() -> String) -> Markup {
    html! {
        @if entry.may_take_back {
            form.no-print method="post" action={ "/exam/" (view.result.content.exam.id) "/take-back" } {
                (hidden(view, token))
                input type="hidden" name="entry" value=(entry.number);
                button type="submit" {
                    "Take back"
                    span.unseen { " entry " (entry.number) ", " (entry.what) }
                }
            }
        }
    }
}
