//! The one thread that changes the store: many changes, one commit, one sync.
//!
//! Everything that waits is run in one transaction, each change inside a savepoint of its own, and
//! nobody hears of success before the commit has returned. So eight senders cost one sync, not
//! eight, and an answer "stored" is true.

use super::error::Fault;
use super::fence::Fence;
use super::session::Step;
use super::view::Tx;
use super::{StoreError, meta};
use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot, watch};

/// How often one batch is run, where what others change at the same time stands in its way.
const RUNS_MAX: u32 = 10;

/// Before a batch is run again: at most so long, grown with each run.
const RUN_AGAIN: Duration = Duration::from_millis(20);

/// Changes that may wait. A caller beyond that waits for room: the senders feel it, not memory.
pub(super) const WAITING_MAX: usize = 256;

/// Changes of one commit. Bounds how long the first one waits for the last.
const BATCH_MAX: usize = 256;

/// A change that waits for its turn, then for its commit.
pub(super) trait Job: Send {
    /// Makes the change. `Err` undoes this one change alone, unless it took the transaction along.
    fn run(&mut self, tx: &Tx) -> Result<(), Fault>;
    /// Is not made, since the membership it needs is over; or is not kept, since it went on after the
    /// database refused part of it. This is told instead.
    fn refuse(&mut self, error: StoreError);
    /// Whether it is what begins a membership, and needs none.
    fn joins(&self) -> bool {
        false
    }
    /// Tells the caller; `fault` is what happened to the whole transaction.
    fn answer(self: Box<Self>, fault: Option<&Fault>);
}

/// One caller's closure with its way back.
pub(super) struct Change<T, F> {
    pub(super) work: F,
    pub(super) outcome: Option<Result<T, StoreError>>,
    pub(super) reply: oneshot::Sender<Result<T, StoreError>>,
}

