//! The rows of a spool.

use super::{Amount, Aside, Room, count_forwarded};
use crate::objects::Incoming;
use crate::session::{Row, values};
use crate::view::{Tx, View};
use crate::{StoreError, stamp};
use chrono::{DateTime, Utc};
use std::ops::RangeInclusive;

/// Pages given back to the disk in one change.
const PAGES_GIVEN_BACK: u32 = 256;

/// Free pages that are kept for the next objects: 4 MiB.
const PAGES_LOOSE: u64 = 1024;

/// An object that waits.
pub(super) struct Waiting {
    pub(super) number: i64,
    pub(super) object: Incoming,
}

/// Length of an object as it is stored.
pub(super) fn bytes(object: &Incoming) -> u64 {
    object.body.len() as u64
}

/// Whether so many more bytes and objects may come.
pub(super) fn has_room(
    view: &View,
    bytes: u64,
    objects: u64,
    room: Room,
) -> Result<bool, StoreError> {
    let (waiting, aside) = amounts(view)?;
    let limits = room.limits;
    let sum = |of: fn(Amount) -> u64, more: u64| {
        let there = of(waiting).saturating_add(of(aside));
        there.saturating_add(more)
    };
    if sum(|one| one.bytes, bytes) > limits.bytes
        || sum(|one| one.objects, objects) > limits.objects
    {
        return Ok(false);
    }
    let Some(disk) = room.disk_bytes else {
        return Ok(true);
    };
    // Pages that went free are written first; the file does not grow for them.
    let inside = free_pages(view)?.saturating_mul(page_bytes(view)?);
    Ok(disk.saturating_add(inside) >= limits.spare_bytes.saturating_add(bytes))
}

fn free_pages(view: &View) -> Result<u64, StoreError> {
    number(view, "PRAGMA freelist_count")
}

fn page_bytes(view: &View) -> Result<u64, StoreError> {
    number(view, "PRAGMA page_size")
}

fn number(view: &View, pragma: &'static str) -> Result<u64, StoreError> {
    let number: i64 = view.prepare(pragma).one((), |row| row.get(0))?;
    Ok(number.try_into().unwrap_or(0))
}

/// Whether so many pages are free that they are worth to be given back to the disk.
pub(super) fn is_loose(view: &View) -> Result<bool, StoreError> {
    Ok(free_pages(view)? >= PAGES_LOOSE)
}

/// Gives pages back to the disk, few at a time, so that nobody waits for it.
pub(super) fn give_back(tx: &Tx) -> Result<(), StoreError> {
    let step = format!("PRAGMA incremental_vacuum({PAGES_GIVEN_BACK})");
    tx.prepare(step).each((), |_| Ok(()))
}

/// Adds objects behind all others; the number of each.
pub(super) fn put(tx: &Tx, objects: &[Incoming], room: Room) -> Result<Vec<i64>, StoreError> {
    let more: u64 = objects.iter().map(bytes).sum();
    if !has_room(tx, more, objects.len() as u64, room)? {
        return Err(StoreError::Full);
    }
    let statement = tx.prepare(
        "insert into waiting (body, body_bytes, body_sha256, transfer_syntax, source,
                              default_issuer, received_at, quiet_after_days)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) returning number",
    );
    let mut numbers = Vec::new();
    for object in objects {
        let values = values![
            object.body,
            object.body_bytes,
            object.body_sha256,
            object.transfer_syntax,
            object.source.to_string(),
            object.default_issuer,
            object.received_at,
            object.current_days,
        ];
        numbers.push(statement.one(values, |row| row.get(0))?);
    }
    Ok(numbers)
}

/// How much waits, and how much is set aside.
pub(super) fn amounts(view: &View) -> Result<(Amount, Amount), StoreError> {
    let mut both = (Amount::default(), Amount::default());
    let statement = view.prepare("select is_aside, objects, bytes from amount");
    statement.each((), |row| {
        let number = |column| Ok::<_, StoreError>(row.get::<i64>(column)?.try_into().unwrap_or(0));
        let amount = Amount {
            objects: number(1)?,
            bytes: number(2)?,
        };
        let is_aside: bool = row.get(0)?;
        *(if is_aside { &mut both.1 } else { &mut both.0 }) = amount;
        Ok(())
    })?;
    Ok(both)
}

