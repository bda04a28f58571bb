//! What can go wrong with the store, worded for the person who has to act.

use super::object_id::ObjectId;
use std::path::PathBuf;

/// A store that could not be opened, or that did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// A file beside the store, or its folder, could not be used.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The database could not open the file.
    #[error("{}: cannot be opened as a store: {source}", path.display())]
    Open {
        /// The store.
        path: PathBuf,
        /// What the database says.
        source: Refusal,
    },
    /// There is no store where one was expected.
    #[error("{}: there is no store yet; `serve` or `process` makes one", path.display())]
    Missing {
        /// The store.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{}: this file is not a store of sheathline; name another path", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// A newer version of the program wrote it.
    #[error(
        "{}: the store has shape {found}, this program knows up to {known}; \
         use the newer version that wrote it", path.display()
    )]
    Newer {
        /// The store.
        path: PathBuf,
        /// Its shape.
        found: i64,
        /// The newest shape known here.
        known: i64,
    },
    /// An older version wrote it, and only its owner may change its shape.
    #[error(
        "{}: the store has shape {found}, this program needs {known}; \
         start `serve` or `process` once to bring it up to date", path.display()
    )]
    Outdated {
        /// The store.
        path: PathBuf,
        /// Its shape.
        found: i64,
        /// The shape needed.
        known: i64,
    },
    /// Another process owns it.
    #[error(
        "{}: the store is in use by process {}; stop that one first",
        path.display(), pid.map_or_else(|| "(unknown)".to_owned(), |pid| pid.to_string())
    )]
    Held {
        /// The store.
        path: PathBuf,
        /// The owner, as it wrote itself into the lock file.
        pid: Option<u32>,
    },
    /// Daemons share it, and somebody wants it alone.
    #[error(
        "{}: the store is in use by {}; stop {} first", path.display(),
        daemons(hosts), if hosts.len() == 1 { "that one" } else { "all of them" }
    )]
    Shared {
        /// The store.
        path: PathBuf,
        /// The hosts of the daemons.
        hosts: Vec<String>,
    },
    /// No room on the disk. Nothing was changed; the same call may succeed later.
    #[error("no space left for the store; free some, nothing was lost")]
    Full,
    /// Another process held the store longer than the time allowed.
    #[error("the store was busy for too long; try again")]
    Busy,
    /// A commit or a sync failed, so nobody knows what is on the disk.
    #[error(
        "the store is in doubt and takes nothing more ({why}); check the disk, then start again: \
         the store is verified when it is opened"
    )]
    InDoubt {
        /// The first failure.
        why: String,
    },
    /// The store was opened after a doubt, or checked, and did not pass.
    #[error("the store is damaged: {what}; restore it from a copy")]
    Damaged {
        /// Which part, and how.
        what: String,
    },
    /// The reading of one object is not what was stored. It can be made again from the bytes.
    #[error("the store is damaged: the reading of object {object}")]
    ReadingDamaged {
        /// The object.
        object: ObjectId,
    },
    /// The bytes of one object were dropped on purpose.
    #[error(
        "the bytes of object {object} were dropped on {on}, as keep_bodies_days of [store] asks"
    )]
    Dropped {
        /// The object.
        object: ObjectId,
        /// The day, as YYYY-MM-DD.
        on: String,
    },
    /// The store is gone or empty, though this place had one.
    #[error(
        "{}: the store is empty or gone, though one was made here; put it back or restore a copy \
         (`sheathline restore`). To begin with nothing, delete {}.lock as well",
        path.display(), path.display()
    )]
    Gone {
        /// The store.
        path: PathBuf,
    },
    /// The store knows less than was stored here last.
    #[error(
        "{place}: the store knows {known} commits, and {stored} were stored here: its log, {place}-wal, was \
         taken away or damaged, or an older file lies in its place. Stop here, put back what was \
         there, or restore a copy (`sheathline restore`). To go on with what is left, delete \
         {place}.lock, then have everything since sent again: nobody else knows of it; `verify` names \
         the results of it that are in the outbox", place = path.display()
    )]
    Older {
        /// The store.
        path: PathBuf,
        /// The last commit it knows.
        known: u64,
        /// The last commit that was told to somebody.
        stored: u64,
    },
    /// It is being filled from another store, and not whole yet.
    #[error(
        "{place}: the store that comes here from {from} is not whole yet; stop what uses either, and \
         run `sheathline move` again: it goes on where it stopped"
    )]
    Coming {
        /// Where it is.
        place: String,
        /// Where it comes from.
        from: String,
    },
    /// It went to another database.
    #[error(
        "{place}: this store was moved to {to} at {at}; name that one in [store]. What is here is how \
         it was then: to go back to that, without all that came since, move the file away and \
         `sheathline restore` it"
    )]
    Moved {
        /// Where it was.
        place: String,
        /// Where it is now.
        to: String,
        /// When, as a time in UTC.
        at: String,
    },
    /// The log beside the store is the one of another file.
    #[error(
        "{place}: this is not the file that its log, {place}-wal, belongs to; opened together both would be \
         damaged. Put the file back that was here, or restore a copy (`sheathline restore`). To go \
         on with this file alone, move {place}-wal and {place}-shm away and delete {place}.lock", place = path.display()
    )]
    Mixed {
        /// The store.
        path: PathBuf,
    },
    /// The file has further names.
    #[error(
        "{}: the store has a second name (hard link), and its log lies beside one of them only; \
         remove the others: `find FOLDER -xdev -inum {inode}` lists them", path.display()
    )]
    Linked {
        /// The name that was asked for.
        path: PathBuf,
        /// Its inode.
        inode: u64,
    },
    /// The transaction that carried this change was lost with all of its changes.
    #[error("the change was not stored: {why}")]
    NotCommitted {
        /// What the database says.
        why: String,
    },
    /// The server cannot be reached, or went away before a commit. Nothing was changed; the same call
    /// may succeed later.
    #[error("the database cannot be reached ({why}); nothing was stored, try again")]
    Away {
        /// What happened.
        why: String,
    },
    /// The server went away during a commit and did not come back in time: nobody knows whether it was
    /// stored. What was stored already counts once if it is done again.
    #[error("whether this was stored is not known ({why}); do it again once the database is back")]
    Unsure {
        /// What happened.
        why: String,
    },
    /// The others put this daemon out, because it did not show itself in time; nothing was changed.
    #[error(
        "this daemon was put out by the others that share its store: it did not show itself in time; the \
         change was not stored, and it joins them again by itself"
    )]
    PutOut,
    /// The duty that the change belongs to is another daemon's by now; nothing was changed.
    #[error("{duty} is another daemon's by now, among those that share the store")]
    NotOurs {
        /// The duty, by its name.
        duty: String,
    },
    /// The database refused one statement.
    #[error("the store refused: {0}")]
    Refused(Refusal),
    /// What the caller wanted to store or to read back made no sense.
    #[error("{0}")]
    Work(String),
    /// The caller's own work panicked; its changes were undone.
    #[error("a change to the store panicked and was undone; internal error; please report it")]
    Panicked,
    /// The store has been closed.
    #[error("the store is closed")]
    Closed,
}

