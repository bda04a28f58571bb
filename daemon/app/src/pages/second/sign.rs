//! What a second reader types: signed, or given up.

use super::super::measure::{limits, row};
use super::super::signing;
use super::super::{Action, Desk, Failed, Fields, Posted, Visitor};
use super::known::Known;
use super::{LETTERS_MAX, back_to, may, reads, say, shown, typing};
use crate::acts::Wish;
use axum::extract::{Path, State};
use axum::response::Response;
use chrono::Local;
use sheathline_model::annotations::SecondReading;
use sheathline_model::domain::{Device, Eye, Millimetres};
use sheathline_model::entered::{Fault, Field, READINGS_MAX, Subject, Typed, TypedReading, check};
use sheathline_model::pages::measure::{Row, readings};
use sheathline_store::measurement_drafts as drafts;
use std::sync::Arc;

/// The exam that a visitor reads a second time, and their draft of it.
async fn reading(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    exam_id: &str,
) -> Result<(Arc<Known>, i64), Failed> {
    let known = may(desk, visitor, exam_id).await?;
    let draft = reads(desk, visitor, exam_id).await?;
    Ok((known, draft.ok_or(Failed::NotFound)?))
}

/// Takes the draft away: from now on the first values may be seen.
async fn end(desk: &Desk, visitor: &Visitor, draft: i64) -> Result<(), Failed> {
    let account = visitor.account.clone();
    let remove = move |tx: &_| drafts::remove(tx, &account, draft);
    desk.store.write_async(remove).await?;
    Ok(())
}

pub(super) async fn give_up(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Posted(_): Posted<Fields>,
) -> Result<Response, Failed> {
    let (known, draft) = reading(&desk, &visitor, &exam_id).await?;
    let detail = "gives a second reading up";
    desk.did(
        &visitor,
        Action::Entered,
        Some(&known.patient),
        Some(&exam_id),
        detail,
    )
    .await?;
    end(&desk, &visitor, draft).await?;
    Ok(back_to(&exam_id))
}

pub(super) async fn sign(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    let (known, draft) = reading(&desk, &visitor, &exam_id).await?;
    let rows = Eye::BOTH.map(|eye| (0..READINGS_MAX).map(|n| row(&fields, eye, n)).collect());
    let (reading, faults) = judged(&desk, &visitor, &known, &rows);
    let again = |faults: Vec<Fault>, problem: Option<String>| {
        let stage = typing(&desk, &visitor, rows.clone(), faults);
        shown(&desk, &visitor, &known, stage, problem)
    };
    if faults.iter().any(|fault| fault.blocking) {
        return again(faults, None).await;
    }
    if !signing::is_proved(&desk, &visitor, &fields).await? {
        return again(Vec::new(), Some(signing::not_proved(&visitor))).await;
    }
    let reason: String = fields.one("reason").chars().take(LETTERS_MAX).collect();
    // Whoever reads was shown nothing that could have become another: what they measured stands.
    let wish = Wish::SecondRead(reading);
    say(&desk, &visitor, &known, wish, &reason, None).await?;
    end(&desk, &visitor, draft).await?;
    Ok(back_to(&exam_id))
}

/// What the rows say, and what speaks against them, by the rules of a measurement.
fn judged(
    desk: &Desk,
    visitor: &Visitor,
    known: &Known,
    rows: &[Vec<Row>; 2],
) -> (SecondReading, Vec<Fault>) {
    let [of_right, of_left] = rows;
    let (right, _, wrong) = readings(Eye::Right, of_right);
    let (left, _, more) = readings(Eye::Left, of_left);
    let mut faults: Vec<Fault> = wrong.into_iter().chain(more).collect();
    let day = known.exam.performed_at.date();
    let typed = Typed {
        subject: Subject {
            patient: known.patient.clone(),
            birth_date: known.exam.identity.birth_date.unwrap_or(day),
            sex: None,
            name: None,
            accession: None,
        },
        day,
        time: None,
        right,
        left,
        border: None,
        operator: None,
        device: Device::default(),
        author: visitor.name.clone(),
        signed_at: Local::now().fixed_offset(),
        transcribed: None,
        corrects: None,
        reason: String::new(),
    };
    let of_values = |field| {
        matches!(
            field,
            Field::Readings(_) | Field::Value(..) | Field::Depth(..) | Field::Angle(..)
        )
    };
    let checked = check(&typed, &limits(desk)).into_iter();
    if faults.is_empty() {
        faults.extend(checked.filter(|fault| of_values(fault.field)));
    }
    let values = |readings: &[TypedReading]| -> Vec<Millimetres> {
        readings.iter().map(|one| one.value).collect()
    };
    let decimals = |readings: &[TypedReading]| -> Vec<u8> {
        readings.iter().map(|one| one.decimals).collect()
    };
    let reading = SecondReading {
        right: values(&typed.right),
        left: values(&typed.left),
        right_decimals: decimals(&typed.right),
        left_decimals: decimals(&typed.left),
    };
    (reading, faults)
}
