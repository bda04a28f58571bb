//! Whoever reads a second time sees no first values until they sign.
//!
//! From the moment somebody takes a second reading up, every page of that patient's exams leads them
//! back to it: the values of one exam stand on the pages of the others too, as their baseline. It is
//! asked here, before any handler, so that no page can forget it. The lists of today show the patient
//! without values.

use super::{Desk, Failed, Visitor, second};
use crate::acts;
use axum::extract::{FromRequestParts, Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use sheathline_model::domain::PatientKey;
use sheathline_model::worklist::Today;
use sheathline_store::identity;
use sheathline_store::measurement_drafts::{self as drafts, Kind};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Paths that show values of one patient: behind each stands an exam.
const OF_ONE: [&str; 3] = ["/exam/", "/patient/", "/measure/correct/"];

/// Whose values somebody may not see now, and the exam they are reading.
#[derive(Clone, Default)]
pub struct Blind(Vec<(BTreeSet<PatientKey>, String)>);

impl Blind {
    /// Whether values of this patient are not to be shown.
    #[must_use]
    pub fn hides(&self, patient: &PatientKey) -> bool {
        self.exam_of(patient).is_some()
    }

    /// The same lists without the values that are not to be shown. That an exam waits for somebody stays.
    #[must_use]
    pub fn without_values(&self, mut lists: Today) -> Today {
        let all = lists.lists_mut().into_iter();
        for line in all.flat_map(|list| &mut list.lines) {
            if self.hides(&line.patient) {
                line.hide_values();
            }
        }
        lists
    }

    /// The exam that is being read, if it is of this patient.
    fn exam_of(&self, patient: &PatientKey) -> Option<&str> {
        let mut all = self.0.iter();
        let found = all.find(|(ids, _)| ids.contains(patient));
        found.map(|(_, exam)| exam.as_str())
    }
}

impl Desk {
    /// Whose values a visitor may not see now.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn blind(&self, visitor: &Visitor) -> Result<Blind, Failed> {
        let blind = self.store.read(|view| {
            let mut all = Vec::new();
            for draft in drafts::list(view, &visitor.account, Kind::Second)? {
                if let Some((patient, exam)) = second::taken(&draft.content) {
                    all.push((identity::person(view, &patient)?.ids, exam));
                }
            }
            Ok(Blind(all))
        })?;
        Ok(blind)
    }
}

/// Leads whoever reads a patient's exam a second time back to that.
pub(super) async fn check(
    State(desk): State<Arc<Desk>>,
    request: Request,
    next: Next,
) -> Result<Response, Failed> {
    let path = request.uri().path();
    let Some(exam) = OF_ONE.iter().find_map(|start| path.strip_prefix(start)) else {
        return Ok(next.run(request).await);
    };
    let exam = exam.split('/').next().unwrap_or_default().to_owned();
    let (mut parts, body) = request.into_parts();
    // Whoever is not signed in is told so by the page itself.
    let reads = match Visitor::from_request_parts(&mut parts, &desk).await {
        Ok(visitor) => desk.off(move |desk| of_exam(desk, &visitor, &exam)).await?,
        Err(_) => None,
    };
    match reads {
        Some(reads) => Ok(Redirect::to(&format!("/second/{reads}")).into_response()),
        None => Ok(next.run(Request::from_parts(parts, body)).await),
    }
}

/// The exam that a visitor is reading, if this one is of the same patient.
fn of_exam(desk: &Desk, visitor: &Visitor, exam: &str) -> Result<Option<String>, Failed> {
    let blind = desk.blind(visitor)?;
    if blind.0.is_empty() {
        return Ok(None);
    }
    match acts::patient_of(&desk.store, exam) {
        Ok(patient) => Ok(blind.exam_of(&patient).map(str::to_owned)),
        Err(acts::NotOne::Store(error)) => Err(error.into()),
        Err(_) => Ok(None),
    }
}
