//! Deliveries and service: what waits, where results go, who sends, which certificates end when. Nothing
//! of patients is shown beyond the exam ids that `outbox list` shows.

use super::layout::{ago, cell, heads, instant, text, token};
use chrono::{DateTime, TimeDelta, Utc};
use maud::{Markup, html};

/// A certificate that ends within so many days is told of before everything else.
pub const SOON: TimeDelta = TimeDelta::days(30);

/// What waits for one step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Queue {
    /// What: `objects to read`.
    pub what: String,
    /// How many.
    pub count: u64,
    /// Since when the oldest.
    pub oldest: Option<DateTime<Utc>>,
}

/// A destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Destination {
    /// Its name.
    pub name: String,
    /// How results get there; `None`: the configuration does not name it.
    pub kind: Option<String>,
    /// Deliveries that wait.
    pub waiting: u64,
    /// Since when the oldest.
    pub oldest: Option<DateTime<Utc>>,
    /// Deliveries that failed for good.
    pub dead: u64,
    /// How many of those that wait, and of those that failed for good, are of typed reports.
    pub entered: (u64, u64),
    /// Since when it is not reached, and why.
    pub down: Option<(DateTime<Utc>, String)>,
}

/// A delivery that failed for good.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dead {
    /// Its number.
    pub id: i64,
    /// Where it was to go.
    pub destination: String,
    /// The exam of its result.
    pub exam_id: String,
    /// The version.
    pub version: u32,
    /// What is delivered, where it is not the result: `typed reports`.
    pub what: Option<&'static str>,
    /// Since when.
    pub since: DateTime<Utc>,
    /// How far the last attempt came, and its code. The receiver's own words may name a patient and are
    /// left to the command.
    pub failure: String,
}

/// Who sends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sender {
    /// `dicom:` and the calling AE title, `folder` or `web`.
    pub name: String,
    /// When the first came.
    pub first: Option<DateTime<Utc>>,
    /// When the last came.
    pub last: Option<DateTime<Utc>>,
    /// What its last reports brought, a sentence for each machine that is watched.
    pub brought: Vec<String>,
}

/// A certificate that the configuration names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Certificate {
    /// Where it is named: `[pages.tls] certificate`, `[[destination]] "archive" ca`.
    pub named_by: String,
    /// Its file.
    pub path: String,
    /// Its end, or why it cannot be read.
    pub ends: Result<DateTime<Utc>, String>,
}

/// Room on disk.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Disk {
    /// The store with its log.
    pub store: String,
    /// The outbox.
    pub outbox: String,
}

/// The page.
#[derive(Debug, Clone)]
pub struct View {
    /// When it was made.
    pub now: DateTime<Utc>,
    /// Version of the program.
    pub version: String,
    /// Why the daemon is not ready, each in words; empty: it is.
    pub not_ready: Vec<String>,
    /// What does not pass by itself: code and sentence.
    pub needs: Vec<(String, String)>,
    /// What waits inside.
    pub queues: Vec<Queue>,
    /// When the newest object came.
    pub last_received: Option<DateTime<Utc>>,
    /// When the newest result was written.
    pub last_published: Option<DateTime<Utc>>,
    /// Objects in quarantine, by reason.
    pub quarantined: Vec<(String, u64)>,
    /// Exams by the status of their newest version.
    pub exams: Vec<(String, u64)>,
    /// Where results go.
    pub destinations: Vec<Destination>,
    /// Deliveries that failed for good, the oldest first.
    pub dead: Vec<Dead>,
    /// How many there are in all.
    pub dead_total: u64,
    /// Who sends.
    pub senders: Vec<Sender>,
    /// Certificates.
    pub certificates: Vec<Certificate>,
    /// Room on disk.
    pub disk: Disk,
    /// What was done by the form a moment ago.
    pub told: Option<String>,
    /// Hidden field of the forms, for whoever may have deliveries tried again.
    pub retry: Option<String>,
}

impl View {
    /// Certificates that have ended, end soon or cannot be read.
    fn certificates_to_see_to(&self) -> impl Iterator<Item = String> {
        self.certificates.iter().filter_map(|one| {
            let (named, path) = (&one.named_by, &one.path);
            match &one.ends {
                Err(why) => Some(format!("{named}, {path}: {why}")),
                Ok(end) if *end <= self.now => {
                    let end = end.format("%Y-%m-%d");
                    Some(format!("{named}, {path}: it has ended on {end}; renew it"))
                }
                Ok(end) if *end - self.now < SOON => {
                    let end = end.format("%Y-%m-%d");
                    Some(format!("{named}, {path}: it ends on {end}; renew it"))
                }
                Ok(_) => None,
            }
        })
    }
}

