//! New measurement: somebody is found and shown back, what is typed is kept as a draft, and what is
//! signed goes the way of every other report.
//!
//! Each step leaves what the one before kept: a draft until its report is on stable storage, and the
//! report from then on. Its UID follows from what it says, so that signing twice keeps it once.

mod correct;
mod sign;
mod signed;

use super::signing;
use super::whom;
use super::{Action, Desk, Failed, Fields, Posted, Right, Visitor};
use axum::Router;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::Utc;
use sheathline_model::domain::{Eye, Millimetres, PatientKey, Sex};
use sheathline_model::entered::{Fault, Field, Limits, READINGS_MAX, Subject};
use sheathline_model::pages::layout::{Place, Whose};
use sheathline_model::pages::measure::{
    Find, Form, Kept, Row, Shown, Sought, Typing, find, form, name_of, shown,
};
use sheathline_store::measurement_drafts::{self as drafts, Draft, Kind};
use sheathline_store::{StoreError, assessment_queue};
use sign::{judged, sign};
use std::sync::Arc;

const TITLE: &str = "New measurement";

/// How deeds name views that show whom a page is about, and no value of an exam.
pub(super) const SHOWN_BACK: &str = "shown back to be measured";
pub(super) const OPENED: &str = "draft of a measurement";
pub(super) const WAITED_FOR: &str = "signed measurement";

/// Letters of any field that are kept in a draft.
const LETTERS_MAX: usize = 600;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route(Place::Measure.path(), get(start))
        .route("/measure/find", post(look_for))
        .route("/measure/begin", post(begin))
        .route("/measure/{draft}", get(open).post(act))
        .merge(correct::routes())
        .merge(signed::routes())
}

async fn start(State(desk): State<Arc<Desk>>, visitor: Visitor) -> Result<Response, Failed> {
    visitor.may(Right::Measure)?;
    first(&desk, &visitor, Sought::default(), None).await
}

/// The page that asks who is measured.
async fn first(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    sought: Sought,
    problem: Option<String>,
) -> Result<Response, Failed> {
    let account = visitor.account.clone();
    let drafts = desk
        .off(move |desk| {
            Ok(desk
                .store
                .read(|view| drafts::list(view, &account, Kind::Measurement))?)
        })
        .await?;
    let view = Find {
        sought,
        problem,
        drafts: drafts.iter().filter_map(kept).collect(),
    };
    let body = find(&view, &visitor.token());
    desk.page(visitor, Some(Place::Measure), TITLE, &body).await
}

fn kept(draft: &Draft) -> Option<Kept> {
    let typing: Typing = serde_json::from_str(&draft.content).ok()?;
    Some(Kept {
        id: draft.id,
        patient: typing.subject.patient.id,
        birth_date: typing.subject.birth_date,
        date: typing.date,
        saved_at: draft.saved_at,
    })
}

fn sought(fields: &Fields) -> Sought {
    Sought {
        id: fields.one("patient_id").to_owned(),
        issuer: fields.one("issuer").to_owned(),
        birth_date: fields.one("birth_date").to_owned(),
        accession: fields.one("accession").to_owned(),
    }
}

async fn look_for(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::Measure)?;
    let sought = sought(&fields);
    let asked = sought.clone();
    let found = match desk.off(move |desk| whom::find(desk, &asked)).await? {
        Ok(found) => found,
        Err(problem) => return first(&desk, &visitor, sought, Some(problem)).await,
    };
    for one in found.iter().filter(|one| one.candidate.exams > 0) {
        let patient = &one.subject.patient;
        desk.did(&visitor, Action::Viewed, Some(patient), None, SHOWN_BACK)
            .await?;
    }
    let view = Shown {
        sought,
        candidates: found.into_iter().map(|one| one.candidate).collect(),
    };
    let body = shown(&view, &visitor.token());
    desk.page(&visitor, Some(Place::Measure), TITLE, &body)
        .await
}

