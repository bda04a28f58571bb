//! Bring in old values: a table is taken as a draft of its own account, looked at, brought in as a
//! whole, and taken back as a whole.
//!
//! Between looking and bringing in the text stays in the store, so that what is brought in is what was
//! looked at: the form names the hash that was shown.

mod rows;

use super::measure::{limits, number};
use super::posted::Question;
use super::signing::{self, by};
use super::{Action, Desk, Failed, Fields, Posted, Right, Uploaded, Visitor};
use crate::entering::{self, Bring, NotEntered};
use axum::Router;
use axum::extract::{DefaultBodyLimit, FromRequest, Path, Request, State};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::{TimeDelta, Utc};
use rows::{looked, refused, signing_now};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sheathline_model::annotations::Counting;
use sheathline_model::entered::table;
use sheathline_model::entered::table::lines;
use sheathline_model::pages::bring::{
    Declaring, Made, Start, TABLE_BYTES_MAX, Waiting, preview, start,
};
use sheathline_model::pages::layout::Place;
use sheathline_store::measurement_drafts::{self as drafts, Draft, Kind};
use sheathline_store::{StoreError, View, annotations, bringings, identity, readings};
use std::collections::{BTreeMap, BTreeSet};
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
        .route("/bring-in/back", post(back))
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
        let made = made.into_iter().map(|one| made_of(view, one));
        Ok((drafts, made.collect::<Result<Vec<_>, StoreError>>()?))
    };
    let (drafts, made) = desk.off(move |desk| Ok(desk.store.read(read)?)).await?;
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
    };
    let body = start(&view, &visitor.token());
    desk.page(visitor, Some(Place::BringIn), TITLE, &body).await
}

/// A table that was brought in, with how many of its reports count no more.
fn made_of(view: &View, one: bringings::Bringing) -> Result<Made, StoreError> {
    let mut of_patients: BTreeMap<_, Counting> = BTreeMap::new();
    let mut taken_back = 0;
    for report in bringings::reports(view, one.number)? {
        let uid = report.sop_instance_uid;
        let stored = readings::by_sop_instance(view, &uid)?.into_iter().next();
        let Some(patient) = stored.and_then(|one| one.reading.patient) else {
            continue;
        };
        if !of_patients.contains_key(&patient.key) {
            let ids = identity::person(view, &patient.key)?.ids;
            let counting = Counting::of(&annotations::of_ids(view, &ids)?);
            of_patients.insert(patient.key.clone(), counting);
        }
        let counting = of_patients.get(&patient.key);
        let is_back = counting.is_some_and(|counting| {
            let mut all = counting.taken_back.iter().flat_map(|about| &about.readings);
            all.any(|one| one.object == uid)
        });
        taken_back += usize::from(is_back);
    }
    Ok(Made {
        number: one.number,
        at: one.recorded_at,
        author: one.brought.by.author.name().to_owned(),
        reason: one.brought.by.reason.clone(),
        file_name: one.brought.file_name.clone(),
        sha256: hex(&one.brought.file_sha256),
        rows: one.brought.rows.into(),
        reports: usize::try_from(one.reports).unwrap_or(usize::MAX),
        taken_back,
    })
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
        return bring(&desk, &visitor, (draft, kept), &fields).await;
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

async fn bring(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    (draft, kept): (Draft, Kept),
    fields: &Fields,
) -> Result<Response, Failed> {
    let again =
        |problem: String, kept| rows_page(desk, visitor, (draft.clone(), kept), 1, Some(problem));
    let reason: String = fields.one("reason").chars().take(LETTERS_MAX).collect();
    if reason.is_empty() {
        let what = "Say where the table comes from, and why it is brought in.";
        return again(what.to_owned(), kept).await;
    }
    if fields.one("sha256") != hex(&kept.sha256()) {
        return Err(Failed::Bad("Look at the rows once more.".to_owned()));
    }
    if !signing::is_proved(desk, visitor, fields).await? {
        return again(signing::not_proved(visitor), kept).await;
    }
    let detail = format!("SHA-256 {}: {reason}", hex(&kept.sha256()));
    desk.did(visitor, Action::BroughtIn, None, None, &detail)
        .await?;
    let (who, signing) = (by(visitor, &reason), signing_now(visitor, &reason));
    let (done, kept) = desk
        .off(move |desk| {
            let declared = kept.declaring.declared().map_err(Failed::Bad)?;
            let table = table(kept.text.as_bytes(), &declared, &signing, &limits(desk));
            let bring = Bring {
                table: &table,
                by: &who,
                file_name: &kept.file_name,
                file_sha256: kept.sha256(),
                current_days: Some(entering::CURRENT_DAYS),
            };
            Ok((
                entering::bring_in(&desk.store, &desk.observed, &bring),
                kept,
            ))
        })
        .await?;
    match done {
        Ok(brought) => {
            let (account, id) = (visitor.account.clone(), draft.id);
            let remove = move |tx: &_| drafts::remove(tx, &account, id);
            desk.store.write_async(remove).await?;
            let told = match brought.number {
                Some(number) => format!("table {number}"),
                None => "nothing in it was new".to_owned(),
            };
            let detail = format!(
                "{told}: {} new, {} again, {} already",
                brought.new, brought.again, brought.already
            );
            desk.did(visitor, Action::BroughtIn, None, None, &detail)
                .await?;
            Ok(Redirect::to(Place::BringIn.path()).into_response())
        }
        Err(NotEntered::Store(error)) => Err(error.into()),
        Err(why) => {
            desk.did(visitor, Action::BroughtIn, None, None, "not brought in")
                .await?;
            let problem = match why {
                NotEntered::Lines(_) => "It is not brought in: rows are refused.".to_owned(),
                why => format!("It is not brought in: {why}."),
            };
            again(problem, kept).await
        }
    }
}

async fn back(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::BringIn)?;
    let number: i64 = fields.one("number").parse().map_err(|_| Failed::NotFound)?;
    let reason: String = fields.one("reason").chars().take(LETTERS_MAX).collect();
    if reason.is_empty() {
        return Err(Failed::Bad("Say why the table is taken back.".to_owned()));
    }
    let detail = format!("takes table {number} back: {reason}");
    desk.did(&visitor, Action::BroughtIn, None, None, &detail)
        .await?;
    let who = by(&visitor, &reason);
    let done = desk
        .off(move |desk| Ok(entering::take_back(&desk.store, number, &who)))
        .await?;
    match done {
        Ok(_) => Ok(Redirect::to(Place::BringIn.path()).into_response()),
        Err(NotEntered::NoTable(_)) => Err(Failed::NotFound),
        Err(NotEntered::Store(error)) => Err(error.into()),
        Err(why) => Err(Failed::Bad(format!("The table is not taken back: {why}."))),
    }
}
