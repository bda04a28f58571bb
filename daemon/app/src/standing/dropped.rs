//! Objects of other classes that were answered with success and not kept.

use super::time;
use crate::receive::other_classes::shown;
use chrono::{DateTime, Utc};
use serde::Serialize;
use sheathline_model::legible::short;
use sheathline_store::dropped::{self, Dropped};
use sheathline_store::{Store, StoreError};

/// Letters of a name that are shown.
const NAME: usize = 80;

/// Those of one class from one sender.
#[derive(Debug, Serialize)]
pub(crate) struct DroppedRow {
    /// `dicom:` and the calling AE title.
    sender: String,
    /// SOP Class UID.
    class: String,
    objects: u64,
    first: DateTime<Utc>,
    last: DateTime<Utc>,
}

/// Everything that was dropped, in associations that have ended.
pub(crate) fn of(store: &Store) -> Result<Vec<DroppedRow>, StoreError> {
    let row = |one: Dropped| DroppedRow {
        sender: one.source,
        class: one.class,
        objects: one.count,
        first: one.first,
        last: one.last,
    };
    Ok(store.read(dropped::all)?.into_iter().map(row).collect())
}

impl DroppedRow {
    /// Name and how many, for a person.
    pub(crate) fn line(&self) -> (String, String) {
        let class = match self.class.as_str() {
            dropped::OTHER => "further classes and senders".to_owned(),
            class => shown(class),
        };
        let (first, last) = (time(Some(self.first)), time(Some(self.last)));
        let name = format!("from {}", short(&self.sender, NAME));
        let line = format!(
            "{} of {class} dropped as other_classes says, {first} to {last}",
            self.objects
        );
        (name, line)
    }
}
