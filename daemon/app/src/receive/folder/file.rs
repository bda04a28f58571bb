//! Files of a folder that others write to: opened without following or waiting.

use crate::intake::Unfit;
use rustix::fs::{CWD, Mode, OFlags, Stat, fstat, openat};
use rustix::io::Errno;
use std::fs::File;
use std::io::{self, Read};
use std::os::fd::AsFd;
use std::path::Path;

/// What tells one content of a file from another without reading it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct State {
    device: u64,
    pub(super) inode: u64,
    pub(super) bytes: u64,
    changed_s: i64,
    changed_ns: i64,
}

impl State {
    pub(super) fn of_stat(facts: &Stat) -> Self {
        State {
            device: facts.st_dev,
            inode: facts.st_ino,
            bytes: u64::try_from(facts.st_size).unwrap_or_default(),
            changed_s: facts.st_mtime,
            changed_ns: i64::try_from(facts.st_mtime_nsec).unwrap_or_default(),
        }
    }
}

/// A file that was not read.
#[derive(Debug, thiserror::Error)]
pub enum NotRead {
    /// A folder, link, pipe, socket or device.
    #[error("not a regular file")]
    NotAFile,
    /// Larger than allowed.
    #[error("{bytes} bytes are more than the {limit} allowed")]
    TooLarge {
        /// Its size.
        bytes: u64,
        /// The limit.
        limit: u64,
    },
    /// It was written to, or replaced, meanwhile.
    #[error("the file changed while it was read")]
    Changed,
    /// The system refuses.
    #[error("the file cannot be read: {0}")]
    Failed(#[from] io::Error),
}

impl NotRead {
    /// Why the object is refused, if it is for its size.
    #[must_use]
    pub fn unfit(&self) -> Option<Unfit> {
        match *self {
            NotRead::TooLarge { bytes, limit } => Some(Unfit::TooLarge {
                bytes: Some(bytes),
                limit,
            }),
            _ => None,
        }
    }
}

/// Reads a whole regular file of at most `limit` bytes. Follows no link at the end of `path` and
/// never waits for a pipe.
///
/// # Errors
/// The file is no file, too large, changing, or cannot be read.
pub fn read_whole(path: &Path, limit: u64) -> Result<Vec<u8>, NotRead> {
    let (mut file, before) = open(CWD, path)?;
    read_open(&mut file, before, limit)
}

/// Opens a regular file seen from `folder`.
pub(super) fn open(folder: impl AsFd, path: &Path) -> Result<(File, State), NotRead> {
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = match openat(folder, path, flags, Mode::empty()) {
        Ok(file) => File::from(file),
        // A link; a socket.
        Err(Errno::LOOP | Errno::NXIO) => return Err(NotRead::NotAFile),
        Err(error) => return Err(NotRead::Failed(error.into())),
    };
    if !file.metadata()?.is_file() {
        return Err(NotRead::NotAFile);
    }
    let state = state_of(&file)?;
    Ok((file, state))
}

fn state_of(file: &File) -> io::Result<State> {
    Ok(State::of_stat(&fstat(file)?))
}

/// Reads a whole file that was opened in the state `before`.
pub(super) fn read_open(file: &mut File, before: State, limit: u64) -> Result<Vec<u8>, NotRead> {
    if before.bytes > limit {
        return Err(NotRead::TooLarge {
            bytes: before.bytes,
            limit,
        });
    }
    // Room for all of it and the byte that must not be there, or reading would grow it step by step.
    let at_most = before.bytes.saturating_add(1);
    let mut bytes = Vec::with_capacity(usize::try_from(at_most).unwrap_or(0));
    file.take(at_most).read_to_end(&mut bytes)?;
    if bytes.len() as u64 != before.bytes || state_of(file)? != before {
        return Err(NotRead::Changed);
    }
    Ok(bytes)
}
