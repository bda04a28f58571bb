//! One patient: the course, what happened, what serves as baseline and why, and what can be said.

use super::acting::{self, May};
use super::course::{self, Window};
use super::exam::Entry;
use super::layout::{self, Whose, cell, choice, field};
use super::today::{self, Waits};
use crate::domain::{Event, Millimetres};
use crate::results::{Content, phrases};
use chrono::{NaiveDateTime, TimeDelta};
use maud::{Markup, html};

/// One exam of the patient.
#[derive(Clone)]
pub struct Exam {
    /// The newest version of its result.
    pub content: Content,
    /// Its number.
    pub version: u32,
    /// What its rise waits for.
    pub waits: Option<Waits>,
    /// Why a person took it out of the baseline.
    pub left_out: Option<String>,
}

/// Everything the page shows.
#[derive(Clone)]
pub struct View {
    /// Whose.
    pub whose: Whose,
    /// The exam by which the page was opened: no address names a patient.
    pub by_exam: String,
    /// Exams in the order of time.
    pub exams: Vec<Exam>,
    /// Dated facts, oldest first.
    pub events: Vec<Event>,
    /// Everything that was said, newest first.
    pub entries: Vec<Entry>,
    /// The window asked for: a word of [`course::SPANS`].
    pub span: String,
    /// Its end; `None`: the newest exam.
    pub end: Option<NaiveDateTime>,
    /// What the reader may do.
    pub may: May,
    /// Stands for versions and entries of the patient.
    pub stamp: String,
    /// What was just recorded.
    pub told: Option<String>,
}

/// The page. `token` makes a token for one form.
#[must_use]
pub fn html(view: &View, token: &dyn Fn() -> String) -> Markup {
    let newest = view.exams.last().map(|exam| &exam.content);
    html! {
        (layout::whose(&view.whose, &html! {
            span { (view.exams.len()) " " (if view.exams.len() == 1 { "exam" } else { "exams" }) }
        }))
        h1 { "Course of this patient" }
        @if let Some(told) = &view.told { p.told role="status" { bdi { (told) } } }
        (chart(view))
        @if let Some(newest) = newest { (state(newest, view.events.last())) }
        (exams(view, token))
        (events(view, token))
        (super::exam::said("What was said of this patient", &view.entries, &|_| html! {}))
    }
}

fn chart(view: &View) -> Markup {
    let contents: Vec<&Content> = view.exams.iter().map(|exam| &exam.content).collect();
    let (points, letters) = course::points(&contents);
    let window = Window::of(&points, &view.events, &view.span, view.end);
    html! {
        figure.course {
            h2 { "Through time" }
            (zoom(view, window))
            div.scroll tabindex="0" role="region" aria-label="Course, wider than a narrow screen" { (course::picture(&points, &view.events, window)) }
            figcaption {
                "True time: distances are to scale. Circle: right eye. Square: left eye. Dot: what was \
                 compared; triangle with \"rise\": a rise was found. Bar: the interval expected from \
                 earlier exams. Dotted line: event. Letters: "
                @for (place, (letter, name)) in letters.iter().enumerate() {
                    @if place > 0 { ", " }
                    (letter) " " bdi { (name) }
                }
                ". Not a diagnosis; within expected does not exclude raised pressure."
            }
        }
    }
}

/// Windows to choose, and the ones before and after.
fn zoom(view: &View, window: Window) -> Markup {
    let to = |span: &str, end: Option<NaiveDateTime>| {
        let end = end.map_or(String::new(), |end| {
            format!("&end={}", end.format("%Y-%m-%dT%H:%M"))
        });
        format!("/patient/{}?span={span}{end}#course", view.by_exam)
    };
    let chosen = |word: &str| {
        let is_known = course::SPANS.iter().any(|(one, ..)| *one == view.span);
        word == view.span || (!is_known && word == "all")
    };
    let hours = course::SPANS.iter().find(|(word, ..)| *word == view.span);
    let moved = hours.map_or(0, |(_, _, hours)| *hours / 2);
    let newest = view
        .exams
        .last()
        .map(|exam| exam.content.exam.performed_at.local);
    let end = view.end.or(newest).unwrap_or(window.to);
    let step = TimeDelta::hours(moved);
    html! {
        nav #course.zoom.no-print aria-label="Part of the course" {
            ul {
                @for (word, words, _) in course::SPANS {
                    li {
                        a href=(to(word, view.end)) aria-current=[chosen(word).then_some("true")] { (words) }
                    }
                }
                @if moved > 0 {
                    li { a href=(to(&view.span, end.checked_sub_signed(step))) { "earlier" } }
                    li { a href=(to(&view.span, end.checked_add_signed(step))) { "later" } }
                    @if view.end.is_some() { li { a href=(to(&view.span, None)) { "newest" } } }
                }
            }
        }
    }
}

