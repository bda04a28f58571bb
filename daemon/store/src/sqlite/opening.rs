//! The file of the store: opened by its owner or beside it, brought over, and closed in order.

use super::Sqlite;
use super::schema::{self, Form};
use crate::error::Fault;
use crate::lock::{Lock, beside};
use crate::note::Tally;
use crate::place::{Opened, Strayed};
use crate::view::{Tx, View};
use crate::writer::Ground;
use crate::{DOUBT, Mode, StoreError, place};
use rusqlite::hooks::Wal;
use rusqlite::{Connection, OpenFlags};
use std::ffi::c_int;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Statements a connection keeps prepared: all of the way from a received object to its result.
const STATEMENTS_KEPT: usize = 64;

/// Memory for pages of the one connection that writes; readers have SQLite's 2 MB each.
const WRITER_CACHE_KIB: i64 = 8 << 10;

/// Pages in the log from which on it is brought over into the file. Four times the default of SQLite:
/// several checkpoints a second under full load held up the senders.
const LOG_PAGES: c_int = 4000;

/// How long a change waits for another process, such as `label` beside a running daemon.
const BUSY_LIMIT: Duration = Duration::from_secs(5);

/// For the one process that receives and assesses; makes the store if there is none.
pub(crate) fn open_as_owner(path: &Path, form: &Form) -> Result<(Option<Lock>, Tx), StoreError> {
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
    let tx = connect(path, form, Mode::Owner, lock.note.stored)?;
    Ok((Some(lock), tx))
}

pub(crate) fn open_as_guest(path: &Path, form: &Form) -> Result<Tx, StoreError> {
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
    connect(path, form, Mode::Guest, note.stored)
}

/// The files under an opened store.
pub(crate) struct Files {
    pub(crate) path: PathBuf,
    pub(crate) opened: Opened,
    /// Where the number of each commit is noted.
    pub(crate) tally: Tally,
    /// Held by an owner.
    pub(crate) lock: Option<Lock>,
}

impl Ground for Files {
    fn check(&self, tx: &Tx) -> Result<(), Fault> {
        match self.opened.strayed() {
            None => Ok(()),
            Some(Strayed::Lost(why)) => Err(Fault::Doubt(why)),
            Some(Strayed::Log(why)) => {
                // The file is ours and the log is open: nothing in it has to be lost.
                let done = tx.prepare("PRAGMA wal_checkpoint(FULL)").one((), |row| {
                    Ok(row.get::<i64>(0)? == 0 && row.get::<i64>(1)? == row.get::<i64>(2)?)
                });
                let what = match done {
                    Ok(true) => "all that stood in it was brought over",
                    _ => "what stood in it could not all be brought over",
                };
                Err(Fault::Doubt(format!("{why}; {what}")))
            }
        }
    }

    fn note(&self, number: u64) {
        self.tally.note(number);
    }

    /// The mark may fail on the very disk that is in trouble; the doubt holds for this process
    /// without it.
    fn doubt(&self, why: &str) {
        tracing::error!(code = "store-in-doubt", why, "the store takes nothing more");
        let _ = std::fs::write(beside(&self.path, DOUBT), format!("{why}\n"));
    }

    /// Brings everything over into the one file, says so beside it, and only then lets SQLite take its
    /// log away. After a doubt what is noted stays.
    fn close(self: Box<Self>, tx: Tx, is_in_doubt: bool) {
        if let Some(lock) = &self.lock
            && !is_in_doubt
        {
            // What fails here is tried again when the connection is closed, and by the next opening.
            let _ = tx.execute_batch("PRAGMA wal_checkpoint(PASSIVE)");
            let _ = lock.note_closed();
        }
        drop(tx);
        // After SQLite has let go of the file.
        drop(self.lock);
    }
}

/// `stored` is the number of the last commit that the store must know.
pub(crate) fn connect(path: &Path, form: &Form, mode: Mode, stored: u64) -> Result<Tx, StoreError> {
    let failed = |source: rusqlite::Error| StoreError::Open {
        path: path.into(),
        source: source.into(),
    };
    let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if mode == Mode::Owner {
        flags |= OpenFlags::SQLITE_OPEN_CREATE;
        make_private(path)?;
    }
    let conn = Connection::open_with_flags(path, flags).map_err(failed)?;
    #[cfg(feature = "tests")]
    let conn = super::overheard::listen(conn)?;
    conn.busy_timeout(BUSY_LIMIT).map_err(failed)?;
    // Looked at before anything is changed: the file may be somebody else's.
    let shape = form.found(&conn, path)?;
    let tx = Tx::new(Box::new(Sqlite(conn)));
    schema::refuse_older(&tx, path, shape, stored)?;
    if mode == Mode::Guest && shape < form.known() {
        return Err(StoreError::Outdated {
            path: path.into(),
            found: shape,
            known: form.known(),
        });
    }
    let mut conn = super::into_connection(tx)?;
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
    // A file that was no log's until now, such as a copy, gets one with the first look into it; the
    // files of the store are noted next.
    conn.query_row("select count(*) from sqlite_schema", [], |_| Ok(()))
        .map_err(failed)?;
    // NORMAL would answer before the log is synced, and lose acknowledged objects in a power cut.
    conn.pragma_update(None, "synchronous", "FULL")
        .map_err(failed)?;
    conn.wal_hook(Some(bring_over)).map_err(failed)?;
    if mode == Mode::Owner {
        settle_doubt(&conn, path)?;
        form.bring_up(&conn, path, shape)?;
        place::sync_folder(path)?;
    }
    // What a savepoint may take back is kept in memory: it is less than one commit writes, and took a
    // third of all writes. The pages of one commit fit in the cache, or they are written twice.
    conn.pragma_update(None, "temp_store", "MEMORY")
        .map_err(failed)?;
    conn.pragma_update(None, "cache_size", -WRITER_CACHE_KIB)
        .map_err(failed)?;
    Ok(Tx::new(Box::new(Sqlite(conn))))
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
pub(crate) fn make_private(path: &Path) -> Result<(), StoreError> {
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

pub(crate) fn connect_reader(path: &Path) -> Result<View, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags)?;
    #[cfg(feature = "tests")]
    let conn = super::overheard::listen(conn)?;
    conn.busy_timeout(BUSY_LIMIT)?;
    conn.execute_batch("PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;")?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS_KEPT);
    Ok(View::new(Box::new(Sqlite(conn))))
}

/// After a doubt: writes everything that can still be read of the log into the file, syncs it,
/// and checks the whole file. A failed sync may have left pages that look written and are not.
pub(crate) fn settle_doubt(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    let mark = beside(path, DOUBT);
    if !mark.exists() {
        return Ok(());
    }
    let failed = |source: rusqlite::Error| StoreError::Open {
        path: path.into(),
        source: source.into(),
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
