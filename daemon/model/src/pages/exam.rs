//! One exam: what its result says, how it was measured, what was said of it, and what can be done.

use super::acting::{self, May};
use super::layout::{self, Whose, cell, heads, instant};
use super::picture::{self, Picture};
use super::spans;
use super::today::{self, Waits};
use crate::render::html as result;
use crate::render::trend::Trend;
use crate::results::{Envelope, phrases};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// An earlier or the newest version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Version {
    /// Its number.
    pub number: u32,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// What it said first: its headline.
    pub headline: String,
    /// Whether a rise was found, in words.
    pub verdict: String,
    /// Why it was made.
    pub why: Vec<String>,
}

/// Something that somebody said of the exam.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its number.
    pub number: i64,
    /// When it was recorded.
    pub at: DateTime<Utc>,
    /// Who said it.
    pub by: String,
    /// What was said, in words.
    pub what: String,
    /// The reason, or the text of a note.
    pub reason: String,
    /// Whether it still counts.
    pub counts: bool,
    /// Whether the reader may take it back.
    pub may_take_back: bool,
}

/// Everything the page shows.
#[derive(Clone)]
pub struct View {
    /// Whose.
    pub whose: Whose,
    /// The newest version of the result.
    pub result: Envelope,
    /// The pictures of its course.
    pub trends: Vec<Trend>,
    /// What its rise waits for, and what was said of it last.
    pub rise: Option<(Waits, String)>,
    /// Every version, newest first.
    pub versions: Vec<Version>,
    /// Everything that was said of it, newest first.
    pub entries: Vec<Entry>,
    /// The pictures its calipers were drawn in.
    pub pictures: Vec<Picture>,
    /// What the reader may do.
    pub may: May,
    /// Stands for the versions and entries shown.
    pub stamp: String,
    /// It is told no more: its readings were taken back, or are told of another exam.
    pub is_gone: bool,
    /// Some of its readings, or all, are taken back.
    pub has_taken_back: bool,
    /// A typed measurement, which can be corrected.
    pub is_typed: bool,
    /// Said once, above everything: what was just recorded.
    pub told: Option<String>,
}

/// The page. `token` makes a token for one form.
#[must_use]
pub fn html(view: &View, token: &dyn Fn() -> String) -> Markup {
    let content = &view.result.content;
    let id = &content.exam.id;
    html! {
        (layout::whose(&view.whose, &html! {
            span { "exam " strong { (phrases::moment(content.exam.performed_at)) } }
            a.no-print href={ "/patient/" (id) } { "Course of this patient" }
        }))
        @if let Some(told) = &view.told { p.told role="status" { bdi { (told) } } }
        @if let Some((waits, words)) = &view.rise {
            p.rise { (today::mark(*waits)) " " bdi { (words) } }
        }
        // The statement holds the one h1.
        (result::statement(&view.result))
        (next(view))
        (spans::eyes(content))
        (result::tables::rows(content))
        (result::pictures(&view.trends))
        (picture::pictures(&view.pictures))
        (acting::exam(view, token))
        (said("What was said of this exam", &view.entries, &|entry| acting::entry_back(view, entry, token)))
        (versions(&view.versions))
        div.more {
            (technique(view))
            (result::lists::beside(content))
            (result::lists::joined(content))
            (result::lists::readings(content))
            (result::lists::remarks(content))
            (result::tables::baseline(content))
            (result::lists::not_compared(content))
            (result::lists::cautions(content))
            (result::lists::would_change(content))
        }
        footer { (result::lists::provenance(&view.result)) }
    }
}

/// What can be opened and taken from here.
fn next(view: &View) -> Markup {
    let id = &view.result.content.exam.id;
    html! {
        p.actions.no-print {
            @if view.may.label { a.button href="#act" { "Say something of this exam" } " " }
            a.button href={ "/exam/" (id) "/result.pdf" } { "Download PDF" } " "
            a.button href={ "/exam/" (id) "/result.dcm" } { "Download SR" } " "
            @if view.may.label { a.button href={ "/second/" (id) } { "Second reading" } " " }
            @if view.may.correct && view.is_typed {
                a.button href={ "/measure/correct/" (id) } { "Correct this measurement" }
            }
        }
    }
}

/// How it was measured.
fn technique(view: &View) -> Markup {
    let exam = &view.result.content.exam;
    let fact = result::fact;
    html! {
        section {
            h2 { "Technique" }
            dl.facts {
                (fact("Operator", layout::text(&phrases::operator(exam.operator.as_deref()))))
                (fact("Device", layout::text(&phrases::device(&exam.device))))
                (fact("Imaging", html! { (exam.modality.title()) }))
                (fact("Borders", html! { (result::borders(&view.result.content)) }))
                (fact("Label", html! {
                    @match exam.label { Some(label) => (label.word().replace('_', " ")), None => "none" }
                }))
                (fact("Time", html! {
                    @match exam.performed_at.offset_s {
                        Some(_) => "by the clock of the machine, with its offset from UTC",
                        None => "by the clock of the machine; its zone is not told",
                    }
                }))
                (fact("Accession", layout::text(exam.accession.as_deref().unwrap_or("none"))))
                (fact("Result", html! { "version " (view.result.version) }))
            }
        }
    }
}

/// What was said, whether it counts or not. `beside` is what can be done with one of them.
#[must_use]
pub fn said(title: &str, entries: &[Entry], beside: &dyn Fn(&Entry) -> Markup) -> Markup {
    html! {
        section #said {
            h2 { (title) }
            @if entries.is_empty() {
                p { "Nothing yet." }
            } @else {
                table role="table" {
                    (heads(&["when", "who", "what", "reason"]))
                    tbody role="rowgroup" {
                        @for one in entries {
                            tr role="row" {
                                th scope="row" role="rowheader" { (instant(one.at)) }
                                (cell("who", &layout::text(&one.by)))
                                (cell("what", &html! {
                                    @if one.counts { bdi { (one.what) } }
                                    @else { "was: " bdi { (one.what) } " (counts no more)" }
                                    " " (beside(one))
                                }))
                                (cell("reason", &layout::text(&one.reason)))
                            }
                        }
                    }
                }
            }
        }
    }
}

fn versions(versions: &[Version]) -> Markup {
    html! {
        @if versions.len() > 1 {
            section #versions {
                h2 { "Versions of this result" }
                table role="table" {
                    (heads(&["version", "made", "said", "because"]))
                    tbody role="rowgroup" {
                        @for one in versions {
                            tr role="row" {
                                th scope="row" role="rowheader" { (one.number) }
                                (cell("made", &instant(one.made_at)))
                                (cell("said", &html! { bdi { (one.headline) } ". " (one.verdict) "." }))
                                (cell("because", &layout::text(&one.why.join("; "))))
                            }
                        }
                    }
                }
            }
        }
    }
}
