//! Bring in old values: a table is declared, looked at row by row, brought in as a whole, taken back as
//! a whole.

mod preview;
#[cfg(test)]
mod tests;
mod typing;

pub use preview::{Header, Line, Preview, State, preview};
pub use typing::{DATES, DECIMALS, Declaring, NOT_READ, SEPARATORS, SHAPES, UNITS};

use super::layout::{cell, choice, field, heads, instant, text, token};
use super::measure::hidden;
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// Bytes of a table that can be brought in by a page: 10,000 rows are about one million. A longer one is
/// for the command.
pub const TABLE_BYTES_MAX: usize = 4 * 1024 * 1024;

/// A table that was brought in.
#[derive(Clone)]
pub struct Made {
    /// Its number.
    pub number: i64,
    /// When.
    pub at: DateTime<Utc>,
    /// Who signed.
    pub author: String,
    /// Why.
    pub reason: String,
    /// What the file was called.
    pub file_name: String,
    /// SHA-256 of the file, hex.
    pub sha256: String,
    /// Its rows.
    pub rows: u64,
    /// Reports that it brought.
    pub reports: usize,
    /// Those of them that were taken back.
    pub taken_back: usize,
}

/// A table that was looked at and not brought in.
#[derive(Clone)]
pub struct Waiting {
    /// Number of its draft.
    pub id: i64,
    /// What the file was called.
    pub file_name: String,
    /// When it was saved.
    pub saved_at: DateTime<Utc>,
}

/// The first page.
#[derive(Clone, Default)]
pub struct Start {
    /// What is declared.
    pub declaring: Declaring,
    /// Why the table was not taken, as a sentence.
    pub problem: Option<String>,
    /// Own tables that wait.
    pub waiting: Vec<Waiting>,
    /// Tables brought in, newest first.
    pub made: Vec<Made>,
    /// What the service still has to make.
    pub rest: Rest,
}

/// What the service still has to make, of tables and of everything else that came.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Rest {
    /// Reports to be read.
    pub reports: u64,
    /// Patients to be assessed.
    pub patients: u64,
    /// Results to be written.
    pub results: u64,
}

/// The fields by which a table is declared.
fn declare(declaring: &Declaring) -> Markup {
    let choose = |id: &str, label: &str, options: &[(&str, &str)], chosen: &str| {
        field(id, label, None, &choice(id, id, options, Some(chosen)))
    };
    html! {
        div.fields {
            (choose("unit", "Unit of all widths", &UNITS, &declaring.unit))
            (choose("shape", "A row is", &SHAPES, &declaring.shape))
            (choose("dates", "Dates are written", &DATES, &declaring.dates))
            (choose("separator", "Between two fields", &SEPARATORS, &declaring.separator))
            (choose("decimal", "Decimal mark", &DECIMALS, &declaring.decimal))
            (field("issuer", "Issuer of ids, if no column tells", None, &html! {
                input #issuer name="issuer" type="text" maxlength="64" value=(declaring.issuer);
            }))
        }
    }
}

/// The page that takes a table, and lists those brought in.
#[must_use]
pub fn start(view: &Start, form: &str) -> Markup {
    html! {
        h1 { "Bring in old values" }
        p {
            "Years of earlier measurements as a table: CSV in UTF-8, names of columns in its first line. \
             Every row is shown as accepted, or why not, before anything is kept. Each exam becomes a \
             report that says that it was transcribed."
        }
        @if let Some(problem) = &view.problem {
            div.asked role="alert" { p.wrong { bdi { (problem) } } }
        }
        form method="post" action="/bring-in" enctype="multipart/form-data" autocomplete="off" {
            (token(form))
            (field("file", "File", Some("4 MiB at most"), &html! {
                input #file name="file" type="file" accept=".csv,.txt,.tsv,text/csv,text/plain"
                    aria-describedby="file-help";
            }))
            (field("pasted", "Or the table itself, pasted", None, &html! {
                textarea #pasted name="pasted" rows="5" spellcheck="false" {}
            }))
            (declare(&view.declaring))
            button.first-choice type="submit" { "Look at the rows" }
            p.help { "Nothing is kept by this but a draft that only you see." }
        }
        @if !view.waiting.is_empty() {
            section aria-labelledby="waiting" {
                h2 #waiting { "Looked at, and not brought in" }
                ul {
                    @for draft in &view.waiting {
                        li {
                            a href={ "/bring-in/" (draft.id) } { bdi { (draft.file_name) } }
                            ", saved " (instant(draft.saved_at))
                        }
                    }
                }
            }
        }
        @if !view.made.is_empty() && view.rest != Rest::default() {
            p.told role="status" {
                "What was brought in is kept. The service still has to read " (view.rest.reports)
                " reports, to assess " (view.rest.patients) " patients and to write " (view.rest.results)
                " results. " a href="/bring-in" { "Look again" }
            }
        }
        (brought_in(&view.made, form))
    }
}

fn brought_in(made: &[Made], form: &str) -> Markup {
    const HEADS: [&str; 8] = [
        "Number",
        "When",
        "Who",
        "File",
        "Rows",
        "Reports",
        "Reason",
        "Taken back",
    ];
    html! {
        section aria-labelledby="made" {
            h2 #made { "Tables brought in" }
            @if made.is_empty() {
                p { "None yet." }
            } @else {
                table role="table" {
                    caption { "Newest first. A table is taken back as a whole." }
                    (heads(&HEADS))
                    tbody role="rowgroup" {
                        @for made in made { (made_row(made, form)) }
                    }
                }
            }
        }
    }
}

fn made_row(made: &Made, form: &str) -> Markup {
    html! {
        tr role="row" {
            th scope="row" role="rowheader" { (made.number) }
            (cell("When", &instant(made.at)))
            (cell("Who", &text(&made.author)))
            (cell("File", &html! {
                bdi { (made.file_name) } " " small { "SHA-256 " code { (short(&made.sha256)) } }
            }))
            (cell("Rows", &html! { (made.rows) }))
            (cell("Reports", &html! { (made.reports) }))
            (cell("Reason", &text(&made.reason)))
            (cell("Taken back", &take_back(made, form)))
        }
    }
}

fn take_back(made: &Made, form: &str) -> Markup {
    let id = format!("back_{}", made.number);
    if made.reports > 0 && made.taken_back >= made.reports {
        return html! { "taken back" };
    }
    html! {
        @if made.taken_back > 0 { p { (made.taken_back) " of its reports" } }
        details {
            summary { "Take table " (made.number) " back" }
            form method="post" action="/bring-in/back" {
                (token(form))
                (hidden("number", &made.number.to_string()))
                p {
                    "Its values count no more, as if they had never come. Results that rest on them are \
                     made again. What was said stays readable."
                }
                (field(&id, "Reason", None, &html! {
                    input id=(id) name="reason" type="text" maxlength="500" required;
                }))
                button type="submit" { "Take back all of table " (made.number) }
            }
        }
    }
}

/// The beginning of a hash: as much as people compare.
fn short(sha256: &str) -> &str {
    sha256.get(..12).unwrap_or(sha256)
}
