//! What was received, in a file on this machine until the database has it.
//!
//! A database on a server may be away while senders are not. So what is received is first committed to
//! the spool, then acknowledged, and then a [`Forwarder`] keeps it in the store and takes it out of the
//! spool. The file is opened, locked, watched and noted as a [`Store`] in one file is.

mod forward;
mod mark;
mod rows;
#[cfg(test)]
mod tests;

pub use forward::{Forwarded, Forwarder, NotForwarded, Told};

use crate::lock::beside;
use crate::objects::Incoming;
use crate::sqlite::schema::Form;
use crate::trouble::{self, Trouble};
use crate::{Mode, Store, StoreError, Tx, meta};
use chrono::{DateTime, Utc};
use std::path::Path;
use std::time::Duration;
use tokio::sync::watch;

/// Marks the file as a spool in its header: "SHLS".
const FORM: Form = Form {
    application_id: 0x5348_4C53,
    steps: &[(1, include_str!("spool/schema/001.sql"))],
};

/// Name in `meta` of what tells the spool from all others.
const ID: &str = "spool_id";

/// Name in `meta` of how many objects were taken out of it, since the database had them.
const FORWARDED: &str = "forwarded";

/// What [`Trouble`] is noted of.
const FORWARDING: &str = "forwarding";

/// Until where a spool takes objects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Bytes of compressed objects.
    pub bytes: u64,
    /// Objects.
    pub objects: u64,
    /// Bytes that stay free on the disk. Also to take something out some room is needed: a disk that
    /// is full to the last block would never be emptied.
    pub spare_bytes: u64,
}

impl Limits {
    /// So many bytes of compressed objects, a million objects at most, and 64 MiB of the disk free.
    #[must_use]
    pub fn of_bytes(bytes: u64) -> Limits {
        Limits {
            bytes,
            objects: 1_000_000,
            spare_bytes: 64 << 20,
        }
    }
}

/// What there is room for.
#[derive(Debug, Clone, Copy)]
struct Room {
    limits: Limits,
    /// Bytes that the disk can take; `None`: nobody knows.
    disk_bytes: Option<u64>,
}

/// A handle to the spool; clones share one writing thread.
#[derive(Debug, Clone)]
pub struct Spool {
    store: Store,
    limits: Limits,
}

/// A part of what is in a spool.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Amount {
    /// Objects.
    pub objects: u64,
    /// Bytes of them, compressed.
    pub bytes: u64,
}

/// How a spool stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// What waits to be forwarded.
    pub waiting: Amount,
    /// When the oldest object that waits was received.
    pub oldest: Option<DateTime<Utc>>,
    /// What the database refused, each for itself.
    pub aside: Amount,
    /// Objects that the database has, since the spool was made.
    pub forwarded: u64,
    /// What keeps from forwarding, and since when.
    pub trouble: Option<Trouble>,
}

/// An object that is set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// Its number in the spool.
    pub number: i64,
    /// Since when.
    pub since: DateTime<Utc>,
    /// Why the database refused it.
    pub why: String,
}

