//! Files of a folder that others write to: opened without following or waiting, moved without
//! overwriting.

use crate::rename::rename_new;
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use std::ffi::OsStr;
use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

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
    pub(super) fn of(facts: &Metadata) -> Self {
        State {
            device: facts.dev(),
            inode: facts.ino(),
            bytes: facts.size(),
            changed_s: facts.mtime(),
            changed_ns: facts.mtime_nsec(),
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

/// Reads a whole regular file of at most `limit` bytes. Follows no link at the end of `path` and
/// never waits for a pipe.
///
/// # Errors
/// The file is no file, too large, changing, or cannot be read.
pub fn read_whole(path: &Path, limit: u64) -> Result<Vec<u8>, NotRead> {
    let (mut file, before) = open(path)?;
    read_open(&mut file, before, limit)
}

/// As [`read_whole`], of a file that has to be in the state `expected`.
pub(super) fn read_settled(path: &Path, expected: State, limit: u64) -> Result<Vec<u8>, NotRead> {
    let (mut file, before) = open(path)?;
    if before != expected {
        return Err(NotRead::Changed);
    }
    read_open(&mut file, before, limit)
}

fn open(path: &Path) -> Result<(File, State), NotRead> {
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = match rustix::fs::open(path, flags, Mode::empty()) {
        Ok(file) => File::from(file),
        // A link; a socket.
        Err(Errno::LOOP | Errno::NXIO) => return Err(NotRead::NotAFile),
        Err(error) => return Err(NotRead::Failed(error.into())),
    };
    let facts = file.metadata()?;
    if !facts.is_file() {
        return Err(NotRead::NotAFile);
    }
    Ok((file, State::of(&facts)))
}

fn read_open(file: &mut File, before: State, limit: u64) -> Result<Vec<u8>, NotRead> {
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
    if bytes.len() as u64 != before.bytes || State::of(&file.metadata()?) != before {
        return Err(NotRead::Changed);
    }
    Ok(bytes)
}

/// Moves a file into `folder` under its own name or, where that is taken or too long, under one
/// made from `otherwise`. Never overwrites. Returns where it is now.
pub(super) fn move_into(
    from: &Path,
    folder: &Path,
    name: &OsStr,
    otherwise: &str,
) -> io::Result<PathBuf> {
    let mut to = folder.join(name);
    for number in 1..10_000 {
        match rename_new(from, &to) {
            Ok(()) => return Ok(to),
            Err(Errno::EXIST | Errno::NOTEMPTY | Errno::ISDIR | Errno::NAMETOOLONG) => {
                to = folder.join(format!("{otherwise}-{number}"));
            }
            // Somebody tidied the folder away.
            Err(Errno::NOENT) if !folder.exists() => std::fs::create_dir(folder)?,
            Err(error) => return Err(error.into()),
        }
    }
    Err(io::Error::from(io::ErrorKind::AlreadyExists))
}

/// Copies a file in the state `expected` into `folder` on another file system, under the names of
/// [`move_into`]; complete or not at all. The content is in the store, so nothing is synced.
pub(super) fn copy_into(
    from: &Path,
    expected: State,
    folder: &Path,
    name: &OsStr,
    otherwise: &str,
) -> io::Result<PathBuf> {
    let (mut file, before) = open(from).map_err(io::Error::other)?;
    let aside = folder.join(".sheathline-coming");
    let copied = File::create(&aside).and_then(|mut to| io::copy(&mut file, &mut to));
    let done = match copied {
        Ok(bytes) if before == expected && bytes == expected.bytes => {
            move_into(&aside, folder, name, otherwise)
        }
        Ok(_) => Err(io::Error::other(NotRead::Changed)),
        Err(error) => Err(error),
    };
    if done.is_err() {
        // It takes room where room may be what is lacking.
        let _ = std::fs::remove_file(&aside);
    }
    done
}
