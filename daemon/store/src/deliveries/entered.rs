//! Typed reports on their way to archives: each once, beside the results that rest on them.
//!
//! A delivery of typed reports hangs on a version of a result, since that is what says which reports
//! count. It carries those of the version that no earlier delivery of the exam carries.

use super::What;
use crate::object_id::ObjectId;
use crate::session::values;
use crate::told::reports;
use crate::view::{Tx, View};
use crate::{StoreError, meta, stamp};
use chrono::{DateTime, NaiveDate, Utc};
use sheathline_model::domain::Source;
use std::collections::BTreeSet;

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

/// The reports that earlier deliveries of an exam to a destination carry, by SOP Instance UID: those of
/// versions before `number`. One that was dropped carries nothing, and so does one whose version is
/// damaged.
fn carried(
    view: &View,
    destination: &str,
    exam_id: &str,
    number: i64,
) -> Result<BTreeSet<String>, StoreError> {
    let statement = view.prepare(
        "select b.content from result as b
         join delivery as e on e.result_id = b.id and e.destination = ?1 and e.what = ?2
                               and e.state <> 'dropped'
         where b.exam_id = ?3 and b.id < ?4 and b.damaged_at is null",
    );
    let mut all = BTreeSet::new();
    let values = values![destination, What::Entered.word(), exam_id, number];
    statement.each(values, |row| {
        all.extend(reports(&row.get::<String>(0)?));
        Ok(())
    })?;
    Ok(all)
}

/// The first object of a report, if it is one that people typed or brought in from a table.
fn typed(view: &View, uid: &str) -> Result<Option<ObjectId>, StoreError> {
    view.prepare(
        "select id from object where object.sop_instance_uid = ?1 and object.source in (?2, ?3)
         order by id limit 1",
    )
    .first(
        values![uid, Source::Entered.kind(), Source::Table.kind()],
        |row| row.get(0),
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
    let newest = tx
        .prepare(
            "select r.id, r.exam_id, r.content from result as r
             where r.id > ?1 and r.id <= ?2 and r.damaged_at is null
               and not exists (select 1 from result as later
                               where later.exam_id = r.exam_id and later.version > r.version)
             order by r.id",
        )
        .all(values![after, *last], |row| {
            let (id, exam): (i64, String) = (row.get(0)?, row.get(1)?);
            Ok((id, exam, reports(&row.get::<String>(2)?)))
        })?;
    let insert = tx.prepare(
        "insert into delivery (destination, result_id, what, since) values (?1, ?2, ?3, ?4)
         on conflict (destination, result_id, what) do nothing",
    );
    let mut begun = 0;
    for (id, exam, uids) in newest {
        let mut wanted = Vec::new();
        for uid in uids {
            if typed(tx, &uid)?.is_some() {
                wanted.push(uid);
            }
        }
        if wanted.is_empty() {
            continue;
        }
        let carried = carried(tx, destination, &exam, id)?;
        if wanted.iter().any(|uid| !carried.contains(uid)) {
            let values = values![destination, id, What::Entered.word(), stamp::text(now)];
            begun += insert.execute(values)?;
        }
    }
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
    let version: Option<(String, i64, String, Vec<String>)> = view
        .prepare(
            "select d.destination, r.id, r.exam_id, r.content
             from delivery as d join result as r on r.id = d.result_id where d.id = ?1",
        )
        .first([delivery], |row| {
            let content: String = row.get(3)?;
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, reports(&content)))
        })?;
    let Some((to, number, exam, uids)) = version else {
        return Ok(Vec::new());
    };
    let still: Option<BTreeSet<String>> = view
        .prepare(
            "select content from result
             where id = (select max(id) from result where exam_id = ?1 and damaged_at is null)",
        )
        .first([&exam], |row| {
            Ok(reports(&row.get::<String>(0)?).into_iter().collect())
        })?;
    let still = still.unwrap_or_default();
    let mut passed = carried(view, &to, &exam, number)?;
    let mut found = Vec::new();
    for uid in uids {
        if !still.contains(&uid) || !passed.insert(uid.clone()) {
            continue;
        }
        found.extend(typed(view, &uid)?.map(|object| (object, uid)));
    }
    Ok(found)
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
