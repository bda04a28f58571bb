//! The lines by which exams are shown in lists of work, made anew from what the store holds of a
//! person: whenever a result is stored, and whenever something is said, in the same transaction.

use crate::decoding::{self, Effort};
use crate::known::{content_of, filed_under, latest};
use chrono::{DateTime, Days, Local, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc};
use sheathline_model::annotations::{Entry, Said, standing};
use sheathline_model::domain::{About, PatientKey};
use sheathline_model::history::Places;
use sheathline_model::identity::Person;
use sheathline_model::results::{Content, Latest, NewVersion};
use sheathline_model::sr::{self, Limits, Origin};
use sheathline_model::worklist::{Line, Makings, VersionFacts};
use sheathline_store::readings::{self, StoredDisposition};
use sheathline_store::{StoreError, Tx, View, annotations, exam_lines, objects, results};
use std::collections::BTreeMap;

/// Each line with the id that its result is filed under.
pub(crate) type Filed = Vec<(PatientKey, Line)>;

/// Days that lists of work show unless others are asked for: a department looks at its lists each day,
/// and somebody may be away for some.
const RECENT_DAYS: u64 = 7;

/// The last days by the clock of this machine: the first of them, and when it began.
pub(crate) fn recent(now: DateTime<Local>) -> (NaiveDate, DateTime<Utc>) {
    let today = now.date_naive();
    let first = today
        .checked_sub_days(Days::new(RECENT_DAYS - 1))
        .unwrap_or(today);
    let began = first.and_time(NaiveTime::MIN);
    // Where clocks are put forward at midnight, the day begins an hour later.
    let hours = (0..3).map(|hour| began + TimeDelta::hours(hour));
    let mut began_at = hours.filter_map(|at| Local.from_local_datetime(&at).earliest());
    let began_at = began_at.next().map(|at| at.with_timezone(&Utc));
    (first, began_at.unwrap_or_else(|| began.and_utc()))
}

/// Makes the lines of a person anew, after something was said of them.
///
/// # Errors
///
/// When the store cannot be read or written.
pub fn renew(tx: &Tx, person: &Person) -> Result<(), StoreError> {
    let lines = of(tx, person, &latest(tx, person)?, &[], None)?;
    exam_lines::put(tx, &person.ids, &lines)
}

/// The lines of a person whose newest results are `latest`, with versions that are stored at `now`.
/// Without that, name and place are those of the line before: reports are long to read, and nothing is
/// read inside a transaction that all others wait for.
///
/// # Errors
///
/// When the store cannot be read.
pub(crate) fn of(
    view: &View,
    person: &Person,
    latest: &BTreeMap<String, Latest>,
    fresh: &[NewVersion],
    now: Option<DateTime<Utc>>,
) -> Result<Filed, StoreError> {
    let mut newest: BTreeMap<&str, &Content> = latest
        .iter()
        .map(|(exam, one)| (exam.as_str(), &one.content))
        .collect();
    for one in fresh {
        newest.insert(&one.content.exam.id, &one.content);
    }
    let entries = annotations::of_ids(view, &person.ids)?;
    let counting: Vec<&Entry> = standing(&entries).collect();
    let contents: Vec<&Content> = newest.values().copied().collect();
    let places = Places::made_of(contents.iter().map(|one| one.made()));
    let mut of_exam: Vec<Vec<&Entry>> = contents.iter().map(|_| Vec::new()).collect();
    for entry in &counting {
        let Some(about) = entry.said.about() else {
            continue;
        };
        if matches!(entry.said, Said::Acknowledged(..)) {
            continue;
        }
        for n in places.exams(about) {
            if let Some(of) = of_exam.get_mut(n) {
                of.push(*entry);
            }
        }
    }
    let mut lines = Vec::new();
    for (content, mut theirs) in contents.iter().zip(of_exam) {
        let exam_id = &content.exam.id;
        let mut versions = results::flags(view, exam_id)?;
        let made = fresh.iter().filter(|one| one.content.exam.id == *exam_id);
        versions.extend(made.map(|one| {
            let made_at = now.unwrap_or_default();
            VersionFacts::of(one.version, &one.content.assessment, made_at)
        }));
        for entry in &counting {
            if acknowledges(view, entry, content, fresh)? {
                theirs.push(entry);
            }
        }
        let makings = Makings {
            content,
            versions: &versions,
            entries: &theirs,
        };
        let Some(mut line) = Line::of(makings) else {
            continue;
        };
        name(view, &mut line, content, now.is_some())?;
        let filed = filed_under(person, content).unwrap_or(&person.surviving);
        lines.push((filed.clone(), line));
    }
    Ok(lines)
}

