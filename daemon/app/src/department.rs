//! The department's statistics from the store, person after person: the one way for command and page.

use crate::known::known;
use crate::pipeline::times;
use sheathline_model::assess::Parameters;
use sheathline_model::department::{CalibrationError, Collector, Patient, Period, Statistics};
use sheathline_model::results::{ResultError, Site};
use sheathline_store::{Store, StoreError, identity};

/// Why there are none.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NoStatistics {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What is known of somebody makes no exams.
    #[error(transparent)]
    Result(#[from] ResultError),
    /// The numbers make no statistics.
    #[error(transparent)]
    Numbers(#[from] CalibrationError),
}

/// Works the statistics of a period out. `step` is told how many persons of how many were read, `also` is
/// given those that each id turned out to be.
pub(crate) fn statistics(
    store: &Store,
    (site, parameters): (&Site, Parameters),
    period: Period,
    mut step: impl FnMut(usize, usize),
    mut also: impl FnMut(Vec<Patient>),
) -> Result<Statistics, NoStatistics> {
    let mut all = Collector::new(parameters, period)?;
    let keys = store.read(identity::survivors)?;
    for (done, key) in keys.iter().enumerate() {
        step(done, keys.len());
        let (known, times) = store.read(|view| {
            let known = known(view, key)?;
            let ids = known.person.iter().flat_map(|person| &person.ids);
            let times = times(view, ids, &known, site)?;
            Ok((known, times))
        })?;
        let found = Patient::all_of(&known, site)?;
        all.leave_out(found.nobodys);
        for patient in &found.patients {
            all.add(patient, &times)?;
        }
        also(found.patients);
    }
    step(keys.len(), keys.len());
    Ok(all.finish()?)
}