/// When the oldest object that waits was received.
pub(super) fn oldest(view: &View) -> Result<Option<DateTime<Utc>>, StoreError> {
    let at: Option<String> = view
        .prepare(
            "select received_at from waiting where aside_since is null order by number limit 1",
        )
        .first((), |row| row.get(0))?;
    at.map(|at| stamp::time(&at)).transpose()
}

/// One row, or why it is none any more.
pub(super) enum Found {
    /// As it was put there.
    Sound(Waiting),
    /// Not what was put there.
    Damaged {
        /// Its number.
        number: i64,
    },
}

/// The objects after a number, in the order of arrival: at most `limit`, and no more of them than have
/// `most` bytes, but always one.
pub(super) fn next(
    view: &View,
    after: i64,
    limit: usize,
    most: u64,
) -> Result<Vec<Found>, StoreError> {
    let statement = view.prepare(
        "select number, body, body_bytes, body_sha256, transfer_syntax, source, default_issuer,
                received_at, quiet_after_days
         from waiting where aside_since is null and number > ?1 order by number",
    );
    let mut found = Vec::new();
    let mut sum = 0_u64;
    statement.find_map([after], |row| {
        let number: i64 = row.get(0)?;
        let one = match sound(row) {
            Some(object) => {
                sum = sum.saturating_add(bytes(&object));
                Found::Sound(Waiting { number, object })
            }
            None => Found::Damaged { number },
        };
        let is_over = sum > most && !found.is_empty();
        if !is_over {
            found.push(one);
        }
        Ok((is_over || found.len() >= limit).then_some(()))
    })?;
    Ok(found)
}

/// What was put there, unless a byte of it has changed since.
fn sound(row: &Row<'_>) -> Option<Incoming> {
    let sha256: Vec<u8> = row.get(3).ok()?;
    let object = Incoming {
        body: row.get(1).ok()?,
        body_bytes: row.get(2).ok()?,
        body_sha256: sha256.try_into().ok()?,
        transfer_syntax: row.get(4).ok()?,
        source: stamp::source(row, 5).ok()?,
        default_issuer: row.get(6).ok()?,
        received_at: row.get(7).ok()?,
        current_days: row.get(8).ok()?,
    };
    object.is_whole().then_some(object)
}

/// Takes out what the database has, and sets aside what it refused, with the reason of each.
pub(super) fn settle(
    tx: &Tx,
    taken: &[i64],
    aside: &[(i64, String)],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let mut out = 0;
    for range in ranges(taken) {
        let statement = tx.prepare("delete from waiting where number between ?1 and ?2");
        out += statement.execute([*range.start(), *range.end()])? as u64;
    }
    if out > 0 {
        count_forwarded(tx, out)?;
    }
    for (number, why) in aside {
        tx.prepare("update waiting set aside_since = ?2, aside_why = ?3 where number = ?1")
            .execute(values![*number, stamp::text(now), why])?;
    }
    Ok(())
}

/// Numbers without a gap, taken together; `taken` rises.
fn ranges(taken: &[i64]) -> Vec<RangeInclusive<i64>> {
    let mut all: Vec<RangeInclusive<i64>> = Vec::new();
    for number in taken {
        match all.last_mut() {
            Some(last) if last.end().checked_add(1) == Some(*number) => {
                *last = *last.start()..=*number;
            }
            _ => all.push(*number..=*number),
        }
    }
    all
}

/// Lets everything wait that is set aside.
pub(super) fn wait_again(tx: &Tx) -> Result<(), StoreError> {
    tx.prepare(
        "update waiting set aside_since = null, aside_why = null where aside_since is not null",
    )
    .execute(())
    .map(drop)
}

/// What is set aside, oldest first.
pub(super) fn aside(view: &View, limit: u32) -> Result<Vec<Aside>, StoreError> {
    let statement = view.prepare(
        "select number, aside_since, aside_why from waiting
         where aside_since is not null order by number limit ?1",
    );
    statement.all([limit], |row| {
        Ok(Aside {
            number: row.get(0)?,
            since: stamp::time(&row.get::<String>(1)?)?,
            why: row.get(2)?,
        })
    })
}
