//! The file of the store: opened by its owner or beside it, brought over, and closed in order.

use super::lock::{Lock, beside};
use super::view::{Tx, View};
use super::writer::Doubt;
use super::{DOUBT, Mode, StoreError, place, schema};
use rusqlite::hooks::Wal;
use rusqlite::{Connection, OpenFlags};
use std::ffi::c_int;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
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
pub(super) fn open_as_owner(path: &Path) -> Result<(Option<Lock>, Tx), StoreError> {
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
    let tx = connect(path, Mode::Owner, lock.note.stored)?;
    Ok((Some(lock), tx))
}

pub(super) fn open_as_guest(path: &Path) -> Result<Tx, StoreError> {
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
pub(super) fn close(tx: Tx, lock: Option<Lock>, doubt: &Doubt) {
    if let Some(lock) = &lock
        && doubt.get().is_none()
    {
        // What fails here is tried again when the connection is closed, and by the next opening.
        let _ = tx
            .sqlite()
            .query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()));
        let _ = lock.note_closed();
    }
    drop(tx);
    // After SQLite has let go of the file.
    drop(lock);
}

/// `stored` is the number of the last commit that the store must know.
pub(super) fn connect(path: &Path, mode: Mode, stored: u64) -> Result<Tx, StoreError> {
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
    #[cfg(feature = "tests")]
    let conn = super::overheard::listen(conn)?;
    conn.busy_timeout(BUSY_LIMIT).map_err(failed)?;
    let tx = Tx::new(conn);
    // Looked at before anything is changed: the file may be somebody else's.
    let shape = schema::found(&tx, path)?;
    schema::refuse_older(&tx, path, shape, stored)?;
    if mode == Mode::Guest && shape < schema::KNOWN {
        return Err(StoreError::Outdated {
            path: path.into(),
            found: shape,
            known: schema::KNOWN,
        });
    }
    let mut conn = tx.into_sqlite();
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
        place::sync_folder(path)?;
    }
    // What a savepoint may take back is kept in memory: it is less than one commit writes, and took a
    // third of all writes. The pages of one commit fit in the cache, or they are written twice.
    conn.pragma_update(None, "temp_store", "MEMORY")
        .map_err(failed)?;
    conn.pragma_update(None, "cache_size", -WRITER_CACHE_KIB)
        .map_err(failed)?;
    Ok(Tx::new(conn))
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
pub(super) fn make_private(path: &Path) -> Result<(), StoreError> {
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

pub(super) fn connect_reader(path: &Path) -> Result<View, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags)?;
    #[cfg(feature = "tests")]
    let conn = super::overheard::listen(conn)?;
    conn.busy_timeout(BUSY_LIMIT)?;
    conn.execute_batch("PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;")?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS_KEPT);
    Ok(View::new(conn))
}

/// Leaves a mark for the next opening. It may fail on the very disk that is in trouble; the doubt
/// holds for this process without it.
pub(super) fn note_doubt(path: &Path, why: &str) {
    tracing::error!(code = "store-in-doubt", why, "the store takes nothing more");
    let _ = std::fs::write(beside(path, DOUBT), format!("{why}\n"));
}

/// After a doubt: writes everything that can still be read of the log into the file, syncs it,
/// and checks the whole file. A failed sync may have left pages that look written and are not.
pub(super) fn settle_doubt(conn: &Connection, path: &Path) -> Result<(), StoreError> {
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
