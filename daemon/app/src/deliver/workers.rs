//! A thread for each destination, so that one that hangs holds up nobody else.
//!
//! Destinations change while they run. The successor of a worker waits for it, so that never two
//! deliver to one destination: results of one patient stay in order, and none is sent twice at once.

use super::Carrier;
use super::worker::{MakeCarrier, Moment, Step, Worker, World};
use crate::duties::{Share, has_moved};
use crate::nice;
use crate::observe::Observed;
use crate::observe::audit::Receiver;
use crate::routes::destination::{Destination, HookWay, Way};
use crate::routes::retry::Retry;
use chrono::Utc;
use sheathline_store::{Store, StoreError, deliveries};
use std::collections::BTreeSet;
use std::hash::{BuildHasher, RandomState};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc;
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
    make: fn(&Destination) -> Box<dyn Carrier>,
    store: Store,
    observed: Observed,
    published: watch::Receiver<u64>,
    share: Share,
    lanes: Vec<Lane>,
}

/// What delivers to one destination.
struct Lane {
    name: String,
    /// As it is delivered to; `None`: not any more, it only finishes what it is at.
    wanted: Option<(Destination, Retry)>,
    stop: watch::Sender<bool>,
    thread: JoinHandle<()>,
}

/// Other destinations, with a thread for each that waits to be let go. Dropped, it changes nothing.
pub struct Change {
    new: Vec<(Lane, mpsc::Sender<Option<JoinHandle<()>>>)>,
    /// Names of those that stay as they are.
    kept: BTreeSet<String>,
}

impl Workers {
    /// Starts one for each destination; each delivers while its destination is among what `share` says.
    /// `published` grows with every result that is published.
    /// To be called, as [`Workers::prepare`], within a runtime.
    ///
    /// # Errors
    /// A thread cannot be started, or the store not be read.
    pub fn start(
        destinations: &[(Destination, Retry)],
        make: fn(&Destination) -> Box<dyn Carrier>,
        store: &Store,
        observed: &Observed,
        published: &watch::Receiver<u64>,
        share: &Share,
    ) -> Result<Self, StartError> {
        let mut workers = Workers {
            make,
            store: store.clone(),
            observed: observed.clone(),
            published: published.clone(),
            share: share.clone(),
            lanes: Vec::new(),
        };
        let change = workers.prepare(destinations)?;
        workers.apply(change);
        Ok(workers)
    }

    /// Makes what other destinations need, and changes nothing.
    ///
    /// # Errors
    /// A thread cannot be started, or the store not be read.
    pub fn prepare(&self, destinations: &[(Destination, Retry)]) -> Result<Change, StartError> {
        warn_of_unknown(destinations, &self.store)?;
        let (mut new, mut kept) = (Vec::new(), BTreeSet::new());
        for wanted in destinations {
            let lanes = self.lanes.iter();
            let mut same = lanes.filter(|lane| lane.wanted.as_ref() == Some(wanted));
            match same.next() {
                Some(lane) => _ = kept.insert(lane.name.clone()),
                None => new.push(self.lane(wanted)?),
            }
        }
        Ok(Change { new, kept })
    }

    /// Delivers to the destinations of the change and to no others. What another worker is at is
    /// finished before its successor begins; it is not waited for here.
    pub fn apply(&mut self, change: Change) {
        let Change { new, kept } = change;
        let metrics = &self.observed.metrics;
        for lane in &mut self.lanes {
            if lane.wanted.is_some() && !kept.contains(&lane.name) {
                lane.wanted = None;
                // An error would mean that it has ended already.
                let _ = lane.stop.send(true);
                metrics.no_destination(&lane.name);
            }
        }
        for (lane, go) in new {
            metrics.destination(&lane.name);
            let before = self.lanes.iter().position(|old| old.name == lane.name);
            let before = before.map(|at| self.lanes.swap_remove(at).thread);
            // It waits for nothing else, so it is there.
            let _ = go.send(before);
            self.lanes.push(lane);
        }
        self.lanes
            .retain(|lane| lane.wanted.is_some() || !lane.thread.is_finished());
    }

    fn lane(
        &self,
        wanted: &(Destination, Retry),
    ) -> io::Result<(Lane, mpsc::Sender<Option<JoinHandle<()>>>)> {
        let (destination, retry) = wanted.clone();
        let name = destination.name.clone();
        let (make, of) = (self.make, destination.clone());
        let (store, observed) = (self.store.clone(), self.observed.clone());
        let share = self.share.clone();
        let work = move || {
            let make: MakeCarrier = Box::new(move || make(&of));
            let (to, world) = (receiver(&destination), Box::new(System::new()));
            Worker::new(destination.name, to, retry, make, store, observed, world).sharing(share)
        };
        let (stop, stopped) = watch::channel(false);
        let (go, told) = mpsc::channel::<Option<JoinHandle<()>>>();
        let (published, runtime) = (self.published.clone(), Handle::current());
        let thread = std::thread::Builder::new()
            .name(format!("to {name}"))
            .spawn(move || {
                // Never let go: the change was not put in force.
                let Ok(before) = told.recv() else { return };
                if let Some(before) = before {
                    // However it ended: what it was at waits in the store.
                    let _ = before.join();
                }
                run(work(), stopped, published, &runtime);
            })?;
        let wanted = Some(wanted.clone());
        let lane = Lane {
            name,
            wanted,
            stop,
            thread,
        };
        Ok((lane, go))
    }

    /// Ends them after the delivery that each is at.
    pub fn stop(&self) {
        for lane in &self.lanes {
            // An error would mean that it has ended already.
            let _ = lane.stop.send(true);
        }
    }

    /// Whether all of them have ended.
    #[must_use]
    pub fn are_finished(&self) -> bool {
        self.lanes.iter().all(|lane| lane.thread.is_finished())
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
        Way::Dicom(way) => Receiver::Title(way.node.called.clone()),
        Way::Mllp(way) => Receiver::Place(format!("mllp://{}:{}", way.host, way.port)),
        // What follows the ? may be a secret.
        Way::Fhir(way) | Way::Hook(HookWay { http: way, .. }) => {
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
            // Another daemon delivers it.
            Ok(Err(error)) if has_moved(&error) => LOOK_ANYWAY,
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
