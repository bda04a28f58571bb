//! After signing: the page waits for the result, and says so.

use super::super::{Action, Desk, Failed, Right, Visitor, gathered};
use super::WAITED_FOR;
use crate::acts::Person;
use crate::lines;
use axum::Router;
use axum::extract::{Path, State};
use axum::response::Response;
use axum::routing::get;
use chrono::Utc;
use sheathline_model::domain::{Disposition, ObjectReading, PatientKey, Severity};
use sheathline_model::entered::Uids;
use sheathline_model::pages::layout::{Place, Whose};
use sheathline_model::pages::measure::{Became, Signed, signed};
use sheathline_store::readings::{self, StoredDisposition};
use sheathline_store::{archives, identity};
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{Instant, timeout_at};

/// How long an answer waits for the result before it says that it is still being made.
const WAIT: Duration = Duration::from_secs(5);

/// How long it waits for a change of this process before it looks what another daemon on the store did.
const LOOK_ANYWAY: Duration = Duration::from_millis(500);

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/measure/signed/{report}", get(wait))
}

async fn wait(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(report): Path<String>,
) -> Result<Response, Failed> {
    visitor.may(Right::See)?;
    let until = Instant::now() + WAIT;
    let mut changes = desk.store.changes();
    let (patient, view) = loop {
        changes.borrow_and_update();
        let asked = report.clone();
        let found = desk.off(move |desk| look(desk, &asked)).await?;
        let (patient, view) = found.ok_or(Failed::NotFound)?;
        let is_waiting = view.became == Became::Waits;
        if !is_waiting || Instant::now() >= until {
            break (patient, view);
        }
        let soon = until.min(Instant::now() + LOOK_ANYWAY);
        // However it ended, it is looked at again.
        let _ = timeout_at(soon, changes.changed()).await;
    };
    if let Some(patient) = &patient {
        desk.did(&visitor, Action::Viewed, Some(patient), None, WAITED_FOR)
            .await?;
    }
    let body = signed(&view);
    desk.page(&visitor, Some(Place::Measure), "Signed", &body)
        .await
}

/// How far a report has come; `None`: there is none that a person typed.
fn look(desk: &Desk, report: &str) -> Result<Option<(Option<PatientKey>, Signed)>, Failed> {
    let (stored, is_here) = desk.store.read(|view| {
        let all = readings::by_sop_instance(view, report)?.into_iter();
        let first = all
            .filter(|one| one.disposition != StoredDisposition::Repeat)
            .min_by_key(|one| one.id);
        Ok((first, archives::is_here(view, report)?))
    })?;
    let Some(stored) = stored else {
        let waits = is_here.then(|| {
            let view = Signed {
                whose: None,
                report: report.to_owned(),
                kept_at: Utc::now(),
                became: Became::Waits,
            };
            (None, view)
        });
        return Ok(waits);
    };
    let view = |became, whose| Signed {
        whose,
        report: report.to_owned(),
        kept_at: stored.received_at,
        became,
    };
    let reading = &stored.reading;
    let series = reading.series_instance_uid.as_deref().unwrap_or_default();
    if !Uids::are_typed(report, series) {
        return Ok(None);
    }
    let Some(patient) = reading.patient.clone() else {
        return Ok(Some((None, view(unused(reading), None))));
    };
    let whose = Whose {
        id: patient.key.id.clone(),
        issuer: patient.key.issuer.clone(),
        birth_date: patient.birth_date,
        sex: patient.sex,
        name: name(desk, &patient.key, report)?,
        age_years: None,
    };
    let became = if reading.holds_sheath_values() {
        of_exam(desk, &patient.key, report)?
    } else {
        unused(reading)
    };
    Ok(Some((Some(patient.key), view(became, Some(whose)))))
}

/// The name that the report states; where its bytes are kept no longer, that of the patient's exams.
pub(super) fn name(
    desk: &Desk,
    patient: &PatientKey,
    report: &str,
) -> Result<Option<String>, Failed> {
    let stated = desk.store.read(|view| lines::origin(view, report))?;
    if let Some(origin) = stated {
        return Ok(origin.patient_name);
    }
    let person = desk.store.read(|view| identity::person(view, patient))?;
    gathered::name(desk, &person.ids)
}

/// The exam that holds a report, once its result is made.
fn of_exam(desk: &Desk, patient: &PatientKey, report: &str) -> Result<Became, Failed> {
    let person = Person::of(&desk.store, patient, &desk.site)?;
    let mut exams = person.exams.iter();
    let exam = exams.find(|exam| {
        exam.objects
            .iter()
            .any(|one| one.sop_instance_uid == report)
    });
    Ok(match exam {
        Some(exam) if person.current(&exam.id).is_some() => Became::Result {
            exam_id: exam.id.clone(),
        },
        _ => Became::Waits,
    })
}

fn unused(reading: &ObjectReading) -> Became {
    let why: Vec<&str> = reading
        .remarks
        .iter()
        .filter(|remark| remark.severity != Severity::Info)
        .map(|remark| remark.text.as_str())
        .collect();
    let why = why.join(" ");
    match reading.disposition {
        Disposition::Quarantined => Became::Quarantined(why),
        _ => Became::NotUsed(why),
    }
}
