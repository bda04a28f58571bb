//! Taking back what was entered by mistake, and letting it count again: entries about the readings of
//! reports, since nothing that was received ever goes.

use super::here::{self, Back, Here};
use super::{NotEntered, TRIES};
use crate::lines;
use chrono::Utc;
use sheathline_model::annotations::{self as said, By, Draft, Kind, Said};
use sheathline_model::domain::{About, PatientKey};
use sheathline_model::entered::Uids;
use sheathline_store::{
    Store, StoreError, Tx, View, annotations, archives, assessment_queue, bringings, identity,
};
use std::collections::BTreeMap;

/// What was taken back.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Withdrawn {
    /// Reports that counted and count no more.
    pub reports: usize,
    /// Reports that had been taken back already.
    pub already: usize,
}

/// Entries about reports of one patient, with what the store said of them when they were made.
pub(super) struct OfPatient {
    here: Here,
    drafts: Vec<Draft>,
}

/// What is to be said of reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wanted {
    /// They count no more.
    Back,
    /// They count again.
    Again,
}

/// The entries that are needed, and of how many reports; the others are so already.
pub(super) fn prepare(
    view: &View,
    instances: &[&str],
    wanted: Wanted,
) -> Result<(Vec<OfPatient>, usize), NotEntered> {
    let mut unread = 0;
    let mut by_patient: BTreeMap<PatientKey, Vec<About>> = BTreeMap::new();
    for instance in instances {
        let stored = here::report(view, instance)?;
        let found = stored.and_then(|stored| {
            let about = here::about(&stored)?;
            Some((stored.reading.patient?.key, about))
        });
        match found {
            Some((key, about)) => by_patient.entry(key).or_default().push(about),
            None => unread += 1,
        }
    }
    if unread > 0 {
        return Err(NotEntered::Unread(unread));
    }
    let (mut all, mut changed) = (Vec::new(), 0);
    for (key, abouts) in by_patient {
        let here = Here::of(view, &key)?;
        let mut drafts = Vec::new();
        for about in abouts {
            let of_report = drafts_of(&here, &key, &about, wanted);
            changed += usize::from(!of_report.is_empty());
            for draft in of_report {
                if !drafts.contains(&draft) {
                    drafts.push(draft);
                }
            }
        }
        if !drafts.is_empty() {
            all.push(OfPatient { here, drafts });
        }
    }
    Ok((all, changed))
}

fn drafts_of(here: &Here, key: &PatientKey, about: &About, wanted: Wanted) -> Vec<Draft> {
    // Of an older entry about several reports what is left of it is said again.
    let rest = |old: &About| old.without(about);
    let back = Said::TakenBack(about.clone());
    match wanted {
        Wanted::Back => said::say(&here.entries, key, &back, rest),
        Wanted::Again => said::take_back(&here.entries, &back, rest),
    }
}

/// Records them; `false` if somebody said something of one of the patients meanwhile.
pub(super) fn record(tx: &Tx, act: i64, by: &By, all: &[OfPatient]) -> Result<bool, StoreError> {
    for one in all {
        if !one.here.holds(tx)? {
            return Ok(false);
        }
    }
    let now = Utc::now();
    for one in all {
        annotations::record(tx, act, by, &one.drafts, now)?;
        assessment_queue::mark_dirty(tx, &one.here.person.surviving, now)?;
        lines::renew(tx, &one.here.person)?;
    }
    Ok(true)
}

/// Says of reports what is wanted, in one act. Returns of how many that was new.
fn say(store: &Store, instances: &[&str], by: &By, wanted: Wanted) -> Result<usize, NotEntered> {
    for _ in 0..TRIES {
        let mut prepared = Ok((Vec::new(), 0));
        store.read(|view| {
            prepared = prepare(view, instances, wanted);
            Ok(())
        })?;
        let (all, changed) = prepared?;
        if all.is_empty() {
            return Ok(0);
        }
        let by = by.clone();
        let done = store.write(move |tx| {
            let act = annotations::new_act(tx)?;
            record(tx, act, &by, &all)
        })?;
        if done {
            return Ok(changed);
        }
    }
    Err(NotEntered::Overtaken)
}

/// Lets a report count again if it was taken back; whether it was.
pub(super) fn count_again(store: &Store, instance: &str, by: &By) -> Result<bool, NotEntered> {
    match say(store, &[instance], by, Wanted::Again) {
        Ok(changed) => Ok(changed > 0),
        // What is not read yet nobody can have taken back.
        Err(NotEntered::Unread(_)) => Ok(false),
        Err(error) => Err(error),
    }
}

/// Takes a whole table back, in one act: all of its reports count no more.
///
/// # Errors
/// There is no such table, its reports are not all read yet, or the store failed.
pub fn take_back(store: &Store, number: i64, by: &By) -> Result<Withdrawn, NotEntered> {
    let reports = store.read(|view| match bringings::by_number(view, number)? {
        Some(_) => bringings::reports(view, number).map(Some),
        None => Ok(None),
    })?;
    let reports = reports.ok_or(NotEntered::NoTable(number))?;
    let mut instances: Vec<&str> = reports
        .iter()
        .map(|one| one.sop_instance_uid.as_str())
        .collect();
    instances.sort_unstable();
    instances.dedup();
    let changed = say(store, &instances, by, Wanted::Back)?;
    Ok(Withdrawn {
        reports: changed,
        already: instances.len() - changed,
    })
}

/// Of several tables, how many reports are taken back, in their order. Looks at those patients alone of
/// whom anything was ever taken back.
///
/// # Errors
/// The store cannot be read.
pub fn taken_back(view: &View, numbers: &[i64]) -> Result<Vec<usize>, StoreError> {
    let mut back = Back::default();
    for key in annotations::ids_with(view, Kind::TakenBack)? {
        let ids = identity::person(view, &key)?.ids;
        back.add(&annotations::of_ids(view, &ids)?);
    }
    let is_back = |uid: &str| -> Result<bool, StoreError> {
        if back.names(uid) || !back.has_studies() {
            return Ok(back.names(uid));
        }
        let exam = here::report(view, uid)?.and_then(|stored| stored.reading.exam);
        Ok(exam.is_some_and(|exam| back.holds(&exam.study_instance_uid, uid)))
    };
    let of_table = |number: &i64| {
        let mut count = 0;
        for one in bringings::reports(view, *number)? {
            count += usize::from(is_back(&one.sop_instance_uid)?);
        }
        Ok(count)
    };
    numbers.iter().map(of_table).collect()
}

/// Takes back one report that a person typed.
///
/// # Errors
/// There is no such report, or no person typed it, or it is not read yet; or the store failed.
pub fn take_back_report(store: &Store, instance: &str, by: &By) -> Result<Withdrawn, NotEntered> {
    let (stored, is_here) = store.read(|view| {
        let stored = here::report(view, instance)?;
        Ok((stored, archives::is_here(view, instance)?))
    })?;
    let series = stored.map(|one| one.reading.series_instance_uid.unwrap_or_default());
    match series {
        Some(series) if Uids::are_typed(instance, &series) => {}
        None if is_here => return Err(NotEntered::Unread(1)),
        _ => {
            return Err(NotEntered::NotTyped(format!(
                "the store holds no report {instance} that a person typed"
            )));
        }
    }
    let changed = say(store, &[instance], by, Wanted::Back)?;
    Ok(Withdrawn {
        reports: changed,
        already: 1 - changed,
    })
}
