//! Presentation states among files, whose lines get their lengths from the pictures among the same
//! files.

use sheathline_model::domain::ObjectReading;
use sheathline_model::geometry;
use sheathline_model::reading::Rules;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// What waits until all files were read.
#[derive(Default)]
pub(super) struct Waiting {
    drawn: Vec<(PathBuf, ObjectReading)>,
    pictures: BTreeMap<String, ObjectReading>,
}

impl Waiting {
    /// Keeps a presentation state and gives everything else back.
    pub(super) fn unless_drawn(
        &mut self,
        path: PathBuf,
        reading: ObjectReading,
    ) -> Option<(PathBuf, ObjectReading)> {
        if reading.image.is_some() {
            let uid = reading.uid().to_owned();
            self.pictures.entry(uid).or_insert_with(|| reading.clone());
        }
        if geometry::waits_for_pictures(&reading) {
            self.drawn.push((path, reading));
            return None;
        }
        Some((path, reading))
    }

    /// The presentation states, with the lengths of their lines where the pictures are here.
    pub(super) fn measured(self, rules: &Rules) -> Vec<(PathBuf, ObjectReading)> {
        let key = |one: &ObjectReading| one.patient.as_ref().map(|patient| patient.key.clone());
        let mut measured = Vec::with_capacity(self.drawn.len());
        for (path, reading) in self.drawn {
            let named = reading
                .measurements
                .iter()
                .flat_map(|value| &value.pictures);
            let mut named: Vec<&String> = named.collect();
            named.sort_unstable();
            named.dedup();
            let pictures = named.into_iter().filter_map(|uid| self.pictures.get(uid));
            let pictures = pictures.filter(|one| key(one) == key(&reading));
            let mut set: Vec<ObjectReading> = pictures.cloned().collect();
            set.push(reading);
            let mut told = geometry::against_pictures(&set, &rules.technique, rules.plausible);
            measured.extend(told.pop().map(|reading| (path, reading)));
        }
        measured
    }
}
