//! Second reading: taken up, read without the first values, signed, then judged.

mod known;
mod sign;

use super::measure::limits;
use super::signing::{self, by};
use super::{Action, Desk, Failed, Fields, Posted, Right, Visitor};
use crate::acts::{self, ActError, Look, Order, Wish};
use axum::Router;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::Utc;
use known::{Known, had_seen, known};
use serde::{Deserialize, Serialize};
use sheathline_model::annotations::{Judgement, Said, SecondReading};
use sheathline_model::domain::{Eye, PatientKey};
use sheathline_model::entered::{Fault, TypedReading};
use sheathline_model::pages::layout::Whose;
use sheathline_model::pages::measure::Row;
use sheathline_model::pages::preview::difference;
use sheathline_model::pages::second::{
    Asked, Judged, Signed, Stage, Values, View, page as page_of,
};
use sheathline_store::measurement_drafts::{self as drafts, Kind};
use std::sync::Arc;

/// How often an act is prepared again because somebody else said something in between.
const TRIES: usize = 5;

/// Letters of a reason.
const LETTERS_MAX: usize = 500;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/second/{exam_id}", get(open))
        .route("/second/{exam_id}/take", post(take))
        .route("/second/{exam_id}/sign", post(sign::sign))
        .route("/second/{exam_id}/give-up", post(sign::give_up))
        .route("/second/{exam_id}/judge", post(judge))
}

/// What is kept while somebody reads.
#[derive(Serialize, Deserialize)]
struct Taken {
    patient: PatientKey,
    exam_id: String,
}

/// Patient and exam of such a draft.
pub(super) fn taken(content: &str) -> Option<(PatientKey, String)> {
    let taken: Taken = serde_json::from_str(content).ok()?;
    Some((taken.patient, taken.exam_id))
}

async fn may(desk: &Arc<Desk>, visitor: &Visitor, exam_id: &str) -> Result<Arc<Known>, Failed> {
    visitor.may(Right::Label)?;
    let exam_id = exam_id.to_owned();
    let known = desk.off(move |desk| known(desk, &exam_id)).await?;
    Ok(Arc::new(known))
}

/// The draft of a visitor who reads this exam.
async fn reads(desk: &Arc<Desk>, visitor: &Visitor, exam_id: &str) -> Result<Option<i64>, Failed> {
    let (account, exam_id) = (visitor.account.clone(), exam_id.to_owned());
    desk.off(move |desk| {
        let all = desk
            .store
            .read(|view| drafts::list(view, &account, Kind::Second))?;
        let mut own = all
            .iter()
            .filter(|draft| taken(&draft.content).is_some_and(|(_, exam)| exam == exam_id));
        Ok(own.next().map(|draft| draft.id))
    })
    .await
}

async fn open(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
) -> Result<Response, Failed> {
    let known = may(&desk, &visitor, &exam_id).await?;
    let stage = stage(&desk, &visitor, &known).await?;
    shown(&desk, &visitor, &known, stage, None).await
}

/// How far it is for this visitor.
async fn stage(desk: &Arc<Desk>, visitor: &Visitor, known: &Arc<Known>) -> Result<Stage, Failed> {
    if reads(desk, visitor, &known.exam.id).await?.is_some() {
        return Ok(typing(desk, visitor, Default::default(), Vec::new()));
    }
    let said = known.said();
    let is_asked = said
        .iter()
        .any(|entry| matches!(entry.said, Said::SecondAsked(_)));
    let is_read = said
        .iter()
        .any(|entry| matches!(entry.said, Said::SecondRead(..)));
    if !is_read {
        return Ok(if is_asked {
            Stage::Offered
        } else {
            Stage::NotAsked
        });
    }
    let mut second = Vec::new();
    for entry in &said {
        if let Said::SecondRead(_, reading) = &entry.said {
            second.push(Signed {
                by: entry.by.author.name().to_owned(),
                at: entry.recorded_at,
                values: values(reading),
                had_seen: had_seen(desk, known, entry).await?,
            });
        }
    }
    let judged = said.iter().rev().find_map(|entry| match &entry.said {
        Said::SecondJudged(_, judgement) => Some(Judged {
            by: entry.by.author.name().to_owned(),
            at: entry.recorded_at,
            agrees: *judgement == Judgement::Agrees,
            reason: entry.by.reason.clone(),
        }),
        _ => None,
    });
    Ok(Stage::Both {
        first: known.first(),
        second,
        judged,
        may_judge: visitor.roles.may(Right::Label),
    })
}

fn values(reading: &SecondReading) -> Values {
    let of = |eye| {
        reading
            .widths(eye)
            .map(|(width, decimals)| TypedReading::of(width, decimals))
    };
    Values {
        right: of(Eye::Right).collect(),
        left: of(Eye::Left).collect(),
    }
}

/// How deeds name what is seen here without the first values.
const SECOND: &str = "second reading";

fn typing(desk: &Desk, visitor: &Visitor, rows: [Vec<Row>; 2], faults: Vec<Fault>) -> Stage {
    Stage::Reads {
        rows,
        faults,
        proof: signing::asked(visitor),
        limits: limits(desk),
    }
}

