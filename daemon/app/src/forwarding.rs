//! The thread that forwards what waits in the spool to the store.

use crate::intake::Intake;
use crate::observe::Observed;
use chrono::Utc;
use sheathline_store::spool::{Forwarded, Forwarder, NotForwarded, Spool};
use sheathline_store::{Store, StoreError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};
use tokio::sync::watch;

/// For how long objects are gathered for one transaction, once one came.
const GATHER: Duration = Duration::from_millis(20);

/// Between two looks whether the program stops or something came.
const STEP: Duration = Duration::from_millis(20);

/// How long nothing must have come before the spool is looked at all the same.
const LOOK_ANYWAY: Duration = Duration::from_secs(1);

/// The first pause after the store took nothing, twice as long each time, and the longest.
const PAUSE: Duration = Duration::from_millis(100);
const PAUSE_MAX: Duration = Duration::from_secs(5);

/// A forwarder at work.
pub(crate) struct Forwarding {
    thread: JoinHandle<()>,
    stop: watch::Sender<bool>,
}

impl Forwarding {
    /// # Errors
    /// The spool cannot be read, or no thread can be had.
    pub(crate) fn start(
        spool: &Spool,
        store: &Store,
        observed: &Observed,
    ) -> Result<Forwarding, StoreError> {
        let (stop, stopped) = watch::channel(false);
        let work = Work {
            forwarder: Forwarder::new(spool.clone())?,
            store: store.clone(),
            observed: observed.clone(),
            pause: None,
        };
        let path = spool.path().to_owned();
        let thread = std::thread::Builder::new()
            .name("forward".to_owned())
            .spawn(move || work.run(&stopped))
            .map_err(|source| StoreError::File { path, source })?;
        Ok(Forwarding { thread, stop })
    }

    /// Ends it after what waits, as far as there is time and the store takes it; the rest is forwarded
    /// after the next start.
    pub(crate) fn finish(self, limit: Duration) {
        let told = Instant::now();
        // An error would mean that it has ended already.
        let _ = self.stop.send(true);
        while !self.thread.is_finished() && told.elapsed() < limit {
            std::thread::sleep(STEP);
        }
        if !self.thread.is_finished() {
            tracing::warn!(
                code = "stopping-early",
                "the next start forwards what is left in the spool"
            );
        } else if self.thread.join().is_err() {
            tracing::error!(
                code = "spool-panicked",
                "internal error; please report it; the next start forwards what is left"
            );
        }
    }
}

struct Work {
    forwarder: Forwarder,
    store: Store,
    observed: Observed,
    /// The pause after the last failure; `None` while all is well.
    pause: Option<Duration>,
}

impl Work {
    fn run(mut self, stop: &watch::Receiver<bool>) {
        let mut changes = self.forwarder.spool().changes();
        // What an earlier process had is over until it is found again.
        self.note(None);
        loop {
            let is_last = *stop.borrow();
            changes.mark_unchanged();
            let intake = Intake::of_store(&self.store, &self.observed);
            let step = self
                .forwarder
                .step(&self.store, &mut |told| intake.forwarded(told));
            match step {
                Ok(Forwarded::Some { objects, is_full }) => {
                    self.observed.metrics.forwarded(objects);
                    self.well();
                    if is_full {
                        continue;
                    }
                }
                Ok(Forwarded::Nothing) => {
                    self.well();
                    if is_last {
                        return;
                    }
                    wait(LOOK_ANYWAY, || {
                        *stop.borrow() || changes.has_changed().unwrap_or(true)
                    });
                    if !*stop.borrow() {
                        std::thread::sleep(GATHER);
                    }
                }
                Err(why) => {
                    if is_last {
                        return;
                    }
                    let pause = self.failed(&why);
                    wait(pause, || *stop.borrow());
                }
            }
        }
    }

    fn well(&mut self) {
        if self.pause.take().is_some() {
            self.note(None);
            tracing::info!(code = "spool-forwards", "the store takes objects again");
        }
    }

    /// Tells once for as long as it lasts; how long to wait.
    fn failed(&mut self, why: &NotForwarded) -> Duration {
        let pause = match self.pause {
            None => {
                tracing::error!(
                    code = "spool-not-forwarded",
                    error = %why,
                    "what is received waits in the spool; it is tried again"
                );
                self.note(Some(&why.to_string()));
                PAUSE
            }
            Some(before) => (before * 2).min(PAUSE_MAX),
        };
        self.pause = Some(pause);
        pause.mul_f64(0.75 + jitter() / 2.0)
    }

    fn note(&self, what: Option<&str>) {
        // The log has it; only `status` misses it.
        let _ = self.forwarder.spool().note_trouble(what, Utc::now());
    }
}

/// From 0 to 1, so that several daemons do not try in step.
fn jitter() -> f64 {
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    f64::from(now.map_or(0, |since| since.subsec_micros() % 1000)) / 1000.0
}

fn wait(limit: Duration, is_over: impl Fn() -> bool) {
    let began = Instant::now();
    while began.elapsed() < limit && !is_over() {
        std::thread::sleep(STEP.min(limit));
    }
}
