//! What keeps a daemon that others share the store with from changing it once they have put it out.
//!
//! The writing thread asks in each transaction, before the first change, whether the membership still
//! stands. That lies in the database, and whoever puts somebody out waits for the transaction to end; so a
//! daemon that stood still for a minute changes nothing when it goes on, however old what it is at is. In
//! the same way whoever does not own the store asks whether it was moved since it was opened.

use crate::StoreError;
use crate::members::{self, Membership};
use crate::moving::mark;
use crate::view::Tx;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What must hold for whoever changes the store through one handle.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fence {
    membership: Arc<Mutex<State>>,
    /// What the store is called, for somebody whom nothing else keeps from changing one that was moved.
    beside: Option<Arc<str>>,
}

#[derive(Debug, Clone, Default)]
enum State {
    /// It needs none: an owner without others, or a short command beside the members.
    #[default]
    Open,
    /// Changes are made while this one stands.
    Member(Membership),
    /// No change is made until it joins anew.
    Out,
}

impl Fence {
    /// Of a daemon that is to become a member, and changes nothing before.
    pub(crate) fn closed(place: &str) -> Fence {
        Fence {
            membership: Arc::new(Mutex::new(State::Out)),
            beside: Some(place.into()),
        }
    }

    /// Of a short command, beside an owner or members or without them.
    pub(crate) fn beside(place: &str) -> Fence {
        Fence {
            membership: Arc::default(),
            beside: Some(place.into()),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // It is whole between any two assignments.
        self.membership
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// Why no change is made, whoever asks for it: the store went, or is still coming. To be asked in the
    /// transaction that changes: an owner is who moves a store, or one whom nobody can move it away from.
    pub(crate) fn elsewhere(&self, tx: &Tx) -> Result<Option<StoreError>, StoreError> {
        let Some(place) = &self.beside else {
            return Ok(None);
        };
        if mark::is_here(tx)? {
            return Ok(None);
        }
        match mark::refuse(tx, place) {
            Ok(()) => Ok(None),
            Err(why @ (StoreError::Moved { .. } | StoreError::Coming { .. })) => Ok(Some(why)),
            Err(error) => Err(error),
        }
    }

    /// Whether changes are refused. To be asked in the transaction that changes.
    pub(crate) fn is_out(&self, tx: &Tx) -> Result<bool, StoreError> {
        let state = self.state().clone();
        Ok(match state {
            State::Open => false,
            State::Out => true,
            State::Member(membership) => {
                let is_out = !members::stands(tx, &membership)?;
                if is_out {
                    *self.state() = State::Out;
                }
                is_out
            }
        })
    }

    /// From now on changes are made while this membership stands. To be said on the thread that writes, so
    /// that the next transaction asks for this one.
    pub(crate) fn stand(&self, membership: Membership) {
        *self.state() = State::Member(membership);
    }

    /// Whether changes are refused, as far as that is known.
    pub(crate) fn is_closed(&self) -> bool {
        matches!(*self.state(), State::Out)
    }
}