async fn shown(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    known: &Arc<Known>,
    stage: Stage,
    problem: Option<String>,
) -> Result<Response, Failed> {
    let exam = &known.exam;
    let detail = match stage {
        Stage::Both { .. } => "first and second reading",
        _ => SECOND,
    };
    desk.did(
        visitor,
        Action::Viewed,
        Some(&known.patient),
        Some(&exam.id),
        detail,
    )
    .await?;
    let said = known.said();
    let asked = said
        .iter()
        .rev()
        .find(|entry| matches!(entry.said, Said::SecondAsked(_)));
    let view = View {
        exam_id: exam.id.clone(),
        whose: Whose {
            id: known.patient.id.clone(),
            issuer: known.patient.issuer.clone(),
            birth_date: exam.identity.birth_date,
            sex: exam.identity.sex,
            name: known.name.clone(),
            age_years: None,
        },
        performed_at: exam.performed_at,
        asked: asked.map(|entry| Asked {
            by: entry.by.author.name().to_owned(),
            at: entry.recorded_at,
            reason: entry.by.reason.clone(),
        }),
        problem,
        stage,
        stamp: known.person.stamp(),
    };
    let body = page_of(&view, &visitor.token());
    desk.page(visitor, None, "Second reading", &body).await
}

fn back_to(exam_id: &str) -> Response {
    Redirect::to(&format!("/second/{exam_id}")).into_response()
}

async fn take(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Posted(_): Posted<Fields>,
) -> Result<Response, Failed> {
    let known = may(&desk, &visitor, &exam_id).await?;
    let said = known.said();
    if !said
        .iter()
        .any(|entry| matches!(entry.said, Said::SecondAsked(_)))
    {
        return Err(Failed::Bad(
            "Nobody asks for a second reading of this exam.".to_owned(),
        ));
    }
    if reads(&desk, &visitor, &exam_id).await?.is_none() {
        let (account, patient) = (visitor.account.clone(), known.patient.clone());
        let content = serde_json::json!({ "patient": patient, "exam_id": exam_id }).to_string();
        let add = move |tx: &_| drafts::add(tx, &account, Kind::Second, &content, Utc::now());
        desk.store.write_async(add).await?;
        let detail = "takes a second reading up";
        desk.did(
            &visitor,
            Action::Entered,
            Some(&patient),
            Some(&exam_id),
            detail,
        )
        .await?;
    }
    Ok(back_to(&exam_id))
}

async fn judge(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    let known = may(&desk, &visitor, &exam_id).await?;
    // Whoever reads has not seen both.
    if reads(&desk, &visitor, &exam_id).await?.is_some() {
        return Ok(back_to(&exam_id));
    }
    let Some(shown_then) = fields.filled("stamp").map(str::to_owned) else {
        let what = "The form does not say what was shown; load the page again.";
        return Err(Failed::Bad(what.to_owned()));
    };
    let judgement = match fields.one("says") {
        "agrees" => Judgement::Agrees,
        "differs" => Judgement::Differs,
        _ => return Err(Failed::Bad("Say whether they agree or differ.".to_owned())),
    };
    let reason: String = fields.one("reason").chars().take(LETTERS_MAX).collect();
    if judgement == Judgement::Differs && reason.is_empty() {
        let stage = stage(&desk, &visitor, &known).await?;
        let problem = "Say in what they differ.".to_owned();
        return shown(&desk, &visitor, &known, stage, Some(problem)).await;
    }
    say(
        &desk,
        &visitor,
        &known,
        Wish::SecondJudge(judgement),
        &reason,
        Some(shown_then),
    )
    .await?;
    Ok(back_to(&exam_id))
}

/// Records one thing of the exam; with the stamp of what was shown only while that stands.
async fn say(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    known: &Arc<Known>,
    wish: Wish,
    reason: &str,
    shown_then: Option<String>,
) -> Result<(), Failed> {
    let detail = match &wish {
        Wish::SecondRead(_) => "signs a second reading",
        _ => "judges a second reading",
    };
    let exam_id = known.exam.id.clone();
    desk.did(
        visitor,
        Action::Entered,
        Some(&known.patient),
        Some(&exam_id),
        detail,
    )
    .await?;
    let by = by(visitor, reason);
    desk.off(move |desk| {
        for _ in 0..TRIES {
            let order = Order {
                exams: vec![exam_id.clone()],
                patient: None,
                wish: wish.clone(),
                by: by.clone(),
            };
            let prepared = match acts::prepare(&desk.store, &desk.site, &[order], Look::Asked) {
                Ok(prepared) => prepared,
                Err(ActError::Store(error)) => return Err(error.into()),
                Err(why) => return Err(Failed::Bad(format!("{why}."))),
            };
            let mut people = prepared.people().iter();
            if let (Some(shown), Some(person)) = (&shown_then, people.next())
                && *shown != person.stamp()
            {
                let back = format!("/second/{exam_id}");
                return Err(Failed::Stale(difference(&person.since(shown), &back)));
            }
            if acts::record(&desk.store, &prepared)?.is_some() {
                return Ok(());
            }
        }
        Err(Failed::Busy)
    })
    .await
}
