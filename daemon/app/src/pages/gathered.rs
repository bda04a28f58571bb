//! What the store holds of the person of an exam, gathered for a page.

use super::{Action, Desk, Failed, Visitor};
use crate::acts::Person;
use sheathline_model::annotations::{self, standing};
use sheathline_model::domain::PatientKey;
use sheathline_model::history::Places;
use sheathline_model::pages::exam::Entry;
use sheathline_store::exam_lines;
use sheathline_store::results::{self, ResultRow};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Longest name of an exam; ours are shorter.
const NAME_MAX: usize = 64;

/// The newest version of an exam's result, for somebody who may see its patient. It is noted that they
/// do, before anything is shown.
///
/// # Errors
/// There is no such exam, they may not see it, or the store does not answer.
pub(super) async fn opened(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    exam_id: &str,
    action: Action,
    detail: &str,
) -> Result<ResultRow, Failed> {
    let row = newest(desk, exam_id).await?;
    desk.may_see(visitor, &row.patient).await?;
    let patient = row.patient.clone();
    desk.did(visitor, action, Some(&patient), Some(exam_id), detail)
        .await?;
    Ok(row)
}

async fn newest(desk: &Arc<Desk>, exam_id: &str) -> Result<ResultRow, Failed> {
    if exam_id.len() > NAME_MAX {
        return Err(Failed::NotFound);
    }
    let id = exam_id.to_owned();
    let row = desk
        .off(move |desk| Ok(desk.store.read(|view| results::latest(view, &id))?))
        .await?;
    row.ok_or(Failed::NotFound)
}

/// The person of an id.
///
/// # Errors
/// The store does not answer.
pub(super) fn person(desk: &Desk, key: &PatientKey) -> Result<Person, Failed> {
    Ok(Person::of(&desk.store, key, &desk.site)?)
}

/// The name of a person, as the newest exam under these ids that has one states it.
///
/// # Errors
/// The store does not answer.
pub(super) fn name(desk: &Desk, ids: &BTreeSet<PatientKey>) -> Result<Option<String>, Failed> {
    Ok(desk.store.read(|view| {
        let mut lines = Vec::new();
        for id in ids {
            lines.extend(exam_lines::of_patient(view, id)?);
        }
        lines.sort_by_key(|line| line.performed_at.local);
        Ok(lines.into_iter().rev().find_map(|line| line.name))
    })?)
}

/// The name that the reports of an exam state.
///
/// # Errors
/// The store does not answer.
pub(super) fn name_of_exam(desk: &Desk, exam_id: &str) -> Result<Option<String>, Failed> {
    let line = desk.store.read(|view| exam_lines::of_exam(view, exam_id))?;
    Ok(line.and_then(|line| line.name))
}

/// Everything that was said of a person, newest first; with an exam, of that alone, also where its
/// readings are taken back.
pub(super) fn said(desk: &Desk, person: &Person, exam_id: Option<&str>) -> Vec<Entry> {
    let counting: BTreeSet<i64> = standing(&person.entries).map(|one| one.id).collect();
    let whole = match exam_id {
        Some(id) if !person.known.taken_back.is_empty() => {
            let whole = person.with_taken_back(&desk.site);
            Some(whole).filter(|all| all.iter().any(|exam| exam.id == id))
        }
        _ => None,
    };
    let exams = whole.as_ref().unwrap_or(&person.exams);
    let places = Places::of(exams);
    let number = exam_id.map(|id| exams.iter().position(|exam| exam.id == id));
    let is_of = |entry: &&annotations::Entry| match (number, entry.said.about()) {
        (None, _) => true,
        (Some(Some(number)), Some(about)) => places.exams(about).contains(&number),
        (Some(_), _) => false,
    };
    let entries = person.entries.iter().filter(is_of);
    let mut said: Vec<Entry> = entries
        .map(|entry| Entry::of(entry, counting.contains(&entry.id)))
        .collect();
    said.sort_by_key(|entry| std::cmp::Reverse(entry.number));
    said
}

/// What was just recorded, by the number of its first entry that the address names.
pub(super) fn told(entries: &[Entry], number: Option<i64>) -> Option<String> {
    let number = number?;
    let entry = entries.iter().find(|entry| entry.number == number)?;
    Some(format!("Recorded: {}.", entry.what))
}
