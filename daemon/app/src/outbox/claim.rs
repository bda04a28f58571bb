//! One store at a time in an outbox, and one owner of it: a lock file in the folder.
//!
//! Whoever receives and assesses (`serve`, `process`) holds it alone for as long as the process lives. A
//! command beside it (`label`) shares it with others of its store while it publishes, and goes on beside
//! the owner of its own store. The lock is the kernel's (flock(2)), so it ends with the process, however
//! that ends, and it is on the file itself: another name of the same folder, a link or a second mount,
//! leads to the same lock. The file stays and names the store that the outbox belongs to. Of a store on a
//! server it also says from time to time how many commits that counted: a database that is put back from an
//! earlier time knows fewer, and nothing in it can say so.

use super::folder::{make_folder, sweep};
use super::{PublishError, at};
use chrono::{DateTime, SecondsFormat, Utc};
use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::io::Errno;
use sheathline_store::{Place, Store, StoreError, meta, objects};
use std::fmt;
use std::fs::{self, File};
use std::io::{self, Read, Seek, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// The lock file of an outbox. Readers leave names with a point in front alone.
pub(crate) const LOCK_FILE: &str = ".sheathline-lock";

/// Longest text of a lock file that is read.
const TEXT_MAX: u64 = 8 << 10;

/// How long an owner waits for a command of its own store that is publishing.
const FOR_OWN: Duration = Duration::from_secs(10);

/// How long whoever finds the lock taken by another store waits before it believes that: the one who
/// took it may not have written its name yet.
const FOR_OTHERS: Duration = Duration::from_millis(500);

/// Between two notes of the count of commits.
const NOTE_EVERY: Duration = Duration::from_secs(60);

/// For how long a daemon that takes the outbox over from another one on its store lets that one have it
/// without a word. One that stands still holds it until it goes on or ends: what it is writing may come at
/// any moment.
const HANDED_OVER: Duration = Duration::from_secs(30);

/// Between two tries.
const STEP: Duration = Duration::from_millis(20);

/// Who holds an outbox, or whose it is, as its lock file tells.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Holder {
    /// The process that locked it last.
    pub pid: Option<u32>,
    /// The machine that it ran on: an outbox may be shared by several.
    pub host: Option<String>,
    /// Path of its store, or server with port and database.
    pub store: Option<String>,
    /// Device and inode of the store's file; of a server its name, port and database.
    file: Option<String>,
    /// See [`objects::first`].
    identity: Option<String>,
    /// The most commits that a store on a server was seen to count.
    counted: Option<Counted>,
}

/// How many commits a store counted at some time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Counted {
    /// So many.
    pub(crate) commits: u64,
    /// When, to the second, by the clock of the machine that saw it.
    pub(crate) at: DateTime<Utc>,
}

impl Counted {
    fn of_text(text: &str) -> Option<Counted> {
        let (commits, at) = text.split_once(' ')?;
        Some(Counted {
            commits: commits.parse().ok()?,
            at: DateTime::parse_from_rfc3339(at).ok()?.to_utc(),
        })
    }

    fn text(self) -> String {
        let at = self.at.to_rfc3339_opts(SecondsFormat::Secs, true);
        format!("{} {at}", self.commits)
    }
}

impl Holder {
    fn of_text(text: &str) -> Self {
        let value = |key: &str| {
            let mut lines = text.lines();
            let found = lines.find_map(|line| line.strip_prefix(key)?.strip_prefix(' '))?;
            let plain: String = found.chars().filter(|one| !one.is_control()).collect();
            (!plain.is_empty()).then_some(plain)
        };
        Holder {
            pid: value("pid").and_then(|pid| pid.parse().ok()),
            host: value("host"),
            store: value("store"),
            file: value("file"),
            // Anything else was cut off while it was written.
            identity: value("identity").filter(|word| word.len() == objects::FIRST_CHARS),
            counted: value("commits").and_then(|text| Counted::of_text(&text)),
        }
    }