fn daemons(hosts: &[String]) -> String {
    let plain = |host: &String| host.escape_debug().to_string();
    let hosts: Vec<String> = hosts.iter().map(plain).collect();
    match hosts.as_slice() {
        [host] => format!("a daemon on {host}"),
        hosts => format!("daemons on {}", hosts.join(", ")),
    }
}

/// What the database says, in its own words.
#[derive(Debug, thiserror::Error)]
#[error("{words}")]
pub struct Refusal {
    kind: Kind,
    words: String,
}

/// What kind of failure it is, whichever database tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// The system could not read or write.
    Disk,
    /// What is stored is not what was written.
    Corrupt,
    /// This is no database of that kind.
    Foreign,
    /// A value is not of the kind that was stored.
    Unfit,
    /// What others change at the same time stands in the way: the same again may succeed.
    Crossed,
    /// Anything else.
    Other,
}

impl Refusal {
    pub(crate) fn new(kind: Kind, words: String) -> Refusal {
        Refusal { kind, words }
    }

    pub(crate) fn kind(&self) -> Kind {
        self.kind
    }
}

/// How one failure bears on everything else in the same transaction and on the store.
#[derive(Debug, Clone)]
pub(super) enum Fault {
    Full,
    Busy,
    Doubt(String),
    Lost(String),
    /// Nothing is stored, and all of it can be run again at once.
    Crossed,
    /// Nothing is stored, and the database is away.
    Away(String),
    /// Nobody knows, and the database is away.
    Unsure(String),
}

impl Fault {
    /// A failure inside the transaction, before its commit.
    pub(super) fn of(error: &StoreError) -> Self {
        match error {
            StoreError::Full => Fault::Full,
            StoreError::Busy => Fault::Busy,
            StoreError::Away { why } => Fault::Away(why.clone()),
            StoreError::Unsure { why } => Fault::Unsure(why.clone()),
            StoreError::InDoubt { why } => Fault::Doubt(why.clone()),
            StoreError::Refused(source) => match source.kind() {
                Kind::Crossed => Fault::Crossed,
                Kind::Disk | Kind::Corrupt | Kind::Foreign => Fault::Doubt(source.to_string()),
                _ => Fault::Lost(source.to_string()),
            },
            other => Fault::Lost(other.to_string()),
        }
    }

    /// A failure of the commit itself: unless the database says plainly that nothing was written, it
    /// may or may not be on the disk.
    pub(super) fn of_commit(error: StoreError) -> Self {
        match error {
            StoreError::Full => Fault::Full,
            StoreError::Busy => Fault::Busy,
            StoreError::Away { why } => Fault::Away(why),
            StoreError::Unsure { why } => Fault::Unsure(why),
            StoreError::NotCommitted { why } => Fault::Lost(why),
            StoreError::Refused(source) if source.kind() == Kind::Crossed => Fault::Crossed,
            other => Fault::Doubt(format!("a commit failed: {other}")),
        }
    }

    pub(super) fn error(&self) -> StoreError {
        match self {
            Fault::Full => StoreError::Full,
            Fault::Busy => StoreError::Busy,
            Fault::Doubt(why) => StoreError::InDoubt { why: why.clone() },
            Fault::Lost(why) => StoreError::NotCommitted { why: why.clone() },
            // It was run again until that was enough.
            Fault::Crossed => StoreError::Busy,
            Fault::Away(why) => StoreError::Away { why: why.clone() },
            Fault::Unsure(why) => StoreError::Unsure { why: why.clone() },
        }
    }
}