/// What the newest result says of the course: after the last event, and of the own threshold.
fn state(newest: &Content, last_event: Option<&Event>) -> Markup {
    let course = &newest.course;
    let last = course.since_last.as_ref();
    let after = course.after_event.as_ref();
    let trend = course.trend.iter().filter(|trend| trend.is_long_enough());
    let shift = course.change_point.iter().filter_map(|one| one.sentence());
    let lines: Vec<String> = trend.map(|trend| trend.sentence()).chain(shift).collect();
    html! {
        section {
            h2 { "After the last event" }
            @match after {
                Some(after) => {
                    p { (after.sentence(false)) }
                    @let numbers = after.numbers(last);
                    @if !numbers.is_empty() { ul { @for line in numbers { li { (line) } } } }
                }
                None => p {
                    @match last_event {
                        Some(event) => {
                            "Nothing can be said yet: no exam lies close enough after the " (event.kind.title())
                            " of " (event.date) "."
                        }
                        None => "No event is recorded.",
                    }
                },
            }
        }
        section {
            h2 { "This patient's own threshold" }
            @match &course.threshold {
                Some(threshold) => p { (threshold.sentence()) },
                None => p { "Not known: it takes exams labelled raised confirmed, raised ruled out or well." },
            }
        }
        @if !lines.is_empty() {
            section { h2 { "Trend" } ul { @for line in &lines { li { (line) } } } }
        }
    }
}

/// Whether an exam serves the newest one as baseline, in words.
fn serves(newest: Option<&Content>, exam: &Exam) -> String {
    let Some(newest) = newest else {
        return String::new();
    };
    let id = &exam.content.exam.id;
    if *id == newest.exam.id {
        return "the newest exam".to_owned();
    }
    if let Some(reason) = &exam.left_out {
        return match reason.as_str() {
            "" => "no: taken out by a person".to_owned(),
            reason => format!("no: taken out by a person ({reason})"),
        };
    }
    if newest.baseline.iter().any(|one| one.exam == *id) {
        return "yes".to_owned();
    }
    match newest.not_compared.iter().find(|one| one.exam == *id) {
        Some(one) => format!("no: {}", phrases::small(&one.reason.sentence())),
        None => "no".to_owned(),
    }
}

fn values(content: &Content, eye: crate::domain::Eye) -> String {
    let of_eye = content.measurements_used.iter().map(|one| &one.value);
    let of_eye = of_eye.filter(|m| m.eye.eye() == Some(eye));
    let mm: Vec<String> = of_eye
        .filter_map(|m| m.value_mm)
        .map(|mm: Millimetres| phrases::millimetres(mm))
        .collect();
    if mm.is_empty() {
        "none".to_owned()
    } else {
        mm.join(" ")
    }
}

fn exams(view: &View, token: &dyn Fn() -> String) -> Markup {
    let newest = view.exams.last().map(|exam| &exam.content);
    let may = view.may.label || view.may.leave_out;
    html! {
        section #exams {
            h2 { "Exams, and whether they serve the newest one as baseline" }
            // Beside the form and not inside it: paper shows the exams and no form.
            (table(view, newest, may))
            @if may {
                form #together method="post" action={ "/patient/" (view.by_exam) "/label" } {
                    (hidden(view, token))
                    (together(view))
                }
            }
        }
    }
}

