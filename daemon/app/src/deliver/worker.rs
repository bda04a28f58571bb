//! The deliveries of one destination, one after another.
//!
//! [`Worker::step`] takes the next delivery that is due, tries it once, and notes in the store how it
//! ended. A crash between the receiver's answer and that note repeats the delivery with the same
//! bytes, which the receiver recognises by its key.
//!
//! What is between us and the receiver (name, connection, TLS, association, our own files) is nobody's
//! delivery in particular: while it fails the destination is down, one delivery at a time probes it,
//! and nothing dies of it. What the receiver answers is about the delivery it answers.

mod reminding;

use super::Carrier;
use crate::observe::Observed;
use crate::observe::audit::{Event, Facts, Receiver};
use crate::outbox;
use crate::parcel;
use crate::routes::retry::Retry;
use chrono::{DateTime, Utc};
use sheathline_model::results::Content;
use sheathline_net::connect::{Failure, Stage, Word};
use sheathline_store::deliveries::{self, Delivery, Failed, Next, What, Which};
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{Store, StoreError, objects, trouble};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;

/// Deliveries in a row that a receiver puts off, after which it counts as down: it is sick as a whole,
/// and is not asked for each of a thousand.
const SICK_AFTER: u32 = 5;

/// Pause while the audit trail cannot be written.
const UNTIL_TRAIL: Duration = Duration::from_secs(2);

/// Makes a carrier to one destination.
pub type MakeCarrier = Box<dyn Fn() -> Box<dyn Carrier> + Send>;

/// A point in time by both clocks.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    /// By the clock of the system, which may jump.
    pub wall: DateTime<Utc>,
    /// Since some start; never goes back.
    pub ran: Duration,
}

/// What a worker asks the world for.
pub trait World: Send {
    /// Now.
    fn now(&self) -> Moment;
    /// A number from 0 to below 1.
    fn dice(&mut self) -> f64;
}

/// What a step came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// A delivery was tried.
    Tried,
    /// There is nothing to do for so long, unless something is published; `None`: until then.
    Wait(Option<Duration>),
}

/// The deliveries of one destination.
pub struct Worker {
    destination: String,
    receiver: Receiver,
    retry: Retry,
    make: MakeCarrier,
    carrier: Box<dyn Carrier>,
    store: Store,
    observed: Observed,
    world: Box<dyn World>,
    /// While the destination is down.
    outage: Option<Outage>,
    /// Answers in a row that put a delivery off.
    refusals: u32,
    /// Whether the store is known to say nothing of an outage.
    is_noted_up: bool,
    /// See [`deliveries::asked`].
    asked: Option<u64>,
}

/// How an attempt ended.
enum Brought {
    /// With an answer, or on the way. What arrived, as the audit trail tells it: instances of typed
    /// reports, none of a result.
    Ended(Result<Vec<String>, Failure>),
    /// The result is damaged.
    Damaged,
    /// Every typed report of it was taken back before it went.
    TakenBack,
}

struct Outage {
    failures: u32,
    /// By [`Moment::ran`].
    until: Duration,
}

impl Worker {
    /// A worker for the destination of this name.
    #[must_use]
    pub fn new(
        destination: String,
        receiver: Receiver,
        retry: Retry,
        make: MakeCarrier,
        store: Store,
        observed: Observed,
        world: Box<dyn World>,
    ) -> Self {
        Worker {
            carrier: make(),
            destination,
            receiver,
            retry,
            make,
            store,
            observed,
            world,
            outage: None,
            refusals: 0,
            is_noted_up: false,
            asked: None,
        }
    }

    /// Tries one delivery, if one is due.
    ///
    /// # Errors
    /// The store cannot be read or written; what was tried is tried again.
    pub fn step(&mut self) -> Result<Step, StoreError> {
        let now = self.world.now();
        let asked = self
            .store
            .read(|conn| deliveries::asked(conn, &self.destination))?;
        let is_asked = self.asked.replace(asked).is_some_and(|old| old != asked);
        if let Some(outage) = &self.outage
            && !is_asked
            && let Some(left) = outage.until.checked_sub(now.ran)
            && !left.is_zero()
        {
            return Ok(Step::Wait(Some(left)));
        }
        // Before anything is sent: what nobody can be told of is not delivered.
        let trail = self.observed.trail.as_ref();
        if trail.is_some_and(|trail| trail.is_failing() && !trail.write(&[])) {
            return Ok(Step::Wait(Some(UNTIL_TRAIL)));
        }
        let next = self
            .store
            .read(|conn| deliveries::next(conn, &self.destination, now.wall, self.retry.longest))?;
        match next {
            Next::Due(delivery) if self.is_needless(&delivery)? => self.remind_nobody(&delivery),
            Next::Due(delivery) => self.attempt(&delivery),
            Next::At(time) => Ok(Step::Wait((time - now.wall).to_std().ok())),
            Next::Nothing => Ok(Step::Wait(None)),
        }
    }

