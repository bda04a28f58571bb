//! How the daemon behind a handle becomes a member of those who share the store.

use crate::error::Fault;
use crate::fence::Fence;
use crate::members::{self, Membership};
use crate::view::Tx;
use crate::writer::{Job, Turn};
use crate::{Store, StoreError};
use chrono::{DateTime, Utc};
use tokio::sync::oneshot;

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
                self.fence.stand(membership.clone());
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
        self.inner.fence.is_closed()
    }
}
