//! The lists of work: rises that nobody has acknowledged, exams that could not be compared, first exams,
//! exams without a label.

mod asked;

pub use asked::{Choices, Filter, Names, Period, Which, Whole};

use super::layout::{self, Whose, ago, cell, heads};
use crate::domain::Moment;
use crate::results::phrases;
use crate::worklist;
use chrono::{DateTime, NaiveDate, Utc};
use maud::{Markup, html};

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

/// One list: some of its rows, and how many there are in all.
#[derive(Clone, Default, PartialEq)]
pub struct List {
    /// The rows.
    pub rows: Vec<Row>,
    /// All that there are.
    pub total: u64,
    /// How many stand before these rows.
    pub skipped: u64,
    /// How many more came before the days that are shown; beyond [`worklist::List::OLDER_MAX`] there are
    /// more.
    pub older: u64,
}

/// Everything the page shows.
#[derive(Clone, PartialEq)]
pub struct View {
    /// Now.
    pub now: DateTime<Utc>,
    /// The day by the service's clock.
    pub today: NaiveDate,
    /// The first of the last days, which are shown unless others are asked for.
    pub recent: NaiveDate,
    /// What was asked for.
    pub filter: Filter,
    /// Which list is shown in full.
    pub whole: Option<Whole>,
    /// What can be asked for.
    pub choices: Choices,
    /// Rises that nobody has acknowledged, and rises withdrawn that nobody has.
    pub rises: List,
    /// Could not be compared.
    pub not_compared: List,
    /// Nothing earlier to compare with.
    pub first_exams: List,
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
            (asked::filters(&view.filter, &view.choices, view.today, view.recent))
            div #lists data-live="yes" data-shown=(view.shown) {
                p.totals role="status" {
                    strong { (counted(view.rises.total, "rise", "rises")) } " to acknowledge, of whatever \
                     day. Of " (view.filter.days(view.today)) ": "
                    (view.not_compared.total) " could not be compared, "
                    (counted(view.first_exams.total, "first exam", "first exams")) ", "
                    (view.unlabelled.total) " without a label."
                    @if view.filter.chooses() {
                        " Filtered by operator, device or location: there may be more, rises too."
                    }
                }
                (rises(view, token))
                (not_compared(view))
                (first_exams(view))
                (unlabelled(view))
                p.help {
                    "An exam that stands in no list may still be of a patient whose pressure is raised: no \
                     flag does not mean normal."
                }
            }
        }
    }
}

fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
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
            }
            (more(view, Which::Rises, &view.rises, "that wait longest"))
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
    let list = &view.not_compared;
    html! {
        section #not-compared aria-labelledby="not-compared-title" {
            h2 #not-compared-title { "Could not be compared (" (list.total) ")" }
            p.help { "Each for the reason given. Some can be mended: a side, a plane or a date corrected at \
                      the scanner and sent again, an earlier exam labelled." }
            @if list.rows.is_empty() {
                p { "None of these days." }
            } @else {
                table.work role="table" {
                    (heads(&["patient", "born", "name", "exam", "why", "measured mm", "operator", "came"]))
                    tbody role="rowgroup" {
                        @for row in &list.rows {
                            tr role="row" {
                                (person(row))
                                (cell("why", &html! {
                                    span.mark.without { (row.status) }
                                    @if let Some(why) = &row.why { " " bdi { (why) } }
                                }))
                                (cell("measured mm", &measured(row)))
                                (cell("operator", &operator(row)))
                                (cell("came", &came(view.now, row)))
                            }
                        }
                    }
                }
            }
            (more(view, Which::NotCompared, list, "newest"))
        }
    }
}

fn first_exams(view: &View) -> Markup {
    let list = &view.first_exams;
    html! {
        section #first-exams aria-labelledby="first-exams-title" {
            h2 #first-exams-title { "First exams: nothing earlier to compare with (" (list.total) ")" }
            p.help { "No earlier exam of these patients is known, so nothing here tells whether the width is \
                      usual for them. A label says whether the exam may serve as baseline for the next." }
            @if list.rows.is_empty() {
                p { "None of these days." }
            } @else {
                table.work role="table" {
                    (heads(&["patient", "born", "name", "exam", "measured mm", "operator", "came"]))
                    tbody role="rowgroup" {
                        @for row in &list.rows {
                            tr role="row" {
                                (person(row))
                                (cell("measured mm", &measured(row)))
                                (cell("operator", &operator(row)))
                                (cell("came", &came(view.now, row)))
                            }
                        }
                    }
                }
            }
            (more(view, Which::FirstExams, list, "newest"))
        }
    }
}

fn measured(row: &Row) -> Markup {
    html! {
        (mm(row.measured_mm))
        @if row.measured_mm.is_some() { " (" (row.eye) ")" }
    }
}

fn unlabelled(view: &View) -> Markup {
    html! {
        section #unlabelled aria-labelledby="unlabelled-title" {
            h2 #unlabelled-title { "Without a label (" (view.unlabelled.total) ")" }
            p.help { "Labels decide which exams serve as baseline. Several of one patient are labelled at \
                      once on the patient's page." }
            @if view.unlabelled.rows.is_empty() {
                p { "None of these days." }
            } @else {
                table.work role="table" {
                    (heads(&["patient", "born", "name", "exam", "status", "measured mm", "operator", "label"]))
                    tbody role="rowgroup" {
                        @for row in &view.unlabelled.rows {
                            tr role="row" {
                                (person(row))
                                (cell("status", &html! { (row.status) }))
                                (cell("measured mm", &measured(row)))
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
            }
            (more(view, Which::Unlabelled, &view.unlabelled, "newest"))
        }
    }
}

/// What of a list is not shown, and where it is: the rest, its other pages, and what is older.
fn more(view: &View, which: Which, list: &List, first: &str) -> Markup {
    let shown = u64::try_from(list.rows.len()).unwrap_or(u64::MAX);
    let page = view.whole.filter(|whole| whole.which == which);
    let page = page.map_or(1, |whole| whole.page);
    let to = |page: u32| view.filter.address(Some(Whole { which, page }));
    let last = list.total.div_ceil(u64::from(Whole::ROWS));
    let last = u32::try_from(last)
        .unwrap_or(Whole::PAGES)
        .min(Whole::PAGES);
    let is_whole = view.whole.is_some_and(|whole| whole.which == which);
    let older = match list.older {
        0 => None,
        1 => Some("1 older one is".to_owned()),
        many if many > u64::from(worklist::List::OLDER_MAX) => Some(format!(
            "More than {} older ones are",
            worklist::List::OLDER_MAX
        )),
        many => Some(format!("{many} older ones are")),
    };
    html! {
        @if !is_whole && list.total > shown {
            p {
                "The " (shown) " " (first) " of " (list.total) " are shown. "
                a href=(to(1)) {
                    @if last > 1 { "Show " (Whole::ROWS) " of them" } @else { "Show all " (list.total) }
                }
            }
        }
        @if is_whole && last > 1 {
            p {
                "Rows " (list.skipped + 1) " to " (list.skipped + shown) " of " (list.total) ". "
                @if page > 1 { a href=(to(page - 1)) { "Page " (page - 1) } " " }
                @if page < last { a href=(to(page + 1)) { "Page " (page + 1) } }
            }
        }
        @if let Some(older) = older {
            p {
                (older) " not listed. "
                a href=(view.filter.of(Period::All).address(Some(Whole { which, page: 1 }))) {
                    "List all days"
                    span.unseen { " of " (which.word().replace('-', " ")) }
                }
            }
        }
    }
}
