//! What reports leave unexplained, kept once for all that are alike in it, so that the list of unknown
//! codes costs no look at every reading.

use super::{StoredDisposition, reading_of};
use crate::objects::ObjectId;
use crate::session::values;
use crate::view::{Tx, View};
use crate::{StoreError, meta};
use sha2::{Digest, Sha256};
use sheathline_model::domain::{ObjectReading, Source};
use sheathline_model::draft::Gist;

/// Name in `meta` of the numbers of readings that an earlier shape stored and that were not looked at
/// yet, as `first last`.
const WANTED: &str = "gists_wanted";

/// What an object leaves unexplained: before and now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Change {
    before: Option<i64>,
    /// The number of its gist, to be written with the reading.
    pub(super) now: Option<i64>,
}

/// The gist of an object that is being read; it is kept if there was none like it.
pub(super) fn change(
    tx: &Tx,
    id: ObjectId,
    reading: &ObjectReading,
    disposition: StoredDisposition,
) -> Result<Change, StoreError> {
    let row: Option<(String, Option<i64>)> = tx
        .prepare("select source, gist from object where id = ?1")
        .first([id], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let (source, before) = row.unwrap_or_default();
    let gist = match disposition {
        StoredDisposition::Repeat => None,
        StoredDisposition::As(_) => Gist::of(&Source::from(source.as_str()), reading),
    };
    let now = gist.map(|gist| number_of(tx, &gist)).transpose()?;
    Ok(Change { before, now })
}

/// Takes the gist away that an object had before, where no other has it. Belongs behind the change.
pub(super) fn forget(tx: &Tx, change: Change) -> Result<(), StoreError> {
    let Some(before) = change.before.filter(|_| change.before != change.now) else {
        return Ok(());
    };
    tx.prepare(
        "delete from gist where id = ?1 and not exists (select 1 from object where gist = ?1)",
    )
    .execute([before])?;
    Ok(())
}

fn number_of(tx: &Tx, gist: &Gist) -> Result<i64, StoreError> {
    let content =
        serde_json::to_string(gist).map_err(|error| StoreError::Work(error.to_string()))?;
    let hash = Sha256::digest(content.as_bytes());
    let known: Option<i64> = tx
        .prepare("select id from gist where hash = ?1")
        .first([hash.as_slice()], |row| row.get(0))?;
    match known {
        Some(number) => Ok(number),
        None => tx
            .prepare("insert into gist (hash, content) values (?1, ?2) returning id")
            .one(values![hash.as_slice(), content], |row| row.get(0)),
    }
}

/// Reports that leave the same unexplained.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alike {
    number: i64,
    /// What.
    pub gist: Gist,
    /// How many reports; repeats are left out.
    pub reports: u64,
}

/// The gists of most reports, at most `limit`, in the order in which the first report of each came; and
/// how many reports have a further one.
///
/// # Errors
/// The store cannot be read.
pub fn alike(view: &View, limit: usize) -> Result<(Vec<Alike>, u64), StoreError> {
    let mut groups: Vec<(i64, u64, i64)> = view
        .prepare("select gist, count(*), min(id) from object where gist is not null group by gist")
        .all((), |row| {
            let count: i64 = row.get(1)?;
            Ok((row.get(0)?, count.unsigned_abs(), row.get(2)?))
        })?;
    groups.sort_by_key(|(_, count, first)| (std::cmp::Reverse(*count), *first));
    let beyond = groups.iter().skip(limit).map(|(_, count, _)| count).sum();
    groups.truncate(limit);
    groups.sort_by_key(|(_, _, first)| *first);
    let content = view.prepare("select content from gist where id = ?1");
    let mut found = Vec::new();
    for (number, reports, _) in groups {
        let text: String = content.one([number], |row| row.get(0))?;
        let gist = serde_json::from_str(&text).map_err(|_| StoreError::Damaged {
            what: "what a report leaves unexplained".to_owned(),
        })?;
        found.push(Alike {
            number,
            gist,
            reports,
        });
    }
    Ok((found, beyond))
}

/// The first objects of a gist, in the order they came, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn first_of(view: &View, alike: &Alike, limit: u32) -> Result<Vec<ObjectId>, StoreError> {
    view.prepare("select id from object where gist = ?1 order by id limit ?2")
        .all(values![alike.number, limit], |row| row.get(0))
}

/// First and last number of the readings of an earlier shape that were not looked at yet; `None`: all
/// were.
///
/// # Errors
/// The store cannot be read.
pub fn wanted(view: &View) -> Result<Option<(ObjectId, ObjectId)>, StoreError> {
    let range = meta::get(view, WANTED)?;
    Ok(range.and_then(|range| {
        let (next, last) = range.split_once(' ')?;
        Some((ObjectId(next.parse().ok()?), ObjectId(last.parse().ok()?)))
    }))
}

/// Looks at some readings of an earlier shape, at most `limit`; returns at how many. None: all were
/// looked at.
///
/// # Errors
/// The store cannot be read or written.
pub fn gather_some(tx: &Tx, limit: u32) -> Result<usize, StoreError> {
    let Some((next, last)) = wanted(tx)? else {
        return Ok(0);
    };
    let ids: Vec<ObjectId> = tx
        .prepare(
            "select id from object where id between ?1 and ?2 and reading is not null
             order by id limit ?3",
        )
        .all(values![next, last, limit], |row| row.get(0))?;
    for id in &ids {
        match reading_of(tx, *id) {
            Ok(Some(one)) => {
                let change = change(tx, *id, &one.reading, one.disposition)?;
                if change.before != change.now {
                    tx.prepare("update object set gist = ?2 where id = ?1")
                        .execute(values![id, change.now])?;
                    forget(tx, change)?;
                }
            }
            // It is read anew once its patient is looked at.
            Ok(None) | Err(StoreError::ReadingDamaged { .. }) => {}
            Err(error) => return Err(error),
        }
    }
    match ids.last() {
        Some(done) if *done < last => {
            let next = done.0.saturating_add(1);
            meta::set(tx, WANTED, &format!("{next} {}", last.0))?;
        }
        _ => meta::clear(tx, WANTED)?,
    }
    Ok(ids.len())
}