    fn text(&self) -> String {
        let pid = self.pid.map(|pid| pid.to_string());
        let counted = self.counted.map(Counted::text);
        let mut text = String::new();
        for (key, value) in [
            ("pid", &pid),
            ("host", &self.host),
            ("store", &self.store),
            ("file", &self.file),
            ("identity", &self.identity),
            // Last: what is before it stays as it is when this alone is written anew.
            ("commits", &counted),
        ] {
            if let Some(value) = value {
                let plain: String = value.chars().filter(|one| !one.is_control()).collect();
                text.push_str(&format!("{key} {plain}\n"));
            }
        }
        text
    }
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.pid {
            Some(pid) => write!(f, "process {pid}")?,
            None => f.write_str("a process that is not named")?,
        }
        if let Some(host) = &self.host {
            write!(f, " on {host}")?;
        }
        match &self.store {
            Some(store) => write!(f, " with the store {store}"),
            None => Ok(()),
        }
    }
}

/// The claim of a process to an outbox. Held from [`Claim::hold`] on: by an owner until it is dropped,
/// by anybody else until [`Claim::release`].
#[derive(Debug)]
pub struct Claim {
    outbox: PathBuf,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    /// The lock file, locked.
    held: Option<File>,
    /// What it says of us.
    said: Holder,
    /// Whether the folder was there once: it is not made a second time, since what takes its place may be
    /// an empty mount point that nobody reads.
    was_there: bool,
    /// Whether it was told that the file system has no locks.
    is_told: bool,
    /// When the count of commits was noted last.
    noted: Option<Instant>,
    /// Since when another daemon on the same store has it still.
    handed_over_since: Option<Instant>,
}

impl Claim {
    /// To the outbox in this folder. Touches nothing yet.
    #[must_use]
    pub fn new(outbox: &Path) -> Self {
        Claim {
            outbox: outbox.to_owned(),
            state: Mutex::default(),
        }
    }

