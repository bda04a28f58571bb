//! What keeps a daemon that others share the store with from changing it once they have put it out.
//!
//! The writing thread asks in each transaction, before the first change, whether the membership still
//! stands. That lies in the database, and whoever puts somebody out waits for the transaction to end; so a
//! daemon that stood still for a minute changes nothing when it goes on, however old what it is at is.

use crate::error::Fault;
use crate::members::{self, Membership};
use crate::view::Tx;
use crate::writer::{Job, Turn};
use crate::{Store, StoreError};
use chrono::{DateTime, Utc};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::oneshot;

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
}

/// Begins a membership.
struct Joining {
    id: String,
    name: String,
    at: DateTime<Utc>,
    fence: Fence,
    outcome: Option<Result<Membership, StoreError>>,
    reply: oneshot::Sender<Result<Membership, StoreError>>,
}

impl Job for Joining {
    fn run(&mut self, tx: &Tx) -> Result<(), Fault> {
        let outcome = members::join(tx, &self.id, &self.name, self.at);
        let fault = outcome.as_ref().err().map(Fault::of);
        self.outcome = Some(outcome);
        fault.map_or(Ok(()), Err)
    }

    fn refuse(&mut self, error: StoreError) {
        self.outcome = Some(Err(error));
    }

    fn joins(&self) -> bool {
        true
    }

    fn answer(self: Box<Self>, fault: Option<&Fault>) {
        let outcome = match (self.outcome, fault) {
            (Some(Ok(membership)), None) => {
                // On the thread that writes, so that the next transaction asks for this one.
                *self.fence.state() = State::Member(membership.clone());
                Ok(membership)
            }
            (Some(Err(own)), _) => Err(own),
            (_, Some(fault)) => Err(fault.error()),
            (None, None) => Err(StoreError::Closed),
        };
        let _ = self.reply.send(outcome);
    }
}

impl Store {
    /// Becomes a member of those who share the store, or one anew. From then on each change through this
    /// handle and its clones is refused with [`StoreError::PutOut`], and nothing of it stored, when the
    /// membership does not stand any more. Waits, so not for use inside async code.
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn join(&self, id: &str, name: &str) -> Result<Membership, StoreError> {
        let (reply, answer) = oneshot::channel();
        let joining = Joining {
            id: id.to_owned(),
            name: name.to_owned(),
            at: Utc::now(),
            fence: self.inner.fence.clone(),
            outcome: None,
            reply,
        };
        let waiting = self.inner.waiting.as_ref().ok_or(StoreError::Closed)?;
        waiting
            .blocking_send(Turn::Change(Box::new(joining)))
            .map_err(|_| StoreError::Closed)?;
        answer.blocking_recv().unwrap_or(Err(StoreError::Closed))
    }

    /// Whether others may share the store: it was opened as [`Mode::Member`](crate::Mode::Member).
    #[must_use]
    pub fn is_shared(&self) -> bool {
        self.inner.is_shared
    }

    /// Whether changes are refused because the membership is over, or did not begin yet. That it is over is
    /// known from the first change that was refused on.
    #[must_use]
    pub fn is_put_out(&self) -> bool {
        matches!(*self.inner.fence.state(), State::Out)
    }
}
