//! One line for each exam, as lists of work show it. Made anew from results and entries whenever either
//! changes, and never a source of anything else.

use super::{StoreError, stamp};
use crate::session::values;
use crate::view::{Tx, View};
use chrono::{DateTime, NaiveDate, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_model::worklist::{Line, List, Today};
use std::collections::BTreeSet;

/// The status of an exam that is told no more: it stands in no list but that of rises.
const GONE: &str = "withdrawn";

/// Which exams a list shows; empty: all.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Done on this day or later. A rise that waits for somebody is shown whatever its day.
    pub from: Option<NaiveDate>,
    /// Done on this day or earlier; likewise.
    pub to: Option<NaiveDate>,
    /// Measured by this operator.
    pub operator: Option<String>,
    /// Measured with this machine, as the line names it.
    pub device: Option<String>,
    /// Measured at this place.
    pub location: Option<String>,
}

/// Puts the lines of a person in place of those that stand under any of these ids. Each line comes with
/// the id that its result is filed under. Who was reminded of what is kept.
///
/// # Errors
/// The store cannot be read or written.
pub fn put(
    tx: &Tx,
    ids: &BTreeSet<PatientKey>,
    lines: &[(PatientKey, Line)],
) -> Result<(), StoreError> {
    let stay: BTreeSet<&str> = lines.iter().map(|(_, one)| one.exam_id.as_str()).collect();
    let under =
        tx.prepare("select exam_id from exam_line where patient_id = ?1 and patient_issuer = ?2");
    for key in ids {
        let old = under.all([&key.id, &key.issuer], |row| row.get::<String>(0))?;
        for exam in old.into_iter().filter(|exam| !stay.contains(exam.as_str())) {
            tx.prepare("delete from exam_line where exam_id = ?1")
                .execute([&exam])?;
        }
    }
    let put = tx.prepare(
        "insert into exam_line (exam_id, patient_issuer, patient_id, version, performed_at, first_at,
                                status, flagged, label, rise, rise_since, history_only, line)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)
         on conflict (exam_id) do update set
             patient_issuer = excluded.patient_issuer, patient_id = excluded.patient_id,
             version = excluded.version, performed_at = excluded.performed_at,
             first_at = excluded.first_at, status = excluded.status, flagged = excluded.flagged,
             label = excluded.label, rise = excluded.rise, rise_since = excluded.rise_since,
             history_only = excluded.history_only, line = excluded.line",
    );
    for (filed, line) in lines {
        let text =
            serde_json::to_string(line).map_err(|error| StoreError::Work(error.to_string()))?;
        let status = if line.is_gone() {
            GONE
        } else {
            line.status.word()
        };
        put.execute(values![
            line.exam_id,
            filed.issuer,
            filed.id,
            line.version,
            day_and_time(line),
            stamp::text(line.first_at),
            status,
            line.flagged,
            line.label.map(|label| label.word()),
            line.rise.as_ref().map(|rise| rise.word()),
            line.rise_since.map(stamp::text),
            line.history_only,
            text,
        ])?;
    }
    Ok(())
}

/// The wall clock where the exam was done, as exams are put in order.
fn day_and_time(line: &Line) -> String {
    let local = line.performed_at.local;
    local.format("%Y-%m-%dT%H:%M:%S").to_string()
}

/// The line of an exam.
///
/// # Errors
/// The store cannot be read.
pub fn of_exam(view: &View, exam_id: &str) -> Result<Option<Line>, StoreError> {
    let statement = view.prepare("select line from exam_line where exam_id = ?1");
    let text: Option<String> = statement.first([exam_id], |row| row.get(0))?;
    text.map(|text| read(&text)).transpose()
}

/// The lines filed under an id, oldest exam first.
///
/// # Errors
/// The store cannot be read.
pub fn of_patient(view: &View, key: &PatientKey) -> Result<Vec<Line>, StoreError> {
    let statement = view.prepare(
        "select line from exam_line where patient_id = ?1 and patient_issuer = ?2
         order by performed_at, exam_id",
    );
    let texts = statement.all([&key.id, &key.issuer], |row| row.get::<String>(0))?;
    texts.into_iter().map(|text| read(&text)).collect()
}

/// The ids under which exams with an accession number are filed, at most five.
///
/// # Errors
/// The store cannot be read.
pub fn with_accession(view: &View, accession: &str) -> Result<Vec<PatientKey>, StoreError> {
    let statement = view.prepare(
        "select distinct patient_issuer, patient_id from exam_line
         where json_extract(line, '$.accession') = ?1 order by 1, 2 limit 5",
    );
    statement.all([accession], |row| {
        Ok(PatientKey {
            issuer: row.get(0)?,
            id: row.get(1)?,
        })
    })
}

fn read(text: &str) -> Result<Line, StoreError> {
    serde_json::from_str(text).map_err(|_| StoreError::Damaged {
        what: "a line of a list of work".to_owned(),
    })
}

/// Who measured, with what and where; `?1` to `?3` of every list.
const CHOSEN: &str = "(?1 is null or json_extract(line, '$.operator') = ?1)
                  and (?2 is null or json_extract(line, '$.device') = ?2)
                  and (?3 is null or json_extract(line, '$.location') = ?3)";

