//! Pieces of work, each of which one member at a time has.

use super::Membership;
use crate::StoreError;
use crate::view::{Tx, View};
use sha2::{Digest, Sha256};
use sheathline_model::domain::PatientKey;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Buckets of patients, and of objects to be read. Far more than members, so that each of these has about
/// the same.
pub const BUCKETS: u16 = 256;

/// A piece of work.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Duty {
    /// Patients to be assessed, by [`bucket_of`] their surviving id, and objects to be read, by the rest of
    /// their number divided by [`BUCKETS`].
    Bucket(u8),
    /// Results to the outbox folder.
    Outbox,
    /// The audit trail of what the store holds.
    Trail,
    /// What was read by old rules, bytes that have been kept long enough, and the like.
    Upkeep,
    /// Reminders of rises.
    Reminders,
    /// Statements about ids to everybody whom they concern.
    Ids,
    /// Deliveries to the destination of this name.
    Destination(String),
    /// The history of the archive of this name.
    Archive(String),
}

impl Duty {
    /// Those that every daemon can do, buckets apart.
    pub const SINGLE: [Duty; 5] = [
        Duty::Outbox,
        Duty::Trail,
        Duty::Upkeep,
        Duty::Reminders,
        Duty::Ids,
    ];

    /// What a name in the store means; `None`: a newer daemon wrote it.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Duty> {
        let (word, rest) = name.split_once(' ').unwrap_or((name, ""));
        match word {
            "bucket" => rest.parse().ok().map(Duty::Bucket),
            "to" => Some(Duty::Destination(rest.to_owned())),
            "history" => Some(Duty::Archive(rest.to_owned())),
            _ => Duty::SINGLE.into_iter().find(|one| one.to_string() == name),
        }
    }

    /// Whether it is one of the 256.
    #[must_use]
    pub fn is_bucket(&self) -> bool {
        matches!(self, Duty::Bucket(_))
    }
}

/// Its name in the store and for people.
impl fmt::Display for Duty {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Duty::Bucket(number) => write!(f, "bucket {number}"),
            Duty::Outbox => f.write_str("outbox"),
            Duty::Trail => f.write_str("trail"),
            Duty::Upkeep => f.write_str("upkeep"),
            Duty::Reminders => f.write_str("reminders"),
            Duty::Ids => f.write_str("ids"),
            Duty::Destination(name) => write!(f, "to {name}"),
            Duty::Archive(name) => write!(f, "history {name}"),
        }
    }
}

/// The bucket of a patient; the same in every version of the program, since two of them may share a store.
#[must_use]
pub fn bucket_of(key: &PatientKey) -> u8 {
    let hash = Sha256::new()
        .chain_update(&key.issuer)
        .chain_update([0])
        .chain_update(&key.id)
        .finalize();
    hash.first().copied().unwrap_or(0)
}

/// Where a duty is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Held {
    /// Whose it is; `None`: nobody's.
    pub(super) member: Option<String>,
    /// Since when, in milliseconds of the clock of the database.
    pub(super) since: i64,
}

/// Every duty that somebody ever held. One of a newer daemon is left to such.
pub(super) fn all(view: &View) -> Result<BTreeMap<Duty, Held>, StoreError> {
    let rows = view
        .prepare("select name, member, since from duty order by name")
        .all((), |row| {
            let held = Held {
                member: row.get(1)?,
                since: row.get::<Option<i64>>(2)?.unwrap_or(0),
            };
            Ok((row.get::<String>(0)?, held))
        })?;
    let known = |(name, held): (String, Held)| Some((Duty::of_name(&name)?, held));
    Ok(rows.into_iter().filter_map(known).collect())
}

pub(super) fn held_by(view: &View, id: &str) -> Result<BTreeSet<Duty>, StoreError> {
    let names = view
        .prepare("select name from duty where member = ?1")
        .all([id], |row| row.get::<String>(0))?;
    let known = names.iter().filter_map(|name| Duty::of_name(name));
    Ok(known.collect())
}

/// Lets go of everything that a member holds.
pub(super) fn free_all(tx: &Tx, id: &str) -> Result<(), StoreError> {
    tx.prepare("update duty set member = null, since = ?2 where member = ?1")
        .execute((id, tx.now()?))?;
    Ok(())
}

/// Takes a duty that nobody holds; returns whether the member holds it now.
///
/// # Errors
/// The store cannot be written.
pub fn claim(tx: &Tx, membership: &Membership, duty: &Duty) -> Result<bool, StoreError> {
    if !super::stands(tx, membership)? {
        return Err(StoreError::PutOut);
    }
    tx.prepare(
        "insert into duty (name, member, since) values (?1, ?2, ?3)
         on conflict (name) do update set member = excluded.member, since = excluded.since
             where duty.member is null",
    )
    .execute((duty.to_string(), &membership.id, tx.now()?))?;
    holds(tx, membership, duty)
}

/// Lets go of a duty, if the member holds it.
///
/// # Errors
/// The store cannot be written.
pub fn release(tx: &Tx, membership: &Membership, duty: &Duty) -> Result<(), StoreError> {
    if holds(tx, membership, duty)? {
        tx.prepare("update duty set member = null, since = ?2 where name = ?1")
            .execute((duty.to_string(), tx.now()?))?;
    }
    Ok(())
}

/// Whether a member holds a duty, in a membership that stands. Asked in the transaction that changes, it
/// stays so until that ends.
///
/// # Errors
/// The store cannot be read.
pub fn holds(view: &View, membership: &Membership, duty: &Duty) -> Result<bool, StoreError> {
    view.prepare(
        "select 1 from duty join member on member.id = duty.member
         where duty.name = ?1 and member.id = ?2 and member.epoch = ?3",
    )
    .exists((duty.to_string(), &membership.id, membership.epoch))
}

/// Id of the member that holds a duty, if one does.
///
/// # Errors
/// The store cannot be read.
pub fn holder(view: &View, duty: &Duty) -> Result<Option<String>, StoreError> {
    let found = view
        .prepare("select member from duty where name = ?1")
        .first([duty.to_string()], |row| row.get(0))?;
    Ok(found.flatten())
}

/// Notes a duty that nobody holds, for others to take.
pub(super) fn offer(tx: &Tx, duty: &Duty) -> Result<(), StoreError> {
    tx.prepare(
        "insert into duty (name, member, since) values (?1, null, ?2) on conflict do nothing",
    )
    .execute((duty.to_string(), tx.now()?))?;
    Ok(())
}

/// Forgets a duty that nobody holds.
pub(super) fn forget(tx: &Tx, duty: &Duty) -> Result<(), StoreError> {
    tx.prepare("delete from duty where name = ?1 and member is null")
        .execute([duty.to_string()])?;
    Ok(())
}
