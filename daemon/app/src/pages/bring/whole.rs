//! What becomes of a table: brought in as a whole, taken back as a whole.

use super::super::signing::{self, by};
use super::super::{Action, Desk, Failed, Fields, Posted, Right, Visitor};
use super::rows::signing_now;
use super::{Kept, LETTERS_MAX, hex, limits, rows_page};
use crate::entering::{self, Bring, NotEntered};
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use sheathline_model::entered::table;
use sheathline_model::pages::layout::Place;
use sheathline_store::measurement_drafts::{self as drafts, Draft};
use std::sync::Arc;

pub(super) async fn bring(
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

pub(super) async fn back(
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
