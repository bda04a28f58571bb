//! What the store holds of one patient.

use chrono::TimeDelta;
use sheathline_model::annotations::{Counting, Entry};
use sheathline_model::domain::PatientKey;
use sheathline_model::history::{exam_id, session_id};
use sheathline_model::identity::Person;
use sheathline_model::results::Content;
use sheathline_model::results::{Known, Latest};
use sheathline_store::readings::{self, StoredDisposition, StoredReading};
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{StoreError, View, annotations, identity, namesakes};
use std::collections::BTreeMap;

/// Everything known of the person behind an id, under all ids that are theirs.
///
/// # Errors
///
/// When the store cannot be read.
pub fn known(conn: &View, key: &PatientKey) -> Result<Known, StoreError> {
    known_of(conn, &identity::person(conn, key)?)
}

/// Everything known of a person, under all ids that are theirs.
pub(crate) fn known_of(conn: &View, person: &Person) -> Result<Known, StoreError> {
    let mut known = Known::default();
    // By object, whether it is news.
    let mut history: BTreeMap<String, bool> = BTreeMap::new();
    for key in &person.ids {
        for stored in readings::of_patient(conn, key)? {
            // A repeat that was there before counts too: the report was here by then.
            if let Some(uid) = &stored.reading.sop_instance_uid {
                *history.entry(uid.clone()).or_default() |= !is_history(&stored);
                let first = known.received.entry(uid.clone());
                let first = first.or_insert(stored.received_at);
                *first = stored.received_at.min(*first);
            }
            if stored.disposition != StoredDisposition::Repeat {
                known.readings.push(stored.reading);
            }
        }
    }
    let history = history.into_iter().filter(|(_, is_current)| !is_current);
    known.history_only = history.map(|(uid, _)| uid).collect();
    say(&mut known, &annotations::of_ids(conn, &person.ids)?);
    for key in &person.ids {
        for other in namesakes::others(conn, key)? {
            if !person.ids.contains(&other) {
                let born = namesakes::born(conn, &other)?;
                let born = born.into_iter().map(|one| (one.date, one.sex));
                known.elsewhere.push((other, born.collect()));
            }
        }
    }
    known.elsewhere.sort();
    known.elsewhere.dedup();
    known.person = Some(person.clone());
    Ok(known)
}

/// What people say, in place of whatever they said before.
pub fn say(known: &mut Known, entries: &[Entry]) {
    let counting = Counting::of(entries);
    known.labels = counting.labels;
    known.pressures = counting.pressures;
    known.events = counting.events;
    known.left_out = counting.left_out;
    known.taken_back = counting.taken_back;
}

/// Whether an object came from the history of an archive alone, longer after its exam than makes it
/// news. Counted from its first arrival, so that this does not change by itself.
fn is_history(stored: &StoredReading) -> bool {
    let exam = stored.reading.exam.as_ref();
    let performed = exam.and_then(|exam| exam.performed_at);
    match (stored.current_days, performed) {
        (Some(days), Some(performed)) => {
            let age = stored.received_at.date_naive() - performed.date();
            age > TimeDelta::days(days.into())
        }
        _ => false,
    }
}

/// The newest version of each exam's result of the person behind an id.
///
/// # Errors
///
/// When the store cannot be read.
pub fn latest_results(conn: &View, key: &PatientKey) -> Result<Vec<ResultRow>, StoreError> {
    of_person(conn, &identity::person(conn, key)?)
}

/// A result is filed under the id that its exam came under, whoever that is joined with.
fn of_person(conn: &View, person: &Person) -> Result<Vec<ResultRow>, StoreError> {
    let mut rows = Vec::new();
    for key in &person.ids {
        rows.extend(results::latest_of_patient(conn, key)?);
    }
    rows.sort_by(|a, b| a.exam_id.cmp(&b.exam_id));
    Ok(rows)
}

/// Under which of the person's ids an exam came: its name is made of it.
pub(crate) fn filed_under<'p>(person: &'p Person, content: &Content) -> Option<&'p PatientKey> {
    let exam = &content.exam;
    let mut ids = person.ids.iter();
    let (study, at) = (&exam.study_instance_uid, exam.performed_at);
    ids.find(|key| exam_id(key, study) == exam.id || session_id(key, study, at) == exam.id)
}

/// The newest version of each exam's result. A damaged one says what the newest sound version
/// before it said, under a key that nothing equals: whatever is told now replaces it.
pub(crate) fn latest(conn: &View, person: &Person) -> Result<BTreeMap<String, Latest>, StoreError> {
    let mut latest = BTreeMap::new();
    for row in of_person(conn, person)? {
        let (version, exam) = (row.version, row.exam_id.clone());
        let told = match sound(&row) {
            Some(content) => Some((row.key, content)),
            None => sound_before(conn, &row)?.map(|(_, content)| (String::new(), content)),
        };
        if let Some((key, content)) = told {
            let one = Latest {
                version,
                key,
                content,
            };
            latest.insert(exam, one);
        }
    }
    Ok(latest)
}

/// What a row says, if it is what was stored and is about the exam it is filed under.
fn sound(row: &ResultRow) -> Option<Content> {
    content_of(row)
        .ok()
        .filter(|content| content.exam.id == row.exam_id)
}

/// The newest sound version before a row, with its number.
pub(crate) fn sound_before(
    conn: &View,
    row: &ResultRow,
) -> Result<Option<(u32, Content)>, StoreError> {
    let mut version = row.version;
    while let Some(before) = results::before(conn, &row.exam_id, version)? {
        if let Some(content) = sound(&before) {
            return Ok(Some((before.version, content)));
        }
        version = before.version;
    }
    Ok(None)
}

/// What a stored result says.
///
/// # Errors
///
/// When the row is damaged.
pub fn content_of(row: &ResultRow) -> Result<Content, StoreError> {
    if row.is_damaged {
        return Err(StoreError::Damaged {
            what: format!("result {} version {}", row.exam_id, row.version),
        });
    }
    serde_json::from_str(&row.content).map_err(|error| StoreError::Damaged {
        what: format!(
            "result {} version {} at column {}",
            row.exam_id,
            row.version,
            error.column()
        ),
    })
}
