//! Every row that holds.

use super::ExportError;
use super::manifest::Through;
use super::row::{Held, Row};
use super::run::{Phase, Watch};
use super::tables::{of_object, of_result};
use super::walk::{self, Step};
use sheathline_model::domain::PatientKey;
use sheathline_store::Store;
use sheathline_store::objects::ObjectId;
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
    let end = |_: &PatientKey, exams: BTreeMap<String, Held>| {
        let mut all = exams.into_values().flat_map(Held::current);
        all.try_for_each(&mut *write)
    };
    walk::by_patient(store, until.result, watch, take, end)?;
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

fn take(exams: &mut BTreeMap<String, Held>, step: Step) {
    if let Some(told) = &step.told {
        let held = exams.entry(told.content.exam.id.clone()).or_default();
        held.next(of_result(told), told.version, told.recorded_at);
    }
}
