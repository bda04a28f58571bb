//! Recording: all of an act or nothing.

use super::Prepared;
use super::seen::Seen;
use crate::lines;
use chrono::Utc;
use sheathline_model::annotations::{By, Draft};
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::Person;
use sheathline_store::{Store, StoreError, Tx, annotations, assessment_queue};

/// Of more people than this, lists of work are right once the results are made anew: nobody waits for
/// them while a table is recorded.
const LINES_MAX: usize = 50;

/// What was recorded.
#[derive(Debug)]
pub struct Recorded {
    /// Number of the first entry.
    pub first: i64,
    /// How many.
    pub entries: usize,
    /// The surviving ids of whom something new was said.
    pub of_whom: Vec<PatientKey>,
}

/// What is recorded of one person.
struct OfPerson {
    ids: Person,
    seen: Seen,
    drafts: Vec<(By, Draft)>,
}

/// Records it all, or nothing: `None` where the store says something else of one of the people than
/// what was prepared on. Then it is to be prepared again. An act that says nothing new records nothing.
///
/// # Errors
/// The store cannot be written.
pub fn record(store: &Store, prepared: &Prepared) -> Result<Option<Recorded>, StoreError> {
    let mut of_each = Vec::new();
    for (number, person) in prepared.people().iter().enumerate() {
        let drafts = prepared.drafts(number).into_iter();
        let drafts: Vec<(By, Draft)> = drafts.map(|(by, draft)| (by.clone(), draft)).collect();
        if !drafts.is_empty() {
            of_each.push(OfPerson {
                ids: person.ids.clone(),
                seen: person.seen().clone(),
                drafts,
            });
        }
    }
    let entries = of_each.iter().map(|one| one.drafts.len()).sum();
    let of_whom = of_each
        .iter()
        .map(|one| one.ids.surviving.clone())
        .collect();
    let first = store.write(move |tx| write(tx, &of_each))?;
    Ok(first.map(|first| Recorded {
        first,
        entries,
        of_whom,
    }))
}

fn write(tx: &Tx, of_each: &[OfPerson]) -> Result<Option<i64>, StoreError> {
    for one in of_each {
        if Seen::of(tx, &one.ids.surviving)? != one.seen {
            return Ok(None);
        }
    }
    let number = annotations::new_act(tx)?;
    let now = Utc::now();
    let mut first = None;
    for one in of_each {
        for (by, draft) in &one.drafts {
            let added = annotations::record(tx, number, by, std::slice::from_ref(draft), now)?;
            first = first.or_else(|| added.first().copied());
        }
        assessment_queue::mark_dirty(tx, &one.ids.surviving, now)?;
        if of_each.len() <= LINES_MAX {
            lines::renew(tx, &one.ids)?;
        }
    }
    Ok(first)
}
