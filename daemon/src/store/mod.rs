//! What survives a crash: one SQLite file.
//!
//! A [`Store`] is a cheap handle. Changes go through [`Store::write`] (or [`Store::write_async`]),
//! which returns only when they are on stable storage; reading goes through [`Store::read`]. What
//! is stored is told by topic: [`objects`], [`readings`], [`patients`],
//! [`bodies`], [`people`], [`results`], [`deliveries`], [`archives`], [`meta`]. Their
//! functions take a connection, so that a caller composes several into one transaction.

pub mod archives;
pub mod backlog;
pub mod bodies;
pub mod copy;
pub mod deliveries;
pub mod error;
pub mod facts;
pub mod identities;
mod lock;
pub mod meta;
mod note;
pub mod objects;
pub mod overview;
pub mod patients;
pub mod people;
mod place;
pub mod readings;
pub mod results;
mod schema;
mod space;
mod stamp;
#[cfg(test)]
pub(crate) mod tests;
pub mod trouble;
pub mod verify;
mod writer;

pub use error::StoreError;
pub use space::compact;

use crate::observe::Metrics;
use lock::{Lock, beside};
use note::Tally;
use place::Opened;
use rusqlite::hooks::Wal;
use rusqlite::{Connection, OpenFlags};
use std::ffi::c_int;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, oneshot, watch};
use writer::{Change, Doubt, Ground, Job, Seen, Turn, UnderWay};

/// How long a change waits for another process, such as `label` beside a running daemon.
const BUSY_LIMIT: Duration = Duration::from_secs(5);

/// Beside a store that was left in doubt; holds the reason.
const DOUBT: &str = ".doubt";

/// Pages in the log from which on it is brought over into the file. Four times the default of SQLite:
/// several checkpoints a second under full load held up the senders.
const LOG_PAGES: c_int = 4000;

/// Memory for pages of the one connection that writes; readers have SQLite's 2 MB each.
const WRITER_CACHE_KIB: i64 = 8 << 10;

/// Between two looks of an owner whether its files are still there, while nobody stores anything.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Connections for reading that are kept open.
const READERS_KEPT: usize = 4;

/// Pause between two steps of long work beside the daemon, so that its own changes get in.
const STEP_PAUSE: Duration = Duration::from_millis(5);

/// Statements a connection keeps prepared: all of the way from a received object to its result.
const STATEMENTS_KEPT: usize = 64;

/// Who opens the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// The one process that receives and assesses: makes the store if there is none, brings it to
    /// the newest shape, and holds it against other owners.
    Owner,
    /// A short command beside the owner, or without one: takes the store as it is.
    Guest,
}

