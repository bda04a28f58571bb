//! Bring in old values: a table is taken as a draft of its own account, looked at, brought in as a
//! whole, and taken back as a whole.
//!
//! Between looking and bringing in the text stays in the store, so that what is brought in is what was
//! looked at: the form names the hash that was shown.

mod rows;
mod whole;

use super::measure::{limits, number};
use super::posted::Question;
use super::signing;
use super::{Action, Desk, Failed, Fields, Posted, Right, Uploaded, Visitor};
use crate::entering;
use axum::Router;
use axum::extract::{DefaultBodyLimit, FromRequest, Path, Request, State};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::{TimeDelta, Utc};
use rows::{looked, refused};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sheathline_model::entered::table::lines;
use sheathline_model::pages::bring::{
    Declaring, Made, Rest, Start, TABLE_BYTES_MAX, Waiting, preview, start,
};
use sheathline_model::pages::layout::Place;
use sheathline_store::backlog::backlog;
use sheathline_store::measurement_drafts::{self as drafts, Draft, Kind};
use sheathline_store::{StoreError, View, bringings};
use std::collections::BTreeSet;
use std::sync::Arc;

const TITLE: &str = "Bring in old values";

/// What stands round a table in its form.
const FORM_BYTES: usize = 64 << 10;

/// Rows on one page.
const ROWS: usize = 200;

/// Tables that are listed.
const MADE_MAX: u32 = 100;

/// A table that nobody brought in for so long is thrown away.
const KEPT: TimeDelta = TimeDelta::days(7);

/// Letters of a file's name and of a reason.
const LETTERS_MAX: usize = 500;

pub(super) fn routes() -> Router<Arc<Desk>> {
    let limit = DefaultBodyLimit::max(TABLE_BYTES_MAX + FORM_BYTES);
    // Percent signs treble what is posted of a preview, which holds no table.
    Router::new()
        .route(Place::BringIn.path(), get(first).post(take).layer(limit))
        .route("/bring-in/back", post(whole::back))
        .route("/bring-in/{draft}", get(open).post(act))
}

/// What a draft holds.
#[derive(Serialize, Deserialize)]
struct Kept {
    file_name: String,
    text: String,
    declaring: Declaring,
}

impl Kept {
    fn sha256(&self) -> [u8; 32] {
        Sha256::digest(self.text.as_bytes()).into()
    }