impl<T, F> Job for Change<T, F>
where
    T: Send,
    F: Fn(&Tx) -> Result<T, StoreError> + Send,
{
    fn run(&mut self, tx: &Tx) -> Result<(), Fault> {
        let outcome =
            catch_unwind(AssertUnwindSafe(|| (self.work)(tx))).unwrap_or(Err(StoreError::Panicked));
        let fault = outcome.as_ref().err().map(Fault::of);
        // What befell all of the batch is told as what became of that.
        let is_all = matches!(
            fault,
            Some(Fault::Crossed | Fault::Away(_) | Fault::Unsure(_))
        );
        self.outcome = (!is_all).then_some(outcome);
        fault.map_or(Ok(()), Err)
    }

    fn refuse(&mut self, error: StoreError) {
        self.outcome = Some(Err(error));
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

/// What the thread is woken for.
pub(super) enum Turn {
    /// Somebody wants to change something.
    Change(Box<dyn Job>),
    /// Nobody does; the files are looked at all the same.
    Look,
}

/// What the store stands on.
pub(super) trait Ground: Send {
    /// Whether what was committed is in the store that the next start will open.
    fn check(&self, tx: &Tx) -> Result<(), Fault>;
    /// Notes the number of a commit, before anybody is told of it.
    fn note(&self, number: u64);
    /// Leaves a mark that the store is in doubt.
    fn doubt(&self, why: &str);
    /// Lets go of it in order.
    fn close(self: Box<Self>, tx: Tx, is_in_doubt: bool);
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

/// Whom each commit is told, with how long it took.
#[derive(Clone, Default)]
pub(super) struct OnCommit(pub(super) Arc<OnceLock<Watcher>>);

/// Called with how long a commit took.
type Watcher = Box<dyn Fn(Duration) + Send + Sync>;

impl fmt::Debug for OnCommit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("OnCommit")
    }
}

/// What others see of the thread.
pub(super) struct Seen {
    /// Why nothing more is taken.
    pub(super) doubt: Doubt,
    /// Grows with every commit.
    pub(super) changes: watch::Sender<u64>,
    pub(super) on_commit: OnCommit,
    pub(super) under_way: UnderWay,
    pub(super) fence: Fence,
}

/// Serves until every handle is gone.
pub(super) fn run(tx: &Tx, mut waiting: mpsc::Receiver<Turn>, ground: &dyn Ground, seen: &Seen) {
    let Seen {
        doubt,
        changes,
        on_commit,
        under_way,
        fence,
    } = seen;
    while let Some(first) = waiting.blocking_recv() {
        let mut batch = Vec::new();
        let mut turn = Some(first);
        while let Some(this) = turn {
            if let Turn::Change(job) = this {
                batch.push(job);
            }
            turn = if batch.len() < BATCH_MAX {
                waiting.try_recv().ok()
            } else {
                None
            };
        }
        let fault = match doubt.get() {
            Some(why) => Some(Fault::Doubt(why.clone())),
            None if batch.is_empty() => ground.check(tx).err(),
            None => {
                *under_way.since() = Some(Instant::now());
                let done = commit(tx, &mut batch, fence);
                *under_way.since() = None;
                match done {
                    Ok(Done { took, number }) => {
                        if let Some(told) = on_commit.0.get() {
                            told(took);
                        }
                        if let Some(number) = number {
                            ground.note(number);
                        }
                        // Last before the answers: a commit into a file that nobody will find again
                        // is none.
                        ground.check(tx).err()
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
            ground.doubt(why);
        }
        if (fault.is_none() && !batch.is_empty()) || is_first_doubt {
            changes.send_modify(|count| *count = count.wrapping_add(1));
        }
        for job in batch {
            job.answer(fault.as_ref());
        }
    }
}

/// A commit.
struct Done {
    /// How long it took.
    took: Duration,
    /// Its number, unless it changed nothing.
    number: Option<u64>,
}

/// Runs all changes in one transaction, again where others stood in the way or the connection was lost
/// before the commit. `Err`: none of them is stored, or nobody knows.
fn commit(tx: &Tx, batch: &mut [Box<dyn Job>], fence: &Fence) -> Result<Done, Fault> {
    let mut runs = 1;
    loop {
        match commit_once(tx, batch, fence) {
            // How long it was waited for a server that is away is its session's to say.
            Err(Fault::Crossed) if runs < RUNS_MAX => {
                std::thread::sleep(RUN_AGAIN * runs);
                runs += 1;
            }
            done => return done,
        }
    }
}

fn commit_once(tx: &Tx, batch: &mut [Box<dyn Job>], fence: &Fence) -> Result<Done, Fault> {
    let done = changes_in_transaction(tx, batch, fence);
    if done.is_err() && tx.session().is_in_transaction() {
        // The failure is being told already; a rollback that fails as well adds nothing, since
        // the next transaction cannot begin then and says so.
        let _ = tx.step(Step::RollBack);
    }
    done
}

fn changes_in_transaction(
    tx: &Tx,
    batch: &mut [Box<dyn Job>],
    fence: &Fence,
) -> Result<Done, Fault> {
    let step = |step| tx.step(step).map_err(|error| Fault::of(&error));
    step(Step::BeginChanging)?;
    // A server that goes away before the commit stores nothing of it.
    inside_transaction(tx, batch, fence).map_err(|fault| match fault {
        Fault::Away(_) => Fault::Crossed,
        fault => fault,
    })
}

fn inside_transaction(tx: &Tx, batch: &mut [Box<dyn Job>], fence: &Fence) -> Result<Done, Fault> {
    let step = |step| tx.step(step).map_err(|error| Fault::of(&error));
    if fence
        .elsewhere(tx)
        .map_err(|error| Fault::of(&error))?
        .is_some()
    {
        for job in batch {
            if let Some(why) = fence.elsewhere(tx).map_err(|error| Fault::of(&error))? {
                job.refuse(why);
            }
        }
        return Err(Fault::Lost("the store is at another place".to_owned()));
    }
    // Nobody is put out before this transaction ends.
    let is_out = fence.is_out(tx).map_err(|error| Fault::of(&error))?;
    let before = tx.session().rows_changed();
    for job in batch {
        if is_out && !job.joins() {
            job.refuse(StoreError::PutOut);
            continue;
        }
        step(Step::BeginOne)?;
        match job.run(tx) {
            Ok(()) => {
                if let Err(error) = tx.step(Step::KeepOne) {
                    match Fault::of(&error) {
                        Fault::Lost(_) if tx.session().is_in_transaction() => {
                            job.refuse(error);
                            step(Step::UndoOne)?;
                        }
                        fault => return Err(fault),
                    }
                }
            }
            // These are no one change's own.
            Err(fault @ (Fault::Doubt(_) | Fault::Crossed | Fault::Away(_) | Fault::Unsure(_))) => {
                return Err(fault);
            }
            // A database ends the whole transaction by itself on some errors, a full disk for one.
            Err(fault) if !tx.session().is_in_transaction() => return Err(fault),
            Err(_) => step(Step::UndoOne)?,
        }
        if !tx.session().is_in_transaction() {
            return Err(Fault::Lost("a change ended the transaction".to_owned()));
        }
    }
    let number = if tx.session().rows_changed() == before {
        None
    } else {
        Some(meta::count_commit(tx).map_err(|error| Fault::of(&error))?)
    };
    let started = Instant::now();
    tx.step(Step::Commit).map_err(Fault::of_commit)?;
    Ok(Done {
        took: started.elapsed(),
        number,
    })
}
