//! From the spool into the store, batch by batch.

use super::Spool;
use super::mark::Mark;
use super::rows::{self, Found, Waiting};
use crate::error::Kind;
use crate::facts::{self, ObjectFacts};
use crate::objects::Kept;
use crate::view::Tx;
use crate::{Store, StoreError};
use chrono::Utc;
use sheathline_model::domain::Source;
use std::collections::BTreeSet;
use std::sync::Arc;

/// Objects of one transaction.
const BATCH: usize = 50;

/// Bytes of them, compressed: they are in memory together.
const BATCH_BYTES: u64 = 16 << 20;

/// Objects that are tried, each for itself, until the store takes one.
const TRIED_MAX: usize = 1000;

/// Length of a reason.
const REASON_CHARS: usize = 300;

/// Forwards what waits in a spool. One at a time for a spool.
#[derive(Debug)]
pub struct Forwarder {
    spool: Spool,
    id: String,
    /// What was told of and is not out of the spool yet.
    told: BTreeSet<i64>,
}

/// What one step did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Forwarded {
    /// Nothing waits.
    Nothing,
    /// So many objects are in the store and out of the spool, or set aside.
    Some {
        /// Objects that are in the store.
        objects: usize,
        /// Whether more may wait.
        is_full: bool,
    },
}

/// What became of one object.
#[derive(Debug)]
pub enum Told<'a> {
    /// The store has it.
    Kept {
        /// Where it came from.
        source: &'a Source,
        /// New, or a repeat.
        kept: Kept,
        /// What is known of it if it was there already.
        repeated: Option<ObjectFacts>,
    },
    /// It is set aside.
    Aside {
        /// Its number in the spool.
        number: i64,
        /// Why; nothing of a patient.
        why: &'a str,
    },
}

/// Why nothing is forwarded. What is not known to be in the store stays in the spool.
#[derive(Debug, thiserror::Error)]
pub enum NotForwarded {
    /// The store does not take it now.
    #[error("{0}")]
    Store(StoreError),
    /// The spool cannot be read or written.
    #[error("the spool: {0}")]
    Spool(StoreError),
}

/// An object that the store has, with its number in the spool.
struct Taken {
    number: i64,
    source: Source,
    kept: Kept,
    repeated: Option<ObjectFacts>,
}

impl Forwarder {
    /// # Errors
    /// The spool cannot be read.
    pub fn new(spool: Spool) -> Result<Forwarder, StoreError> {
        Ok(Forwarder {
            id: spool.id()?,
            spool,
            told: BTreeSet::new(),
        })
    }

    /// The spool.
    #[must_use]
    pub fn spool(&self) -> &Spool {
        &self.spool
    }