    fn content(&self) -> Result<String, Failed> {
        serde_json::to_string(self)
            .map_err(|error| Failed::Store(StoreError::Work(error.to_string())))
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

async fn first(State(desk): State<Arc<Desk>>, visitor: Visitor) -> Result<Response, Failed> {
    visitor.may(Right::BringIn)?;
    let usual = Declaring {
        dates: "iso".to_owned(),
        separator: "comma".to_owned(),
        decimal: "point".to_owned(),
        ..Declaring::default()
    };
    start_page(&desk, &visitor, usual, None).await
}

async fn start_page(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    declaring: Declaring,
    problem: Option<String>,
) -> Result<Response, Failed> {
    let account = visitor.account.clone();
    let read = move |view: &View| {
        let drafts = drafts::list(view, &account, Kind::Table)?;
        let made = bringings::newest(view, MADE_MAX)?;
        let numbers: Vec<i64> = made.iter().map(|one| one.number).collect();
        let taken_back = entering::taken_back(view, &numbers)?;
        let made = made.into_iter().zip(taken_back).map(made_of);
        Ok((drafts, made.collect(), rest(view)?))
    };
    let (drafts, made, rest) = desk.off(move |desk| Ok(desk.store.read(read)?)).await?;
    let waiting = drafts.iter().filter_map(|draft| {
        let kept: Kept = serde_json::from_str(&draft.content).ok()?;
        Some(Waiting {
            id: draft.id,
            file_name: kept.file_name,
            saved_at: draft.saved_at,
        })
    });
    let view = Start {
        declaring,
        problem,
        waiting: waiting.collect(),
        made,
        rest,
    };
    let body = start(&view, &visitor.token());
    desk.page(visitor, Some(Place::BringIn), TITLE, &body).await
}

fn rest(view: &View) -> Result<Rest, StoreError> {
    let waits = backlog(view)?;
    Ok(Rest {
        reports: waits.objects.count,
        patients: waits.patients.count,
        results: waits.results.count,
    })
}

fn made_of((one, taken_back): (bringings::Bringing, usize)) -> Made {
    Made {
        number: one.number,
        at: one.recorded_at,
        author: one.brought.by.author.name().to_owned(),
        reason: one.brought.by.reason.clone(),
        file_name: one.brought.file_name.clone(),
        sha256: hex(&one.brought.file_sha256),
        rows: one.brought.rows.into(),
        reports: usize::try_from(one.reports).unwrap_or(usize::MAX),
        taken_back,
    }
}

/// What is declared in a form; columns and lines left out stay.
fn declared(before: &Declaring, fields: &Fields) -> Declaring {
    let text = |name: &str| fields.one(name).chars().take(LETTERS_MAX).collect();
    Declaring {
        unit: text("unit"),
        dates: text("dates"),
        separator: text("separator"),
        decimal: text("decimal"),
        shape: text("shape"),
        issuer: text("issuer"),
        ..before.clone()
    }
}

async fn take(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    request: Request,
) -> Result<Response, Failed> {
    // Before the file is taken in.
    visitor.may(Right::BringIn)?;
    let Uploaded { fields, file } = Uploaded::from_request(request, &desk).await?;
    let declaring = declared(&Declaring::default(), &fields);
    let pasted = fields.one("pasted");
    let (file_name, bytes) = match file {
        Some((name, bytes)) => (name, bytes),
        None => ("pasted".to_owned(), pasted.as_bytes().to_vec()),
    };
    let problem = read(&bytes, &declaring).err();
    if problem.is_some() {
        return start_page(&desk, &visitor, declaring, problem).await;
    }
    // Without its folder: some browsers send one.
    let file_name = file_name.rsplit(['/', '\\']).next().unwrap_or_default();
    let kept = Kept {
        file_name: file_name.chars().take(LETTERS_MAX).collect(),
        text: String::from_utf8_lossy(&bytes).into_owned(),
        declaring,
    };
    let id = desk
        .off(move |desk| {
            let content = kept.content()?;
            let now = Utc::now();
            Ok(desk.store.write(move |tx| {
                drafts::remove_before(tx, Kind::Table, now - KEPT)?;
                drafts::add(tx, &visitor.account, Kind::Table, &content, now)
            })?)
        })
        .await?;
    Ok(Redirect::to(&format!("/bring-in/{id}")).into_response())
}

/// Whether bytes are a text that can be a table by what is declared.
fn read(bytes: &[u8], declaring: &Declaring) -> Result<(), String> {
    if bytes.is_empty() {
        return Err("Choose a file, or paste a table.".to_owned());
    }
    if bytes.len() > TABLE_BYTES_MAX {
        return Err("The table is larger than 4 MiB; split it, or use the command.".to_owned());
    }
    let separator = declaring.separator()?;
    lines(bytes, separator).map_err(|why| format!("{why}."))?;
    Ok(())
}

async fn own(desk: &Arc<Desk>, visitor: &Visitor, id: i64) -> Result<(Draft, Kept), Failed> {
    visitor.may(Right::BringIn)?;
    let account = visitor.account.clone();
    desk.off(move |desk| {
        let own = |view: &View| drafts::of(view, &account, Kind::Table, id);
        let mut draft = desk.store.read(own)?.ok_or(Failed::NotFound)?;
        let content = std::mem::take(&mut draft.content);
        let kept = serde_json::from_str(&content).map_err(|_| Failed::NotFound)?;
        Ok((draft, kept))
    })
    .await
}

/// Which page of the rows.
#[derive(Deserialize)]
struct At {
    #[serde(default)]
    page: String,
}

async fn open(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(id): Path<String>,
    Question(At { page }): Question<At>,
) -> Result<Response, Failed> {
    visitor.may(Right::BringIn)?;
    let (draft, kept) = own(&desk, &visitor, number(&id)?).await?;
    desk.did(&visitor, Action::Listed, None, None, "table of old values")
        .await?;
    let page = page.parse().unwrap_or(1);
    rows_page(&desk, &visitor, (draft, kept), page, None).await
}

async fn rows_page(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    (draft, kept): (Draft, Kept),
    page: usize,
    problem: Option<String>,
) -> Result<Response, Failed> {
    let (who, proof) = (visitor.clone(), signing::asked(visitor));
    let view = desk
        .off(move |desk| {
            let mut view = looked(desk, &who, &kept)?.view(desk, &kept, page)?;
            view.draft = draft.id;
            view.saved_at = draft.saved_at;
            view.proof = proof;
            view.problem = problem.or(view.problem);
            Ok(view)
        })
        .await?;
    let body = preview(&view, &visitor.token());
    desk.page(visitor, Some(Place::BringIn), TITLE, &body).await
}

async fn act(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(id): Path<String>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::BringIn)?;
    let id = number(&id)?;
    let (mut draft, mut kept) = own(&desk, &visitor, id).await?;
    let account = visitor.account.clone();
    if fields.one("act") == "drop" {
        let remove = move |tx: &_| drafts::remove(tx, &account, id);
        desk.store.write_async(remove).await?;
        return Ok(Redirect::to(Place::BringIn.path()).into_response());
    }
    kept.declaring = chosen(&kept, &fields);
    let who = visitor.clone();
    let leave_refused = fields.one("act") == "leave_refused";
    let (saved_at, kept) = desk
        .off(move |desk| {
            if leave_refused {
                let refused = refused(desk, &who, &kept)?;
                kept.declaring.leave_out.extend(refused);
            }
            let (content, now) = (kept.content()?, Utc::now());
            let replace =
                move |tx: &_| drafts::replace(tx, &account, Kind::Table, id, &content, now);
            if desk.store.write(replace)? {
                Ok((now, kept))
            } else {
                Err(Failed::NotFound)
            }
        })
        .await?;
    draft.saved_at = saved_at;
    if fields.one("act") == "bring" {
        return whole::bring(&desk, &visitor, (draft, kept), &fields).await;
    }
    let page: usize = fields.one("page").parse().unwrap_or(1);
    Ok(Redirect::to(&format!("/bring-in/{id}?page={page}")).into_response())
}

/// What is declared now: what stands in the fields, which column is which, which lines of the page are
/// left out.
fn chosen(kept: &Kept, fields: &Fields) -> Declaring {
    let mut declaring = declared(&kept.declaring, fields);
    let separator = declaring.separator().unwrap_or(',');
    let stands = lines(kept.text.as_bytes(), separator).unwrap_or_default();
    let header = stands.into_iter().next().map(|(_, names)| names);
    let header = header.unwrap_or_default();
    // Choices were made for the columns that were shown.
    let same = declaring.separator == kept.declaring.separator;
    for (n, name) in header.iter().enumerate().filter(|_| same) {
        if let Some(choice) = fields.all(&format!("column_{n}")).next() {
            declaring.columns.insert(name.clone(), choice.to_owned());
        }
    }
    declaring.match_by_name(&header);
    let numbers = |name: &str| -> BTreeSet<u64> {
        fields
            .all(name)
            .filter_map(|text| text.parse().ok())
            .collect()
    };
    let shown = numbers("shown");
    declaring.leave_out.retain(|line| !shown.contains(line));
    let out = numbers("out");
    declaring.leave_out.extend(out.intersection(&shown));
    declaring
}
