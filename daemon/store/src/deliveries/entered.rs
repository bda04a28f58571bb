//! Typed reports on their way to archives: each once, beside the results that rest on them.
//!
//! A delivery of typed reports hangs on a version of a result, since that is what says which reports
//! count. It carries those of the version that no earlier delivery of the exam carries.

use super::What;
use crate::object_id::ObjectId;
use crate::session::values;
use crate::view::{Tx, View};
use crate::{StoreError, meta, stamp};
use chrono::{DateTime, NaiveDate, Utc};
use sheathline_model::domain::Source;

/// Name in `meta` of the newest version that was looked at for a destination.
fn looked_at(destination: &str) -> String {
    format!("entered_to {destination}")
}

/// The newest version that was looked at; 0 for none.
fn looked_up_to(view: &View, destination: &str) -> Result<i64, StoreError> {
    let number = meta::get(view, &looked_at(destination))?;
    Ok(number.and_then(|number| number.parse().ok()).unwrap_or(0))
}

/// Whether there are versions that [`begin_entered`] has not looked at for a destination.
///
/// # Errors
/// The store cannot be read.
pub fn is_behind(view: &View, destination: &str) -> Result<bool, StoreError> {
    let after = looked_up_to(view, destination)?;
    view.prepare("select 1 from result where id > ?1 limit 1")
        .exists([after])
}

/// The reports that `version` names, as `report`.
fn reports_of(version: &str, report: &str) -> String {
    format!(
        "json_each(iif(json_valid({version}.content), {version}.content, '{{}}'), '$.reports')
         as {report}"
    )
}

const UID: &str = "'$.sop_instance_uid'";

/// Whether no earlier delivery to destination ?1 of typed reports (?2) carries `report` of version `r`.
/// One that was dropped carries nothing, and so does one whose version is damaged.
fn is_not_carried() -> String {
    let had = reports_of("b", "had");
    format!(
        "not exists (
             select 1 from result as b
             join delivery as e on e.result_id = b.id and e.destination = ?1 and e.what = ?2
                                   and e.state <> 'dropped'
             join {had}
             where b.exam_id = r.exam_id and b.id < r.id and b.damaged_at is null
               and json_extract(had.value, {UID}) = json_extract(report.value, {UID}))"
    )
}

/// Makes the reports that people typed or brought in from tables wait for a destination: a delivery
/// for each newest version of an exam that names one which is not on its way there or arrived. At most
/// `limit` versions are looked at. Returns how many were, and how many deliveries wait by it.
///
/// Begins with the first version ever made, so that a destination that is named later gets them all;
/// what was taken back meanwhile no newest version names.
///
/// # Errors
/// The store cannot be read or written.
pub fn begin_entered(
    tx: &Tx,
    destination: &str,
    limit: u32,
    now: DateTime<Utc>,
) -> Result<(usize, usize), StoreError> {
    let after = looked_up_to(tx, destination)?;
    let looked: Vec<i64> = tx
        .prepare("select id from result where id > ?1 order by id limit ?2")
        .all(values![after, limit], |row| row.get(0))?;
    let Some(last) = looked.last() else {
        return Ok((0, 0));
    };
    let (report, is_new) = (reports_of("r", "report"), is_not_carried());
    let begun = tx
        .prepare(format!(
            "insert into delivery (destination, result_id, what, since)
             select ?1, r.id, ?2, ?3 from result as r
             where r.id > ?4 and r.id <= ?5 and r.damaged_at is null
               and not exists (select 1 from result as later
                               where later.exam_id = r.exam_id and later.version > r.version)
               and exists (select 1 from {report}
                           join object on object.sop_instance_uid
                                          = json_extract(report.value, {UID})
                           where object.source in (?6, ?7) and {is_new})
             order by r.id
             on conflict (destination, result_id, what) do nothing"
        ))
        .execute(values![
            destination,
            What::Entered.word(),
            stamp::text(now),
            after,
            *last,
            Source::Entered.kind(),
            Source::Table.kind()
        ])?;
    meta::set(tx, &looked_at(destination), &last.to_string())?;
    Ok((looked.len(), begun))
}

/// The typed reports that a delivery carries, each with its SOP Instance UID, in the order in which its
/// version names them; without those that the newest version of the exam does not name any more, since
/// they were taken back.
///
/// # Errors
/// The store cannot be read.
pub fn entered(view: &View, delivery: i64) -> Result<Vec<(ObjectId, String)>, StoreError> {
    let to: Option<String> = view
        .prepare("select destination from delivery where id = ?1")
        .first([delivery], |row| row.get(0))?;
    let Some(to) = to else {
        return Ok(Vec::new());
    };
    let (report, still) = (reports_of("r", "report"), reports_of("newest", "still"));
    let is_new = is_not_carried();
    view.prepare(format!(
        "select min(object.id), object.sop_instance_uid
         from delivery as d join result as r on r.id = d.result_id
         join {report}
         join object on object.sop_instance_uid = json_extract(report.value, {UID})
         where d.id = ?3 and object.source in (?4, ?5) and {is_new}
           and exists (
               select 1 from result as newest join {still}
               where newest.id = (select max(id) from result as one
                                  where one.exam_id = r.exam_id and one.damaged_at is null)
                 and json_extract(still.value, {UID}) = object.sop_instance_uid)
         group by object.sop_instance_uid order by min(report.key)"
    ))
    .all(
        values![
            to,
            What::Entered.word(),
            delivery,
            Source::Entered.kind(),
            Source::Table.kind()
        ],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )
}

/// As [`replay`](super::replay) for the deliveries of typed reports that hang on versions made on these
/// days. Returns how many wait.
///
/// # Errors
/// The store cannot be written.
pub fn replay_entered(
    tx: &Tx,
    destination: &str,
    from: NaiveDate,
    to: NaiveDate,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let [from, until] = super::by_hand::bounds(from, to);
    let count = tx.execute(
        "update delivery
         set state = 'waiting', since = ?5, attempts = 0, waited_s = 0, due_at = null
         where destination = ?1 and what = ?2 and state <> 'dropped'
           and result_id in (select id from result
                             where created_at >= ?3 and created_at < ?4 and damaged_at is null)",
        values![
            destination,
            What::Entered.word(),
            from,
            until,
            stamp::text(now)
        ],
    )?;
    if count > 0 {
        super::by_hand::ask(tx, destination)?;
    }
    Ok(count)
}
