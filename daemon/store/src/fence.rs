//! What keeps a daemon that others share the store with from changing it once they have put it out.
//!
//! The writing thread asks in each transaction, before the first change, whether the membership still
//! stands. That lies in the database, and whoever puts somebody out waits for the transaction to end; so a
//! daemon that stood still for a minute changes nothing when it goes on, however old what it is at is.

use crate::StoreError;
use crate::members::{self, Membership};
use crate::view::Tx;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The membership of whoever changes the store through one handle.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fence(Arc<Mutex<State>>);

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
    pub(crate) fn closed() -> Fence {
        Fence(Arc::new(Mutex::new(State::Out)))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // It is whole between any two assignments.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
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
