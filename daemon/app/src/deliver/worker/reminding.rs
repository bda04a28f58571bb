//! Reminders that wait while somebody acts: what is not needed any more is not sent.

use super::{Step, Worker};
use sheathline_store::deliveries::{Delivery, What};
use sheathline_store::{StoreError, exam_lines};

impl Worker {
    /// Whether this reminds of a rise that waits for nobody any more: it was acknowledged, settled or
    /// withdrawn while the reminder waited.
    pub(super) fn is_needless(&self, delivery: &Delivery) -> Result<bool, StoreError> {
        if delivery.what != What::Reminder {
            return Ok(false);
        }
        let exam = &delivery.exam_id;
        self.store
            .read(|view| exam_lines::waits_for_nobody(view, exam))
    }

    /// Takes it out; later deliveries of its patient go on. What is asked for again is looked at again.
    pub(super) fn remind_nobody(&mut self, delivery: &Delivery) -> Result<Step, StoreError> {
        tracing::info!(
            code = "reminder-not-needed",
            destination = self.destination,
            delivery = delivery.id,
            exam = delivery.exam_id,
            version = delivery.version,
            "its rise waits for nobody any more"
        );
        self.drop_it(delivery)
    }
}

#[cfg(test)]
mod tests;
