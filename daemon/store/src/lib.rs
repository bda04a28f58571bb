//! What survives a crash: one SQLite file, or a database on a server.
//!
//! A [`Store`] is a cheap handle. Changes go through [`Store::write`] (or [`Store::write_async`]),
//! which returns only when they are on stable storage; reading goes through [`Store::read`]. What
//! is stored is told by topic: [`objects`], [`readings`], [`assessment_queue`],
//! [`bodies`], [`annotations`], [`results`], [`exam_lines`], [`deliveries`], [`archives`], [`watched`],
//! [`measurement_drafts`], [`meta`]. Their
//! functions take a [`View`] where they only read and a [`Tx`] where they write, so that a caller
//! composes several into one transaction.

pub mod accounts;
pub mod annotations;
pub mod archives;
pub mod assessment_queue;
pub mod audited;
pub mod backlog;
pub mod bodies;
pub mod bringings;
pub mod commitments;
#[cfg(any(test, feature = "tests"))]
pub mod contract;
pub mod copy;
pub mod deeds;
pub mod deliveries;
pub mod dropped;
pub mod error;
pub mod exam_lines;
pub mod facts;
mod fence;
mod file_id;
pub mod heard;
pub mod identity;
mod joining;
mod lock;
pub mod measurement_drafts;
pub mod members;
pub mod meta;
pub mod moving;
pub mod namesakes;
mod note;
mod object_id;
pub mod objects;
pub mod overview;
mod place;
pub mod postgres;
mod readers;
pub mod readings;
pub mod rename;
pub mod results;
mod session;
mod space;
pub mod spool;
mod sqlite;
mod stamp;
#[cfg(test)]
mod subset;
#[cfg(test)]
mod tests;
mod told;
pub mod trouble;
pub mod verify;
mod view;
pub mod watched;
pub mod web_sessions;
mod writer;

pub use error::StoreError;
pub use place::Place;
pub use space::compact;
#[cfg(any(test, feature = "tests"))]
pub use sqlite::bare;
#[cfg(feature = "tests")]
pub use sqlite::overheard;
pub use view::{Tx, View};

use fence::Fence;
use lock::beside;
use note::Tally;
use place::Opened;
use readers::Readers;
use session::{Session, Step};
use sqlite::opening::{Files, connect_reader, open_as_guest, open_as_owner};
use sqlite::schema::{Form, STORE};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, oneshot, watch};
use writer::{Change, Doubt, Ground, Job, OnCommit, Seen, Turn, UnderWay};

/// Beside a store that was left in doubt; holds the reason.
const DOUBT: &str = ".doubt";

/// Between two looks of an owner whether its files are still there, while nobody stores anything.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Pause between two steps of long work beside the daemon, so that its own changes get in.
const STEP_PAUSE: Duration = Duration::from_millis(5);

/// Who opens the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// The one process that receives and assesses: makes the store if there is none, brings it to
    /// the newest shape, and holds it against other owners.
    Owner,
    /// One of several equal daemons that receive and assess, on a server: makes the store if there is
    /// none, brings it to the newest shape, and changes nothing before it has [joined](Store::join) the
    /// others.
    Member,
    /// A short command beside the owner, or without one: takes the store as it is.
    Guest,
}

/// What is done about the marks of a move.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Marks {
    /// A store that is not whole yet, or went, is refused.
    Heeded,
    /// They are of the move that opens it.
    Ours,
}

/// A handle to the store; clones share one writing thread.
#[derive(Debug, Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    place: Place,
    readers: Readers,
    waiting: Option<mpsc::Sender<Turn>>,
    thread: Option<JoinHandle<()>>,
    doubt: Doubt,
    changes: watch::Receiver<u64>,
    under_way: UnderWay,
    on_commit: OnCommit,
    fence: Fence,
    is_owner: bool,
    is_shared: bool,
    /// Ends the looks of an owner when it goes.
    _looks: Sender<()>,
}

impl Store {
    /// Opens the store at `path`, which may lead there by symbolic links.
    ///
    /// # Errors
    /// The file is missing (for a guest), held by another owner, not a store, of a newer shape,
    /// known by several names, older than what was stored here last, or damaged.
    pub fn open(path: &Path, mode: Mode) -> Result<Store, StoreError> {
        Store::open_through(path, mode, |session| session)
    }

