//! Who did what: signing in and out, views, entries, downloads, retries; and the same as a table.

use super::layout::{cell, choice, field, heads, instant, text, token};
use crate::domain::PatientKey;
use crate::render::csv;
use chrono::{DateTime, SecondsFormat, Utc};
use maud::{Markup, html};

/// One deed.
#[derive(Clone, PartialEq, Eq)]
pub struct Row {
    /// Its number.
    pub id: i64,
    /// When.
    pub at: DateTime<Utc>,
    /// Whose.
    pub account: String,
    /// The roles the account had then, as words.
    pub roles: Vec<String>,
    /// From which address.
    pub address: String,
    /// What, as the word of the store.
    pub action: String,
    /// Whom it was about.
    pub patient: Option<PatientKey>,
    /// Which exam.
    pub exam_id: Option<String>,
    /// Numbers and words of ours; a reason that somebody typed.
    pub detail: String,
}

/// What was asked for, as it was typed.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Asked {
    /// First day, UTC; empty: any.
    pub from: String,
    /// Last day, UTC; empty: any.
    pub to: String,
    /// Account; empty: any.
    pub account: String,
    /// Patient id; empty: any.
    pub patient: String,
    /// Issuer of that id; empty: any.
    pub issuer: String,
    /// Word of an action; empty: any.
    pub action: String,
}

/// The page.
#[derive(Clone)]
pub struct View {
    /// What was asked for.
    pub asked: Asked,
    /// What is wrong with it; nothing is shown then.
    pub wrong: Option<String>,
    /// Every action there is: its word, and what people read.
    pub actions: Vec<(&'static str, &'static str)>,
    /// Newest first.
    pub rows: Vec<Row>,
    /// How many there are in all.
    pub total: u64,
    /// Hidden field of the form.
    pub token: String,
}

/// Columns of the page and of the table, in one order.
const COLUMNS: [&str; 10] = [
    "number",
    "at",
    "account",
    "roles",
    "address",
    "action",
    "patient_issuer",
    "patient_id",
    "exam_id",
    "detail",
];

/// The body of the page.
#[must_use]
pub fn html(view: &View) -> Markup {
    html! {
        h1 { "Who did what" }
        p {
            "Everything that was done in the pages: signing in and out, views of patients, entries, \
             downloads, retries. Rows are only ever added. Entries by command stand in "
            code { "sheathline entries" } "."
        }
        (form(view))
        @if view.wrong.is_none() { (list(view)) }
    }
}

fn form(view: &View) -> Markup {
    let asked = &view.asked;
    let day = |id: &str, label: &str, value: &str| {
        let input = html! { input type="date" id=(id) name=(id) value=(value); };
        field(id, label, None, &input)
    };
    let typed = |id: &str, label: &str, value: &str| {
        let input = html! {
            input type="text" id=(id) name=(id) value=(value) autocomplete="off" maxlength="256";
        };
        field(id, label, None, &input)
    };
    let mut actions = vec![("", "any")];
    actions.extend(view.actions.iter().copied());
    html! {
        form method="post" action="/deeds" {
            (token(&view.token))
            @if let Some(wrong) = &view.wrong { p.wrong role="alert" { (text(wrong)) } }
            div.fields {
                (day("from", "From (UTC)", &asked.from))
                (day("to", "To, included", &asked.to))
                (typed("account", "Account", &asked.account))
                (field("action", "What", None,
                    &choice("action", "action", &actions, Some(asked.action.as_str()))))
                (typed("patient", "Patient id", &asked.patient))
                (typed("issuer", "Issuer of the id", &asked.issuer))
            }
            p.actions {
                button.first-choice type="submit" name="as" value="page" { "Show" }
                " "
                button type="submit" name="as" value="csv" { "Download as CSV" }
            }
        }
    }
}

fn list(view: &View) -> Markup {
    let shown = view.rows.len();
    html! {
        section aria-labelledby="deeds" {
            h2 #deeds { "What was done" }
            @if shown == 0 {
                p { "Nothing that fits." }
            } @else {
                p {
                    @if view.total > u64::try_from(shown).unwrap_or(u64::MAX) {
                        "The newest " (shown) " of " (view.total)
                        @if view.total > CSV_MOST as u64 {
                            ". The download holds the newest " (CSV_MOST) ", and says so in its last line: \
                             choose days to download the others."
                        } @else {
                            ". The download holds all of them; a filter shows fewer."
                        }
                    } @else if shown == 1 { "One row." }
                    @else { (shown) " rows, the newest first." }
                }
                table role="table" {
                    (heads(&["when", "account", "what", "patient", "exam", "detail", "address"]))
                    tbody role="rowgroup" {
                        @for row in &view.rows { (line(row, &view.actions)) }
                    }
                }
            }
        }
    }
}

