//! Correcting: an amended report that names the one it replaces is the only way.

use super::super::{Action, Desk, Failed, Fields, Posted, Right, Visitor, gathered};
use super::signed::name;
use super::{deed, keep_new};
use crate::acts::{self, NotOne, Person};
use crate::entering::{self, NotEntered};
use axum::Router;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use sheathline_model::domain::{ObjectReading, PatientKey};
use sheathline_model::pages::layout::{Place, Whose};
use sheathline_model::pages::measure::{Choose, Correctable, Typing, choose};
use sheathline_store::deeds::{self, Filter};
use sheathline_store::readings::{self, StoredDisposition};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Deeds of an account with one patient that are looked through for what it signed.
const DEEDS_MAX: u32 = 1_000;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/measure/correct/{exam_id}", get(which).post(correct))
}

/// What of an exam can be corrected here.
struct Of {
    patient: PatientKey,
    view: Choose,
    readings: Vec<ObjectReading>,
}

async fn which(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
) -> Result<Response, Failed> {
    let of = found(&desk, &visitor, exam_id.clone()).await?;
    let did = desk.did(
        &visitor,
        Action::Viewed,
        Some(&of.patient),
        Some(&exam_id),
        "to correct it",
    );
    did.await?;
    let body = choose(&of.view, &visitor.token());
    desk.page(
        &visitor,
        Some(Place::Measure),
        "Correct a measurement",
        &body,
    )
    .await
}

async fn correct(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    let of = found(&desk, &visitor, exam_id).await?;
    let report = fields.one("report").to_owned();
    let may = |one: &&Correctable| one.report == report && one.may;
    if !of.view.reports.iter().any(|one| may(&one)) {
        visitor.may(Right::Correct)?;
        return Err(Failed::NotFound);
    }
    let mut readings = of.readings.into_iter();
    let reading = readings
        .find(|one| one.uid() == report)
        .ok_or(Failed::NotFound)?;
    let (corrects, name) = desk
        .off(move |desk| {
            // What the report says of the patient stays: a corrected width takes no name away.
            let name = name(desk, &of.patient, &report)?;
            match entering::correctable(&desk.store, &report) {
                Ok(corrects) => Ok((corrects, name)),
                Err(NotEntered::Store(error)) => Err(error.into()),
                Err(why) => Err(Failed::Bad(format!("{why}."))),
            }
        })
        .await?;
    let typing = Typing::correcting(&reading, corrects, name);
    let typing = typing.ok_or_else(|| Failed::Bad("The report names no birth date.".to_owned()))?;
    let id = keep_new(&desk, &visitor, &typing).await?;
    Ok(Redirect::to(&format!("/measure/{id}")).into_response())
}

async fn found(desk: &Arc<Desk>, visitor: &Visitor, exam_id: String) -> Result<Of, Failed> {
    let all = visitor.roles.may(Right::Correct);
    if !all {
        visitor.may(Right::Measure)?;
    }
    let account = visitor.account.clone();
    desk.off(move |desk| of_exam(desk, &exam_id, &account, all))
        .await
}

fn of_exam(desk: &Desk, exam_id: &str, account: &str, all: bool) -> Result<Of, Failed> {
    let patient = match acts::patient_of(&desk.store, exam_id) {
        Ok(patient) => patient,
        Err(NotOne::Store(error)) => return Err(error.into()),
        Err(_) => return Err(Failed::NotFound),
    };
    let person = Person::of(&desk.store, &patient, &desk.site)?;
    let exam = person.exams.iter().find(|exam| exam.id == exam_id);
    let exam = exam.ok_or(Failed::NotFound)?;
    let own = own(desk, account, &patient)?;
    let (mut reports, mut readings_of) = (Vec::new(), Vec::new());
    for object in &exam.objects {
        let uid = &object.sop_instance_uid;
        match entering::correctable(&desk.store, uid) {
            Ok(_) => {}
            Err(NotEntered::Store(error)) => return Err(error.into()),
            Err(_) => continue,
        }
        let stored = desk
            .store
            .read(|view| readings::by_sop_instance(view, uid))?;
        let stored = stored.into_iter();
        let mut stored = stored.filter(|one| one.disposition != StoredDisposition::Repeat);
        if let Some(stored) = stored.next() {
            reports.push(Correctable {
                report: uid.clone(),
                kept_at: stored.received_at,
                operator: stored
                    .reading
                    .exam
                    .as_ref()
                    .and_then(|exam| exam.operator.clone()),
                may: all || own.contains(&deed(uid)),
            });
            readings_of.push(stored.reading);
        }
    }
    let view = Choose {
        exam_id: exam_id.to_owned(),
        whose: Whose {
            id: patient.id.clone(),
            issuer: patient.issuer.clone(),
            birth_date: exam.identity.birth_date,
            sex: exam.identity.sex,
            name: gathered::name_of_exam(desk, exam_id)?,
            age_years: None,
        },
        performed_at: exam.performed_at,
        reports,
    };
    Ok(Of {
        patient,
        view,
        readings: readings_of,
    })
}

/// What an account signed of a patient, as deeds name it.
fn own(desk: &Desk, account: &str, patient: &PatientKey) -> Result<BTreeSet<String>, Failed> {
    let filter = Filter {
        account: Some(account.to_owned()),
        patient_id: Some(patient.id.clone()),
        patient_issuer: Some(patient.issuer.clone()),
        action: Some(Action::Measured.word().to_owned()),
        ..Filter::default()
    };
    let deeds = desk
        .store
        .read(|view| deeds::newest(view, &filter, DEEDS_MAX))?;
    Ok(deeds.into_iter().map(|(_, deed)| deed.detail).collect())
}
