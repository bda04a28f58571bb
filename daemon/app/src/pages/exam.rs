//! One exam.

use super::posted::Question;
use super::{Action, Desk, Failed, Right, Visitor, acting, gathered};
use crate::entering;
use crate::known::{content_of, latest_results};
use crate::parcel;
use axum::Router;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde::Deserialize;
use sheathline_model::annotations::Said;
use sheathline_model::forms::{self, FormError};
use sheathline_model::pages::acting::May;
use sheathline_model::pages::exam::{self, Version, View};
use sheathline_model::pages::layout::Whose;
use sheathline_model::pages::lines;
use sheathline_model::pages::picture::{self, Known};
use sheathline_model::render::{html, pdf};
use sheathline_model::results::Content;
use sheathline_model::sr::pixels;
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{StoreError, View as Read, exam_lines, objects, readings};
use std::collections::BTreeMap;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/exam/{exam_id}", get(shown))
        .route("/exam/{exam_id}/result.pdf", get(as_pdf))
        .route("/exam/{exam_id}/result.dcm", get(as_sr))
        .route("/exam/{exam_id}/picture/{number}", get(as_picture))
}

/// What an address asks for beside the exam.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    /// Number of the entry that was just recorded.
    recorded: Option<i64>,
}

async fn shown(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Question(asked): Question<Asked>,
) -> Result<Response, Failed> {
    let row = gathered::opened(&desk, &visitor, &exam_id, Action::Viewed, "exam").await?;
    let reader = visitor.clone();
    let view = desk
        .off(move |desk| view(desk, &row, &reader, asked.recorded))
        .await?;
    let body = exam::html(&view, &|| visitor.token());
    desk.page(&visitor, None, "Exam", &body).await
}

/// What somebody may do with an exam.
pub(super) fn may(visitor: &Visitor) -> May {
    May {
        label: visitor.roles.may(Right::Label),
        leave_out: visitor.roles.may(Right::TakeOut),
        correct: visitor.roles.may(Right::Measure) || visitor.roles.may(Right::Correct),
        take_back: visitor.roles.may(Right::Correct),
    }
}

fn view(
    desk: &Desk,
    row: &ResultRow,
    visitor: &Visitor,
    recorded: Option<i64>,
) -> Result<View, Failed> {
    let person = gathered::person(desk, &row.patient)?;
    let (result, others, versions, line) = desk.store.read(|view| {
        Ok((
            parcel::envelope(view, row)?,
            latest_results(view, &row.patient)?,
            results::versions(view, &row.exam_id)?,
            exam_lines::of_exam(view, &row.exam_id)?,
        ))
    })?;
    // A damaged one is not in the picture.
    let others: Vec<Content> = others
        .iter()
        .filter_map(|row| content_of(row).ok())
        .collect();
    let mut versions: Vec<Version> = versions
        .iter()
        .map(|row| {
            let content = content_of(row).ok();
            Version::of(row.version, row.created_at, &row.why, content.as_ref())
        })
        .collect();
    versions.sort_by_key(|one| std::cmp::Reverse(one.number));
    let known = desk.store.read(|view| pictures(view, &result.content))?;
    let known = known
        .into_iter()
        .map(|(uid, (known, _))| (uid, known))
        .collect();
    let mut entries = gathered::said(desk, &person, Some(&row.exam_id));
    let mut has_taken_back = false;
    for entry in &mut entries {
        let mut all = person.entries.iter();
        let Some(of_it) = all.find(|one| one.id == entry.number) else {
            continue;
        };
        if matches!(of_it.said, Said::Nothing(..)) || !entry.counts {
            continue;
        }
        has_taken_back |= matches!(of_it.said, Said::TakenBack(_));
        let is_own = of_it.by.entered_by == visitor.account;
        entry.may_take_back = visitor.roles.may(acting::right(of_it.said.kind()))
            && (is_own || visitor.roles.may(Right::Correct));
    }
    let name = line.as_ref().and_then(|line| line.name.clone());
    Ok(View {
        whose: Whose::of_content(&result.content, name),
        trends: html::trends(&result.content, &others),
        rise: line.as_ref().and_then(lines::rise),
        versions,
        told: gathered::told(&entries, recorded),
        entries,
        pictures: picture::of_exam(&result.content, &known),
        may: may(visitor),
        is_gone: person.exams.iter().all(|exam| exam.id != row.exam_id),
        has_taken_back,
        stamp: person.stamp(),
        is_typed: is_typed(desk, &result.content),
        result,
    })
}