/// A handle to the store; clones share one writing thread.
#[derive(Debug, Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    path: PathBuf,
    waiting: Option<mpsc::Sender<Turn>>,
    thread: Option<JoinHandle<()>>,
    readers: Mutex<Vec<Connection>>,
    doubt: Doubt,
    changes: watch::Receiver<u64>,
    under_way: UnderWay,
    metrics: Arc<OnceLock<Arc<Metrics>>>,
    is_owner: bool,
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
        let path = &place::real(path);
        let (lock, conn) = match mode {
            Mode::Owner => open_as_owner(path)?,
            Mode::Guest => (None, open_as_guest(path)?),
        };
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
        let (waiting, jobs) = mpsc::channel(writer::WAITING_MAX);
        let (changed, changes) = watch::channel(0);
        let doubt: Doubt = Arc::new(OnceLock::new());
        let metrics: Arc<OnceLock<Arc<Metrics>>> = Arc::default();
        let under_way = UnderWay::default();
        let failed = |source| StoreError::File {
            path: path.into(),
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
                    metrics: Arc::clone(&metrics),
                    under_way: under_way.clone(),
                };
                let path = path.to_owned();
                let on_doubt = move |why: &str| note_doubt(&path, why);
                move || {
                    let ground = Ground { opened, tally };
                    writer::run(&conn, jobs, &ground, &seen, on_doubt);
                    close(conn, lock, &seen.doubt);
                }
            })
            .map_err(failed)?;
        Ok(Store {
            inner: Arc::new(Inner {
                path: path.to_owned(),
                waiting: Some(waiting),
                thread: Some(thread),
                readers: Mutex::new(Vec::new()),
                doubt,
                changes,
                under_way,
                metrics,
                is_owner: mode == Mode::Owner,
                _looks: looks,
            }),
        })
    }

    /// Runs `work` in a transaction and returns when it is committed and synced. An error of
    /// `work` undoes all that it did. Waits, so not for use inside async code.
    ///
    /// # Errors
    /// Those of `work`, or why the transaction could not be committed.
    pub fn write<T, F>(&self, work: F) -> Result<T, StoreError>
    where
        T: Send + 'static,
        F: FnOnce(&Connection) -> Result<T, StoreError> + Send + 'static,
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
        F: FnOnce(&Connection) -> Result<T, StoreError> + Send + 'static,
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
        work: impl FnOnce(&Connection) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let kept = self.readers().pop();
        let conn = match kept {
            Some(conn) => conn,
            None => connect_reader(&self.inner.path)?,
        };
        let done = {
            let snapshot = conn.unchecked_transaction()?;
            work(&snapshot)
        };
        let mut readers = self.readers();
        if readers.len() < READERS_KEPT {
            readers.push(conn);
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

    /// Commits are counted there from now on; the first call stands.
    pub fn observed_by(&self, metrics: &Arc<Metrics>) {
        let _ = self.inner.metrics.set(Arc::clone(metrics));
    }

    /// Whether this process is the one that receives and assesses.
    #[must_use]
    pub fn is_owner(&self) -> bool {
        self.inner.is_owner
    }

    /// Where the store is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.inner.path
    }

    fn readers(&self) -> std::sync::MutexGuard<'_, Vec<Connection>> {
        // A list of idle connections is whole whatever its last holder was doing.
        self.inner
            .readers
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Inner {
    /// Waits for the last commit, so that the file is closed when the last handle is gone.
    fn drop(&mut self) {
        let readers = self
            .readers
            .get_mut()
            .unwrap_or_else(PoisonError::into_inner);
        // Before the writer: only the last connection folds the log into the file, and a reader
        // cannot.
        readers.clear();
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
    F: FnOnce(&Connection) -> Result<T, StoreError> + Send + 'static,
{
    let (reply, answer) = oneshot::channel();
    let job = Change {
        work: Some(work),
        outcome: None,
        reply,
    };
    (Box::new(job), answer)
}

/// For the one process that receives and assesses; makes the store if there is none.
fn open_as_owner(path: &Path) -> Result<(Option<Lock>, Connection), StoreError> {
    let mut lock = Lock::take(path)?;
    place::take_back(path)?;
    if lock.note.made && std::fs::metadata(path).map_or(0, |facts| facts.len()) == 0 {
        return Err(StoreError::Gone { path: path.into() });
    }
    place::refuse_links(path)?;
    place::refuse_mixed(path, lock.note)?;
    lock.sign()?;
    make_private(path)?;
    lock.hold(path)?;
    let conn = connect(path, Mode::Owner, lock.note.stored)?;
    Ok((Some(lock), conn))
}

fn open_as_guest(path: &Path) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.into() });
    }
    // Only an owner verifies a store that was left in doubt.
    if let Ok(why) = std::fs::read_to_string(beside(path, DOUBT)) {
        return Err(StoreError::InDoubt {
            why: why.trim().to_owned(),
        });
    }
    let note = place::look_before(path)?;
    connect(path, Mode::Guest, note.stored)
}

/// Closes the store in order: brings everything over into the one file, says so beside it, and only
/// then lets SQLite take its log away. After a doubt what is noted stays.
fn close(conn: Connection, lock: Option<Lock>, doubt: &Doubt) {
    if let Some(lock) = &lock
        && doubt.get().is_none()
    {
        // What fails here is tried again when the connection is closed, and by the next opening.
        let _ = conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()));
        let _ = lock.note_closed();
    }
    drop(conn);
    // After SQLite has let go of the file.
    drop(lock);
}

