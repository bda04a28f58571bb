//! Which part of the work on the store is this daemon's now.
//!
//! With a store of its own a daemon does everything. Where several share one, each is a member, shows itself
//! every few seconds and holds some duties ([`Roster`]); whoever works asks a [`Share`] between two steps
//! what is its to do, and once more in the transaction that writes, since the duty may have gone to another
//! daemon meanwhile.

mod roster;

pub use roster::{Brings, Roster};

use sheathline_model::domain::PatientKey;
use sheathline_store::members::{self, Duty, LIVES, Membership, bucket_of};
use sheathline_store::{StoreError, View};
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// What of the work is this daemon's; changes while it works.
#[derive(Debug, Clone, Default)]
pub struct Share(Option<Arc<Mutex<Held>>>);

/// What it held when it looked last.
#[derive(Debug, Default)]
struct Held {
    part: Option<Part>,
    looked: Option<Instant>,
}

/// What of the work is this daemon's at one moment.
#[derive(Debug, Clone)]
pub struct Part(Option<Own>);

#[derive(Debug, Clone)]
struct Own {
    /// `None`: it is no member now, and has nothing to do.
    membership: Option<Membership>,
    duties: Arc<BTreeSet<Duty>>,
}

impl Share {
    /// All of it, always.
    #[must_use]
    pub fn all() -> Self {
        Share(None)
    }

    /// What the daemon holds among those that share the store; nothing until it was told.
    #[must_use]
    pub fn of_a_member() -> Self {
        Share(Some(Arc::default()))
    }

    /// What is its to do now.
    #[must_use]
    pub fn now(&self) -> Part {
        let Some(held) = &self.0 else {
            return Part(None);
        };
        let held = lock(held);
        // Whoever has not shown itself for so long may have been put out.
        let is_fresh = held.looked.is_some_and(|at| at.elapsed() < LIVES);
        let part = held.part.clone().filter(|_| is_fresh);
        part.unwrap_or_else(Part::nothing)
    }

    /// A member looked, and this is what it holds; `None`: it is none any more.
    pub fn set(&self, holds: Option<(Membership, BTreeSet<Duty>)>) {
        let Some(held) = &self.0 else { return };
        let part = holds.map(|(membership, duties)| {
            Part(Some(Own {
                membership: Some(membership),
                duties: Arc::new(duties),
            }))
        });
        *lock(held) = Held {
            looked: part.is_some().then(Instant::now),
            part,
        };
    }
}

fn lock(held: &Mutex<Held>) -> MutexGuard<'_, Held> {
    // It is whole between any two assignments.
    held.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Part {
    fn nothing() -> Self {
        Part(Some(Own {
            membership: None,
            duties: Arc::default(),
        }))
    }

    /// Whether a duty is its.
    #[must_use]
    pub fn has(&self, duty: &Duty) -> bool {
        self.0.as_ref().is_none_or(|own| own.duties.contains(duty))
    }

    /// Whether it has any of the buckets.
    #[must_use]
    pub fn has_buckets(&self) -> bool {
        let is_one = |own: &Own| own.duties.iter().any(Duty::is_bucket);
        self.0.as_ref().is_none_or(is_one)
    }

    /// The membership under which it is; `None` where nothing is shared, or there is none now.
    #[must_use]
    pub fn membership(&self) -> Option<&Membership> {
        self.0.as_ref()?.membership.as_ref()
    }

    /// Whether a duty is still its. Asked in a transaction that changes, it stays so until that ends.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn still_has(&self, view: &View, duty: &Duty) -> Result<bool, StoreError> {
        match &self.0 {
            None => Ok(true),
            Some(own) => match &own.membership {
                None => Ok(false),
                Some(membership) => members::holds(view, membership, duty),
            },
        }
    }

    /// The same, for a change that must not be made otherwise.
    ///
    /// # Errors
    /// [`StoreError::NotOurs`], or the store cannot be read.
    pub fn check(&self, view: &View, duty: &Duty) -> Result<(), StoreError> {
        if self.still_has(view, duty)? {
            Ok(())
        } else {
            Err(StoreError::NotOurs {
                duty: duty.to_string(),
            })
        }
    }
}

/// Who writes a result to an outbox.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Publishing {
    /// One daemon, all of them, to the folder that all share.
    #[default]
    ByOne,
    /// Whoever assesses its patient, to a folder of its own.
    ByEach,
}

impl Publishing {
    /// The duty that writing a result of a patient belongs to, by the id that it is filed under.
    #[must_use]
    pub fn duty(self, patient: &PatientKey) -> Duty {
        match self {
            Publishing::ByOne => Duty::Outbox,
            Publishing::ByEach => Duty::Bucket(bucket_of(patient)),
        }
    }

    /// Whether any of it is this part's.
    #[must_use]
    pub fn is_any_of(self, part: &Part) -> bool {
        match self {
            Publishing::ByOne => part.has(&Duty::Outbox),
            Publishing::ByEach => part.has_buckets(),
        }
    }
}

/// Whether an error says only that the work has become another daemon's: nothing is lost, and nobody has
/// to look.
#[must_use]
pub fn has_moved(error: &StoreError) -> bool {
    matches!(error, StoreError::NotOurs { .. } | StoreError::PutOut)
}