    /// Holds the outbox for a store; where it is held already, makes sure that it still is the same
    /// folder. `false`: another daemon that shares the store has it still, and will let go.
    ///
    /// # Errors
    /// [`PublishError::Taken`], [`PublishError::Foreign`], or the lock file cannot be used.
    pub fn hold(&self, store: &Store) -> Result<bool, PublishError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let path = self.outbox.join(LOCK_FILE);
        let is_held = |file: &File| is_at(file, &path).unwrap_or(false);
        if state.held.as_ref().is_some_and(is_held) {
            if state.said.identity.is_none() {
                let identity = store.read(objects::first)?;
                if identity.is_some() {
                    state.said.identity = identity;
                    let State { held, said, .. } = &mut *state;
                    held.as_mut()
                        .map_or(Ok(()), |file| write(file, said))
                        .map_err(at(&path))?;
                }
            }
            let is_due = state
                .noted
                .is_none_or(|noted| noted.elapsed() >= NOTE_EVERY);
            if is_due {
                state.note(store, &path)?;
            }
            return Ok(true);
        }
        state.held = None;
        if !state.was_there {
            make_folder(&self.outbox)?;
            state.was_there = true;
        }
        let mut us = us(store)?;
        let taken = self.take(&path, &mut us, store, &mut state);
        if let Err(PublishError::Taken { by, .. }) = &taken
            && store.is_shared()
            && is_one_store(by, &us)
        {
            let since = *state.handed_over_since.get_or_insert_with(Instant::now);
            if since.elapsed() < HANDED_OVER {
                return Ok(false);
            }
        }
        let (file, is_shared_by_owner) = taken?;
        state.handed_over_since = None;
        if store.is_owner() {
            sweep(&self.outbox)?;
        }
        state.said = us;
        state.noted = Some(Instant::now());
        // Beside its owner there is nothing to hold.
        state.held = (!is_shared_by_owner).then_some(file);
        Ok(true)
    }

    /// Lets go of it, unless it is an owner's.
    pub fn release(&self, store: &Store) {
        if !store.is_owner() {
            let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
            // A note more or less loses nothing.
            let _ = state.note(store, &self.outbox.join(LOCK_FILE));
            state.held = None;
        }
    }

    /// Notes how many commits the store counts, where it is on a server and this process holds the outbox:
    /// for whoever ends, and whose commits nobody notes any more.
    ///
    /// # Errors
    /// The store cannot be read, or the lock file not be written.
    pub fn note(&self, store: &Store) -> Result<(), PublishError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.note(store, &self.outbox.join(LOCK_FILE))
    }

    /// Lets go of it, whoever holds it: another daemon on the same store goes on.
    pub fn hand_over(&self) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.held = None;
        state.handed_over_since = None;
    }

    /// The lock file, and whether the owner of the same store has the lock.
    fn take(
        &self,
        path: &Path,
        us: &mut Holder,
        store: &Store,
        state: &mut State,
    ) -> Result<(File, bool), PublishError> {
        let begun = Instant::now();
        let is_owner = store.is_owner();
        // Whoever shares the store has more to do than to wait for the daemon before it.
        let for_own = if store.is_shared() {
            FOR_OTHERS
        } else {
            FOR_OWN
        };
        let how = if is_owner {
            FlockOperation::NonBlockingLockExclusive
        } else {
            FlockOperation::NonBlockingLockShared
        };
        loop {
            let mut file = open(path).map_err(at(path))?;
            let locked = flock(&file, how);
            let found = read(&mut file).map_err(at(path))?;
            match locked {
                Ok(()) => {}
                Err(Errno::WOULDBLOCK) => {
                    let is_ours = is_one_store(&found, us);
                    if is_ours && !is_owner {
                        return Ok((file, true));
                    }
                    let patience = if is_ours { for_own } else { FOR_OTHERS };
                    if begun.elapsed() >= patience {
                        return Err(self.taken(found));
                    }
                    std::thread::sleep(STEP);
                    continue;
                }
                // The mark below is all there is then.
                Err(Errno::NOTSUP | Errno::NOLCK | Errno::NOSYS) => {
                    if !std::mem::replace(&mut state.is_told, true) {
                        tracing::warn!(
                            code = "outbox-not-locked",
                            "the file system of the outbox has no locks: nothing keeps a second \
                             daemon out of it"
                        );
                    }
                }
                Err(error) => return Err(at(path)(error.into())),
            }
            // Somebody may have taken the file away before it was locked.
            if !is_at(&file, path).map_err(at(path))? {
                continue;
            }
            // What it knew before it waited may be old by now.
            *us = self::us(store)?;
            if found.identity.is_some() && found.identity != us.identity {
                if us.identity.is_none() || found.file != us.file {
                    return Err(PublishError::Foreign {
                        outbox: self.outbox.clone(),
                        by: Box::new(found),
                    });
                }
                // The same file: its first object is damaged, which a copy of it need not be.
                us.identity.clone_from(&found.identity);
            }
            if let (Some(noted), Some(now)) = (found.counted, us.counted)
                && noted.commits > now.commits
                && state.noted.is_none()
            {
                tracing::warn!(
                    code = "store-older",
                    counted = now.commits,
                    noted = noted.commits,
                    noted_at = %noted.at,
                    "the database knows fewer commits than were noted in the outbox: it was put back from an \
                     earlier time; stop here, and run `sheathline verify`"
                );
            }
            us.counted = most(found.counted, us.counted);
            if found != *us {
                write(&mut file, us).map_err(at(path))?;
            }
            return Ok((file, false));
        }
    }

    fn taken(&self, by: Holder) -> PublishError {
        PublishError::Taken {
            outbox: self.outbox.clone(),
            by: Box::new(by),
        }
    }
}

impl State {
    fn note(&mut self, store: &Store, path: &Path) -> Result<(), PublishError> {
        self.noted = Some(Instant::now());
        let now = counted(store)?;
        let State { held, said, .. } = self;
        if let (Some(file), Some(_)) = (held, now) {
            said.counted = most(said.counted, now);
            write(file, said).map_err(at(path))?;
        }
        Ok(())
    }
}

/// What a store on a server counts now.
fn counted(store: &Store) -> Result<Option<Counted>, StoreError> {
    match store.place() {
        // What was told of a file stands beside it, commit for commit.
        Place::File(_) => Ok(None),
        Place::Server(_) => Ok(Some(Counted {
            commits: store.read(meta::commits)?,
            at: Utc::now(),
        })),
    }
}