fn table(view: &View, newest: Option<&Content>, pick: bool) -> Markup {
    let names = [
        "exam",
        "right mm",
        "left mm",
        "result",
        "operator",
        "label",
        "baseline of the newest",
    ];
    html! {
        table.work role="table" {
            thead role="rowgroup" {
                tr role="row" {
                    @if pick { th.no-print scope="col" role="columnheader" { "choose" } }
                    @for name in names { th scope="col" role="columnheader" { (name) } }
                }
            }
            tbody role="rowgroup" {
                @for exam in view.exams.iter().rev() {
                    @let content = &exam.content;
                    @let when = phrases::moment(content.exam.performed_at);
                    tr role="row" {
                        @if pick {
                            td.no-print role="cell" data-label="choose" {
                                label.pick {
                                    input type="checkbox" name="exam" form="together" value=(content.exam.id);
                                    span.unseen { "choose the exam of " (when) }
                                }
                            }
                        }
                        th scope="row" role="rowheader" data-label="exam" {
                            a href={ "/exam/" (content.exam.id) } { (when) }
                        }
                        (cell("right mm", &html! { (values(content, crate::domain::Eye::Right)) }))
                        (cell("left mm", &html! { (values(content, crate::domain::Eye::Left)) }))
                        (cell("result", &html! {
                            (phrases::status(content.assessment.status))
                            @if content.assessment.flagged { ", rise found" }
                            @if let Some(waits) = exam.waits { " " (today::mark(waits)) }
                        }))
                        (cell("operator", &layout::text(&phrases::operator(content.exam.operator.as_deref()))))
                        (cell("label", &html! {
                            @match content.exam.label {
                                Some(label) => (label.word().replace('_', " ")),
                                None => "none",
                            }
                        }))
                        (cell("baseline of the newest", &layout::text(&serves(newest, exam))))
                    }
                }
            }
        }
    }
}

/// What can be said of several exams at once.
fn together(view: &View) -> Markup {
    let mut options = acting::labels();
    options.push((acting::TAKE_BACK, "no label: take labels back"));
    html! {
        fieldset.no-print {
            legend { "Say something of the exams chosen above" }
            div.fields {
                @if view.may.label {
                    (field("together-label", "Label", None,
                        &choice("together-label", "label", &options, None)))
                }
                (field("together-reason", "Reason", None, &html! {
                    input #together-reason name="reason" maxlength="2000" size="40";
                }))
                div.field {
                    @if view.may.label { button type="submit" { "Label them: show what it changes" } " " }
                    @if view.may.leave_out {
                        button type="submit" formnovalidate formaction={ "/patient/" (view.by_exam) "/leave-out" } {
                            "Take them out of the baseline: show what it changes"
                        }
                        " "
                        button type="submit" formnovalidate name="back" value="yes"
                            formaction={ "/patient/" (view.by_exam) "/leave-out" } {
                            "Put them back"
                        }
                    }
                }
            }
        }
    }
}

fn events(view: &View, token: &dyn Fn() -> String) -> Markup {
    html! {
        section #events {
            h2 { "Events" }
            @if view.events.is_empty() { p { "None recorded." } }
            @else {
                ul.events {
                    @for event in &view.events {
                        li {
                            (event.date) ": " (event.kind.title())
                            @if view.may.label {
                                " "
                                form method="post" action={ "/patient/" (view.by_exam) "/event-back" } {
                                    (hidden(view, token))
                                    input type="hidden" name="date" value=(event.date);
                                    input type="hidden" name="kind" value=(event.kind.word());
                                    button type="submit" {
                                        "Take back"
                                        span.unseen { " the " (event.kind.title()) " of " (event.date) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
            @if view.may.label {
                form #event.no-print method="post" action={ "/patient/" (view.by_exam) "/event" } {
                    fieldset {
                        legend { "Add an event" }
                        (hidden(view, token))
                        div.fields {
                            (field("event-date", "Day", None, &html! {
                                input #event-date type="date" name="date" required;
                            }))
                            (field("event-kind", "What happened", None,
                                &choice("event-kind", "kind", &acting::event_kinds(), None)))
                            (field("event-reason", "Reason (may be empty)", None, &html! {
                                input #event-reason name="reason" maxlength="2000" size="40";
                            }))
                            div.field { button type="submit" { "Show what it changes" } }
                        }
                    }
                }
            }
        }
    }
}

fn hidden(view: &View, token: &dyn Fn() -> String) -> Markup {
    html! {
        (layout::token(&token()))
        input type="hidden" name="stamp" value=(view.stamp);
    }
}