    fn attempt(&mut self, delivery: &Delivery) -> Result<Step, StoreError> {
        let row = self
            .store
            .read(|conn| results::by_number(conn, delivery.result_id))?;
        let tried = catch_unwind(AssertUnwindSafe(|| self.bring(delivery, row.as_ref())));
        let outcome = match tried {
            Ok(brought) => brought?,
            Err(_) => {
                // Nobody knows in what state the old one is.
                self.carrier = (self.make)();
                let words = "the program failed while it delivered this; please report it";
                Brought::Ended(Err(Failure::new(Stage::Form, Word::Panicked, words)))
            }
        };
        match (outcome, row) {
            (Brought::Ended(Ok(instances)), Some(row)) => self.arrived(delivery, &row, instances),
            (Brought::Ended(Err(failure)), _) => self.failed(delivery, &failure),
            (Brought::TakenBack, _) => self.take_out(delivery),
            (_, row) => self.bury_damaged(delivery, row),
        }
    }

    fn bring(
        &mut self,
        delivery: &Delivery,
        row: Option<&ResultRow>,
    ) -> Result<Brought, StoreError> {
        let Some(row) = row.filter(|row| crate::known::content_of(row).is_ok()) else {
            return Ok(Brought::Damaged);
        };
        if delivery.what == What::Entered {
            return self.bring_entered(delivery);
        }
        match parcel::parcel(&self.store, delivery.result_id, row) {
            Ok(mut parcel) => {
                parcel.context.reminder = delivery.what == What::Reminder;
                let ended = self.carrier.deliver(&parcel);
                Ok(Brought::Ended(ended.map(|()| Vec::new())))
            }
            // Something beside the result, which may be made again.
            Err(StoreError::Damaged { what }) => {
                let words = format!("the store is damaged in {what}");
                let failure = Failure::new(Stage::Form, Word::StoreDamaged, words);
                Ok(Brought::Ended(Err(failure)))
            }
            Err(error) => Err(error),
        }
    }

    /// Brings typed reports as they are stored. Those whose bytes are gone hold up no other, and are
    /// told once the others have arrived.
    fn bring_entered(&mut self, delivery: &Delivery) -> Result<Brought, StoreError> {
        let (mut instances, mut bytes, mut gone) = (Vec::new(), Vec::new(), Vec::new());
        self.store.read(|view| {
            for (id, instance) in deliveries::entered(view, delivery.id)? {
                match objects::body(view, id) {
                    Err(StoreError::Damaged { .. } | StoreError::Dropped { .. }) => {
                        gone.push(instance);
                    }
                    body => {
                        bytes.push(body?);
                        instances.push(instance);
                    }
                }
            }
            Ok(())
        })?;
        if bytes.is_empty() && gone.is_empty() {
            return Ok(Brought::TakenBack);
        }
        if !bytes.is_empty()
            && let Err(failure) = self.carrier.deliver_entered(&bytes)
        {
            return Ok(Brought::Ended(Err(failure)));
        }
        if gone.is_empty() {
            return Ok(Brought::Ended(Ok(instances)));
        }
        let words = format!("the bytes of {} are not kept any more", gone.join(", "));
        let failure = Failure::new(Stage::Form, Word::BytesGone, words).lasting(true);
        Ok(Brought::Ended(Err(failure)))
    }

    /// What a person took back before it went is not sent; should it count again, the version that says
    /// so takes it along.
    fn take_out(&mut self, delivery: &Delivery) -> Result<Step, StoreError> {
        tracing::info!(
            code = "delivery-taken-back",
            destination = self.destination,
            delivery = delivery.id,
            exam = delivery.exam_id,
            "its typed reports were taken back before they went"
        );
        self.drop_it(delivery)
    }

    fn drop_it(&mut self, delivery: &Delivery) -> Result<Step, StoreError> {
        let (id, now) = (delivery.id, self.world.now().wall);
        let which = Which {
            ids: vec![id],
            ..Which::default()
        };
        self.store
            .write(move |tx| deliveries::drop_some(tx, &which, now))?;
        Ok(Step::Tried)
    }

    fn arrived(
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
        self.store
            .write(move |tx| deliveries::delivered(tx, id, now))?;
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

    fn failed(&mut self, delivery: &Delivery, failure: &Failure) -> Result<Step, StoreError> {
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
        self.store
            .write(move |tx| deliveries::failed(tx, id, &failed, wait, now))?;
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
        self.store
            .write(move |tx| deliveries::died(tx, id, &failed, now))?;
        Ok(Step::Tried)
    }

    /// A result that is not what was stored is not sent; its patient is assessed again, which makes
    /// a further version.
    fn bury_damaged(
        &mut self,
        delivery: &Delivery,
        row: Option<ResultRow>,
    ) -> Result<Step, StoreError> {
        if let Some(row) = row {
            self.store.write(move |tx| outbox::set_aside(tx, &row))?;
        }
        let failed = Failed {
            stage: Stage::Form.to_string(),
            code: Word::ResultDamaged.code().to_owned(),
            words: "the stored result is damaged; a further version takes its place".to_owned(),
        };
        self.bury(delivery, failed)
    }

    fn is_down(&mut self, failure: &Failure) -> Result<(), StoreError> {
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

    fn is_up(&mut self) {
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
    fn goes_on(&mut self) -> Result<(), StoreError> {
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
        self.store
            .write(move |tx| trouble::note(tx, &of, what.as_deref(), now))
    }
}

fn noted(failure: &Failure) -> Failed {
    Failed {
        stage: failure.stage.to_string(),
        code: failure.code.to_string(),
        words: failure.words.clone(),
    }
}

#[cfg(test)]
mod tests;