    /// Opens a store as its owner to be moved ([`moving`]), also one that went.
    ///
    /// # Errors
    /// As [`Store::open`]; there is none.
    pub fn open_to_move_from(path: &Path) -> Result<Store, StoreError> {
        if !path.exists() && !was_made(path) {
            return Err(StoreError::Missing { path: path.into() });
        }
        Store::open_to_move_into(path)
    }

    /// Opens the place that a store moves into as its owner ([`moving`]), also one that is not whole yet;
    /// makes it if there is none.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_to_move_into(path: &Path) -> Result<Store, StoreError> {
        Store::open_file(path, &STORE, Mode::Owner, Marks::Ours, |session| session)
    }

    /// [`Store::open`], with something between the store and its database.
    fn open_through(
        path: &Path,
        mode: Mode,
        through: impl Fn(Box<dyn Session>) -> Box<dyn Session> + Send + Sync + 'static,
    ) -> Result<Store, StoreError> {
        Store::open_file(path, &STORE, mode, Marks::Heeded, through)
    }

    /// Opens a file of ours of any kind.
    fn open_file(
        path: &Path,
        form: &Form,
        mode: Mode,
        marks: Marks,
        through: impl Fn(Box<dyn Session>) -> Box<dyn Session> + Send + Sync + 'static,
    ) -> Result<Store, StoreError> {
        let path = &place::real(path);
        let (lock, tx) = match mode {
            Mode::Owner => open_as_owner(path, form)?,
            Mode::Member => {
                let why = "a store in a file has one daemon; several share one on a server";
                return Err(StoreError::Work(format!("{}: {why}", path.display())));
            }
            Mode::Guest => (None, open_as_guest(path, form)?),
        };
        if marks == Marks::Heeded {
            moving::mark::refuse(&tx, &path.display().to_string())?;
        }
        let opened = Opened::note(path)?;
        let tally = match &lock {
            Some(lock) => {
                if lock.own().is_some_and(|own| own != opened.store()) {
                    return Err(StoreError::InDoubt {
                        why: "another file came into its place while it was opened".to_owned(),
                    });
                }
                lock.note_open(opened.files())?;
                lock.tally()
            }
            None => Tally::beside(&beside(path, ".lock")),
        };
        let ground = Files {
            path: path.to_owned(),
            opened,
            tally,
            lock,
        };
        let tx = Tx::new(through(tx.into_session()));
        let readers = {
            let path = path.to_owned();
            Readers::kept(move || Ok(View::new(through(connect_reader(&path)?.into_session()))))
        };
        Store::on(
            Place::File(path.to_owned()),
            tx,
            Box::new(ground),
            readers,
            mode,
        )
    }

    /// Opens the store on a server; an owner makes it if there is none.
    ///
    /// # Errors
    /// The server cannot be reached, there is no store (for a guest), another owner is believed alive,
    /// the database holds something else or a store of a newer shape, or the server says that something
    /// is stored before it is.
    pub fn open_server(settings: &postgres::Settings, mode: Mode) -> Result<Store, StoreError> {
        Store::open_server_through(settings, mode, |session| session)
    }

    /// [`Store::open_to_move_from`], of a store on a server.
    ///
    /// # Errors
    /// As [`Store::open_server`]; there is none.
    pub fn open_server_to_move_from(settings: &postgres::Settings) -> Result<Store, StoreError> {
        // An owner would make one.
        let beside =
            Store::open_server_marked(settings, Mode::Guest, Marks::Ours, |session| session);
        match beside {
            Err(error @ StoreError::Missing { .. }) => Err(error),
            _ => Store::open_server_to_move_into(settings),
        }
    }

    /// [`Store::open_to_move_into`], on a server.
    ///
    /// # Errors
    /// As [`Store::open_server`].
    pub fn open_server_to_move_into(settings: &postgres::Settings) -> Result<Store, StoreError> {
        Store::open_server_marked(settings, Mode::Owner, Marks::Ours, |session| session)
    }

    /// [`Store::open_server`], with something between the store and its database.
    fn open_server_through(
        settings: &postgres::Settings,
        mode: Mode,
        through: impl Fn(Box<dyn Session>) -> Box<dyn Session> + Send + Sync + 'static,
    ) -> Result<Store, StoreError> {
        Store::open_server_marked(settings, mode, Marks::Heeded, through)
    }

    fn open_server_marked(
        settings: &postgres::Settings,
        mode: Mode,
        marks: Marks,
        through: impl Fn(Box<dyn Session>) -> Box<dyn Session> + Send + Sync + 'static,
    ) -> Result<Store, StoreError> {
        let (tx, ground) = match mode {
            Mode::Owner => postgres::open_as_owner(settings)?,
            Mode::Member => postgres::open_as_member(settings)?,
            Mode::Guest => postgres::open_as_guest(settings)?,
        };
        if marks == Marks::Heeded
            && let Err(refused) = moving::mark::refuse(&tx, &settings.place())
        {
            // An owner that opens nothing owns nothing.
            Box::new(ground).close(tx, false);
            return Err(refused);
        }
        let tx = Tx::new(through(tx.into_session()));
        let readers = {
            let settings = settings.clone();
            Readers::at_most(settings.readers_most(), move || {
                let view = postgres::connect_reader(&settings)?;
                Ok(View::new(through(view.into_session())))
            })
        };
        let place = Place::Server(settings.place());
        Store::on(place, tx, Box::new(ground), readers, mode)
    }

    /// A store of which `tx` changes what is at `place`, and that is read by `readers`.
    fn on(
        place: Place,
        tx: Tx,
        ground: Box<dyn Ground>,
        readers: Readers,
        mode: Mode,
    ) -> Result<Store, StoreError> {
        let (waiting, jobs) = mpsc::channel(writer::WAITING_MAX);
        let (changed, changes) = watch::channel(0);
        let doubt: Doubt = Arc::new(OnceLock::new());
        let on_commit = OnCommit::default();
        let under_way = UnderWay::default();
        let fence = match mode {
            Mode::Member => Fence::closed(&place.to_string()),
            Mode::Guest => Fence::beside(&place.to_string()),
            Mode::Owner => Fence::default(),
        };
        let path = PathBuf::from(place.to_string());
        let failed = |source| StoreError::File {
            path: path.clone(),
            source,
        };
        let (looks, looked) = channel();
        if mode == Mode::Owner {
            let turns = waiting.downgrade();
            std::thread::Builder::new()
                .name("store-look".to_owned())
                .spawn(move || {
                    while let Err(RecvTimeoutError::Timeout) = looked.recv_timeout(LOOK_EVERY) {
                        // A full queue means that the thread looks with every commit.
                        match turns.upgrade().map(|turns| turns.try_send(Turn::Look)) {
                            Some(Ok(()) | Err(TrySendError::Full(_))) => {}
                            _ => return,
                        }
                    }
                })
                .map_err(failed)?;
        }
        let thread = std::thread::Builder::new()
            .name("store".to_owned())
            .spawn({
                let seen = Seen {
                    doubt: Arc::clone(&doubt),
                    changes: changed,
                    on_commit: on_commit.clone(),
                    under_way: under_way.clone(),
                    fence: fence.clone(),
                };
                move || {
                    writer::run(&tx, jobs, &*ground, &seen);
                    ground.close(tx, seen.doubt.get().is_some());
                }
            })
            .map_err(failed)?;
        Ok(Store {
            inner: Arc::new(Inner {
                place,
                readers,
                waiting: Some(waiting),
                thread: Some(thread),
                doubt,
                changes,
                under_way,
                on_commit,
                fence,
                is_owner: mode != Mode::Guest,
                is_shared: mode == Mode::Member,
                _looks: looks,
            }),
        })
    }

    /// Runs `work` in a transaction and returns when it is committed and synced. An error of
    /// `work` undoes all that it did. Waits, so not for use inside async code.
    ///
    /// `work` may run more than once, each time on a state without what it did before: a database that
    /// several processes change refuses one of two changes that cross.
    ///
    /// # Errors
    /// Those of `work`, or why the transaction could not be committed.
    pub fn write<T, F>(&self, work: F) -> Result<T, StoreError>
    where
        T: Send + 'static,
        F: Fn(&Tx) -> Result<T, StoreError> + Send + 'static,
    {
        let (job, reply) = change(work);
        let waiting = self.inner.waiting.as_ref().ok_or(StoreError::Closed)?;
        waiting
            .blocking_send(Turn::Change(job))
            .map_err(|_| StoreError::Closed)?;
        reply.blocking_recv().unwrap_or(Err(StoreError::Closed))
    }

    /// [`Store::write`] for async code.
    ///
    /// # Errors
    /// As [`Store::write`].
    pub async fn write_async<T, F>(&self, work: F) -> Result<T, StoreError>
    where
        T: Send + 'static,
        F: Fn(&Tx) -> Result<T, StoreError> + Send + 'static,
    {
        let (job, reply) = change(work);
        let waiting = self.inner.waiting.as_ref().ok_or(StoreError::Closed)?;
        waiting
            .send(Turn::Change(job))
            .await
            .map_err(|_| StoreError::Closed)?;
        reply.await.unwrap_or(Err(StoreError::Closed))
    }

    /// Runs `work` on one consistent state of the store, without holding up changes.
    ///
    /// # Errors
    /// Those of `work`, or that the store cannot be read.
    pub fn read<T>(
        &self,
        work: impl FnOnce(&View) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let reader = self.inner.readers.take()?;
        let view = reader.view()?;
        view.session().step(Step::BeginReading)?;
        let done = work(view);
        // One that does not end its snapshot is not used again.
        if view.session().step(Step::RollBack).is_ok() {
            reader.give_back();
        }
        done
    }

    /// Grows with every commit of this process, and once when the store falls into doubt: wait on
    /// it instead of polling.
    #[must_use]
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.inner.changes.clone()
    }

    /// Why the store takes nothing more, if it is in doubt.
    #[must_use]
    pub fn doubt(&self) -> Option<&str> {
        self.inner.doubt.get().map(String::as_str)
    }

    /// For how long the transaction under way has been running; zero if none is. All other changes
    /// wait for it.
    #[must_use]
    pub fn busy_for(&self) -> Duration {
        self.inner.under_way.elapsed().unwrap_or_default()
    }

    /// `told` is told how long each commit takes from now on; the first call stands.
    pub fn on_commit(&self, told: impl Fn(Duration) + Send + Sync + 'static) {
        let _ = self.inner.on_commit.0.set(Box::new(told));
    }

    /// Whether this process is the one that receives and assesses.
    #[must_use]
    pub fn is_owner(&self) -> bool {
        self.inner.is_owner
    }

    /// Whether somebody receives and assesses now: this process or another one.
    #[must_use]
    pub fn has_owner(&self) -> bool {
        match &self.inner.place {
            _ if self.inner.is_owner => true,
            // Nobody is known to be there while the server cannot be asked.
            Place::Server(_) => self.read(postgres::has_owner).unwrap_or(false),
            Place::File(path) => lock::is_held(&place::real(path)),
        }
    }

    /// Where the store is.
    #[must_use]
    pub fn place(&self) -> &Place {
        &self.inner.place
    }
}

impl Drop for Inner {
    /// Waits for the last commit, so that the file is closed when the last handle is gone.
    fn drop(&mut self) {
        // Before the writer: only the last connection folds the log into the file, and a reader
        // cannot.
        self.readers.close();
        self.waiting = None;
        if let Some(thread) = self.thread.take()
            // The last handle may have been inside a change; a thread cannot wait for itself.
            && thread.thread().id() != std::thread::current().id()
        {
            let _ = thread.join();
        }
    }
}

/// Whether a store was made at `path` once, there now or not.
#[must_use]
pub fn was_made(path: &Path) -> bool {
    lock::note_beside(&place::real(path)).made
}

type Reply<T> = oneshot::Receiver<Result<T, StoreError>>;

fn change<T, F>(work: F) -> (Box<dyn Job>, Reply<T>)
where
    T: Send + 'static,
    F: Fn(&Tx) -> Result<T, StoreError> + Send + 'static,
{
    let (reply, answer) = oneshot::channel();
    let job = Change {
        work,
        outcome: None,
        reply,
    };
    (Box::new(job), answer)
}
