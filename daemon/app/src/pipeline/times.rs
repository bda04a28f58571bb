//! When reports came and results were made.

use sheathline_model::department::turnaround::Times;
use sheathline_model::domain::PatientKey;
use sheathline_model::results::{self, Known, Site};
use sheathline_store::{StoreError, View, results as made};
use std::collections::BTreeMap;

/// Arrival of the first report and making of the first result of each exam under some ids, by exam.
///
/// # Errors
///
/// When the store cannot be read.
pub fn times<'k>(
    conn: &View,
    ids: impl IntoIterator<Item = &'k PatientKey>,
    known: &Known,
    site: &Site,
) -> Result<BTreeMap<String, Times>, StoreError> {
    let mut times: BTreeMap<String, Times> = BTreeMap::new();
    for exam in results::exams(known, site) {
        let reports = exam.objects.iter();
        let received = reports.filter_map(|one| known.received.get(&one.sop_instance_uid));
        times.entry(exam.id).or_default().received = received.min().copied();
    }
    for key in ids {
        for (exam, at) in made::first_made(conn, key)? {
            times.entry(exam).or_default().made = Some(at);
        }
    }
    Ok(times)
}
