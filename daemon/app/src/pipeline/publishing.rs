//! Results to the outbox, as far as it takes them, and what keeps some from it.

use super::renderings::{self, Renderings};
use super::{Pipeline, PipelineError};
use crate::duties::Part;
use crate::observe::outbox::Unwritable;
use crate::outbox::{self, Pass, PublishError, Waits};
use chrono::Utc;
use sheathline_store::members::Duty;
use sheathline_store::results::ResultRow;
use sheathline_store::{StoreError, deliveries, trouble};
use std::sync::{MutexGuard, PoisonError};
use std::time::Instant;

/// Versions of results that are looked at for typed reports in one commit.
const VERSIONS_A_LOOK: u32 = 500;

impl Pipeline {
    /// Writes results that are not in the outbox yet. Returns how many. One that alone cannot be written
    /// is told in the log, waits, and holds up nobody but later ones of its patient:
    /// [`Pipeline::not_written`].
    ///
    /// # Errors
    ///
    /// When the outbox is another store's or cannot be written, or the store fails.
    pub fn publish(&self) -> Result<usize, PipelineError> {
        let part = self.share.now();
        if !self.publishing.is_any_of(&part) {
            // Whoever has the duty now takes it.
            self.claim.hand_over();
            return Ok(0);
        }
        let published = self.publish_all(&part);
        self.claim.release(&self.store);
        let outbox = &self.observed.outbox;
        match &published {
            Ok(_) => match Unwritable::of(&self.outbox) {
                None => outbox.well(),
                Some(what) => outbox.failed(what, &what.words()),
            },
            Err(PipelineError::Publish(error)) => {
                if let Some(what) = error.unwritable() {
                    outbox.failed(what, error);
                }
            }
            Err(_) => {}
        }
        if self.store.is_owner() {
            self.note_trouble()?;
        }
        // Whatever keeps results from the outbox, the reports are kept.
        self.bring_entered(&part)?;
        published
    }

    /// Lets typed reports wait for the archives that take them.
    fn bring_entered(&self, part: &Part) -> Result<(), StoreError> {
        if !part.has(&Duty::Outbox) {
            return Ok(());
        }
        for destination in &self.entered_to {
            let is_behind = || {
                self.store
                    .read(|view| deliveries::is_behind(view, destination))
            };
            while !self.is_hurried() && is_behind()? {
                let name = destination.clone();
                let part = part.clone();
                let (_, begun) = self.store.write(move |tx| {
                    part.check(tx, &Duty::Outbox)?;
                    deliveries::begin_entered(tx, &name, VERSIONS_A_LOOK, Utc::now())
                })?;
                if begun > 0 {
                    self.publications
                        .send_modify(|count| *count = count.wrapping_add(1));
                }
            }
        }
        Ok(())
    }

    /// Leaves in the store what keeps results from the outbox, for whoever looks from outside.
    fn note_trouble(&self) -> Result<(), StoreError> {
        let outbox = self.observed.outbox.failing().map(Unwritable::words);
        let held = match self.waits().count() {
            0 => None,
            1 => Some("a result cannot be written and is tried again".to_owned()),
            count => Some(format!(
                "{count} results cannot be written and are tried again"
            )),
        };
        let now = Some((outbox, held.clone()));
        let mut noted = self.noted.lock().unwrap_or_else(PoisonError::into_inner);
        if *noted == now {
            return Ok(());
        }
        self.store.write(move |tx| {
            trouble::note(tx, trouble::OUTBOX, outbox, Utc::now())?;
            trouble::note(tx, trouble::RESULTS, held.as_deref(), Utc::now())
        })?;
        *noted = now;
        Ok(())
    }

    fn publish_all(&self, part: &Part) -> Result<usize, PipelineError> {
        let patient = renderings::Patient::default();
        let renderer = || {
            let renderings = Renderings::new(&self.store, self.beside, &patient);
            // As soon as there is hurry, not after the whole batch.
            move |row: &ResultRow| {
                if self.is_hurried() {
                    Ok(None)
                } else {
                    renderings.of(row).map(Some)
                }
            }
        };
        let mut waits = self.waits();
        let mut published = 0;
        loop {
            let mut pass = Pass::new(&mut waits, Instant::now());
            let mut done = 0;
            while !self.is_hurried() {
                if !self.claim.hold(&self.store)? {
                    return Ok(published);
                }
                let tell = |rows: &[ResultRow]| self.tell_published(rows);
                let place = outbox::Place {
                    store: &self.store,
                    outbox: &self.outbox,
                    part,
                    publishing: self.publishing,
                };
                let to = &self.destinations;
                let some = outbox::publish_some(place, &mut pass, renderer, tell, to);
                // Also after an error: the others are published.
                if !matches!(some, Ok(None)) {
                    self.publications
                        .send_modify(|count| *count = count.wrapping_add(1));
                }
                match some {
                    Ok(Some(some)) => {
                        self.observed.metrics.published(some.published);
                        published += some.published;
                        done += some.published + some.renumbered;
                    }
                    Ok(None) => break,
                    // The trail has told it.
                    Err(PublishError::NotTold) => return Ok(published),
                    Err(error) => return Err(error.into()),
                }
            }
            // What got another number, or came meanwhile, is behind where the pass was.
            if done == 0 || self.is_hurried() {
                return Ok(published);
            }
        }
    }

    /// How many results could not be written and wait to be tried again, with the failure of the last
    /// one; `None`: all are in the outbox.
    #[must_use]
    pub fn not_written(&self) -> Option<String> {
        let waits = self.waits();
        let words = waits.words()?;
        Some(match waits.count() {
            1 => format!("a result could not be written: {words}"),
            count => format!("{count} results could not be written, the last of them: {words}"),
        })
    }

    fn waits(&self) -> MutexGuard<'_, Waits> {
        // It is whole between any two operations.
        self.waits.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
