//! A thread for each destination, so that one that hangs holds up nobody else.

use super::Carrier;
use super::retry::Retry;
use super::way::{Destination, Way};
use super::worker::{MakeCarrier, Moment, Step, Worker, World};
use crate::nice;
use crate::observe::Observed;
use crate::observe::audit::Receiver;
use crate::store::{Store, StoreError, deliveries};
use chrono::Utc;
use std::hash::{BuildHasher, RandomState};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::runtime::Handle;
use tokio::sync::watch;

/// How often a worker looks by itself: `outbox retry` or `label` beside the daemon may have left
/// something to do.
const LOOK_ANYWAY: Duration = Duration::from_secs(1);

/// Pause after the store failed.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_secs(2);

/// The workers of a daemon, started.
pub struct Workers {
    threads: Vec<JoinHandle<()>>,
    stop: watch::Sender<bool>,
}

impl Workers {
    /// Starts one for each destination. `published` grows with every result that is published.
    ///
    /// # Errors
    /// A thread cannot be started, or the store not be read.
    pub fn start(
        destinations: &[(Destination, Retry)],
        make: fn(&Destination) -> Box<dyn Carrier>,
        store: &Store,
        observed: &Observed,
        published: &watch::Receiver<u64>,
    ) -> Result<Self, StartError> {
        warn_of_unknown(destinations, store)?;
        let (stop, stopped) = watch::channel(false);
        let mut threads = Vec::new();
        for (destination, retry) in destinations {
            let of = destination.clone();
            let make: MakeCarrier = Box::new(move || make(&of));
            let worker = Worker::new(
                destination.name.clone(),
                receiver(destination),
                *retry,
                make,
                store.clone(),
                observed.clone(),
                Box::new(System::new()),
            );
            let (stop, published) = (stopped.clone(), published.clone());
            let runtime = Handle::current();
            let thread = std::thread::Builder::new()
                .name(format!("to {}", destination.name))
                .spawn(move || run(worker, stop, published, &runtime))?;
            threads.push(thread);
        }
        Ok(Workers { threads, stop })
    }

    /// Ends them after the delivery that each is at.
    pub fn stop(&self) {
        // An error would mean that all of them have ended already.
        let _ = self.stop.send(true);
    }

    /// Whether all of them have ended.
    #[must_use]
    pub fn are_finished(&self) -> bool {
        self.threads.iter().all(JoinHandle::is_finished)
    }
}

/// The workers cannot be started.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The system gives no thread.
    #[error("a destination needs a thread, and the system gives none: {0}")]
    Thread(#[from] io::Error),
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Results may wait for a destination that was taken out of the configuration.
fn warn_of_unknown(destinations: &[(Destination, Retry)], store: &Store) -> Result<(), StoreError> {
    for one in store.read(deliveries::backlog)? {
        let is_known = destinations
            .iter()
            .any(|(known, _)| known.name == one.destination);
        if one.waiting > 0 && !is_known {
            tracing::warn!(
                code = "destination-unknown",
                destination = one.destination,
                waiting = one.waiting,
                "results wait for a destination that the configuration does not name; \
                 name it, or take them out with outbox drop"
            );
        }
    }
    Ok(())
}

/// Whom the audit trail names.
fn receiver(destination: &Destination) -> Receiver {
    match &destination.way {
        Way::Dicom(way) => Receiver::Title(way.called.clone()),
        Way::Mllp(way) => Receiver::Place(format!("mllp://{}:{}", way.host, way.port)),
        // What follows the ? may be a secret.
        Way::Fhir(way) | Way::Hook(way) => {
            let place = way.url.split('?').next().unwrap_or_default();
            Receiver::Place(place.to_owned())
        }
    }
}

fn run(
    mut worker: Worker,
    mut stop: watch::Receiver<bool>,
    mut published: watch::Receiver<u64>,
    runtime: &Handle,
) {
    nice::give_way();
    let mut is_failing = false;
    while !*stop.borrow() {
        published.mark_unchanged();
        // The other deliveries of this destination must not end with one.
        let wait = match catch_unwind(AssertUnwindSafe(|| worker.step())) {
            Ok(Ok(Step::Tried)) => {
                is_failing = false;
                continue;
            }
            Ok(Ok(Step::Wait(wait))) => {
                is_failing = false;
                wait.unwrap_or(LOOK_ANYWAY).min(LOOK_ANYWAY)
            }
            Err(_) => {
                tracing::error!(
                    code = "delivery-panicked",
                    "will be tried again; please report it"
                );
                PAUSE_AFTER_FAILURE
            }
            Ok(Err(error)) => {
                // Once, not every two seconds.
                if !std::mem::replace(&mut is_failing, true) {
                    tracing::error!(code = "delivery-not-noted", %error, "will be tried again");
                }
                PAUSE_AFTER_FAILURE
            }
        };
        runtime.block_on(async {
            tokio::select! {
                _ = stop.changed() => {}
                // A store that fails is not asked more often because much is published.
                _ = published.changed(), if !is_failing => {}
                () = tokio::time::sleep(wait) => {}
            }
        });
    }
}

/// The real clocks, and dice that need not be good.
struct System {
    started: Instant,
    dice: RandomState,
    thrown: u64,
}

impl System {
    fn new() -> Self {
        System {
            started: Instant::now(),
            dice: RandomState::new(),
            thrown: 0,
        }
    }
}

impl World for System {
    fn now(&self) -> Moment {
        Moment {
            wall: Utc::now(),
            ran: self.started.elapsed(),
        }
    }

    fn dice(&mut self) -> f64 {
        self.thrown += 1;
        // 32 bits are exact in a double.
        (self.dice.hash_one(self.thrown) >> 32) as f64 / f64::from(u32::MAX)
    }
}
