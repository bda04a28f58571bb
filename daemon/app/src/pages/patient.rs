//! One patient.

use super::exam::may;
use super::posted::Question;
use super::{Action, Desk, Failed, Visitor, gathered};
use crate::known::{content_of, latest_results};
use axum::Router;
use axum::extract::{Path, State};
use axum::response::Response;
use axum::routing::get;
use chrono::NaiveDateTime;
use serde::Deserialize;
use sheathline_model::annotations::{Counting, Said, standing};
use sheathline_model::domain::PatientKey;
use sheathline_model::history::Places;
use sheathline_model::pages::acting::May;
use sheathline_model::pages::layout::Whose;
use sheathline_model::pages::patient::{self, Exam, View};
use sheathline_model::pages::today::Waits;
use sheathline_store::exam_lines;
use std::collections::BTreeMap;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/patient/{exam_id}", get(shown))
}

/// The part of the course that an address asks for. A moment that is none asks for the newest.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    span: String,
    end: String,
    /// Number of the entry that was just recorded.
    recorded: Option<i64>,
}

async fn shown(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path(exam_id): Path<String>,
    Question(asked): Question<Asked>,
) -> Result<Response, Failed> {
    let row = gathered::opened(&desk, &visitor, &exam_id, Action::Viewed, "patient").await?;
    let may = may(&visitor);
    let view = desk
        .off(move |desk| view(desk, &row.exam_id, &row.patient, may, &asked))
        .await?;
    let body = patient::html(&view, &|| visitor.token());
    desk.page(&visitor, None, "Patient", &body).await
}

fn view(
    desk: &Desk,
    by_exam: &str,
    key: &PatientKey,
    may: May,
    asked: &Asked,
) -> Result<View, Failed> {
    let person = gathered::person(desk, key)?;
    let (rows, lines) = desk.store.read(|view| {
        let mut lines = BTreeMap::new();
        for id in &person.ids.ids {
            let of = exam_lines::of_patient(view, id)?;
            lines.extend(of.into_iter().map(|line| (line.exam_id.clone(), line)));
        }
        Ok((latest_results(view, key)?, lines))
    })?;
    let places = Places::of(&person.exams);
    let left_out = |exam_id: &str| {
        let number = person.exams.iter().position(|exam| exam.id == exam_id)?;
        standing(&person.entries).find_map(|entry| match &entry.said {
            Said::LeftOut(about) if places.exams(about).contains(&number) => {
                Some(entry.by.reason.clone())
            }
            _ => None,
        })
    };
    let mut exams: Vec<Exam> = rows
        .iter()
        .filter_map(|row| {
            // A damaged result shows nothing here; its own page says so.
            let content = content_of(row).ok()?;
            let line = lines.get(&row.exam_id);
            Some(Exam {
                waits: line.and_then(|line| line.rise.as_ref()).map(Waits::of),
                left_out: left_out(&row.exam_id),
                version: row.version,
                content,
            })
        })
        .collect();
    exams.sort_by_key(|exam| (exam.content.exam.performed_at, exam.content.exam.id.clone()));
    let newest = exams.last().ok_or(Failed::NotFound)?;
    let name = lines.values().rev().find_map(|line| line.name.clone());
    let entries = gathered::said(desk, &person, None);
    Ok(View {
        whose: Whose {
            age_years: None,
            ..Whose::of_content(&newest.content, name)
        },
        by_exam: by_exam.to_owned(),
        events: Counting::of(&person.entries).events,
        told: gathered::told(&entries, asked.recorded),
        entries,
        span: asked.span.chars().take(8).collect(),
        end: moment(&asked.end),
        may,
        stamp: person.stamp(),
        exams,
    })
}

/// A moment to the minute or the second.
fn moment(text: &str) -> Option<NaiveDateTime> {
    let minute = || NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").ok();
    text.parse().ok().or_else(minute)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_read_to_the_minute_and_nothing_else_is_one() {
        let at = "2024-05-07T10:31:00".parse().ok();
        assert_eq!(moment("2024-05-07T10:31"), at);
        assert_eq!(moment("2024-05-07T10:31:00"), at);
        for text in ["", "2024-05-07", "10:31", "9".repeat(4096).as_str()] {
            assert_eq!(moment(text), None);
        }
    }
}
