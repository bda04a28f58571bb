//! What speaks against something typed: in its fields, and in what the store holds.

use super::NotEntered;
use super::here::{self, Here};
use crate::lines;
use sheathline_model::domain::Sex;
use sheathline_model::entered::{Corrected, Fault, Field, Limits, Typed, Uids, check};
use sheathline_store::{Store, StoreError, View, archives, assessment_queue, bringings};

/// All that speaks against it, blocking or not.
///
/// # Errors
/// The store cannot be read.
pub fn look(store: &Store, typed: &Typed, limits: &Limits) -> Result<Vec<Fault>, StoreError> {
    let mut faults = check(typed, limits);
    store.read(|view| {
        let here = Here::of(view, &typed.subject.patient)?;
        faults.extend(of_store(view, typed, &here)?);
        Ok(())
    })?;
    Ok(faults)
}

/// What the store says.
pub(super) fn of_store(view: &View, typed: &Typed, here: &Here) -> Result<Vec<Fault>, StoreError> {
    let mut faults = Vec::new();
    let mut push = |field, sentence: String, blocking| {
        faults.push(Fault {
            field,
            sentence,
            blocking,
        });
    };
    if !here.births.is_empty() && !here.births.contains(&typed.subject.birth_date) {
        push(
            Field::BirthDate,
            "is not the one in the reports that are here under this id; id or birth date is mistyped, \
             or the id is another person's"
                .to_owned(),
            true,
        );
    }
    if here.reports.is_empty()
        && let Some(other) = with_other_noughts(view, &typed.subject.patient.id)?
    {
        push(
            Field::PatientId,
            format!(
                "is not known here, and {other:?} is; spreadsheets take noughts away at the front, so \
                 look whether it is the same patient"
            ),
            false,
        );
    }
    let uids = typed.uids();
    if let Some(before) = &typed.corrects {
        let of_patient = here
            .reports
            .iter()
            .find(|one| one.instance == before.instance);
        let next = here.standing().find(|one| {
            one.predecessors.contains(&before.instance) && one.instance != uids.instance
        });
        if of_patient.is_none() {
            push(
                Field::PatientId,
                "is not that of the report to be corrected; take that one back, and type it again"
                    .to_owned(),
                true,
            );
        } else if let Some(next) = next {
            push(
                Field::Readings(None),
                format!(
                    "were corrected already by {}; correct that one",
                    next.instance
                ),
                true,
            );
        }
        return Ok(faults);
    }
    for one in here.near(&uids.study, typed.day) {
        if one.instance == uids.instance {
            continue;
        }
        if one.study == uids.study {
            let from = match bringings::of_report(view, &one.instance)?.first() {
                Some((table, line)) => format!("by table {table}, line {line}"),
                None => format!("as report {}", one.instance),
            };
            push(
                Field::Day,
                format!(
                    "an exam of this patient at this time is here already, {from}, and says something \
                     else; correct it or take it back first"
                ),
                true,
            );
        } else if one.day == Some(typed.day) {
            push(
                Field::Day,
                format!(
                    "the store holds an exam of this patient of {} already; look whether it is the same",
                    typed.day
                ),
                false,
            );
        }
    }
    faults.dedup();
    Ok(faults)
}

/// An id that is known here and differs in noughts at the front alone.
fn with_other_noughts(view: &View, id: &str) -> Result<Option<String>, StoreError> {
    let digits = id.trim_start_matches('0');
    if digits.is_empty() || !id.chars().all(|one| one.is_ascii_digit()) {
        return Ok(None);
    }
    for noughts in 0..=DIGITS_MAX.saturating_sub(digits.len()) {
        let other = format!("{}{digits}", "0".repeat(noughts));
        if other != id && assessment_queue::is_known(view, &other)? {
            return Ok(Some(other));
        }
    }
    Ok(None)
}

/// Digits of an id with its noughts at the front; longer ones are not looked for.
const DIGITS_MAX: usize = 12;

/// What an amended report of this one names as its predecessor.
///
/// # Errors
/// There is no such report, or no person typed it, or it is not read yet.
pub fn correctable(store: &Store, instance: &str) -> Result<Corrected, NotEntered> {
    let (stored, is_here) = store.read(|view| {
        let stored = here::report(view, instance)?;
        Ok((stored, archives::is_here(view, instance)?))
    })?;
    let Some(stored) = stored else {
        return Err(if is_here {
            NotEntered::Unread(1)
        } else {
            NotEntered::NotTyped(format!("the store holds no report {instance}"))
        });
    };
    let reading = stored.reading;
    let series = reading.series_instance_uid.unwrap_or_default();
    match reading.exam {
        Some(exam) if Uids::are_typed(instance, &series) => Ok(Corrected {
            study: exam.study_instance_uid,
            series,
            instance: instance.to_owned(),
        }),
        _ => Err(NotEntered::NotTyped(format!(
            "report {instance} was not typed here; whoever made it must correct it"
        ))),
    }
}

/// What a report states of its patient beside id and birth date.
#[derive(Default)]
pub struct Stated {
    /// Name.
    pub name: Option<String>,
    /// Sex.
    pub sex: Option<Sex>,
    /// Accession number.
    pub accession: Option<String>,
}

/// What a stored report states; nothing of one that is not here. The name is where its bytes are.
///
/// # Errors
/// The store cannot be read.
pub fn stated(store: &Store, instance: &str) -> Result<Stated, StoreError> {
    store.read(|view| {
        let origin = lines::origin(view, instance)?;
        let reading = here::report(view, instance)?.map(|stored| stored.reading);
        let (patient, exam) = reading.map_or((None, None), |one| (one.patient, one.exam));
        Ok(Stated {
            name: origin.and_then(|origin| origin.patient_name),
            sex: patient.and_then(|patient| patient.sex),
            accession: exam.and_then(|exam| exam.accession),
        })
    })
}
