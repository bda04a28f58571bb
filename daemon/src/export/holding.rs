//! Every row that holds.

use super::ExportError;
use super::manifest::Through;
use super::row::{Held, Row};
use super::run::{Phase, Watch};
use super::tables::{of_object, of_result};
use super::walk::{self, Step};
use crate::store::Store;
use crate::store::objects::ObjectId;
use std::collections::BTreeMap;

/// Where rows go.
type Write<'a> = dyn FnMut(Row) -> Result<(), ExportError> + 'a;

/// Hands out every row that holds: of exams patient after patient, then of objects. Rows that only name
/// come again with every exam.
pub(super) fn rows(
    store: &Store,
    until: &Through,
    watch: &mut dyn Watch,
    write: &mut Write<'_>,
) -> Result<(), ExportError> {
    let steps = u64::try_from(until.result + until.reading).unwrap_or(0);
    watch.begin(Phase::Current, steps);
    // Exams of one patient stand between those of others in the order of their numbers.
    let mut place = walk::FIRST;
    let mut exams: BTreeMap<String, Held> = BTreeMap::new();
    loop {
        let page = walk::of_patients(store, &place, until.result)?;
        if page.is_empty() {
            break;
        }
        for step in &page {
            if step.patient != place.0 {
                end_patient(&mut exams, write)?;
            }
            place = (step.patient.clone(), step.number);
            take(&mut exams, step);
        }
        watch.step(page.len() as u64);
    }
    end_patient(&mut exams, write)?;
    let mut place = (ObjectId(0), 0);
    loop {
        let page = walk::readings_of_objects(store, place)?;
        let Some(last) = page.last() else {
            break;
        };
        place = (last.change.object, last.change.version);
        for received in page.iter().filter_map(|one| one.received.as_ref()) {
            write(of_object(received))?;
        }
        watch.step(page.len() as u64);
    }
    Ok(())
}

fn take(exams: &mut BTreeMap<String, Held>, step: &Step) {
    if let Some(told) = &step.told {
        let held = exams.entry(told.content.exam.id.clone()).or_default();
        held.next(of_result(told), told.version, told.recorded_at);
    }
}

fn end_patient(
    exams: &mut BTreeMap<String, Held>,
    write: &mut Write<'_>,
) -> Result<(), ExportError> {
    for held in std::mem::take(exams).into_values() {
        held.current().try_for_each(&mut *write)?;
    }
    Ok(())
}
