//! The rows of a table before it is brought in, each accepted or why not.

use super::typing::NOT_READ;
use super::{Declaring, declare};
use crate::entered::table::{Column, RowFault, Shape};
use crate::pages::layout::{cell, field, heads, instant, text, token};
use crate::pages::measure::{Proof, hidden, proof};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// A column of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Its name in the first line.
    pub name: String,
    /// What it holds, as chosen; empty: nothing chosen.
    pub chosen: String,
}

/// What becomes of a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// It is part of an exam: what was understood.
    Accepted(String),
    /// It cannot be brought in, and why.
    Refused(Vec<RowFault>),
    /// It is left out.
    LeftOut,
}

/// A row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// The line it begins on.
    pub line: u64,
    /// As it stands in the table.
    pub as_it_stands: String,
    /// What becomes of it.
    pub state: State,
    /// What is to be looked at once more.
    pub doubts: Vec<RowFault>,
}

/// A table that is looked at.
#[derive(Clone)]
pub struct Preview {
    /// Number of its draft.
    pub draft: i64,
    /// What the file was called.
    pub file_name: String,
    /// SHA-256 of what was taken, hex: what is brought in later is this.
    pub sha256: String,
    /// Its bytes.
    pub bytes: usize,
    /// When it was taken.
    pub saved_at: DateTime<Utc>,
    /// What is declared of it.
    pub declaring: Declaring,
    /// Its columns.
    pub headers: Vec<Header>,
    /// What is wrong with it as a whole.
    pub faults: Vec<RowFault>,
    /// Something that is wrong beside the table, as a sentence.
    pub problem: Option<String>,
    /// Rows of this page.
    pub lines: Vec<Line>,
    /// Which page, from 1, and how many there are.
    pub page: (usize, usize),
    /// Rows accepted, refused, left out.
    pub counts: [usize; 3],
    /// Exams that would be brought in.
    pub exams: usize,
    /// Rows with something to be looked at once more.
    pub doubts: usize,
    /// The table that brought the same file before.
    pub before: Option<i64>,
    /// What is asked of whoever brings it in.
    pub proof: Proof,
}

impl Preview {
    /// Whether it can be brought in.
    #[must_use]
    pub fn is_clean(&self) -> bool {
        self.faults.is_empty() && self.counts[1] == 0 && self.exams > 0
    }
}

/// The page of the rows.
#[must_use]
pub fn preview(view: &Preview, form: &str) -> Markup {
    let [accepted, refused, left_out] = view.counts;
    let here = format!("/bring-in/{}", view.draft);
    html! {
        h1 { "Old values: look at the rows" }
        p {
            bdi { (view.file_name) } ", " (view.bytes) " bytes, taken " (instant(view.saved_at))
            ". SHA-256 " code { (view.sha256) }
        }
        @if let Some(number) = view.before {
            p.told {
                "Table " (number) " brought this file before. What it brought is not brought twice."
            }
        }
        @if let Some(problem) = &view.problem {
            div.asked role="alert" { p.wrong { bdi { (problem) } } }
        }
        p role="status" {
            strong { (accepted) " accepted, " (refused) " refused, " (left_out) " left out" }
            "; " (view.exams) " exams. Nothing is kept yet."
            @if view.doubts > 0 { " " (view.doubts) " rows are to be looked at once more." }
        }
        @if !view.faults.is_empty() {
            div.asked role="alert" {
                p.wrong { "The table cannot be read like this." }
                (list(&view.faults, true))
            }
        }
        form method="post" action=(here) autocomplete="off" {
            (token(form))
            (hidden("sha256", &view.sha256))
            (hidden("page", &view.page.0.to_string()))
            fieldset {
                legend { "What the table is" }
                (declare(&view.declaring))
                @if !view.headers.is_empty() { (columns(view)) }
                button type="submit" name="act" value="look" { "Look again" }
            }
            @if !view.lines.is_empty() { (rows(view, &here)) }
            @if refused > 0 {
                button type="submit" name="act" value="leave_refused" {
                    "Leave out all " (refused) " refused rows"
                }
            }
            fieldset {
                legend { "Bring in" }
                @if view.is_clean() {
                    p {
                        "You sign that " (view.exams) " exams were transcribed from this table. All of it \
                         is kept, or nothing. It can be taken back as a whole by its number."
                    }
                    (field("reason", "Where the table comes from, and why it is brought in", None, &html! {
                        input #reason name="reason" type="text" maxlength="500";
                    }))
                    (proof(view.proof))
                    button.first-choice type="submit" name="act" value="bring" {
                        "Bring in " (view.exams) " exams"
                    }
                } @else {
                    p {
                        "It can be brought in once no row is refused: mend the table, or say which rows \
                         to leave out."
                    }
                }
                " "
                button type="submit" name="act" value="drop" { "Throw the draft away" }
            }
        }
    }
}

