//! Times as the store writes them: UTC, microseconds, one length, so that text order is time order.

use super::StoreError;
use chrono::{DateTime, SecondsFormat, Utc};

pub(super) fn text(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Micros, true)
}

pub(super) fn time(text: &str) -> Result<DateTime<Utc>, StoreError> {
    DateTime::parse_from_rfc3339(text)
        .map(|at| at.with_timezone(&Utc))
        .map_err(|_| StoreError::Damaged {
            what: "a time that is none".to_owned(),
        })
}
