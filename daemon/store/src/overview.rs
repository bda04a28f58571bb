//! The store in numbers, for a person who looks.

use super::{StoreError, stamp};
use crate::view::View;
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;

/// The store in numbers.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Overview {
    /// When the newest object came first; repeats do not count.
    pub last_received: Option<DateTime<Utc>>,
    /// Objects in quarantine, by the code of what keeps them there. One may have several.
    pub quarantined: BTreeMap<String, u64>,
    /// Exams by the status of their newest version.
    pub exams: BTreeMap<String, u64>,
    /// When the newest result was written to the outbox.
    pub last_published: Option<DateTime<Utc>>,
}

/// Counts.
///
/// # Errors
/// The store cannot be read.
pub fn overview(view: &View) -> Result<Overview, StoreError> {
    Ok(Overview {
        last_received: newest(view)?,
        quarantined: quarantined(view)?,
        exams: counts(
            view,
            "select status, count(*) from result
             where damaged_at is null and version = (
                 select max(version) from result as other
                 where other.exam_id = result.exam_id and other.damaged_at is null)
             group by status",
        )?,
        last_published: time(
            view,
            "select max(published_at) from result where published_at is not null",
        )?,
    })
}

/// When the newest object came first; repeats do not count.
///
/// # Errors
/// The store cannot be read.
pub fn newest(view: &View) -> Result<Option<DateTime<Utc>>, StoreError> {
    time(
        view,
        "select received_at from object order by id desc limit 1",
    )
}

/// The same without a look into every result, for a page that is asked for again and again: exams as the
/// lines of work count them, and when the newest result that was written was.
///
/// # Errors
/// The store cannot be read.
pub fn quick(view: &View) -> Result<Overview, StoreError> {
    Ok(Overview {
        last_received: newest(view)?,
        quarantined: quarantined(view)?,
        exams: counts(
            view,
            "select status, count(*) from exam_line group by status",
        )?,
        last_published: time(
            view,
            "select published_at from result where published_at is not null
             order by id desc limit 1",
        )?,
    })
}

/// Objects in quarantine, by the code of what keeps them there.
fn quarantined(view: &View) -> Result<BTreeMap<String, u64>, StoreError> {
    counts(
        view,
        "select code, count(*) from object_blocking group by code",
    )
}

fn time(view: &View, query: &str) -> Result<Option<DateTime<Utc>>, StoreError> {
    let text: Option<Option<String>> = view.prepare(query).first((), |row| row.get(0))?;
    text.flatten().map(|text| stamp::time(&text)).transpose()
}

fn counts(view: &View, query: &str) -> Result<BTreeMap<String, u64>, StoreError> {
    let statement = view.prepare(query);
    let rows = statement.all((), |row| {
        let code: Option<String> = row.get(0)?;
        let count: i64 = row.get(1)?;
        Ok((
            code.unwrap_or_else(|| "unknown".to_owned()),
            count.unsigned_abs(),
        ))
    })?;
    Ok(rows.into_iter().collect())
}