async fn begin(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::Measure)?;
    // Looked for once more: what the form says of somebody is not taken for granted.
    let asked = sought(&fields);
    let by_accession = asked.accession.clone();
    let issuer = asked.issuer.clone();
    let id = Sought {
        accession: String::new(),
        ..asked
    };
    let found = desk.off(move |desk| whom::find(desk, &id)).await?;
    let found = found.map_err(Failed::Bad)?.into_iter();
    let mut found = found.filter(|one| one.subject.patient.issuer == issuer);
    let Some(one) = found.next() else {
        return Err(Failed::Bad("Look for the patient once more.".to_owned()));
    };
    let mut subject = one.subject;
    if one.candidate.exams == 0 {
        subject.name = fields.filled("name").map(str::to_owned);
        subject.sex = Sex::of_letter(fields.one("sex"));
    }
    subject.accession = Some(by_accession).filter(|text| !text.is_empty());
    let id = keep_new(&desk, &visitor, &opened(&visitor, subject)).await?;
    Ok(Redirect::to(&format!("/measure/{id}")).into_response())
}

/// Nothing typed yet: whoever types usually measured.
fn opened(visitor: &Visitor, subject: Subject) -> Typing {
    Typing {
        operator: visitor.name.clone(),
        ..Typing::of(subject)
    }
}

/// Keeps what is typed as a new draft.
async fn keep_new(desk: &Desk, visitor: &Visitor, typing: &Typing) -> Result<i64, Failed> {
    let (account, content) = (visitor.account.clone(), text_of(typing)?);
    let add = move |tx: &_| drafts::add(tx, &account, Kind::Measurement, &content, Utc::now());
    Ok(desk.store.write_async(add).await?)
}

fn text_of(typing: &Typing) -> Result<String, Failed> {
    serde_json::to_string(typing)
        .map_err(|error| Failed::Store(StoreError::Work(error.to_string())))
}

/// The number in an address.
pub(super) fn number(text: &str) -> Result<i64, Failed> {
    text.parse().map_err(|_| Failed::NotFound)
}

/// Whether somebody may type at all, their own or a correction: asked before anything is looked up.
fn may_type(visitor: &Visitor) -> Result<(), Failed> {
    if visitor.roles.may(Right::Correct) {
        return Ok(());
    }
    visitor.may(Right::Measure)
}

/// A draft of this visitor with what is typed in it.
async fn own(desk: &Arc<Desk>, visitor: &Visitor, id: i64) -> Result<(Draft, Typing), Failed> {
    let account = visitor.account.clone();
    let draft = desk
        .off(move |desk| {
            let own = |view: &_| drafts::of(view, &account, Kind::Measurement, id);
            Ok(desk.store.read(own)?)
        })
        .await?;
    let draft = draft.ok_or(Failed::NotFound)?;
    let typing: Typing = serde_json::from_str(&draft.content).map_err(|_| Failed::NotFound)?;
    match typing.corrects {
        Some(_) if visitor.roles.may(Right::Correct) => {}
        _ => visitor.may(Right::Measure)?,
    }
    Ok((draft, typing))
}

async fn open(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(id): Path<String>,
) -> Result<Response, Failed> {
    may_type(&visitor)?;
    let (draft, typing) = own(&desk, &visitor, number(&id)?).await?;
    let patient = &typing.subject.patient;
    desk.did(&visitor, Action::Viewed, Some(patient), None, OPENED)
        .await?;
    fields_page(&desk, &visitor, &draft, typing, Said::default()).await
}

/// What is told beside the fields.
#[derive(Default)]
struct Said {
    faults: Vec<Fault>,
    problem: Option<String>,
    ask: Option<String>,
}

async fn fields_page(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    draft: &Draft,
    typing: Typing,
    said: Said,
) -> Result<Response, Failed> {
    let patient = typing.subject.patient.clone();
    let unknown = desk.off(move |desk| is_unknown(desk, &patient)).await?;
    let view = Form {
        draft: draft.id,
        whose: whose(&typing.subject),
        unknown,
        typing,
        faults: said.faults,
        problem: said.problem,
        ask: said.ask,
        saved_at: draft.saved_at,
        proof: signing::asked(visitor),
        limits: limits(desk),
    };
    let body = form(&view, &visitor.token());
    desk.page(visitor, Some(Place::Measure), TITLE, &body).await
}