/// Whether an entry acknowledges a version of this exam. Readings pass from exam to exam when late
/// reports come, and versions of another exam have the same numbers: what counts is that the version
/// that it names was told of readings that it names. Of an exam that was withdrawn none are left.
fn acknowledges(
    view: &View,
    entry: &Entry,
    content: &Content,
    fresh: &[NewVersion],
) -> Result<bool, StoreError> {
    let Said::Acknowledged(about, version) = &entry.said else {
        return Ok(false);
    };
    if about.study_instance_uid != content.exam.study_instance_uid {
        return Ok(false);
    }
    let exam_id = &content.exam.id;
    let mut made = fresh.iter();
    if let Some(one) = made.find(|one| one.content.exam.id == *exam_id && one.version == *version) {
        return Ok(is_of(about, &one.content));
    }
    let Some(row) = results::version(view, exam_id, *version)? else {
        return Ok(false);
    };
    // Of a damaged version nobody can tell; whoever saw it saw it.
    Ok(content_of(&row).map_or(true, |told| is_of(about, &told)))
}

fn is_of(about: &About, told: &Content) -> bool {
    let readings = told.made().readings;
    if about.readings.is_empty() || readings.is_empty() {
        return true;
    }
    let mut named = about.readings.iter();
    named.any(|one| readings.contains(&(one.object.as_str(), one.place.as_str())))
}

/// Name and place as the newest report of the exam that can be read states them. Where its bytes are
/// kept no longer, what the line said before stays.
fn name(view: &View, line: &mut Line, content: &Content, may_read: bool) -> Result<(), StoreError> {
    let old = exam_lines::of_exam(view, &line.exam_id)?;
    let stands = |one: &&sheathline_model::history::ObjectUse| one.superseded_by.is_empty();
    let mut reports = content.reports.iter().rev();
    let newest = reports.find(stands).or(content.reports.last());
    let newest = newest.map(|one| one.sop_instance_uid.as_str());
    let is_known = old
        .as_ref()
        .is_some_and(|old| newest.is_none() || old.named_by.as_deref() == newest);
    let origin = match newest {
        Some(uid) if may_read && !is_known => origin(view, uid)?,
        _ => None,
    };
    match (origin, old) {
        (Some(origin), _) => {
            line.name = origin.patient_name;
            line.location = origin.department;
            line.named_by = newest.map(str::to_owned);
        }
        (None, Some(old)) => {
            line.name = old.name;
            line.location = old.location;
            line.named_by = old.named_by;
        }
        (None, None) => {}
    }
    Ok(())
}

/// What a report says of patient and place; `None` where its bytes are not there or cannot be read.
pub(crate) fn origin(view: &View, uid: &str) -> Result<Option<Origin>, StoreError> {
    for stored in readings::by_sop_instance(view, uid)? {
        if stored.disposition == StoredDisposition::Repeat {
            continue;
        }
        let bytes = match objects::body(view, stored.id) {
            Err(StoreError::Damaged { .. } | StoreError::Dropped { .. }) => continue,
            bytes => bytes?,
        };
        let syntax = objects::transfer_syntax(view, stored.id)?;
        let _turn = decoding::own_turn(Effort::of(&bytes, syntax.as_deref()));
        if let Ok(origin) = sr::origin(&bytes, syntax.as_deref(), &Limits::default()) {
            return Ok(Some(origin));
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_days_are_today_and_the_six_before() {
        let now = Local::now();
        let (first, began) = recent(now);
        assert_eq!(now.date_naive().signed_duration_since(first).num_days(), 6);
        assert_eq!(began.with_timezone(&Local).date_naive(), first);
        let before = began - TimeDelta::microseconds(1);
        assert!(before.with_timezone(&Local).date_naive() < first);
    }
}
