//! Signing a measurement: checked, asked about once more where something is odd, proved, kept.

use super::super::signing::{self, by};
use super::super::{Action, Desk, Failed, Fields, Visitor};
use super::{Said, deed, fields_page, limits, text_of};
use crate::entering::{self, NotEntered};
use axum::response::{IntoResponse, Redirect, Response};
use chrono::Local;
use sha2::{Digest, Sha256};
use sheathline_model::entered::{Fault, Typed, check};
use sheathline_model::pages::measure::Typing;
use sheathline_store::measurement_drafts::{self as drafts, Draft};
use std::sync::Arc;

/// What speaks against the fields, and what they say where they can be read.
pub(super) async fn judged(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    typing: &Typing,
) -> Result<(Vec<Fault>, Option<Typed>), Failed> {
    let (author, typing) = (visitor.name.clone(), typing.clone());
    desk.off(move |desk| {
        let limits = limits(desk);
        let judged = typing.judge(&author, Local::now().fixed_offset(), &limits);
        let mut faults = judged.faults;
        if let Some(typed) = &judged.typed {
            let of_fields = check(typed, &limits);
            let all = entering::look(&desk.store, typed, &limits)?;
            faults.extend(all.into_iter().filter(|fault| !of_fields.contains(fault)));
        }
        Ok((faults, judged.typed))
    })
    .await
}

pub(super) async fn sign(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    (draft, typing): (Draft, Typing),
    fields: &Fields,
) -> Result<Response, Failed> {
    let (faults, typed) = judged(desk, visitor, &typing).await?;
    let seen = seen(&typing, &faults)?;
    let told = |faults: Vec<Fault>, problem: Option<String>, ask: Option<String>| Said {
        faults,
        problem,
        ask,
    };
    let Some(typed) = typed.filter(|_| !faults.iter().any(|fault| fault.blocking)) else {
        return fields_page(desk, visitor, &draft, typing, told(faults, None, None)).await;
    };
    // A yes is to what was shown: other values or other notes are asked about again.
    if !faults.is_empty() && fields.one("all_the_same") != seen {
        return fields_page(
            desk,
            visitor,
            &draft,
            typing,
            told(faults, None, Some(seen)),
        )
        .await;
    }
    if !signing::is_proved(desk, visitor, fields).await? {
        let ask = (!faults.is_empty()).then_some(seen);
        let said = told(faults, Some(signing::not_proved(visitor)), ask);
        return fields_page(desk, visitor, &draft, typing, said).await;
    }
    let report = typed.uids().instance;
    let patient = typed.subject.patient.clone();
    desk.did(
        visitor,
        Action::Measured,
        Some(&patient),
        None,
        &deed(&report),
    )
    .await?;
    let who = by(visitor, &typing.reason);
    let done = desk
        .off(move |desk| {
            let limits = limits(desk);
            Ok(entering::sign(
                &desk.store,
                &desk.observed,
                &typed,
                &who,
                &limits,
            ))
        })
        .await?;
    match done {
        Ok(_) => {}
        Err(NotEntered::Store(error)) => return Err(error.into()),
        Err(why) => {
            let detail = format!("{} was not kept", deed(&report));
            desk.did(visitor, Action::Measured, Some(&patient), None, &detail)
                .await?;
            let said = match why {
                NotEntered::Faults(faults) => told(faults, None, None),
                why => told(Vec::new(), Some(format!("It is not signed: {why}.")), None),
            };
            return fields_page(desk, visitor, &draft, typing, said).await;
        }
    }
    // The report is kept: without its draft a second signature has nothing to sign. Cut off before,
    // the same report is signed again, which changes nothing.
    let account = visitor.account.clone();
    let remove = move |tx: &_| drafts::remove(tx, &account, draft.id);
    desk.store.write_async(remove).await?;
    Ok(Redirect::to(&format!("/measure/signed/{report}")).into_response())
}

/// What was looked at, as a word: the fields, and what was said against them.
fn seen(typing: &Typing, faults: &[Fault]) -> Result<String, Failed> {
    let mut hash = Sha256::new_with_prefix(text_of(typing)?);
    for fault in faults {
        hash.update([0]);
        hash.update(fault.to_string());
    }
    let hash = hash.finalize();
    Ok(hash
        .iter()
        .take(16)
        .map(|byte| format!("{byte:02x}"))
        .collect())
}
