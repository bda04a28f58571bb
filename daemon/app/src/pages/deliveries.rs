//! Deliveries and service.

use super::posted::Question;
use super::{Action, Desk, Failed, Fields, Posted, Right, Visitor};
use crate::config::StorePlace;
use crate::routes::destination::Way;
use crate::standing::{self, Deliveries, SenderRow, certificates};
use axum::Router;
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::Utc;
use serde::Deserialize;
use sheathline_model::pages::layout::Place;
use sheathline_model::pages::service::{
    self as page, Certificate, Dead, Destination, Disk, Queue, Sender, View,
};
use sheathline_store::deliveries::{self, Delivery, State as Stands, Which};
use sheathline_store::{heard, overview};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Deliveries that failed for good, as many as are shown.
const DEAD_SHOWN: usize = 200;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route(Place::Service.path(), get(show))
        .route("/service/retry", post(retry))
}

/// What the address says of what was done.
#[derive(Debug, Default, Deserialize)]
struct Done {
    tried: Option<u32>,
}

async fn show(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Question(done): Question<Done>,
) -> Result<Response, Failed> {
    visitor.may(Right::Service)?;
    let mut view = desk.off(gather).await?;
    view.told = done.tried.map(|count| match count {
        0 => "Nothing changed: none of them is dead any more.".to_owned(),
        1 => "1 delivery is tried again at once.".to_owned(),
        many => format!("{many} deliveries are tried again at once."),
    });
    if visitor.roles.may(Right::Retry) {
        view.retry = Some(visitor.token());
    }
    let place = Place::Service;
    desk.page(&visitor, Some(place), place.title(), &page::html(&view))
        .await
}

async fn retry(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::Retry)?;
    let ids: Vec<i64> = fields
        .all("delivery")
        .filter_map(|id| id.parse().ok())
        .collect();
    let all = fields.one("which") == "all";
    if ids.is_empty() && !all {
        return Err(Failed::Bad("No delivery was chosen.".to_owned()));
    }
    let detail = if all {
        "all dead deliveries".to_owned()
    } else {
        let ids: Vec<String> = ids.iter().map(i64::to_string).collect();
        format!("deliveries {}", ids.join(", "))
    };
    desk.did(&visitor, Action::Retried, None, None, &detail)
        .await?;
    let which = Which {
        ids: if all { Vec::new() } else { ids },
        destination: None,
        // What waits or arrived meanwhile is left as it is.
        state: Some(Stands::Dead),
    };
    let retried = desk
        .store
        .write_async(move |tx| deliveries::retry(tx, &which, Utc::now()))
        .await?;
    Ok(Redirect::to(&format!("/service?tried={retried}")).into_response())
}

fn gather(desk: &Desk) -> Result<View, Failed> {
    let standing = standing::of(&desk.config, &desk.store, overview::quick)?;
    let which = Which {
        state: Some(Stands::Dead),
        ..Which::default()
    };
    let (all, heard) = desk
        .store
        .read(|view| Ok((deliveries::list(view, &which)?, heard::all(view)?)))?;
    let kinds: BTreeMap<String, String> = desk
        .config
        .destinations()
        .into_iter()
        .map(|(one, _)| (one.name, way(&one.way).to_owned()))
        .collect();
    let free = |path| match crate::health::reasons::free_bytes(path) {
        Some(bytes) => format!("{:.1} GB free", bytes as f64 / 1e9),
        None => "free room unknown".to_owned(),
    };
    let named = certificates::of(&desk.config).into_iter();
    Ok(View {
        now: Utc::now(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        not_ready: desk.age()?.standing_still.into_iter().collect(),
        needs: standing
            .needs
            .iter()
            .map(|need| (need.code.to_owned(), need.what.clone()))
            .collect(),
        queues: standing
            .waiting
            .iter()
            .map(|stage| Queue {
                what: stage.what.to_owned(),
                count: stage.count,
                oldest: stage.oldest,
            })
            .collect(),
        last_received: standing.last_received,
        last_published: standing.last_published,
        quarantined: standing.quarantined_by_reason.into_iter().collect(),
        exams: standing
            .exams_by_status
            .into_iter()
            .map(|(status, count)| (status.replace('_', " "), count))
            .collect(),
        destinations: standing
            .deliveries
            .into_iter()
            .map(|one| destination(one, &kinds))
            .collect(),
        dead_total: u64::try_from(all.len()).unwrap_or(u64::MAX),
        dead: all
            .into_iter()
            .flatten()
            .take(DEAD_SHOWN)
            .map(dead)
            .collect(),
        senders: senders(heard, &standing.senders),
        certificates: named
            .map(|one| Certificate {
                named_by: one.named_by,
                path: one.path.display().to_string(),
                ends: one.ends,
            })
            .collect(),
        disk: Disk {
            store: match desk.config.store.place() {
                StorePlace::File(path) => free(path),
                StorePlace::Server(_) => "on a server; its administrator knows".to_owned(),
            },
            outbox: free(&desk.config.outbox.folder),
        },
        told: None,
        retry: None,
    })
}

/// How results get somewhere, as the configuration calls it.
fn way(way: &Way) -> &'static str {
    match way {
        Way::Dicom(_) => "dicom",
        Way::Mllp(_) => "hl7",
        Way::Fhir(_) => "fhir",
        Way::Hook(_) => "hook",
    }
}

fn destination(one: Deliveries, kinds: &BTreeMap<String, String>) -> Destination {
    Destination {
        kind: kinds.get(&one.destination).cloned(),
        waiting: one.waiting,
        oldest: one.oldest_waiting,
        dead: one.dead,
        entered: (one.waiting_entered, one.dead_entered),
        down: one
            .down_since
            .map(|since| (since, one.failure.unwrap_or_default())),
        name: one.destination,
    }
}

/// A delivery, without the receiver's own words: they may name a patient.
fn dead(one: Delivery) -> Dead {
    Dead {
        id: one.id,
        destination: one.destination,
        exam_id: one.exam_id,
        version: one.version,
        what: one.what.beside(),
        since: one.since,
        failure: one.failed.map_or_else(
            || "not known".to_owned(),
            |failed| format!("{} ({})", failed.stage, failed.code),
        ),
    }
}

/// Those that were heard, with what the last reports of their machines brought.
fn senders(heard: Vec<heard::Heard>, watched: &[SenderRow]) -> Vec<Sender> {
    let mut all: BTreeMap<String, Sender> = heard
        .into_iter()
        .map(|one| {
            let sender = Sender {
                name: one.source.clone(),
                first: Some(one.first),
                last: Some(one.last),
                brought: Vec::new(),
            };
            (one.source, sender)
        })
        .collect();
    for row in watched {
        let sender = all.entry(row.sender.clone()).or_insert_with(|| Sender {
            name: row.sender.clone(),
            first: None,
            last: None,
            brought: Vec::new(),
        });
        let (_, line) = row.line();
        sender.brought.push(match row.machine.as_str() {
            "" => line,
            machine => format!("{}: {line}", machine.replace('|', " ")),
        });
    }
    all.into_values().collect()
}