    /// Keeps the next objects in `store`, in the order of arrival and in one transaction; then tells of
    /// them, and takes them out of the spool. A crash between may tell of them again.
    ///
    /// An object that the store refuses is set aside once the store has taken another one: a store that
    /// takes none is in trouble itself.
    ///
    /// # Errors
    /// Nothing can be forwarded now.
    pub fn step(
        &mut self,
        store: &Store,
        tell: &mut dyn FnMut(Told<'_>),
    ) -> Result<Forwarded, NotForwarded> {
        let (rows, damaged) = self.next(0)?;
        if rows.is_empty() && damaged.is_empty() {
            self.give_back().map_err(NotForwarded::Spool)?;
            return Ok(Forwarded::Nothing);
        }
        let is_full = rows.len() + damaged.len() >= BATCH;
        if !damaged.is_empty() {
            let aside = damaged.into_iter().map(|one| (one, DAMAGED.to_owned()));
            self.settle(&[], aside.collect(), tell)?;
            return Ok(Forwarded::Some {
                objects: 0,
                is_full: true,
            });
        }
        let asked = rows.len();
        match self.taken(store, rows) {
            Ok(taken) => {
                self.settle(&taken, Vec::new(), tell)?;
                Ok(Forwarded::Some {
                    objects: taken.len(),
                    is_full: is_full || taken.len() < asked,
                })
            }
            Err(error) if is_of_an_object(&error) => self.one_by_one(store, tell),
            Err(error) => Err(NotForwarded::Store(error)),
        }
    }

    /// Keeps each object for itself until the end of a batch of which the store took some; what it
    /// refused before it took another one is set aside.
    fn one_by_one(
        &mut self,
        store: &Store,
        tell: &mut dyn FnMut(Told<'_>),
    ) -> Result<Forwarded, NotForwarded> {
        let mut refused: Vec<(i64, String)> = Vec::new();
        let (mut first, mut objects, mut after) = (None, 0, 0);
        while refused.len() < TRIED_MAX {
            let (rows, damaged) = self.next(after)?;
            let last = rows.iter().map(|one| one.number).chain(damaged).max();
            let Some(last) = last else { break };
            after = last;
            for row in rows {
                let number = row.number;
                match self.taken(store, vec![row]) {
                    Ok(taken) => {
                        self.settle(&taken, std::mem::take(&mut refused), tell)?;
                        objects += taken.len();
                    }
                    Err(error) if is_of_an_object(&error) => {
                        refused.push((number, words(&error)));
                        first.get_or_insert(error);
                    }
                    Err(error) => return Err(NotForwarded::Store(error)),
                }
            }
            if objects > 0 && refused.is_empty() {
                break;
            }
        }
        match first {
            Some(error) if objects == 0 => Err(NotForwarded::Store(error)),
            _ => Ok(Forwarded::Some {
                objects,
                is_full: true,
            }),
        }
    }

    /// Room that a long outage took goes back to the disk while nothing waits.
    fn give_back(&self) -> Result<(), StoreError> {
        let store = &self.spool.store;
        if store.read(rows::is_loose)? {
            store.write(rows::give_back)?;
        }
        Ok(())
    }

    /// The next objects after a number, and the numbers of rows that are damaged.
    fn next(&self, after: i64) -> Result<(Vec<Waiting>, Vec<i64>), NotForwarded> {
        let found = self
            .spool
            .store
            .read(|view| rows::next(view, after, BATCH, BATCH_BYTES))
            .map_err(NotForwarded::Spool)?;
        let (mut sound, mut damaged) = (Vec::new(), Vec::new());
        for one in found {
            match one {
                Found::Sound(one) => sound.push(one),
                Found::Damaged { number } => damaged.push(number),
            }
        }
        Ok((sound, damaged))
    }

    /// Keeps objects in the store, unless it took some of them before: then these are all.
    fn taken(&self, store: &Store, rows: Vec<Waiting>) -> Result<Vec<Taken>, StoreError> {
        let id = self.id.clone();
        let rows = Arc::new(rows);
        store.write(move |tx| take(tx, &id, &rows))
    }

    /// Tells of what the store has and of what is set aside, and writes it into the spool.
    fn settle(
        &mut self,
        taken: &[Taken],
        aside: Vec<(i64, String)>,
        tell: &mut dyn FnMut(Told<'_>),
    ) -> Result<(), NotForwarded> {
        for one in taken {
            if self.told.insert(one.number) {
                tell(Told::Kept {
                    source: &one.source,
                    kept: one.kept,
                    repeated: one.repeated.clone(),
                });
            }
        }
        let numbers: Vec<i64> = taken.iter().map(|one| one.number).collect();
        let set_aside = aside.clone();
        self.spool
            .store
            .write(move |tx| rows::settle(tx, &numbers, &set_aside, Utc::now()))
            .map_err(NotForwarded::Spool)?;
        for one in taken {
            self.told.remove(&one.number);
        }
        for (number, why) in &aside {
            tell(Told::Aside {
                number: *number,
                why,
            });
        }
        Ok(())
    }
}

/// Why a row of the spool is set aside that is not what was put there.
const DAMAGED: &str = "it is damaged in the spool";

fn take(tx: &Tx, spool: &str, rows: &[Waiting]) -> Result<Vec<Taken>, StoreError> {
    let before = Mark::of(tx, spool)?;
    let mut taken = Vec::new();
    for row in rows {
        if let Some(kept) = before.taken(row) {
            let repeated = match kept {
                Kept::New(_) => None,
                Kept::Repeat(id) => facts::of(tx, id)?,
            };
            taken.push(row.taken(kept, repeated));
        }
    }
    if !taken.is_empty() {
        return Ok(taken);
    }
    let mut mark = Mark::default();
    for row in rows {
        let (kept, repeated) = facts::keep(tx, &row.object)?;
        mark.add(row, kept);
        taken.push(row.taken(kept, repeated));
    }
    mark.note(tx, spool)?;
    Ok(taken)
}

impl Waiting {
    fn taken(&self, kept: Kept, repeated: Option<ObjectFacts>) -> Taken {
        Taken {
            number: self.number,
            source: self.object.source.clone(),
            kept,
            repeated,
        }
    }
}

/// A reason as it is stored.
fn words(error: &StoreError) -> String {
    error.to_string().chars().take(REASON_CHARS).collect()
}

/// Whether a failure may lie in one object, and not in the store.
fn is_of_an_object(error: &StoreError) -> bool {
    match error {
        StoreError::Refused(refusal) => matches!(refusal.kind(), Kind::Unfit | Kind::Other),
        StoreError::Work(_) | StoreError::Panicked => true,
        _ => false,
    }
}