/// `stored` is the number of the last commit that the store must know.
fn connect(path: &Path, mode: Mode, stored: u64) -> Result<Connection, StoreError> {
    let failed = |source| StoreError::Open {
        path: path.into(),
        source,
    };
    let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if mode == Mode::Owner {
        flags |= OpenFlags::SQLITE_OPEN_CREATE;
        make_private(path)?;
    }
    let conn = Connection::open_with_flags(path, flags).map_err(failed)?;
    #[cfg(test)]
    let conn = tests::plans::overheard(conn);
    let mut conn = conn;
    conn.busy_timeout(BUSY_LIMIT).map_err(failed)?;
    // Looked at before anything is changed: the file may be somebody else's.
    let shape = schema::found(&conn, path)?;
    schema::refuse_older(&conn, path, shape, stored)?;
    if mode == Mode::Guest && shape < schema::KNOWN {
        return Err(StoreError::Outdated {
            path: path.into(),
            found: shape,
            known: schema::KNOWN,
        });
    }
    conn.execute_batch(
        "PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;",
    )
    .map_err(failed)?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS_KEPT);
    if mode == Mode::Owner && shape == 0 {
        // Must come before the first table: free pages can then be given back in small steps.
        conn.pragma_update(None, "auto_vacuum", "INCREMENTAL")
            .map_err(failed)?;
    }
    let journal: String = conn
        .pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))
        .map_err(failed)?;
    if journal != "wal" {
        let why = format!("its file system allows only the journal mode `{journal}`");
        return Err(StoreError::Work(format!(
            "{}: {why}; name another path",
            path.display()
        )));
    }
    // NORMAL would answer before the log is synced, and lose acknowledged objects in a power cut.
    conn.pragma_update(None, "synchronous", "FULL")
        .map_err(failed)?;
    conn.wal_hook(Some(bring_over)).map_err(failed)?;
    if mode == Mode::Owner {
        settle_doubt(&conn, path)?;
        schema::bring_up(&conn, path, shape)?;
        sync_folder(path)?;
    }
    // What a savepoint may take back is kept in memory: it is less than one commit writes, and took a
    // third of all writes. The pages of one commit fit in the cache, or they are written twice.
    conn.pragma_update(None, "temp_store", "MEMORY")
        .map_err(failed)?;
    conn.pragma_update(None, "cache_size", -WRITER_CACHE_KIB)
        .map_err(failed)?;
    Ok(conn)
}

/// After a commit: brings a log that has grown long over into the file. SQLite would do the same by
/// itself, but says nothing when a sync fails on the way.
fn bring_over(log: &mut Wal, pages: c_int) -> rusqlite::Result<()> {
    if pages < LOG_PAGES {
        return Ok(());
    }
    match log.checkpoint() {
        // The log keeps everything, and the next commit tries again.
        Err(error) if is_passing(&error) => Ok(()),
        done => done,
    }
}

fn is_passing(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{DatabaseBusy, DatabaseLocked, DiskFull};
    matches!(
        error.sqlite_error_code(),
        Some(DiskFull | DatabaseBusy | DatabaseLocked)
    )
}

/// Makes the file if it is missing, for this user alone: it holds patients' data. SQLite gives its
/// own files beside it the same permissions.
fn make_private(path: &Path) -> Result<(), StoreError> {
    let made = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path);
    match made {
        Err(source) if source.kind() != std::io::ErrorKind::AlreadyExists => {
            Err(StoreError::File {
                path: path.into(),
                source,
            })
        }
        _ => Ok(()),
    }
}

fn connect_reader(path: &Path) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags)?;
    #[cfg(test)]
    let conn = tests::plans::overheard(conn);
    conn.busy_timeout(BUSY_LIMIT)?;
    conn.execute_batch("PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;")?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS_KEPT);
    Ok(conn)
}

/// Leaves a mark for the next opening. It may fail on the very disk that is in trouble; the doubt
/// holds for this process without it.
fn note_doubt(path: &Path, why: &str) {
    tracing::error!(code = "store-in-doubt", why, "the store takes nothing more");
    let _ = std::fs::write(beside(path, DOUBT), format!("{why}\n"));
}

/// After a doubt: writes everything that can still be read of the log into the file, syncs it,
/// and checks the whole file. A failed sync may have left pages that look written and are not.
fn settle_doubt(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    let mark = beside(path, DOUBT);
    if !mark.exists() {
        return Ok(());
    }
    let failed = |source| StoreError::Open {
        path: path.into(),
        source,
    };
    let unfinished: i64 = conn
        .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))
        .map_err(failed)?;
    if unfinished != 0 {
        return Err(StoreError::Busy);
    }
    let found: String = conn
        .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
        .map_err(failed)?;
    if found != "ok" {
        return Err(StoreError::Damaged { what: found });
    }
    tracing::warn!(
        code = "store-verified",
        "the store was in doubt and passed its check"
    );
    std::fs::remove_file(&mark).map_err(|source| StoreError::File { path: mark, source })
}

fn sync_folder(path: &Path) -> Result<(), StoreError> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    std::fs::File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|source| StoreError::File {
            path: folder.into(),
            source,
        })
}
