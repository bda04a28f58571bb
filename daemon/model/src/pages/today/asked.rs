//! What the lists of today are asked for: days, people, machines, places, and how much of a list.

use crate::pages::layout;
use crate::results::phrases;
use chrono::{Days, NaiveDate};
use maud::{Markup, html};

/// Of which days the lists are. Rises are shown whatever their day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Period {
    /// They came on this day or later: the last days, by the service's clock.
    Recent(NaiveDate),
    /// They were done on these days, the first and the last with them.
    Done(Option<NaiveDate>, Option<NaiveDate>),
    /// Of all days.
    All,
}

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Filter {
    /// Of which days.
    pub period: Period,
    /// Of this operator; empty: of all.
    pub operator: String,
    /// Of this device.
    pub device: String,
    /// Of this place.
    pub location: String,
}

impl Filter {
    /// Whether some operator, device or place is asked for.
    #[must_use]
    pub fn chooses(&self) -> bool {
        [&self.operator, &self.device, &self.location]
            .iter()
            .any(|one| !one.is_empty())
    }

    /// Which days, in words that follow "of".
    #[must_use]
    pub fn days(&self, today: NaiveDate) -> String {
        match self.period {
            Period::Recent(from) => {
                let days = today.signed_duration_since(from).num_days() + 1;
                format!("the last {days} days: they came on {from} or later")
            }
            Period::All | Period::Done(None, None) => "all days".to_owned(),
            Period::Done(Some(from), Some(to)) if from == to => format!("exams done on {from}"),
            Period::Done(Some(from), Some(to)) => format!("exams done from {from} to {to}"),
            Period::Done(Some(from), None) => format!("exams done on {from} or later"),
            Period::Done(None, Some(to)) => format!("exams done on {to} or earlier"),
        }
    }

    /// The address of the same lists, of another period.
    #[must_use]
    pub fn of(&self, period: Period) -> Filter {
        Filter {
            period,
            ..self.clone()
        }
    }

    /// Its address, with one list in full.
    #[must_use]
    pub fn address(&self, whole: Option<Whole>) -> String {
        let mut parts: Vec<String> = Vec::new();
        match self.period {
            Period::Recent(_) => {}
            Period::All | Period::Done(None, None) => parts.push("when=all".to_owned()),
            Period::Done(from, to) => {
                parts.extend(from.map(|day| format!("from={day}")));
                parts.extend(to.map(|day| format!("to={day}")));
            }
        }
        let names = [
            ("operator", &self.operator),
            ("device", &self.device),
            ("location", &self.location),
        ];
        for (name, value) in names {
            if !value.is_empty() {
                parts.push(format!("{name}={}", escaped(value)));
            }
        }
        let mut anchor = String::new();
        if let Some(whole) = whole {
            parts.push(format!("show={}", whole.which.word()));
            if whole.page > 1 {
                parts.push(format!("page={}", whole.page));
            }
            anchor = format!("#{}", whole.which.word());
        }
        if parts.is_empty() {
            return "/today".to_owned();
        }
        format!("/today?{}{anchor}", parts.join("&"))
    }
}

/// Text in an address (RFC 3986, 2.1 and 2.3).
fn escaped(text: &str) -> String {
    text.bytes().fold(String::new(), |mut all, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            all.push(char::from(byte));
        } else {
            all.push_str(&format!("%{byte:02X}"));
        }
        all
    })
}

/// One of the lists.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// Rises that nobody has acknowledged.
    Rises,
    /// Could not be compared.
    NotCompared,
    /// Nothing earlier to compare with.
    FirstExams,
    /// Without a label.
    Unlabelled,
}

impl Which {
    /// Every list.
    pub const ALL: [Which; 4] = [
        Which::Rises,
        Which::NotCompared,
        Which::FirstExams,
        Which::Unlabelled,
    ];

