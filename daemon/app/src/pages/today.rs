//! Who waits for somebody: rises, what could not be compared, what has no label.

use super::posted::Question;
use super::{Action, Desk, Failed, Right, Visitor};
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use chrono::Utc;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use sheathline_model::pages::layout::Place;
use sheathline_model::pages::today::{self, Choices, Filter, List, View};
use sheathline_model::worklist::{Line, Today};
use sheathline_store::exam_lines;
use std::collections::BTreeSet;
use std::sync::Arc;

/// Most rows of one list. A day has fewer; what is beyond is counted.
const ROWS_MAX: u32 = 500;

/// Longest name that is filtered by, letters.
const LETTERS_MAX: usize = 128;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route(Place::Today.path(), get(today))
}

/// What an address asks for. A day that is none asks for nothing.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    from: String,
    to: String,
    operator: String,
    device: String,
    location: String,
    /// What the lists showed when they were loaded: the script asks whether that changed.
    shown: String,
}

impl Asked {
    fn filter(&self) -> Filter {
        let short = |text: &str| text.trim().chars().take(LETTERS_MAX).collect::<String>();
        Filter {
            from: self.from.parse().ok(),
            to: self.to.parse().ok(),
            operator: short(&self.operator),
            device: short(&self.device),
            location: short(&self.location),
        }
    }
}

async fn today(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Question(asked): Question<Asked>,
) -> Result<Response, Failed> {
    visitor.may(Right::See)?;
    let filter = asked.filter();
    let wanted = filter.clone();
    let reader = visitor.clone();
    let lists = desk
        .off(move |desk| {
            let filter = stored(&wanted);
            let lists = desk
                .store
                .read(|view| exam_lines::today(view, &filter, ROWS_MAX))?;
            Ok(desk.blind(&reader)?.without_values(lists))
        })
        .await?;
    let shown = shown(&lists);
    // Lists that are shown again as they were show nothing new of anybody.
    if asked.shown != shown {
        let detail = format!(
            "today: {} rises, {} not compared, {} without a label",
            lists.rises.total, lists.not_compared.total, lists.unlabelled.total
        );
        desk.did(&visitor, Action::Listed, None, None, &detail)
            .await?;
    }
    let view = View {
        now: Utc::now(),
        filter,
        choices: choices(&lists),
        rises: List::of(&lists.rises),
        not_compared: List::of(&lists.not_compared),
        unlabelled: List::of(&lists.unlabelled),
        may_act: visitor.roles.may(Right::Label),
        shown,
    };
    let body = today::html(&view, &|| visitor.token());
    desk.page(&visitor, Some(Place::Today), "Today", &body)
        .await
}

/// The filter as the store has it.
fn stored(filter: &Filter) -> exam_lines::Filter {
    let some = |text: &String| Some(text.clone()).filter(|text| !text.is_empty());
    exam_lines::Filter {
        from: filter.from,
        to: filter.to,
        operator: some(&filter.operator),
        device: some(&filter.device),
        location: some(&filter.location),
    }
}

fn lines(lists: &Today) -> impl Iterator<Item = &Line> {
    [&lists.rises, &lists.not_compared, &lists.unlabelled]
        .into_iter()
        .flat_map(|list| &list.lines)
}

/// Operators, devices and places of what is listed.
fn choices(lists: &Today) -> Choices {
    let of = |field: fn(&Line) -> Option<&String>| {
        let all: BTreeSet<&String> = lines(lists).filter_map(field).collect();
        all.into_iter().cloned().collect::<Vec<String>>()
    };
    Choices {
        operators: of(|line| line.operator.as_ref()),
        devices: of(|line| line.device.as_ref()),
        locations: of(|line| line.location.as_ref()),
    }
}

/// A word that stands for everything listed.
fn shown(lists: &Today) -> String {
    let mut hash = Sha256::new();
    for list in [&lists.rises, &lists.not_compared, &lists.unlabelled] {
        hash.update(list.total.to_be_bytes());
        for line in &list.lines {
            hash.update(serde_json::to_vec(line).unwrap_or_default());
        }
    }
    let hash = hash.finalize();
    let bytes = hash.iter().take(16);
    bytes.fold(String::new(), |word, byte| format!("{word}{byte:02x}"))
}