const RISES: &str = "rise in ('new', 'withdrawn') and ?4 is not null and ?5 is not null";
const NO_BASELINE: &str = "status = 'no_baseline' and history_only = 0
                           and performed_at >= ?4 and performed_at < ?5";
const NOT_COMPARABLE: &str = "status = 'not_comparable' and history_only = 0
                              and performed_at >= ?4 and performed_at < ?5";
const UNLABELLED: &str = "label is null and history_only = 0 and status <> 'withdrawn'
                          and performed_at >= ?4 and performed_at < ?5";

/// What waits for somebody: of each list the first `limit` lines, and how many there are.
///
/// # Errors
/// The store cannot be read.
pub fn today(view: &View, filter: &Filter, limit: u32) -> Result<Today, StoreError> {
    let newest = "performed_at desc, exam_id";
    Ok(Today {
        rises: list(view, filter, &[RISES], "rise_since, exam_id", limit)?,
        not_compared: list(view, filter, &[NO_BASELINE, NOT_COMPARABLE], newest, limit)?,
        unlabelled: list(view, filter, &[UNLABELLED], newest, limit)?,
    })
}

/// `which` are read one by one, each in the order of its index: one status after the other would all have
/// to be read and sorted to find the newest, and every patient has an exam without a baseline.
fn list(
    view: &View,
    filter: &Filter,
    which: &[&str],
    order: &str,
    limit: u32,
) -> Result<List, StoreError> {
    // Text of every day that can be: years have four digits.
    let from = filter.from.map_or(String::new(), |day| day.to_string());
    let to = filter.to.and_then(|day| day.succ_opt());
    let to = to.map_or("~".to_owned(), |day| day.to_string());
    let mut total: i64 = 0;
    for which in which {
        let count = view.prepare(format!(
            "select count(*) from exam_line where {which} and {CHOSEN}"
        ));
        total += count.one(
            values![filter.operator, filter.device, filter.location, from, to],
            |row| row.get::<i64>(0),
        )?;
    }
    let first = which.iter().map(|which| {
        format!(
            "select * from (select line, exam_id, performed_at, rise_since from exam_line
                            where {which} and {CHOSEN} order by {order} limit ?6)"
        )
    });
    let first: Vec<String> = first.collect();
    let statement = view.prepare(format!(
        "select line from ({}) order by {order} limit ?6",
        first.join(" union all ")
    ));
    let texts = statement.all(
        values![
            filter.operator,
            filter.device,
            filter.location,
            from,
            to,
            limit
        ],
        |row| row.get::<String>(0),
    )?;
    let lines = texts.into_iter().map(|text| read(&text));
    Ok(List {
        lines: lines.collect::<Result<_, _>>()?,
        total: total.try_into().unwrap_or(0),
    })
}

/// A version whose rise nobody has acknowledged for too long.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// The exam.
    pub exam_id: String,
    /// The version.
    pub version: u32,
}

/// Rises that are new since `before` or longer, of whose newest version nobody was reminded, those that
/// wait longest first; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn reminders_due(
    view: &View,
    before: DateTime<Utc>,
    limit: u32,
) -> Result<Vec<Due>, StoreError> {
    let statement = view.prepare(
        "select exam_id, version from exam_line
         where rise = 'new' and rise_since <= ?1 and history_only = 0
           and (reminded is null or reminded < version)
         order by rise_since, exam_id limit ?2",
    );
    let rows = statement.all(values![stamp::text(before), limit], |row| {
        Ok(Due {
            exam_id: row.get(0)?,
            version: row.get(1)?,
        })
    })?;
    Ok(rows.into_iter().collect())
}

/// Whether somebody is still to be reminded of a version.
///
/// # Errors
/// The store cannot be read.
pub fn is_due(view: &View, due: &Due) -> Result<bool, StoreError> {
    view.prepare(
        "select 1 from exam_line where exam_id = ?1 and version = ?2 and rise = 'new'
                and (reminded is null or reminded < version)",
    )
    .exists(values![due.exam_id, due.version])
}

/// Whether the rise of an exam was acknowledged, settled or withdrawn: nobody is to be reminded of it. An
/// exam without a line is none such.
///
/// # Errors
/// The store cannot be read.
pub fn waits_for_nobody(view: &View, exam_id: &str) -> Result<bool, StoreError> {
    view.prepare("select 1 from exam_line where exam_id = ?1 and (rise is null or rise <> 'new')")
        .exists([exam_id])
}

/// Notes that somebody is reminded of a version. Returns false where its rise is not new any more, or
/// somebody was reminded already: nothing is to be sent then.
///
/// # Errors
/// The store cannot be written.
pub fn note_reminded(tx: &Tx, due: &Due) -> Result<bool, StoreError> {
    let noted = tx
        .prepare(
            "update exam_line set reminded = version
             where exam_id = ?1 and version = ?2 and rise = 'new'
               and (reminded is null or reminded < version)",
        )
        .execute(values![due.exam_id, due.version])?;
    Ok(noted > 0)
}
