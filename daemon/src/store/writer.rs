//! The one thread that changes the store: many changes, one commit, one sync.
//!
//! Everything that waits is run in one transaction, each change inside a savepoint of its own, and
//! nobody hears of success before the commit has returned. So eight senders cost one sync, not
//! eight, and an answer "stored" is true.

use super::StoreError;
use super::error::Fault;
use crate::observe::Metrics;
use rusqlite::Connection;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot, watch};

/// Changes that may wait. A caller beyond that waits for room: the senders feel it, not memory.
pub(super) const WAITING_MAX: usize = 256;

/// Changes of one commit. Bounds how long the first one waits for the last.
const BATCH_MAX: usize = 256;

/// A change that waits for its turn, then for its commit.
pub(super) trait Job: Send {
    /// Makes the change. `Err` undoes this one change alone, unless it took the transaction along.
    fn run(&mut self, conn: &Connection) -> Result<(), Fault>;
    /// Tells the caller; `fault` is what happened to the whole transaction.
    fn answer(self: Box<Self>, fault: Option<&Fault>);
}

/// One caller's closure with its way back.
pub(super) struct Change<T, F> {
    pub(super) work: Option<F>,
    pub(super) outcome: Option<Result<T, StoreError>>,
    pub(super) reply: oneshot::Sender<Result<T, StoreError>>,
}

impl<T, F> Job for Change<T, F>
where
    T: Send,
    F: FnOnce(&Connection) -> Result<T, StoreError> + Send,
{
    fn run(&mut self, conn: &Connection) -> Result<(), Fault> {
        let Some(work) = self.work.take() else {
            return Ok(());
        };
        let outcome =
            catch_unwind(AssertUnwindSafe(|| work(conn))).unwrap_or(Err(StoreError::Panicked));
        let fault = outcome.as_ref().err().map(Fault::of);
        self.outcome = Some(outcome);
        fault.map_or(Ok(()), Err)
    }

    fn answer(self: Box<Self>, fault: Option<&Fault>) {
        let outcome = match (self.outcome, fault) {
            (Some(Err(own)), _) => Err(own),
            (_, Some(fault)) => Err(fault.error()),
            (Some(done), None) => done,
            (None, None) => Err(StoreError::Closed),
        };
        // A caller that went away does not need the answer; the change stays.
        let _ = self.reply.send(outcome);
    }
}

/// The first reason to doubt what is on the disk. Once set it stays until the store is reopened.
pub(super) type Doubt = Arc<OnceLock<String>>;

/// Since when the transaction under way runs, if one does: nobody else is answered meanwhile.
#[derive(Debug, Clone, Default)]
pub(super) struct UnderWay(Arc<Mutex<Option<Instant>>>);

impl UnderWay {
    /// For how long, if one runs.
    pub(super) fn elapsed(&self) -> Option<Duration> {
        self.since().map(|since| since.elapsed())
    }

    fn since(&self) -> MutexGuard<'_, Option<Instant>> {
        // A time is whole whatever its last holder was doing.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What others see of the thread.
pub(super) struct Seen {
    /// Why nothing more is taken.
    pub(super) doubt: Doubt,
    /// Grows with every commit.
    pub(super) changes: watch::Sender<u64>,
    pub(super) metrics: Arc<OnceLock<Arc<Metrics>>>,
    pub(super) under_way: UnderWay,
}

/// Serves until every handle is gone.
pub(super) fn run(
    conn: &Connection,
    mut waiting: mpsc::Receiver<Box<dyn Job>>,
    seen: &Seen,
    on_doubt: impl Fn(&str),
) {
    let Seen {
        doubt,
        changes,
        metrics,
        under_way,
    } = seen;
    while let Some(first) = waiting.blocking_recv() {
        let mut batch = vec![first];
        while batch.len() < BATCH_MAX {
            match waiting.try_recv() {
                Ok(job) => batch.push(job),
                Err(_) => break,
            }
        }
        let fault = match doubt.get() {
            Some(why) => Some(Fault::Doubt(why.clone())),
            None => {
                *under_way.since() = Some(Instant::now());
                let done = commit(conn, &mut batch);
                *under_way.since() = None;
                match done {
                    Ok(took) => {
                        if let Some(metrics) = metrics.get() {
                            metrics.committed(took);
                        }
                        None
                    }
                    Err(fault) => Some(fault),
                }
            }
        };
        let mut is_first_doubt = false;
        if let Some(Fault::Doubt(why)) = &fault
            && doubt.set(why.clone()).is_ok()
        {
            is_first_doubt = true;
            on_doubt(why);
        }
        if fault.is_none() || is_first_doubt {
            changes.send_modify(|count| *count = count.wrapping_add(1));
        }
        for job in batch {
            job.answer(fault.as_ref());
        }
    }
}

/// Runs all changes in one transaction. Returns how long its commit took. `Err`: none of them is
/// stored, or nobody knows.
fn commit(conn: &Connection, batch: &mut [Box<dyn Job>]) -> Result<Duration, Fault> {
    let done = changes_in_transaction(conn, batch);
    if done.is_err() && !conn.is_autocommit() {
        // The failure is being told already; a rollback that fails as well adds nothing, since
        // the next transaction cannot begin then and says so.
        let _ = conn.execute_batch("ROLLBACK");
    }
    done
}

fn changes_in_transaction(
    conn: &Connection,
    batch: &mut [Box<dyn Job>],
) -> Result<Duration, Fault> {
    let step = |sql: &str| {
        conn.execute_batch(sql)
            .map_err(|error| Fault::of(&StoreError::from(error)))
    };
    step("BEGIN IMMEDIATE")?;
    for job in batch {
        step("SAVEPOINT change")?;
        match job.run(conn) {
            Ok(()) => step("RELEASE change")?,
            Err(fault @ Fault::Doubt(_)) => return Err(fault),
            // SQLite ends the whole transaction by itself on some errors, a full disk for one.
            Err(fault) if conn.is_autocommit() => return Err(fault),
            Err(_) => step("ROLLBACK TO change; RELEASE change")?,
        }
        if conn.is_autocommit() {
            return Err(Fault::Lost("a change ended the transaction".to_owned()));
        }
    }
    let started = Instant::now();
    conn.execute_batch("COMMIT").map_err(Fault::of_commit)?;
    Ok(started.elapsed())
}