/// Whether a report of the exam that stands was typed by a person: then it is corrected by another one.
fn is_typed(desk: &Desk, content: &Content) -> bool {
    let mut standing = content
        .reports
        .iter()
        .filter(|one| one.superseded_by.is_empty());
    standing.any(|one| entering::correctable(&desk.store, &one.sop_instance_uid).is_ok())
}

/// The pictures that calipers of an exam are drawn in, as far as they were received, each with the
/// object that holds its pixels.
fn pictures(
    view: &Read,
    content: &Content,
) -> Result<BTreeMap<String, (Known, objects::ObjectId)>, StoreError> {
    let mut known = BTreeMap::new();
    for (uid, _) in picture::places(content) {
        if known.contains_key(&uid) {
            continue;
        }
        let stored = readings::by_sop_instance(view, &uid)?;
        let stored = stored
            .into_iter()
            .filter(|one| {
                one.reading.disposition != sheathline_model::domain::Disposition::Quarantined
            })
            .find_map(|one| Some((one.id, one.reading.image?)));
        let Some((id, image)) = stored else { continue };
        let has_pixels = objects::is_whole(view, id)?;
        known.insert(uid, (Known { image, has_pixels }, id));
    }
    Ok(known)
}

async fn as_pdf(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
) -> Result<Response, Failed> {
    let row = gathered::opened(&desk, &visitor, &exam_id, Action::Downloaded, "PDF").await?;
    let bytes = desk
        .off(move |desk| {
            let (result, others) = desk.store.read(|view| {
                Ok((
                    parcel::envelope(view, &row)?,
                    latest_results(view, &row.patient)?,
                ))
            })?;
            let others: Vec<Content> = others
                .iter()
                .filter_map(|row| content_of(row).ok())
                .collect();
            let page = pdf::pdf(&result, &html::trends(&result.content, &others));
            page.map_err(|error| unmade(&error.into()))
        })
        .await?;
    Ok(download("application/pdf", &exam_id, "pdf", bytes))
}

async fn as_sr(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
) -> Result<Response, Failed> {
    let row = gathered::opened(&desk, &visitor, &exam_id, Action::Downloaded, "SR").await?;
    let bytes = desk
        .off(move |desk| {
            let result = desk.store.read(|view| parcel::envelope(view, &row))?;
            let context = parcel::context(&desk.store, &row)?;
            forms::sr::comprehensive_sr(&result, &context).map_err(|error| unmade(&error))
        })
        .await?;
    Ok(download("application/dicom", &exam_id, "dcm", bytes))
}

fn unmade(error: &FormError) -> Failed {
    Failed::Bad(format!("The file cannot be made: {error}."))
}

/// A file to keep. Its name holds our name of the exam, nothing of the patient.
fn download(kind: &'static str, exam_id: &str, end: &str, bytes: Vec<u8>) -> Response {
    let safe = exam_id.chars().filter(char::is_ascii_alphanumeric);
    let name = format!(
        "attachment; filename=\"{}.{end}\"",
        safe.collect::<String>()
    );
    (
        [(CONTENT_TYPE, kind.to_owned()), (CONTENT_DISPOSITION, name)],
        bytes,
    )
        .into_response()
}

/// A picture of the exam by its number among those shown. It is part of the page, which was noted.
async fn as_picture(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path((exam_id, number)): Path<(String, usize)>,
) -> Result<Response, Failed> {
    let row = gathered::opened(&desk, &visitor, &exam_id, Action::Viewed, "picture").await?;
    let served = desk.off(move |desk| frame(desk, &row, number)).await?;
    let (kind, bytes) = served.ok_or(Failed::NotFound)?;
    Ok(([(CONTENT_TYPE, kind)], bytes).into_response())
}

fn frame(
    desk: &Desk,
    row: &ResultRow,
    number: usize,
) -> Result<Option<(&'static str, Vec<u8>)>, Failed> {
    let content = content_of(row)?;
    let Some((uid, frame)) = picture::places(&content).into_iter().nth(number) else {
        return Ok(None);
    };
    let found = desk.store.read(|view| {
        let mut known = pictures(view, &content)?;
        let Some((_, id)) = known.remove(&uid) else {
            return Ok(None);
        };
        let syntax = objects::transfer_syntax(view, id)?;
        match objects::body(view, id) {
            Err(StoreError::Damaged { .. } | StoreError::Dropped { .. }) => Ok(None),
            bytes => Ok(Some((bytes?, syntax))),
        }
    })?;
    let Some((bytes, syntax)) = found else {
        return Ok(None);
    };
    // Pixels that are not shown are not there for a reader; the page says why where it can.
    let shown = pixels::frame(&bytes, syntax.as_deref(), &desk.rules.limits, frame).ok();
    Ok(shown.and_then(picture::served))
}
