//! The file of the audit trail as a queue: complete lines from a place on, across rotation.
//!
//! A file is known by its inode, so one that was renamed is read to its end before the next one. Whoever
//! rotates the trail must rename it and leave it uncompressed until the next time (`delaycompress`). A
//! file that is gone or was cut before it was sent is told: `audit-syslog-gap`.

use std::collections::BTreeSet;
use std::fmt;
use std::fs::{self, File, Metadata};
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::time::{Duration, Instant};

/// Bytes of one batch, and the longest line that is sent.
const BATCH_BYTES: u64 = 1 << 20;

/// How long a file that was renamed may still be written to, by whoever opened it before.
const STRAGGLERS: Duration = Duration::from_secs(5);

/// Endings of files that nobody reads as text.
const COMPRESSED: &[&str] = &["gz", "xz", "zst", "bz2"];

/// How far the trail was sent.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Cursor {
    /// Of the file; 0 for none yet.
    inode: u64,
    /// In bytes from its start.
    at: u64,
}

impl Cursor {
    /// The end of a file as it is now.
    pub(super) fn end_of(path: &Path) -> io::Result<Self> {
        let file = fs::metadata(path)?;
        let (inode, at) = (file.ino(), file.len());
        Ok(Cursor { inode, at })
    }
}

impl fmt::Display for Cursor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.inode, self.at)
    }
}

impl FromStr for Cursor {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let (inode, at) = text.split_once(' ').ok_or(())?;
        let number = |text: &str| text.parse().map_err(|_| ());
        let (inode, at) = (number(inode)?, number(at)?);
        Ok(Cursor { inode, at })
    }
}

/// Lines to be sent, and where the trail goes on after them.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Batch {
    /// Without their ends. Bytes that are no UTF-8 are replaced.
    pub(super) lines: Vec<String>,
    pub(super) end: Cursor,
}

/// Lines from a place on.
#[derive(Debug)]
pub(super) struct Queue {
    path: PathBuf,
    cursor: Cursor,
    /// The file at the cursor. Open, so that it stays what it is.
    file: Option<File>,
    /// Since when it is at its end and has a successor.
    over: Option<Instant>,
    /// Files that were left behind.
    done: BTreeSet<u64>,
}

impl Queue {
    pub(super) fn new(path: PathBuf, cursor: Cursor) -> Self {
        Queue {
            path,
            cursor,
            file: None,
            over: None,
            done: BTreeSet::new(),
        }
    }

    pub(super) fn cursor(&self) -> Cursor {
        self.cursor
    }

    /// What comes next; the same again until [`Queue::move_to`].
    ///
    /// # Errors
    /// A file cannot be read.
    pub(super) fn next(&mut self) -> io::Result<Batch> {
        let found = match self.file.take() {
            Some(file) => Some(file),
            None => self.find()?,
        };
        let Some(mut file) = found else {
            return Ok(self.nothing());
        };
        let length = file.metadata()?.len();
        if length < self.cursor.at {
            gap("the file was cut");
            self.cursor.at = 0;
        }
        file.seek(SeekFrom::Start(self.cursor.at))?;
        let mut bytes = Vec::new();
        (&mut file).take(BATCH_BYTES).read_to_end(&mut bytes)?;
        let read = bytes.len() as u64;
        let (lines, taken) = match bytes.iter().rposition(|byte| *byte == b'\n') {
            Some(last) => {
                let whole = bytes.get(..last).unwrap_or_default();
                let lines = String::from_utf8_lossy(whole);
                let lines = lines.lines().map(str::to_owned).collect();
                (lines, last as u64 + 1)
            }
            // What comes after it may be good.
            None if read == BATCH_BYTES => {
                gap("a line is longer than any message");
                (Vec::new(), read)
            }
            None => (Vec::new(), 0),
        };
        let end = Cursor {
            at: self.cursor.at + taken,
            ..self.cursor
        };
        if taken == 0 {
            return self.at_end(file, end);
        }
        self.over = None;
        self.file = Some(file);
        Ok(Batch { lines, end })
    }

    /// Goes on there.
    pub(super) fn move_to(&mut self, cursor: Cursor) {
        if cursor.inode != self.cursor.inode {
            self.file = None;
            self.done.insert(self.cursor.inode);
            self.done.remove(&cursor.inode);
        }
        self.cursor = cursor;
    }

