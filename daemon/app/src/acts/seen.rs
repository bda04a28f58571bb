//! What stands of a person, in numbers, and as a word that a page keeps while somebody reads it.

use sha2::{Digest, Sha256};
use sheathline_model::domain::PatientKey;
use sheathline_store::{StoreError, View, annotations, identity, readings, results};

/// What stands of a person: another one wherever an object, a version, an entry or a joined id came
/// since.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    ids: Vec<PatientKey>,
    entries: Vec<i64>,
    /// Exam, version, number of the result.
    pub(super) versions: Vec<(String, u32, i64)>,
    pub(super) newest_object: i64,
}

impl Seen {
    /// Of the person of an id.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn of(view: &View, key: &PatientKey) -> Result<Seen, StoreError> {
        let person = identity::person(view, key)?;
        let mut seen = Seen {
            ids: vec![person.surviving.clone()],
            entries: annotations::numbers_of_ids(view, &person.ids)?,
            versions: Vec::new(),
            newest_object: 0,
        };
        for id in &person.ids {
            seen.ids.push(id.clone());
            seen.versions.extend(results::newest_versions(view, id)?);
            let newest = readings::newest_of_patient(view, id)?;
            seen.newest_object = seen.newest_object.max(newest);
        }
        Ok(seen)
    }

    /// As a word: the newest entry, result and object, from which it can be told what came since, and
    /// a hash of all of it.
    #[must_use]
    pub fn stamp(&self) -> String {
        let entry = self.entries.last().copied().unwrap_or_default();
        let results = self.versions.iter().map(|(_, _, number)| *number);
        let result = results.max().unwrap_or_default();
        let object = self.newest_object;
        let mut hash = Sha256::new();
        // What `Debug` shows of an id is a placeholder.
        for id in &self.ids {
            for part in [&id.issuer, &id.id] {
                hash.update(part.len().to_be_bytes());
                hash.update(part);
            }
        }
        hash.update(format!("{:?}", (&self.entries, &self.versions, object)));
        format!("{entry}.{result}.{object}.{}", short(&hash.finalize()))
    }
}

/// The first half of a hash, in hexadecimal digits.
pub(super) fn short(hash: &[u8]) -> String {
    let half = hash.iter().take(16);
    half.map(|byte| format!("{byte:02x}")).collect()
}

/// The numbers that a stamp begins with.
pub(super) struct Counted {
    pub(super) entry: i64,
    pub(super) result: i64,
    pub(super) object: i64,
}

impl Counted {
    /// Of a stamp; `None` where it is none of ours.
    pub(super) fn of(stamp: &str) -> Option<Counted> {
        let mut numbers = stamp.split('.').map(str::parse::<i64>);
        let mut next = || numbers.next()?.ok();
        Some(Counted {
            entry: next()?,
            result: next()?,
            object: next()?,
        })
    }
}