/// The body of the page.
#[must_use]
pub fn html(view: &View) -> Markup {
    html! {
        h1 { "Deliveries and service" }
        @if let Some(told) = &view.told { p.told role="status" { (text(told)) } }
        (needed(view))
        (queues(view))
        (destinations(view))
        (dead(view))
        (senders(view))
        (certificates(view))
        (rest(view))
    }
}

fn needed(view: &View) -> Markup {
    let certificates: Vec<String> = view.certificates_to_see_to().collect();
    let nothing = view.needs.is_empty() && view.not_ready.is_empty() && certificates.is_empty();
    html! {
        section aria-labelledby="needs" {
            h2 #needs { "What needs somebody" }
            @if nothing {
                p { "The daemon is ready, and nothing waits for a person." }
            } @else {
                ul {
                    @for why in &view.not_ready {
                        li { strong { "The daemon is not ready: " } (text(why)) }
                    }
                    @for (code, what) in &view.needs {
                        li { (text(what)) " (" code { (code) } ")" }
                    }
                    @for what in &certificates { li { (text(what)) } }
                }
            }
        }
    }
}

fn since(at: Option<DateTime<Utc>>) -> Markup {
    html! { @match at { Some(at) => { (instant(at)) } None => "-" } }
}

fn queues(view: &View) -> Markup {
    html! {
        section aria-labelledby="queues" {
            h2 #queues { "What waits inside" }
            table role="table" {
                (heads(&["what", "how many", "oldest since"]))
                tbody role="rowgroup" {
                    @for one in &view.queues {
                        tr role="row" {
                            th scope="row" role="rowheader" { (one.what) }
                            (cell("how many", &html! { (one.count) }))
                            (cell("oldest since", &since(one.oldest)))
                        }
                    }
                }
            }
            p {
                "Last object received: " (ever(view.now, view.last_received)) ". Last result written: "
                (ever(view.now, view.last_published)) "."
            }
        }
    }
}

fn ever(now: DateTime<Utc>, at: Option<DateTime<Utc>>) -> Markup {
    html! {
        @match at {
            Some(at) => { (instant(at)) ", " (ago(now - at)) " ago" }
            None => "never",
        }
    }
}

fn destinations(view: &View) -> Markup {
    html! {
        section aria-labelledby="destinations" {
            h2 #destinations { "Where results go" }
            @if view.destinations.is_empty() {
                p { "The configuration names no destination: results go to the outbox folder alone." }
            } @else {
                table role="table" {
                    (heads(&["destination", "by", "how it is", "waiting", "oldest since", "failed for good"]))
                    tbody role="rowgroup" {
                        @for one in &view.destinations {
                            tr role="row" {
                                th scope="row" role="rowheader" { (text(&one.name)) }
                                (cell("by", &html! {
                                    @match &one.kind {
                                        Some(kind) => { (kind) }
                                        None => "not in the configuration",
                                    }
                                }))
                                (cell("how it is", &html! {
                                    @match &one.down {
                                        Some((at, why)) => {
                                            strong { "not reached" } " since " (instant(*at))
                                            " (" (text(why)) ")"
                                        }
                                        None => "no failure known",
                                    }
                                }))
                                (cell("waiting", &html! {
                                    (one.waiting) (of_entered(one.entered.0))
                                }))
                                (cell("oldest since", &since(one.oldest)))
                                (cell("failed for good", &html! {
                                    @if one.dead > 0 { strong { (one.dead) } } @else { "0" }
                                    (of_entered(one.entered.1))
                                }))
                            }
                        }
                    }
                }
            }
        }
    }
}

/// How many of some deliveries are of typed reports.
fn of_entered(count: u64) -> Markup {
    html! { @if count > 0 { " (" (count) " of typed reports)" } }
}