    /// Bytes that wait.
    pub(super) fn waiting(&self) -> u64 {
        let here = self.file.as_ref().and_then(|file| file.metadata().ok());
        let Some(here) = here else { return 0 };
        let own = here.len().saturating_sub(self.cursor.at);
        let later = self.siblings().unwrap_or_default().into_iter();
        let later =
            later.filter(|(_, other)| is_after(other, &here) && !self.done.contains(&other.ino()));
        own + later.map(|(_, other)| other.len()).sum::<u64>()
    }

    fn nothing(&self) -> Batch {
        Batch {
            lines: Vec::new(),
            end: self.cursor,
        }
    }

    /// The file at the cursor, under whatever name; else the one that is written to now.
    fn find(&mut self) -> io::Result<Option<File>> {
        for (path, other) in self.siblings()? {
            if other.ino() == self.cursor.inode {
                return File::open(path).map(Some);
            }
        }
        let file = match File::open(&self.path) {
            Ok(file) => file,
            // Whoever rotates it may have taken it away; the next message makes it anew.
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error),
        };
        if self.cursor.inode != 0 {
            gap("the file that was being sent is gone");
        }
        self.cursor = Cursor {
            inode: file.metadata()?.ino(),
            at: 0,
        };
        Ok(Some(file))
    }

    /// At the end of a file: its successor, if there is one and nobody writes to it any more.
    fn at_end(&mut self, file: File, end: Cursor) -> io::Result<Batch> {
        let here = file.metadata()?;
        self.file = Some(file);
        // While it has its name it is written to.
        let Some(now) = fs::metadata(&self.path).ok() else {
            return Ok(self.nothing());
        };
        if now.ino() == here.ino() {
            self.over = None;
            return Ok(self.nothing());
        }
        // A straggler may make a file newer than the one that follows it, so none is read twice.
        let siblings = self.siblings()?.into_iter();
        let later = siblings.filter(|(_, other)| {
            is_after(other, &here) && other.ino() != now.ino() && !self.done.contains(&other.ino())
        });
        let next = later.min_by_key(|(_, other)| age(other));
        let next = next.map_or(now.ino(), |(_, next)| next.ino());
        let over = *self.over.get_or_insert_with(Instant::now);
        if over.elapsed() < STRAGGLERS {
            return Ok(self.nothing());
        }
        if here.len() > end.at {
            // Whoever wrote it keeps the message and writes it again.
            tracing::debug!(code = "audit-syslog-rest", "a line without an end");
        }
        self.over = None;
        Ok(Batch {
            lines: Vec::new(),
            end: Cursor { inode: next, at: 0 },
        })
    }

    /// The trail and what it was before it was rotated.
    fn siblings(&self) -> io::Result<Vec<(PathBuf, Metadata)>> {
        let Some(name) = self.path.file_name() else {
            return Ok(Vec::new());
        };
        let folder = match self.path.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let mut found = Vec::new();
        for entry in fs::read_dir(folder)? {
            let path = entry?.path();
            let own = path.file_name().is_some_and(|other| {
                let (other, name) = (other.as_encoded_bytes(), name.as_encoded_bytes());
                other.starts_with(name)
            });
            let ending = path.extension().and_then(|ending| ending.to_str());
            let packed = ending.is_some_and(|ending| COMPRESSED.contains(&ending));
            // One that vanishes between the two is none.
            if let (true, false, Ok(file)) = (own, packed, fs::symlink_metadata(&path))
                && file.is_file()
            {
                found.push((path, file));
            }
        }
        Ok(found)
    }
}

/// When a file was last written to.
fn age(file: &Metadata) -> (i64, i64) {
    (file.mtime(), file.mtime_nsec())
}

fn is_after(other: &Metadata, here: &Metadata) -> bool {
    other.ino() != here.ino() && age(other) > age(here)
}

fn gap(what: &str) {
    tracing::error!(
        code = "audit-syslog-gap",
        "{what}; messages of the audit trail may not have been sent to the syslog server, and stand \
         only where the file was kept"
    );
}

#[cfg(test)]
mod tests;
