//! What becomes of a delivery once it was tried.

use super::{SICK_AFTER, Step, UNTIL_TRAIL, Worker};
use crate::observe::audit::{Event, Facts};
use crate::outbox;
use chrono::{DateTime, Utc};
use sheathline_model::results::Content;
use sheathline_net::connect::{Failure, Stage, Word};
use sheathline_store::StoreError;
use sheathline_store::deliveries::{self, Delivery, Failed};
use sheathline_store::results::ResultRow;
use std::time::Duration;

impl Worker {
    pub(super) fn arrived(
        &mut self,
        delivery: &Delivery,
        row: &ResultRow,
        instances: Vec<String>,
    ) -> Result<Step, StoreError> {
        self.is_up();
        self.goes_on()?;
        self.refusals = 0;
        let now = self.world.now().wall;
        if let Some(trail) = &self.observed.trail
            && !trail.write(&self.told(row, now, instances))
        {
            // Not noted, so it is delivered again and told then.
            return Ok(Step::Wait(Some(UNTIL_TRAIL)));
        }
        let id = delivery.id;
        self.change(move |tx| deliveries::delivered(tx, id, now))?;
        self.observed.metrics.delivered(&self.destination);
        tracing::debug!(
            code = "delivered",
            destination = self.destination,
            exam = delivery.exam_id,
            version = delivery.version,
            what = delivery.what.word()
        );
        Ok(Step::Tried)
    }

    fn told(
        &self,
        row: &ResultRow,
        now: DateTime<Utc>,
        instances: Vec<String>,
    ) -> Vec<(DateTime<Utc>, Event)> {
        let content: Option<Content> = serde_json::from_str(&row.content).ok();
        let study = content.map(|content| content.exam.study_instance_uid);
        let event = |instance: Option<String>| {
            let number = outbox::folder_name(&row.exam_id, row.version);
            let facts = Facts {
                patient: Some(row.patient.clone()),
                study: study.clone(),
                number: instance.is_none().then_some(number),
                instance,
            };
            let to = self.receiver.clone();
            (now, Event::Delivered { to, facts })
        };
        if instances.is_empty() {
            return vec![event(None)];
        }
        instances.into_iter().map(Some).map(event).collect()
    }

    pub(super) fn failed(
        &mut self,
        delivery: &Delivery,
        failure: &Failure,
    ) -> Result<Step, StoreError> {
        let metrics = &self.observed.metrics;
        metrics.delivery_failed(&self.destination, &failure.code.to_string());
        match failure.stage {
            Stage::Files | Stage::Name | Stage::Connect | Stage::Tls | Stage::Association => {
                self.is_down(failure)?;
                return self.put_off(delivery, failure, None);
            }
            Stage::Answer if !failure.lasts => {
                self.refusals += 1;
                if self.refusals < SICK_AFTER {
                    self.is_up()
                } else {
                    self.is_down(failure)?
                }
            }
            Stage::Answer => {
                self.is_up();
                self.goes_on()?;
                self.refusals = 0;
            }
            Stage::Form => {}
        }
        if failure.lasts {
            return self.bury(delivery, noted(failure));
        }
        if self.retry.is_over(delivery.waited) {
            let hours = delivery.waited.as_secs() / 3600;
            let mut last = noted(failure);
            last.words = format!(
                "put off for {hours} hours in all; the last time: {}",
                last.words
            );
            return self.bury(delivery, last);
        }
        let dice = self.world.dice();
        let failures = delivery.attempts.saturating_add(1);
        let wait = self.retry.wait(failures, dice, failure.not_before);
        self.put_off(delivery, failure, Some(wait))
    }

    /// It waits: for so long, or until the destination is reached.
    fn put_off(
        &mut self,
        delivery: &Delivery,
        failure: &Failure,
        wait: Option<Duration>,
    ) -> Result<Step, StoreError> {
        let (id, failed, now) = (delivery.id, noted(failure), self.world.now().wall);
        self.change(move |tx| deliveries::failed(tx, id, &failed, wait, now))?;
        Ok(Step::Tried)
    }

    /// It is dead: later results of its patient go on.
    fn bury(&mut self, delivery: &Delivery, failed: Failed) -> Result<Step, StoreError> {
        tracing::warn!(
            code = "delivery-dead",
            destination = self.destination,
            delivery = delivery.id,
            exam = delivery.exam_id,
            version = delivery.version,
            what = delivery.what.word(),
            failure = failed.code,
            "it is not tried again by itself, and later results of its patient go on; \
             outbox list tells why, outbox retry tries again"
        );
        self.observed.metrics.delivery_died(&self.destination);
        let (id, now) = (delivery.id, self.world.now().wall);
        self.change(move |tx| deliveries::died(tx, id, &failed, now))?;
        Ok(Step::Tried)
    }

    /// A result that is not what was stored is not sent; its patient is assessed again, which makes
    /// a further version.
    pub(super) fn bury_damaged(
        &mut self,
        delivery: &Delivery,
        row: Option<ResultRow>,
    ) -> Result<Step, StoreError> {
        if let Some(row) = row {
            self.change(move |tx| outbox::set_aside(tx, &row))?;
        }
        let failed = Failed {
            stage: Stage::Form.to_string(),
            code: Word::ResultDamaged.code().to_owned(),
            words: "the stored result is damaged; a further version takes its place".to_owned(),
        };
        self.bury(delivery, failed)
    }
}

fn noted(failure: &Failure) -> Failed {
    Failed {
        stage: failure.stage.to_string(),
        code: failure.code.to_string(),
        words: failure.words.clone(),
    }
}