impl Spool {
    /// Opens the spool at `path`: as owner makes it if there is none, and what was set aside waits
    /// again, since a newer program or database may take it.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open(path: &Path, mode: Mode, limits: Limits) -> Result<Spool, StoreError> {
        let store =
            Store::open_file(path, &FORM, mode, |session| session).map_err(|error| match error {
                StoreError::Foreign { path } => StoreError::Work(format!(
                    "{}: this file is not a spool of sheathline; name another path in [store] spool",
                    path.display()
                )),
                other => other,
            })?;
        if mode == Mode::Owner {
            store.write(rows::wait_again)?;
        }
        Ok(Spool { store, limits })
    }

    /// Whether a spool was made at `path` once, there now or not.
    #[must_use]
    pub fn was_made(path: &Path) -> bool {
        crate::was_made(path)
    }

    /// Takes objects, all or none; they are on stable storage when this returns, with the number of
    /// each. Waits, so not for use inside async code.
    ///
    /// # Errors
    /// There is no room ([`StoreError::Full`]), or the spool cannot be written.
    pub fn take(&self, objects: Vec<Incoming>) -> Result<Vec<i64>, StoreError> {
        let room = self.room();
        self.store.write(move |tx| rows::put(tx, &objects, room))
    }

    /// [`Spool::take`] of one object, for async code.
    ///
    /// # Errors
    /// As [`Spool::take`].
    pub async fn take_async(&self, object: Incoming) -> Result<i64, StoreError> {
        let objects = [object];
        let room = self.room();
        let numbers = self
            .store
            .write_async(move |tx| rows::put(tx, &objects, room))
            .await?;
        let none = || StoreError::Work("an object got no number in the spool".to_owned());
        numbers.first().copied().ok_or_else(none)
    }

    fn room(&self) -> Room {
        Room {
            limits: self.limits,
            disk_bytes: self.disk_bytes(),
        }
    }

    /// Bytes that can still be written, as far as the system says: what is free, and the log, which is
    /// written anew from its begin.
    fn disk_bytes(&self) -> Option<u64> {
        let facts = rustix::fs::statvfs(self.store.path()).ok()?;
        let log = std::fs::metadata(beside(self.store.path(), "-wal"));
        let free = facts.f_bavail.saturating_mul(facts.f_frsize);
        Some(free.saturating_add(log.map_or(0, |log| log.len())))
    }

    /// How it stands.
    ///
    /// # Errors
    /// The spool cannot be read.
    pub fn standing(&self) -> Result<Standing, StoreError> {
        self.store.read(|view| {
            let (waiting, aside) = rows::amounts(view)?;
            let forwarded = meta::get(view, FORWARDED)?;
            Ok(Standing {
                waiting,
                oldest: rows::oldest(view)?,
                aside,
                forwarded: forwarded.and_then(|n| n.parse().ok()).unwrap_or(0),
                trouble: trouble::of(view, FORWARDING)?,
            })
        })
    }

    /// Whether it may take no object of `bytes` more, as it stands.
    ///
    /// # Errors
    /// The spool cannot be read.
    pub fn is_full(&self, bytes: u64) -> Result<bool, StoreError> {
        let room = self.room();
        self.store
            .read(|view| Ok(!rows::has_room(view, bytes, 1, room)?))
    }

    /// What is set aside, oldest first, at most `limit`.
    ///
    /// # Errors
    /// The spool cannot be read.
    pub fn aside(&self, limit: u32) -> Result<Vec<Aside>, StoreError> {
        self.store.read(|view| rows::aside(view, limit))
    }

    /// Notes what keeps from forwarding, or that nothing does; without anything of patients.
    ///
    /// # Errors
    /// The spool cannot be written.
    pub fn note_trouble(&self, what: Option<&str>, now: DateTime<Utc>) -> Result<(), StoreError> {
        let what = what.map(str::to_owned);
        self.store
            .write(move |tx| trouble::note(tx, FORWARDING, what.as_deref(), now))
    }

    /// Grows with every commit of this process.
    #[must_use]
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.store.changes()
    }

    /// As [`Store::doubt`].
    #[must_use]
    pub fn doubt(&self) -> Option<&str> {
        self.store.doubt()
    }

    /// As [`Store::on_commit`].
    pub fn on_commit(&self, told: impl Fn(Duration) + Send + Sync + 'static) {
        self.store.on_commit(told);
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.store.path()
    }

    /// The limits it was opened with.
    #[must_use]
    pub fn limits(&self) -> Limits {
        self.limits
    }

    /// What tells it from all others, in hexadecimal.
    fn id(&self) -> Result<String, StoreError> {
        let missing = || StoreError::Damaged {
            what: "the spool has lost what tells it from others".to_owned(),
        };
        self.store
            .read(|view| meta::get(view, ID))?
            .ok_or_else(missing)
    }
}

/// Counts what was taken out.
fn count_forwarded(tx: &Tx, more: u64) -> Result<(), StoreError> {
    let before = meta::get(tx, FORWARDED)?;
    let before: u64 = before.and_then(|n| n.parse().ok()).unwrap_or(0);
    meta::set(tx, FORWARDED, &before.saturating_add(more).to_string())
}
