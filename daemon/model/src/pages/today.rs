//! The lists of work: rises that nobody has acknowledged, exams that could not be compared, exams
//! without a label.

use super::layout::{self, Whose, ago, cell, heads};
use crate::domain::Moment;
use crate::results::phrases;
use chrono::{DateTime, NaiveDate, Utc};
use maud::{Markup, html};

/// What is asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Exams of this day and later.
    pub from: Option<NaiveDate>,
    /// Exams of this day and earlier.
    pub to: Option<NaiveDate>,
    /// Of this operator.
    pub operator: String,
    /// Of this device.
    pub device: String,
    /// Of this place.
    pub location: String,
}

impl Filter {
    /// Whether everything is asked for.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Filter::default()
    }
}

/// What can be chosen of.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Choices {
    /// Operators, as reports write them.
    pub operators: Vec<String>,
    /// Devices.
    pub devices: Vec<String>,
    /// Places, where reports name any.
    pub locations: Vec<String>,
}

/// What a rise waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Waits {
    /// Nobody has seen it.
    New,
    /// Seen, and not settled.
    Acknowledged,
    /// Somebody has said what came of it.
    Settled,
    /// A newer version took it back, and nobody has seen that.
    Withdrawn,
}

impl Waits {
    /// Its class in the style: each has a shape.
    #[must_use]
    pub fn class(self) -> &'static str {
        match self {
            Waits::New => "new",
            Waits::Acknowledged => "acknowledged",
            Waits::Settled => "settled",
            Waits::Withdrawn => "withdrawn",
        }
    }

    /// What people read.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Waits::New => "new rise",
            Waits::Acknowledged => "rise acknowledged",
            Waits::Settled => "rise settled",
            Waits::Withdrawn => "rise withdrawn",
        }
    }
}

/// The mark of a rise: word and shape.
#[must_use]
pub fn mark(waits: Waits) -> Markup {
    html! { span class={ "mark " (waits.class()) } { (waits.words()) } }
}

/// One exam of a list.
#[derive(Clone, PartialEq)]
pub struct Row {
    /// Our name of the exam.
    pub exam_id: String,
    /// The version that is shown.
    pub version: u32,
    /// Whose.
    pub whose: Whose,
    /// When it was done.
    pub performed_at: Moment,
    /// When its first result was made.
    pub first_at: DateTime<Utc>,
    /// What its rise waits for.
    pub waits: Option<Waits>,
    /// The status in words.
    pub status: String,
    /// Why it could not be compared.
    pub why: Option<String>,
    /// The eye that the numbers are of: `right`, `left`, `both`.
    pub eye: String,
    /// Measured, mm.
    pub measured_mm: Option<f64>,
    /// Expected, mm.
    pub expected_mm: Option<f64>,
    /// Measured minus expected, mm.
    pub change_mm: Option<f64>,
    /// Who measured.
    pub operator: Option<String>,
    /// Doubts about today's values, in words.
    pub doubts: Vec<String>,
    /// A second reading is asked for, read or judged: in words.
    pub second: Option<String>,
}

/// One list: its newest rows, and how many there are in all.
#[derive(Clone, Default, PartialEq)]
pub struct List {
    /// The rows.
    pub rows: Vec<Row>,
    /// All that there are.
    pub total: usize,
}

/// Everything the page shows.
#[derive(Clone, PartialEq)]
pub struct View {
    /// Now.
    pub now: DateTime<Utc>,
    /// What was asked for.
    pub filter: Filter,
    /// What can be asked for.
    pub choices: Choices,
    /// Rises that nobody has acknowledged, and rises withdrawn that nobody has.
    pub rises: List,
    /// Could not be compared.
    pub not_compared: List,
    /// Without a label.
    pub unlabelled: List,
    /// Whether the reader may acknowledge and label.
    pub may_act: bool,
    /// Stands for everything the lists show: the same lists have the same.
    pub shown: String,
}