fn line(row: &Row, actions: &[(&'static str, &'static str)]) -> Markup {
    let words = actions.iter().find(|(word, _)| *word == row.action);
    let words = words.map_or(row.action.as_str(), |(_, words)| words);
    html! {
        tr role="row" {
            th scope="row" role="rowheader" { (instant(row.at)) }
            (cell("account", &html! {
                (text(&row.account))
                @if !row.roles.is_empty() { " (" (row.roles.join(", ")) ")" }
            }))
            (cell("what", &text(words)))
            (cell("patient", &html! {
                @if let Some(patient) = &row.patient {
                    (text(&patient.id))
                    @if !patient.issuer.is_empty() { " (" (text(&patient.issuer)) ")" }
                } @else { "-" }
            }))
            (cell("exam", &html! {
                @match &row.exam_id { Some(exam) => { (text(exam)) } None => "-" }
            }))
            (cell("detail", &text(&row.detail)))
            (cell("address", &text(&row.address)))
        }
    }
}

/// The first line of the table.
#[must_use]
pub fn csv_head() -> String {
    csv::line(&COLUMNS.map(str::to_owned))
}

/// Rows of a table at most: some tens of megabytes.
pub const CSV_MOST: usize = 200_000;

/// The last line of a table that holds the newest `shown` rows and not the `left` older ones; all of it
/// stands in the last column, so that it passes for no deed.
#[must_use]
pub fn csv_cut_off(shown: usize, left: u64) -> String {
    let mut cells = COLUMNS.map(|_| String::new());
    if let Some(last) = cells.last_mut() {
        *last = format!(
            "END OF THE TABLE after {shown} rows: {left} older rows are not in this table; choose a last \
             day (To) to download them"
        );
    }
    csv::line(&cells)
}

/// One deed as a line of the table (RFC 4180); no cell begins a formula.
#[must_use]
pub fn csv_line(row: &Row) -> String {
    let (issuer, id) = row
        .patient
        .as_ref()
        .map_or(("", ""), |key| (key.issuer.as_str(), key.id.as_str()));
    let number = row.id.to_string();
    let at = row.at.to_rfc3339_opts(SecondsFormat::Millis, true);
    let roles = row.roles.join(" ");
    let cells = [
        number.as_str(),
        &at,
        &row.account,
        &roles,
        &row.address,
        &row.action,
        issuer,
        id,
        row.exam_id.as_deref().unwrap_or_default(),
        &row.detail,
    ];
    csv::line(&cells.map(str::to_owned))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(detail: &str) -> Row {
        Row {
            id: 7,
            at: "2024-05-07T10:31:00Z".parse().unwrap(),
            account: "m.brightwell".to_owned(),
            roles: vec!["clinician".to_owned(), "auditor".to_owned()],
            address: "10.1.2.3".to_owned(),
            action: "viewed".to_owned(),
            patient: Some(PatientKey {
                issuer: "LARKFELL".to_owned(),
                id: "=cmd|'/C calc'!A0".to_owned(),
            }),
            exam_id: Some("e1".to_owned()),
            detail: detail.to_owned(),
        }
    }

    fn view(rows: Vec<Row>) -> View {
        View {
            asked: Asked::default(),
            wrong: None,
            actions: vec![("viewed", "opened")],
            total: u64::try_from(rows.len()).unwrap(),
            rows,
            token: "T".to_owned(),
        }
    }

    /// OWASP, "CSV Injection"; RFC 4180 for quotes. Read back by a parser of its own kind below.
    #[test]
    fn no_cell_of_the_table_begins_a_formula_and_quotes_are_doubled() {
        let line = csv_line(&row("-1+2,\"x\"\n=1"));
        assert!(line.contains(",'=cmd|'/C calc'!A0,"), "{line}");
        assert!(line.ends_with(",\"'-1+2,\"\"x\"\"\n=1\"\r\n"), "{line}");
        let names = csv_head().trim_end().split(',').count();
        assert_eq!(names, csv_line(&row("plain")).split(',').count());
    }

    #[test]
    fn what_somebody_typed_is_text_and_the_form_says_what_was_asked() {
        let mut view = view(vec![row("<script>alert(1)</script>")]);
        view.asked.patient = "\"><img src=x>".to_owned();
        let page = html(&view).into_string();
        assert!(
            !page.contains("<script") && !page.contains("<img"),
            "{page}"
        );
        assert!(page.contains("&lt;script&gt;"));
        assert!(page.contains("value=\"&quot;&gt;&lt;img src=x&gt;\""));
        assert!(page.contains("<bdi>opened</bdi>"));
        assert!(page.contains("method=\"post\" action=\"/deeds\""));
    }

    #[test]
    fn it_tells_how_many_are_not_shown() {
        let mut view = view(vec![row("")]);
        view.total = 900;
        let page = html(&view).into_string();
        assert!(page.contains("The newest 1 of 900") && page.contains("holds all of them"));
        view.total = CSV_MOST as u64 + 1;
        let page = html(&view).into_string();
        assert!(page.contains("holds the newest 200000") && !page.contains("holds all of them"));
        view.wrong = Some("To lies before From.".to_owned());
        let page = html(&view).into_string();
        assert!(page.contains("To lies before From.") && !page.contains("The newest"));
    }
}