/// Which of two says more. One that counted more stays until the store is that far again.
fn most(before: Option<Counted>, now: Option<Counted>) -> Option<Counted> {
    match (before, now) {
        (Some(before), Some(now)) if before.commits > now.commits => Some(before),
        (before, now) => now.or(before),
    }
}

/// How many commits the store that is known by `identity`, or is reached at `server`, was seen to count, as
/// its outbox tells.
pub(crate) fn counted_by(outbox: &Path, identity: Option<&str>, server: &str) -> Option<Counted> {
    let holder = read(&mut File::open(outbox.join(LOCK_FILE)).ok()?).ok()?;
    let is_same = match (holder.identity.as_deref(), identity) {
        (Some(theirs), Some(ours)) => theirs == ours,
        // Put back from before its first object.
        _ => holder.file.as_deref() == Some(&format!("{SERVER}{server}")),
    };
    holder.counted.filter(|_| is_same)
}

/// Whose the outbox is, as far as that store had anything to tell of itself.
#[must_use]
pub(crate) fn marked_by(outbox: &Path) -> Option<Holder> {
    let mut file = File::open(outbox.join(LOCK_FILE)).ok()?;
    read(&mut file)
        .ok()
        .filter(|holder| holder.identity.is_some())
}

/// How the file of a store that is on a server begins.
const SERVER: &str = "server ";

/// Whether two holders are of one store. A server may be known by several names, so of two it is what
/// they hold that tells; of two files that tells nothing, since one may be a copy of the other.
fn is_one_store(one: &Holder, other: &Holder) -> bool {
    let is_server = |holder: &Holder| {
        let file = holder.file.as_deref();
        file.is_some_and(|file| file.starts_with(SERVER))
    };
    one.file == other.file
        || (is_server(one)
            && is_server(other)
            && one.identity.is_some()
            && one.identity == other.identity)
}

/// What we write of ourselves.
fn us(store: &Store) -> Result<Holder, StoreError> {
    let (place, file) = match store.place() {
        Place::File(path) => {
            let file = fs::metadata(path).ok();
            let whole = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
            let file = file.map(|facts| format!("{}:{}", facts.dev(), facts.ino()));
            (whole.display().to_string(), file)
        }
        Place::Server(server) => (server.clone(), Some(format!("{SERVER}{server}"))),
    };
    let host = rustix::system::uname();
    Ok(Holder {
        pid: Some(std::process::id()),
        host: host.nodename().to_str().ok().map(str::to_owned),
        store: Some(place),
        file,
        identity: store.read(objects::first)?,
        counted: counted(store)?,
    })
}

/// Opens the lock file, or makes it. A link, or anything but a file, in its place is refused.
fn open(path: &Path) -> io::Result<File> {
    let flags =
        OFlags::RDWR | OFlags::CREATE | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let mode = Mode::RUSR | Mode::WUSR | Mode::RGRP;
    let file = File::from(rustix::fs::open(path, flags, mode)?);
    if file.metadata()?.is_file() {
        Ok(file)
    } else {
        Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "is no regular file; take it away",
        ))
    }
}

/// Whether the name still leads to this file.
fn is_at(file: &File, path: &Path) -> io::Result<bool> {
    let ours = file.metadata()?;
    match path.symlink_metadata() {
        Ok(there) => Ok((there.dev(), there.ino()) == (ours.dev(), ours.ino())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(error),
    }
}

fn read(file: &mut File) -> io::Result<Holder> {
    let mut text = Vec::new();
    file.rewind()?;
    file.take(TEXT_MAX).read_to_end(&mut text)?;
    Ok(Holder::of_text(&String::from_utf8_lossy(&text)))
}

fn write(file: &mut File, holder: &Holder) -> io::Result<()> {
    let text = holder.text();
    file.rewind()?;
    file.write_all(text.as_bytes())?;
    file.set_len(text.len() as u64)
}

#[cfg(test)]
mod tests;