/// The page. `token` makes a token for one form.
#[must_use]
pub fn html(view: &View, token: &dyn Fn() -> String) -> Markup {
    html! {
        div.wide {
            h1 { "Today" }
            (filters(view))
            div #lists data-live="yes" data-shown=(view.shown) {
                p.totals role="status" {
                    strong { (counted(view.rises.total, "rise", "rises")) } " to acknowledge, "
                    (view.not_compared.total) " not compared, "
                    (view.unlabelled.total) " without a label"
                    @if !view.filter.is_empty() { " (filtered: there may be more)" }
                    "."
                }
                (rises(view, token))
                (not_compared(view))
                (unlabelled(view))
                p.help {
                    "An exam that stands in no list may still be of a patient whose pressure is raised: no \
                     flag does not mean normal."
                }
            }
        }
    }
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

fn filters(view: &View) -> Markup {
    let filter = &view.filter;
    let day = |day: Option<NaiveDate>| day.map_or(String::new(), |day| day.to_string());
    html! {
        form.filter.fields method="get" action="/today" aria-label="Filter" {
            (layout::field("from", "From day", None, &html! {
                input #from type="date" name="from" value=(day(filter.from));
            }))
            (layout::field("to", "To day", None, &html! {
                input #to type="date" name="to" value=(day(filter.to));
            }))
            (chosen("operator", "Operator", &view.choices.operators, &filter.operator))
            (chosen("device", "Device", &view.choices.devices, &filter.device))
            (chosen("location", "Location", &view.choices.locations, &filter.location))
            div.field {
                button type="submit" { "Show" }
                @if !filter.is_empty() { " " a.button href="/today" { "Show all" } }
            }
        }
    }
}

/// A list to choose of; none where there is nothing to choose.
fn chosen(name: &str, label: &str, all: &[String], now: &str) -> Markup {
    if all.is_empty() && now.is_empty() {
        return html! {};
    }
    let is_listed = now.is_empty() || all.iter().any(|one| one == now);
    html! {
        div.field {
            label for=(name) { (label) }
            select id=(name) name=(name) {
                option value="" { "all" }
                @if !is_listed { option value=(now) selected { (now) } }
                @for one in all { option value=(one) selected[one == now] { (phrases::operator(Some(one))) } }
            }
        }
    }
}

fn rises(view: &View, token: &dyn Fn() -> String) -> Markup {
    const HEADS: [&str; 11] = [
        "state",
        "patient",
        "born",
        "name",
        "exam",
        "eye",
        "measured mm",
        "expected mm",
        "change mm",
        "operator",
        "came",
    ];
    html! {
        section #rises aria-labelledby="rises-title" {
            h2 #rises-title { "Rises that nobody has acknowledged (" (view.rises.total) ")" }
            @if view.rises.rows.is_empty() {
                p { "None now. That does not say that nobody's pressure is raised." }
            } @else {
                table.work role="table" {
                    (heads(&if view.may_act { [&HEADS[..], &["acknowledge"]].concat() } else { HEADS.to_vec() }))
                    tbody role="rowgroup" {
                        @for row in &view.rises.rows {
                            tr role="row" {
                                (cell("state", &row.waits.map_or_else(|| html! { "" }, mark)))
                                (person(row))
                                (cell("eye", &html! { (row.eye) }))
                                (cell("measured mm", &mm(row.measured_mm)))
                                (cell("expected mm", &mm(row.expected_mm)))
                                (cell("change mm", &html! {
                                    strong { (change(row.change_mm)) }
                                    @for doubt in &row.doubts { " " bdi.doubt { (doubt) } }
                                    @if let Some(second) = &row.second { " " (second) }
                                }))
                                (cell("operator", &operator(row)))
                                (cell("came", &came(view.now, row)))
                                @if view.may_act { (cell("acknowledge", &acknowledge(row, token))) }
                            }
                        }
                    }
                }
                (more(&view.rises))
            }
        }
    }
}

/// The person, and the exam with its link.
fn person(row: &Row) -> Markup {
    let whose = &row.whose;
    html! {
        th scope="row" role="rowheader" data-label="patient" {
            bdi { (whose.id) }
            @if !whose.issuer.is_empty() { " (" bdi { (whose.issuer) } ")" }
        }
        (cell("born", &html! {
            @match whose.birth_date { Some(day) => time { (day) }, None => "unknown" }
        }))
        (cell("name", &html! {
            @match &whose.name {
                Some(name) => bdi { (crate::domain::written_name(name)) },
                None => "none sent",
            }
        }))
        (cell("exam", &html! {
            a href={ "/exam/" (row.exam_id) } {
                (phrases::moment(row.performed_at))
                span.unseen { ", open the exam of " (whose.id) }
            }
        }))
    }
}

