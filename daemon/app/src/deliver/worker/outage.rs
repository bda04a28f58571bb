//! A destination that is down, and since when.

use super::Worker;
use sheathline_net::connect::Failure;
use sheathline_store::{StoreError, trouble};
use std::time::Duration;

pub(super) struct Outage {
    failures: u32,
    /// By [`Moment::ran`].
    pub(super) until: Duration,
}

impl Worker {
    pub(super) fn is_down(&mut self, failure: &Failure) -> Result<(), StoreError> {
        let failures = self.outage.as_ref().map_or(0, |outage| outage.failures) + 1;
        let wait = self
            .retry
            .wait(failures, self.world.dice(), failure.not_before);
        let is_new = self.outage.is_none();
        if is_new {
            self.observed.metrics.reached(&self.destination, false);
            tracing::warn!(
                code = "destination-down",
                destination = self.destination,
                stage = %failure.stage,
                failure = failure.code.to_string(),
                "its results wait; this line comes once"
            );
        }
        self.outage = Some(Outage {
            failures,
            until: self.world.now().ran.saturating_add(wait),
        });
        if is_new {
            // Without the receiver's own words, which may quote patient data.
            self.note(Some(format!("{}: {}", failure.stage, failure.code)))?;
            self.is_noted_up = false;
        }
        Ok(())
    }

    pub(super) fn is_up(&mut self) {
        self.observed.metrics.reached(&self.destination, true);
        if let Some(outage) = self.outage.take() {
            tracing::info!(
                code = "destination-up",
                destination = self.destination,
                failures = outage.failures
            );
        }
    }

    /// A delivery was taken or refused for good. A receiver that only puts off what it is sent has not
    /// ended what the store says since when.
    pub(super) fn goes_on(&mut self) -> Result<(), StoreError> {
        if !self.is_noted_up {
            let of = self.trouble();
            if self.store.read(|conn| trouble::of(conn, &of))?.is_some() {
                self.note(None)?;
            }
            self.is_noted_up = true;
        }
        Ok(())
    }

    fn trouble(&self) -> String {
        format!("{}{}", trouble::DESTINATION, self.destination)
    }

    /// Leaves in the store since when the destination is down, for whoever looks from outside. One that
    /// lasts over a new start keeps its time.
    fn note(&self, what: Option<String>) -> Result<(), StoreError> {
        let (of, now) = (self.trouble(), self.world.now().wall);
        self.change(move |tx| trouble::note(tx, &of, what.as_deref(), now))
    }
}