fn dead(view: &View) -> Markup {
    if view.dead.is_empty() {
        return html! {};
    }
    let shown = u64::try_from(view.dead.len()).unwrap_or(u64::MAX);
    let table = html! {
        table role="table" {
            (heads(&["number", "destination", "result", "since", "why"]))
            tbody role="rowgroup" {
                @for one in &view.dead {
                    tr role="row" {
                        th scope="row" role="rowheader" {
                            @if view.retry.is_some() {
                                label.pick {
                                    input type="checkbox" form="retry" name="delivery" value=(one.id);
                                    " " (one.id)
                                }
                            } @else { (one.id) }
                        }
                        (cell("destination", &text(&one.destination)))
                        (cell("result", &html! {
                            (text(&one.exam_id)) " v" (one.version)
                            @if let Some(what) = one.what { ", " (what) }
                        }))
                        (cell("since", &instant(one.since)))
                        (cell("why", &text(&one.failure)))
                    }
                }
            }
        }
    };
    html! {
        section aria-labelledby="dead" {
            h2 #dead { "Deliveries that failed for good" }
            p {
                "They are not tried by themselves. "
                @if view.dead_total > shown {
                    "The oldest " (shown) " of " (view.dead_total) " are shown. "
                }
                "What the receiver said stands in " code { "sheathline outbox list --state dead" }
                ", since it may name a patient. Retry once the cause is mended; "
                code { "outbox drop" } " takes one out."
            }
            // Beside the form, which is not printed.
            (table)
            @if let Some(hidden) = &view.retry {
                form #retry method="post" action="/service/retry" {
                    (token(hidden))
                    p.actions {
                        button.first-choice type="submit" name="which" value="chosen" {
                            "Try the chosen ones again"
                        }
                        " "
                        button type="submit" name="which" value="all" {
                            "Try all " (view.dead_total) " again"
                        }
                    }
                }
            }
        }
    }
}

fn senders(view: &View) -> Markup {
    html! {
        section aria-labelledby="senders" {
            h2 #senders { "Who sends" }
            @if view.senders.is_empty() { p { "Nobody has sent anything yet." } }
            @else {
                table role="table" {
                    (heads(&["sender", "first heard", "last heard", "its last reports"]))
                    tbody role="rowgroup" {
                        @for one in &view.senders {
                            tr role="row" {
                                th scope="row" role="rowheader" { (text(&one.name)) }
                                (cell("first heard", &since(one.first)))
                                (cell("last heard", &html! {
                                    (since(one.last))
                                    @if let Some(at) = one.last { ", " (ago(view.now - at)) " ago" }
                                }))
                                (cell("its last reports", &html! {
                                    @if one.brought.is_empty() { "-" }
                                    @for line in &one.brought { (text(line)) br; }
                                }))
                            }
                        }
                    }
                }
            }
        }
    }
}