fn operator(row: &Row) -> Markup {
    html! { bdi { (phrases::operator(row.operator.as_deref())) } }
}

fn came(now: DateTime<Utc>, row: &Row) -> Markup {
    html! {
        time datetime=(row.first_at.format("%Y-%m-%dT%H:%M:%SZ"))
            title=(row.first_at.format("%Y-%m-%d %H:%M UTC")) {
            (ago(now.signed_duration_since(row.first_at))) " ago"
        }
    }
}

fn mm(value: Option<f64>) -> Markup {
    html! { @match value { Some(mm) => { (format!("{mm:.2}")) } None => "none" } }
}

fn change(value: Option<f64>) -> String {
    value.map_or("none".to_owned(), |mm| format!("{mm:+.2}"))
}

fn acknowledge(row: &Row, token: &dyn Fn() -> String) -> Markup {
    html! {
        form method="post" action={ "/exam/" (row.exam_id) "/acknowledge" } {
            (layout::token(&token()))
            input type="hidden" name="version" value=(row.version);
            input type="hidden" name="back" value="today";
            button type="submit" {
                "Acknowledge"
                span.unseen { " the exam of " (row.whose.id) ", " (phrases::moment(row.performed_at)) }
            }
        }
    }
}

fn not_compared(view: &View) -> Markup {
    html! {
        section #not-compared aria-labelledby="not-compared-title" {
            h2 #not-compared-title { "Could not be compared (" (view.not_compared.total) ")" }
            @if view.not_compared.rows.is_empty() {
                p { "None." }
            } @else {
                table.work role="table" {
                    (heads(&["patient", "born", "name", "exam", "why", "measured mm", "operator", "came"]))
                    tbody role="rowgroup" {
                        @for row in &view.not_compared.rows {
                            tr role="row" {
                                (person(row))
                                (cell("why", &html! {
                                    span.mark.without { (row.status) }
                                    @if let Some(why) = &row.why { " " bdi { (why) } }
                                }))
                                (cell("measured mm", &html! {
                                    (mm(row.measured_mm))
                                    @if row.measured_mm.is_some() { " (" (row.eye) ")" }
                                }))
                                (cell("operator", &operator(row)))
                                (cell("came", &came(view.now, row)))
                            }
                        }
                    }
                }
                (more(&view.not_compared))
            }
        }
    }
}

fn unlabelled(view: &View) -> Markup {
    html! {
        section #unlabelled aria-labelledby="unlabelled-title" {
            h2 #unlabelled-title { "Without a label (" (view.unlabelled.total) ")" }
            p.help { "Labels decide which exams serve as baseline. Several of one patient are labelled at \
                      once on the patient's page." }
            @if view.unlabelled.rows.is_empty() {
                p { "None." }
            } @else {
                table.work role="table" {
                    (heads(&["patient", "born", "name", "exam", "status", "measured mm", "operator", "label"]))
                    tbody role="rowgroup" {
                        @for row in &view.unlabelled.rows {
                            tr role="row" {
                                (person(row))
                                (cell("status", &html! { (row.status) }))
                                (cell("measured mm", &html! {
                                    (mm(row.measured_mm))
                                    @if row.measured_mm.is_some() { " (" (row.eye) ")" }
                                }))
                                (cell("operator", &operator(row)))
                                (cell("label", &html! {
                                    @if view.may_act {
                                        a href={ "/exam/" (row.exam_id) "#label" } {
                                            "Label" span.unseen { " the exam of " (row.whose.id) }
                                        }
                                    }
                                    " " a href={ "/patient/" (row.exam_id) } {
                                        "Patient" span.unseen { " " (row.whose.id) }
                                    }
                                }))
                            }
                        }
                    }
                }
                (more(&view.unlabelled))
            }
        }
    }
}

fn more(list: &List) -> Markup {
    html! {
        @if list.total > list.rows.len() {
            p { "The newest " (list.rows.len()) " of " (list.total) " are shown. Filter by day to see others." }
        }
    }
}
