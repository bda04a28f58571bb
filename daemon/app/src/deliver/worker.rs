//! The deliveries of one destination, one after another.
//!
//! [`Worker::step`] takes the next delivery that is due, tries it once, and notes in the store how it
//! ended. A crash between the receiver's answer and that note repeats the delivery with the same
//! bytes, which the receiver recognises by its key.
//!
//! What is between us and the receiver (name, connection, TLS, association, our own files) is nobody's
//! delivery in particular: while it fails the destination is down, one delivery at a time probes it,
//! and nothing dies of it. What the receiver answers is about the delivery it answers.

mod ended;
mod outage;
mod reminding;

use super::Carrier;
use crate::duties::{Part, Share};
use crate::observe::Observed;
use crate::observe::audit::Receiver;
use crate::parcel;
use crate::routes::retry::Retry;
use chrono::{DateTime, Utc};
use outage::Outage;
use sheathline_net::connect::{Failure, Stage, Word};
use sheathline_store::deliveries::{self, Delivery, Next, What, Which};
use sheathline_store::members::Duty;
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{Store, StoreError, Tx, objects};
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
    share: Share,
    /// What of the work is this daemon's, as the step under way found it.
    part: Part,
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
            part: Share::all().now(),
            share: Share::all(),
        }
    }

    /// Delivers while the destination is among what `share` says.
    #[must_use]
    pub fn sharing(mut self, share: Share) -> Self {
        self.share = share;
        self
    }

    /// Changes the store, as long as the destination is this daemon's.
    fn change<T: Send + 'static>(
        &self,
        work: impl Fn(&Tx) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let (part, duty) = (self.part.clone(), self.duty());
        self.store.write(move |tx| {
            part.check(tx, &duty)?;
            work(tx)
        })
    }

    /// Asked before anything is sent: whoever stood still meanwhile may have been put out, and what another
    /// daemon sent since must not be followed by what came before it.
    fn still_ours(&self) -> Result<(), StoreError> {
        match self.part.membership() {
            Some(_) => {
                let duty = self.duty();
                self.store.read(|view| self.part.check(view, &duty))
            }
            None => Ok(()),
        }
    }

    fn duty(&self) -> Duty {
        Duty::Destination(self.destination.clone())
    }

    /// Tries one delivery, if one is due.
    ///
    /// # Errors
    /// The store cannot be read or written; what was tried is tried again.
    pub fn step(&mut self) -> Result<Step, StoreError> {
        self.part = self.share.now();
        if !self.part.has(&self.duty()) {
            // How it is with the destination is found out anew, once it is ours again.
            self.outage = None;
            self.is_noted_up = false;
            return Ok(Step::Wait(None));
        }
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
                self.still_ours()?;
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
        self.change(move |tx| deliveries::drop_some(tx, &which, now))?;
        Ok(Step::Tried)
    }
}

#[cfg(test)]
mod tests;
