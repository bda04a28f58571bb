//! Who waits for somebody: rises, what could not be compared, first exams, what has no label.

use super::posted::Question;
use super::{Action, Desk, Failed, Right, Visitor};
use crate::lines::recent;
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Local, NaiveDate, Utc};
use serde::Deserialize;
use sha2::{Digest, Sha256};
use sheathline_model::pages::layout::Place;
use sheathline_model::pages::today::{
    self, Choices, Filter, List, Names, Period, View, Which, Whole,
};
use sheathline_model::worklist::Today;
use sheathline_store::exam_lines::{self, Page, Pages};
use std::sync::Arc;

/// Longest name that is filtered by, letters.
const LETTERS_MAX: usize = 128;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route(Place::Today.path(), get(today))
}

/// What an address asks for.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    /// `all`: of all days, unless days are given.
    when: String,
    from: String,
    to: String,
    operator: String,
    device: String,
    location: String,
    /// The list that is wanted in full, and its page.
    show: String,
    page: String,
    /// What the lists showed when they were loaded: the script asks whether that changed.
    shown: String,
}

impl Asked {
    /// A day that is none is told: other days than those asked for would pass for them.
    fn filter(&self, recent: NaiveDate) -> Result<Filter, Failed> {
        let short = |text: &str| text.trim().chars().take(LETTERS_MAX).collect::<String>();
        let day = |text: &str| super::deeds::day(text).map_err(Failed::Bad);
        Ok(Filter {
            period: match (day(&self.from)?, day(&self.to)?) {
                (None, None) if self.when == "all" => Period::All,
                (None, None) => Period::Recent(recent),
                (from, to) => Period::Done(from, to),
            },
            operator: short(&self.operator),
            device: short(&self.device),
            location: short(&self.location),
        })
    }

    fn whole(&self) -> Option<Whole> {
        let page = self.page.parse().unwrap_or(1);
        Some(Whole {
            which: Which::from_word(&self.show)?,
            page: u32::clamp(page, 1, Whole::PAGES),
        })
    }
}

/// The part of a list that is shown.
fn part(which: Which, whole: Option<Whole>) -> Page {
    match whole.filter(|whole| whole.which == which) {
        Some(whole) => Page {
            skip: whole.skip(),
            rows: Whole::ROWS,
        },
        None => Page::first(which.cut()),
    }
}

async fn today(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Question(asked): Question<Asked>,
) -> Result<Response, Failed> {
    visitor.may(Right::See)?;
    let now = Local::now();
    let (first, since) = recent(now);
    let filter = asked.filter(first)?;
    let whole = asked.whole();
    let wanted = stored(&filter, since);
    let pages = Pages {
        rises: part(Which::Rises, whole),
        not_compared: part(Which::NotCompared, whole),
        first_exams: part(Which::FirstExams, whole),
        unlabelled: part(Which::Unlabelled, whole),
    };
    let reader = visitor.clone();
    let (lists, choices) = desk
        .off(move |desk| {
            let (lists, choices) = desk.store.read(|view| {
                Ok((
                    exam_lines::today(view, &wanted, &pages)?,
                    exam_lines::choices(view)?,
                ))
            })?;
            Ok((desk.blind(&reader)?.without_values(lists), choices))
        })
        .await?;
    let shown = shown(&lists);
    // Lists that are shown again as they were show nothing new of anybody.
    if asked.shown != shown {
        let detail = format!(
            "today: {} rises, {} not compared, {} first exams, {} without a label",
            lists.rises.total,
            lists.not_compared.total,
            lists.first_exams.total,
            lists.unlabelled.total
        );
        desk.did(&visitor, Action::Listed, None, None, &detail)
            .await?;
    }
    let view = View {
        now: now.with_timezone(&Utc),
        today: now.date_naive(),
        recent: first,
        filter,
        whole,
        choices: named(choices),
        rises: List::of(&lists.rises),
        not_compared: List::of(&lists.not_compared),
        first_exams: List::of(&lists.first_exams),
        unlabelled: List::of(&lists.unlabelled),
        may_act: visitor.roles.may(Right::Label),
        shown,
    };
    let body = today::html(&view, &|| visitor.token());
    desk.page(&visitor, Some(Place::Today), "Today", &body)
        .await
}

/// The filter as the store has it; the last days began at `since`.
fn stored(filter: &Filter, since: DateTime<Utc>) -> exam_lines::Filter {
    let some = |text: &String| Some(text.clone()).filter(|text| !text.is_empty());
    exam_lines::Filter {
        period: match filter.period {
            Period::Recent(_) => exam_lines::Period::Came(since),
            Period::Done(from, to) => exam_lines::Period::Done(from, to),
            Period::All => exam_lines::Period::All,
        },
        operator: some(&filter.operator),
        device: some(&filter.device),
        location: some(&filter.location),
    }
}

/// Operators, devices and places of the department, as the page has them.
fn named(choices: exam_lines::Choices) -> Choices {
    let names = |chosen: exam_lines::Chosen| Names {
        all: chosen.names,
        has_more: chosen.has_more,
    };
    Choices {
        operators: names(choices.operators),
        devices: names(choices.devices),
        locations: names(choices.locations),
    }
}

/// A word that stands for everything listed.
fn shown(lists: &Today) -> String {
    let mut hash = Sha256::new();
    for list in lists.lists() {
        hash.update(list.total.to_be_bytes());
        for line in &list.lines {
            hash.update(serde_json::to_vec(line).unwrap_or_default());
        }
    }
    let hash = hash.finalize();
    let bytes = hash.iter().take(16);
    bytes.fold(String::new(), |word, byte| format!("{word}{byte:02x}"))
}
