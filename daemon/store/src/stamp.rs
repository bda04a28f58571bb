//! Times and sources as the store writes them. Times: UTC, microseconds, one length, so that text order
//! is time order.

use super::StoreError;
use crate::session::Row;
use chrono::{DateTime, SecondsFormat, Utc};
use sheathline_model::domain::Source;

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

/// The source that stands in a column.
pub(super) fn source(row: &Row<'_>, column: usize) -> Result<Source, StoreError> {
    Ok(Source::from(row.get::<String>(column)?.as_str()))
}