    /// Its word in an address.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Which::Rises => "rises",
            Which::NotCompared => "not-compared",
            Which::FirstExams => "first-exams",
            Which::Unlabelled => "unlabelled",
        }
    }

    /// The list of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Which> {
        Which::ALL.into_iter().find(|one| one.word() == word)
    }

    /// Rows that are shown before all are asked for: a screen or two, and of rises a day's at the very
    /// worst.
    #[must_use]
    pub fn cut(self) -> u32 {
        match self {
            Which::Rises => 100,
            Which::NotCompared | Which::Unlabelled => 25,
            Which::FirstExams => 10,
        }
    }
}

/// A list in full, page by page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Whole {
    /// The list.
    pub which: Which,
    /// Its page, from 1.
    pub page: u32,
}

impl Whole {
    /// Rows of a page.
    pub const ROWS: u32 = 1_000;

    /// Pages that can be asked for: a million rows.
    pub const PAGES: u32 = 1_000;

    /// Rows before this page.
    #[must_use]
    pub fn skip(self) -> u32 {
        self.page.clamp(1, Whole::PAGES).saturating_sub(1) * Whole::ROWS
    }
}

/// Names of one kind that can be chosen of.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Names {
    /// By the alphabet.
    pub all: Vec<String>,
    /// There are more: a name can be typed.
    pub has_more: bool,
}

/// What can be chosen of.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Choices {
    /// Operators, as reports write them.
    pub operators: Names,
    /// Devices.
    pub devices: Names,
    /// Places, where reports name any.
    pub locations: Names,
}

/// The days as links, and the form for everything else. `recent` is the first of the last days.
pub(super) fn filters(
    filter: &Filter,
    choices: &Choices,
    today: NaiveDate,
    recent: NaiveDate,
) -> Markup {
    let of = |day: NaiveDate| Period::Done(Some(day), Some(day));
    let yesterday = today.checked_sub_days(Days::new(1)).unwrap_or(today);
    let periods = [
        ("Last days", Period::Recent(recent)),
        ("Done today", of(today)),
        ("Done yesterday", of(yesterday)),
        ("All days", Period::All),
    ];
    let day = |day: Option<NaiveDate>| day.map_or(String::new(), |day| day.to_string());
    let (from, to) = match filter.period {
        Period::Done(from, to) => (from, to),
        _ => (None, None),
    };
    html! {
        nav.zoom.no-print aria-label="Days" {
            ul {
                @for (words, period) in periods {
                    li {
                        a href=(filter.of(period).address(None))
                            aria-current=[(filter.period == period).then_some("true")] { (words) }
                    }
                }
            }
        }
        form.filter.fields method="get" action="/today" aria-label="Filter" {
            @if filter.period == Period::All { input type="hidden" name="when" value="all"; }
            (layout::field("from", "Done from day", None, &html! {
                input #from type="date" name="from" value=(day(from));
            }))
            (layout::field("to", "Done to day", None, &html! {
                input #to type="date" name="to" value=(day(to));
            }))
            (chosen("operator", "Operator", &choices.operators, &filter.operator))
            (chosen("device", "Device", &choices.devices, &filter.device))
            (chosen("location", "Location", &choices.locations, &filter.location))
            div.field {
                button type="submit" { "Show" }
                @if filter.chooses() || filter.period != Period::Recent(recent) {
                    " " a.button href="/today" { "Without filter" }
                }
            }
        }
    }
}

/// A list to choose of, or a name to type where there are too many; nothing where there is none.
fn chosen(name: &str, label: &str, names: &Names, now: &str) -> Markup {
    if names.all.is_empty() && now.is_empty() {
        return html! {};
    }
    if names.has_more {
        let help = "As reports write it; there are too many to list.";
        return layout::field(
            name,
            label,
            Some(help),
            &html! {
                input id=(name) name=(name) type="text" value=(now) maxlength="128" autocomplete="off"
                    aria-describedby={ (name) "-help" };
            },
        );
    }
    let is_listed = now.is_empty() || names.all.iter().any(|one| one == now);
    html! {
        div.field {
            label for=(name) { (label) }
            select id=(name) name=(name) {
                option value="" { "all" }
                @if !is_listed { option value=(now) selected { (now) } }
                @for one in &names.all {
                    option value=(one) selected[one == now] { (phrases::operator(Some(one))) }
                }
            }
        }
    }
}
