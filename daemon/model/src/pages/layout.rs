//! What stands round every page, and the parts that pages share.

use crate::assess::age_words;
use crate::department::report::OWN_STYLE;
use crate::domain::{Sex, written_name};
use crate::legible;
use crate::render::html::STYLE as RESULT_STYLE;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use maud::{DOCTYPE, Markup, html};
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

/// A style or a script as it is served: its name holds its hash, so that a copy that a browser kept is
/// never one of another version.
#[derive(Debug)]
pub struct Served {
    /// `style-1f8a04bd3c5e.css`.
    pub name: String,
    /// What is served.
    pub text: String,
}

/// The style of all pages.
pub static STYLE: LazyLock<Served> = LazyLock::new(|| {
    served(
        "style",
        "css",
        [RESULT_STYLE, OWN_STYLE, include_str!("style.css")].concat(),
    )
});

/// The script of all pages. It only adds comfort: every page works without.
pub static SCRIPT: LazyLock<Served> =
    LazyLock::new(|| served("script", "js", include_str!("script.js").to_owned()));

fn served(stem: &str, end: &str, text: String) -> Served {
    let hash = Sha256::digest(text.as_bytes());
    let hash = hash
        .iter()
        .take(8)
        .fold(String::new(), |hash, byte| format!("{hash}{byte:02x}"));
    Served {
        name: format!("{stem}-{hash}.{end}"),
        text,
    }
}

/// A page of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// The lists of work.
    Today,
    /// A measurement is typed.
    Measure,
    /// A table of old values is brought in.
    BringIn,
    /// Codes that nobody explains.
    Codes,
    /// The department's statistics.
    Department,
    /// Deliveries, senders, certificates.
    Service,
    /// Who did what.
    Deeds,
}

impl Place {
    /// Every place, in the order of the navigation.
    pub const ALL: [Place; 7] = [
        Place::Today,
        Place::Measure,
        Place::BringIn,
        Place::Codes,
        Place::Department,
        Place::Service,
        Place::Deeds,
    ];

    /// Where it is.
    #[must_use]
    pub fn path(self) -> &'static str {
        match self {
            Place::Today => "/today",
            Place::Measure => "/measure",
            Place::BringIn => "/bring-in",
            Place::Codes => "/codes",
            Place::Department => "/department",
            Place::Service => "/service",
            Place::Deeds => "/deeds",
        }
    }

    /// What it is called.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Place::Today => "Today",
            Place::Measure => "New measurement",
            Place::BringIn => "Bring in old values",
            Place::Codes => "Unknown codes",
            Place::Department => "Department",
            Place::Service => "Deliveries and service",
            Place::Deeds => "Who did what",
        }
    }
}

/// How old what a page shows is, and whether the service goes on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Age {
    /// When the page was made.
    pub made_at: DateTime<Utc>,
    /// When the newest object came.
    pub last_received: Option<DateTime<Utc>>,
    /// Objects and patients that wait to be read or assessed.
    pub waiting: u64,
    /// Why the service stands still, as a sentence; `None`: it goes on.
    pub standing_still: Option<String>,
}

/// Who looks at a page.
#[derive(Clone, PartialEq, Eq)]
pub struct Reader {
    /// The account.
    pub account: String,
    /// Its roles, in words.
    pub roles: Vec<String>,
    /// The pages it may open.
    pub places: Vec<Place>,
    /// The token of its session, for every form.
    pub token: String,
}

/// What stands round a page.
#[derive(Clone)]
pub struct Frame {
    /// Title of the window. No patient in it: titles are kept in a browser's history.
    pub title: String,
    /// The place of the navigation it belongs to.
    pub here: Option<Place>,
    /// Who looks at it; `None`: nobody is signed in.
    pub reader: Option<Reader>,
    /// The age of the data; `None` where none are shown.
    pub age: Option<Age>,
}

/// A whole page. `body` holds its one `h1`.
#[must_use]
pub fn whole(frame: &Frame, body: &Markup) -> String {
    let reader = frame.reader.as_ref();
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (frame.title) " - Sheathline" }
                link rel="stylesheet" href={ "/" (STYLE.name) };
                script src={ "/" (SCRIPT.name) } defer {}
            }
            body {
                a.skip href="#content" { "Skip to the content" }
                @if let Some(reader) = reader { (bar(frame.here, reader)) }
                @if let Some(age) = &frame.age { (age_lines(age)) }
                main #content tabindex="-1" { (body) }
            }
        }
    };
    // Over the whole page, so that no field can be forgotten.
    legible::lines(&page.into_string())
}

fn bar(here: Option<Place>, reader: &Reader) -> Markup {
    html! {
        header.bar {
            nav aria-label="Pages" {
                ul {
                    @for place in Place::ALL.into_iter().filter(|one| reader.places.contains(one)) {
                        li {
                            a href=(place.path()) aria-current=[(here == Some(place)).then_some("page")] {
                                (place.title())
                            }
                        }
                    }
                }
            }
            form.who method="post" action="/sign-out" {
                (token(&reader.token))
                span { bdi { (reader.account) } " (" (reader.roles.join(", ")) ")" }
                " "
                button type="submit" { "Sign out" }
            }
        }
    }
}