fn list(faults: &[RowFault], with_line: bool) -> Markup {
    html! {
        ul {
            @for fault in faults {
                li {
                    @if with_line { "line " (fault.line) ": " }
                    @if !fault.column.is_empty() { "column " bdi { (fault.column) } ": " }
                    bdi { (fault.reason) }
                }
            }
        }
    }
}

fn columns(view: &Preview) -> Markup {
    let shape = match view.declaring.shape.as_str() {
        "readings" => Shape::Readings,
        _ => Shape::Exams,
    };
    let all: Vec<String> = Column::of_shape(shape)
        .into_iter()
        .map(Column::word)
        .collect();
    html! {
        details open[!view.faults.is_empty()] {
            summary { "Columns" }
            p.help { "A column that bears one of our names is taken by it; none is matched by likeness." }
            div.fields {
                @for (n, header) in view.headers.iter().enumerate() {
                    @let id = format!("column_{n}");
                    div.field {
                        label for=(id) { "Column " (n + 1) ": " bdi { (header.name) } }
                        select id=(id) name=(id) {
                            option value="" selected[header.chosen.is_empty()] { "choose" }
                            option value=(NOT_READ) selected[header.chosen == NOT_READ] { "not read" }
                            @for word in &all {
                                option value=(word) selected[header.chosen == *word] {
                                    (word.replace('_', " "))
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn rows(view: &Preview, here: &str) -> Markup {
    let (page, pages) = view.page;
    html! {
        table role="table" {
            caption { "Rows, page " (page) " of " (pages) }
            (heads(&["Line", "As it stands", "What becomes of it", "Leave out"]))
            tbody role="rowgroup" {
                @for line in &view.lines {
                    tr role="row" {
                        th scope="row" role="rowheader" { (line.line) }
                        (cell("As it stands", &text(&line.as_it_stands)))
                        (cell("What becomes of it", &state(line)))
                        (cell("Leave out", &html! {
                            input type="hidden" name="shown" value=(line.line);
                            label.pick {
                                input type="checkbox" name="out" value=(line.line)
                                    checked[line.state == State::LeftOut]
                                    aria-label={ "Leave out line " (line.line) };
                            }
                        }))
                    }
                }
            }
        }
        @if pages > 1 {
            nav.actions aria-label="Pages of rows" {
                p {
                    @if page > 1 { a href={ (here) "?page=" (page - 1) } { "Rows before" } " " }
                    @if page < pages { a href={ (here) "?page=" (page + 1) } { "Rows behind" } }
                }
                p.help { "Press \"Look again\" before you go on, so that what you left out is kept." }
            }
        }
    }
}

fn state(line: &Line) -> Markup {
    html! {
        @match &line.state {
            State::Accepted(what) => { strong { "accepted: " } bdi { (what) } }
            State::LeftOut => strong { "left out" },
            State::Refused(faults) => { strong.wrong { "refused" } (list(faults, false)) }
        }
        @if !line.doubts.is_empty() {
            p { strong { "look once more" } }
            (list(&line.doubts, false))
        }
    }
}