fn certificates(view: &View) -> Markup {
    html! {
        section aria-labelledby="certificates" {
            h2 #certificates { "Certificates" }
            @if view.certificates.is_empty() { p { "The configuration names no certificate." } }
            @else {
                table role="table" {
                    (heads(&["named by", "file", "ends", "left"]))
                    tbody role="rowgroup" {
                        @for one in &view.certificates {
                            tr role="row" {
                                th scope="row" role="rowheader" { (text(&one.named_by)) }
                                (cell("file", &text(&one.path)))
                                @match &one.ends {
                                    Ok(end) => {
                                        (cell("ends", &instant(*end)))
                                        (cell("left", &html! {
                                            @let days = (*end - view.now).num_days();
                                            @if *end <= view.now { strong { "ended" } }
                                            @else if *end - view.now < SOON {
                                                strong { (days) " days: renew it" }
                                            } @else { (days) " days" }
                                        }))
                                    }
                                    Err(why) => {
                                        (cell("ends", &html! { strong { "not known: " } (text(why)) }))
                                        (cell("left", &html! { "-" }))
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn rest(view: &View) -> Markup {
    let counts = |id: &str, title: &str, none: &str, rows: &[(String, u64)]| {
        html! {
            section aria-labelledby=(id) {
                h2 id=(id) { (title) }
                @if rows.is_empty() { p { (none) } }
                @else {
                    dl.facts {
                        @for (name, count) in rows { div { dt { (text(name)) } dd { (count) } } }
                    }
                }
            }
        }
    };
    html! {
        (counts("quarantine", "In quarantine, by reason", "Nothing.", &view.quarantined))
        (counts("exams", "Exams by status", "No exam yet.", &view.exams))
        section aria-labelledby="program" {
            h2 #program { "Program and disk" }
            dl.facts {
                div { dt { "Version" } dd { (view.version) } }
                div { dt { "Store" } dd { (view.disk.store) } }
                div { dt { "Outbox" } dd { (view.disk.outbox) } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn view() -> View {
        View {
            now: at("2024-05-07T10:31:00Z"),
            version: "1.0".to_owned(),
            not_ready: Vec::new(),
            needs: Vec::new(),
            queues: vec![Queue {
                what: "objects to read".to_owned(),
                count: 3,
                oldest: Some(at("2024-05-07T10:00:00Z")),
            }],
            last_received: Some(at("2024-05-07T10:19:30Z")),
            last_published: None,
            quarantined: Vec::new(),
            exams: vec![("within_expected".to_owned(), 4)],
            destinations: Vec::new(),
            dead: vec![Dead {
                id: 12,
                destination: "archive".to_owned(),
                exam_id: "e1".to_owned(),
                version: 2,
                what: None,
                since: at("2024-05-06T10:31:00Z"),
                failure: "answer (A700)".to_owned(),
            }],
            dead_total: 1,
            senders: vec![Sender {
                name: "dicom:<b>US1".to_owned(),
                first: Some(at("2024-05-01T10:00:00Z")),
                last: Some(at("2024-05-07T10:19:30Z")),
                brought: vec!["NO VALUES in the last 5".to_owned()],
            }],
            certificates: Vec::new(),
            disk: Disk::default(),
            told: None,
            retry: None,
        }
    }

    fn certificate(ends: Result<DateTime<Utc>, String>) -> Certificate {
        Certificate {
            named_by: "[pages.tls] certificate".to_owned(),
            path: "pages.pem".to_owned(),
            ends,
        }
    }

    #[test]
    fn only_whoever_may_retry_gets_a_form() {
        let mut view = view();
        let page = html(&view).into_string();
        assert!(!page.contains("<form") && page.contains("e1"));
        view.retry = Some("T".to_owned());
        let page = html(&view).into_string();
        assert!(page.contains("action=\"/service/retry\""));
        assert!(page.contains("form=\"retry\" name=\"delivery\" value=\"12\""));
        assert!(page.contains("dicom:&lt;b&gt;US1"));
        // Forms are not printed; what they are about is.
        let (before, form) = page.split_once("<form").unwrap();
        assert!(before.contains("answer (A700)") && !form.contains("answer (A700)"));
    }

    #[test]
    fn typed_reports_are_told_apart_from_results() {
        let mut view = view();
        let to = |entered| Destination {
            name: "archive".to_owned(),
            kind: Some("dicom".to_owned()),
            waiting: 7,
            oldest: None,
            dead: 1,
            entered,
            down: None,
        };
        view.destinations = vec![to((0, 0))];
        let page = html(&view).into_string();
        assert!(!page.contains("typed reports"));
        view.destinations = vec![to((5, 1))];
        view.dead[0].what = Some("typed reports");
        let page = html(&view).into_string();
        assert!(page.contains("7 (5 of typed reports)"), "{page}");
        assert!(page.contains("</strong> (1 of typed reports)"), "{page}");
        assert!(page.contains(" v2, typed reports"), "{page}");
    }

    #[test]
    fn a_certificate_is_told_of_before_it_ends_and_after() {
        let mut view = view();
        let told = |view: &View| {
            let page = html(view).into_string();
            let (_, section) = page.split_once("id=\"needs\"").unwrap();
            section.split_once("</section>").unwrap().0.to_owned()
        };
        view.certificates = vec![certificate(Ok(at("2024-06-06T10:31:00Z")))];
        assert!(told(&view).contains("nothing waits for a person"));
        view.certificates = vec![certificate(Ok(at("2024-06-06T10:30:59Z")))];
        assert!(told(&view).contains("it ends on 2024-06-06; renew it"));
        view.certificates = vec![certificate(Ok(at("2024-05-07T10:31:00Z")))];
        assert!(told(&view).contains("it has ended on 2024-05-07"));
        view.certificates = vec![certificate(Err("is missing".to_owned()))];
        assert!(told(&view).contains("is missing"));
    }

    #[test]
    fn a_daemon_that_is_not_ready_is_not_called_ready() {
        let mut view = view();
        view.not_ready = vec!["store-full: no room".to_owned()];
        let page = html(&view).into_string();
        assert!(page.contains("The daemon is not ready: </strong><bdi>store-full"));
        assert!(!page.contains("nothing waits for a person"));
    }
}