fn is_unknown(desk: &Desk, patient: &PatientKey) -> Result<bool, Failed> {
    let keys = desk
        .store
        .read(|view| assessment_queue::with_id(view, &patient.id))?;
    Ok(!keys.contains(patient))
}

/// Whom a subject is, as a page shows it.
pub(super) fn whose(subject: &Subject) -> Whose {
    Whose {
        id: subject.patient.id.clone(),
        issuer: subject.patient.issuer.clone(),
        birth_date: Some(subject.birth_date),
        sex: subject.sex,
        name: subject.name.clone(),
        age_years: None,
    }
}

/// What a typed measurement is held against at this site.
pub(super) fn limits(desk: &Desk) -> Limits {
    let baseline = &desk.config.baseline;
    let usual = Limits::default();
    let length = |mm, or| Millimetres::from_mm(mm).unwrap_or(or);
    Limits {
        plausible: (
            length(baseline.plausible_min, usual.plausible.0),
            length(baseline.plausible_max, usual.plausible.1),
        ),
        sigma_w_mm: baseline.sigma_w,
    }
}

/// What stands in the fields now; whose it is and what it corrects stay.
fn typed_in(before: &Typing, fields: &Fields) -> Typing {
    let text = |field: Field| short(fields.one(&name_of(field)));
    let rows = |eye: Eye| (0..READINGS_MAX).map(|n| row(fields, eye, n)).collect();
    Typing {
        date: text(Field::Day),
        time: text(Field::Time),
        border: text(Field::Border),
        operator: text(Field::Operator),
        maker: text(Field::Manufacturer),
        model: text(Field::Model),
        serial: text(Field::Serial),
        right: rows(Eye::Right),
        left: rows(Eye::Left),
        reason: text(Field::Reason),
        ..before.clone()
    }
}

/// The fields of one reading.
pub(super) fn row(fields: &Fields, eye: Eye, n: usize) -> Row {
    let text = |field: Field| short(fields.one(&name_of(field)));
    Row {
        value: text(Field::Value(eye, n)),
        plane: text(Field::Plane(eye, n)),
        depth: text(Field::Depth(eye, n)),
        angle: text(Field::Angle(eye, n)),
    }
}

fn short(text: &str) -> String {
    text.chars().take(LETTERS_MAX).collect()
}

async fn act(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(id): Path<String>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    may_type(&visitor)?;
    let id = number(&id)?;
    let (mut draft, before) = own(&desk, &visitor, id).await?;
    let account = visitor.account.clone();
    if fields.one("act") == "drop" {
        let remove = move |tx: &_| drafts::remove(tx, &account, id);
        desk.store.write_async(remove).await?;
        return Ok(Redirect::to(Place::Measure.path()).into_response());
    }
    // Whatever comes of it, what was typed is kept first.
    let typing = typed_in(&before, &fields);
    let content = text_of(&typing)?;
    let now = Utc::now();
    let replace = move |tx: &_| drafts::replace(tx, &account, Kind::Measurement, id, &content, now);
    if !desk.store.write_async(replace).await? {
        return Err(Failed::NotFound);
    }
    draft.saved_at = now;
    match fields.one("act") {
        "sign" => sign(&desk, &visitor, (draft, typing), &fields).await,
        "check" => {
            let (faults, _) = judged(&desk, &visitor, &typing).await?;
            let problem = faults
                .is_empty()
                .then(|| "Nothing speaks against it. It is not signed yet.".to_owned());
            let said = Said {
                faults,
                problem,
                ask: None,
            };
            fields_page(&desk, &visitor, &draft, typing, said).await
        }
        _ => Ok(Redirect::to(&format!("/measure/{id}")).into_response()),
    }
}

/// How a deed names what was signed.
fn deed(report: &str) -> String {
    format!("report {report}")
}