/// The age of the data, and a notice where the service stands still.
#[must_use]
pub fn age_lines(age: &Age) -> Markup {
    let came = match age.last_received {
        Some(at) => format!(
            "The last object came {} ago.",
            ago(age.made_at.signed_duration_since(at))
        ),
        None => "No object has come yet.".to_owned(),
    };
    let waiting = match age.waiting {
        0 => "Nothing waits to be read.".to_owned(),
        1 => "1 waits to be read or assessed: what is shown may change.".to_owned(),
        many => format!("{many} wait to be read or assessed: what is shown may change."),
    };
    html! {
        aside #age.age aria-label="Age of the data" {
            @if let Some(why) = &age.standing_still {
                p.still role="alert" {
                    strong { "The service stands still." } " " bdi { (why) }
                    " What is shown is not up to date."
                }
            }
            p { "As of " (instant(age.made_at)) ". " (came) " " (waiting) }
        }
    }
}

/// A moment in UTC, as pages write it: `2024-05-07 10:31 UTC`.
#[must_use]
pub fn instant(at: DateTime<Utc>) -> Markup {
    html! {
        time datetime=(at.format("%Y-%m-%dT%H:%M:%SZ")) { (at.format("%Y-%m-%d %H:%M UTC")) }
    }
}

/// A length of time in one unit, never more than it was: `0 min`, `59 min`, `5 h`, `3 days`.
#[must_use]
pub fn ago(time: TimeDelta) -> String {
    let minutes = time.num_minutes().max(0);
    match minutes {
        0..=99 => format!("{minutes} min"),
        100..=2879 => format!("{} h", minutes / 60),
        _ => format!("{} days", minutes / 1440),
    }
}

/// The hidden field that shows that a form came from a page of this session.
#[must_use]
pub fn token(token: &str) -> Markup {
    html! { input type="hidden" name=(TOKEN) value=(token); }
}

/// Name of that field.
pub const TOKEN: &str = "token";

/// A text that somebody else wrote; its direction of reading stays inside it.
#[must_use]
pub fn text(text: &str) -> Markup {
    html! { bdi { (text) } }
}

/// Whom a page is about: it stands beside every action.
#[derive(Clone, PartialEq)]
pub struct Whose {
    /// The id.
    pub id: String,
    /// Its issuer; empty when nobody names one.
    pub issuer: String,
    /// Birth date, if known.
    pub birth_date: Option<NaiveDate>,
    /// Sex, if known.
    pub sex: Option<Sex>,
    /// The name as the report has it, components apart by `^`; `None` where it has none.
    pub name: Option<String>,
    /// Age at the exam shown, years; `None` where none is shown or it is not known.
    pub age_years: Option<f64>,
}

/// The bar that says whom a page is about; it stays in sight. `more` goes behind the person: the exam.
#[must_use]
pub fn whose(whose: &Whose, more: &Markup) -> Markup {
    let issuer = match whose.issuer.as_str() {
        "" => "no issuer named",
        issuer => issuer,
    };
    html! {
        div.whose role="group" aria-label="Patient" {
            span.who { strong { bdi { (whose.id) } } " (" bdi { (issuer) } ")" }
            span {
                "born "
                strong {
                    @match whose.birth_date { Some(date) => (date), None => "unknown" }
                }
                @if let Some(age) = whose.age_years { ", age " (age_words(age)) }
                @if let Some(sex) = whose.sex { ", sex " (sex.letter()) }
            }
            span {
                @match &whose.name {
                    Some(name) => { "name " strong { bdi { (written_name(name)) } } }
                    None => "no name in the report"
                }
            }
            (more)
        }
    }
}

/// A field with its label, and a sentence that helps. `input` has `id` as its id.
#[must_use]
pub fn field(id: &str, label: &str, help: Option<&str>, input: &Markup) -> Markup {
    html! {
        div.field {
            label for=(id) { (label) }
            (input)
            @if let Some(help) = help { p.help id={ (id) "-help" } { (help) } }
        }
    }
}

/// What stands in a choice before anything is chosen.
const CHOOSE: &str = "choose";

/// A choice of one of several words: value and what people read. Where none is chosen yet, nothing is
/// chosen for its reader either, unless one of the words has an empty value: then that is what it says
/// to choose nothing, and a browser must not ask for more.
#[must_use]
pub fn choice(id: &str, name: &str, options: &[(&str, &str)], chosen: Option<&str>) -> Markup {
    let free = |(value, words): &(&str, &str)| value.is_empty() && *words != CHOOSE;
    let is_free = options.iter().any(free);
    html! {
        select id=(id) name=(name) required[!is_free] {
            @if chosen.is_none() && !is_free { option value="" selected { (CHOOSE) } }
            @for (value, words) in options {
                option value=(value) selected[*value == chosen.unwrap_or("")] { (words) }
            }
        }
    }
}

/// A cell of a table that becomes a block on a narrow screen: there its name stands before it, and a cell
/// that holds nothing is left out.
#[must_use]
pub fn cell(name: &str, value: &Markup) -> Markup {
    let is_empty = matches!(value.0.as_str(), "" | "-" | "<bdi></bdi>" | "<bdi>-</bdi>");
    html! { td.nil[is_empty] role="cell" data-label=(name) { span { (value) } } }
}

/// The head of such a table.
#[must_use]
pub fn heads(names: &[&str]) -> Markup {
    html! {
        thead role="rowgroup" {
            tr role="row" {
                @for name in names { th scope="col" role="columnheader" { (name) } }
            }
        }
    }
}
