//! A folder that is held open, and what lies in it: reached by name from there, never over a link.
//!
//! Strangers may write into the drop folder, so a path that was looked at may lead elsewhere when it
//! is used. What is held stays what it is, whatever its name leads to meanwhile.

use super::file::{NotRead, State};
use rustix::fs::{AtFlags, CWD, Dir, FileType, Mode, OFlags, mkdirat, openat, statat, unlinkat};
use rustix::io::Errno;
use sheathline_store::rename::rename_new_at;
use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

/// A copy on its way, hidden from whoever looks for files that are finished.
const COMING: &str = ".sheathline-coming";

/// Permissions of files made here: they hold patient data.
const FILE_MODE: Mode = Mode::from_raw_mode(0o640);
/// The same of folders.
const FOLDER_MODE: Mode = Mode::from_raw_mode(0o750);

/// Names tried before a folder counts as full of them.
const NAMES: std::ops::Range<usize> = 1..10_000;

/// What stands where a folder of ours should be is none: a link, a file.
#[derive(Debug, thiserror::Error)]
#[error(
    "`{name}` in the drop folder is a link or no folder, and what it may lead to is not written \
     to; take it away, and it is made again. To have it on another disk, mount that there"
)]
pub(super) struct NotAFolder {
    name: &'static str,
}

/// Whether this says that something else stands where a folder of ours should be.
pub(super) fn is_not_a_folder(error: &io::Error) -> bool {
    error
        .get_ref()
        .is_some_and(|inner| inner.is::<NotAFolder>())
}

/// A folder, held open.
#[derive(Debug)]
pub(super) struct Held(OwnedFd);

impl Held {
    /// The folder that the administrator named, over whatever links they chose.
    pub(super) fn open(path: &Path) -> io::Result<Held> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        Ok(Held(openat(CWD, path, flags, Mode::empty())?))
    }

    /// A folder of ours in it, made if it is missing.
    ///
    /// # Errors
    /// [`NotAFolder`] if a link or a file has its name; else what the system says.
    pub(super) fn sub(&self, name: &'static str) -> io::Result<Held> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let open = || openat(&self.0, name, flags, Mode::empty());
        let opened = match open() {
            Err(Errno::NOENT) => match mkdirat(&self.0, name, FOLDER_MODE) {
                Ok(()) | Err(Errno::EXIST) => open(),
                Err(error) => Err(error),
            },
            opened => opened,
        };
        match opened {
            Ok(folder) => Ok(Held(folder)),
            Err(Errno::LOOP | Errno::NOTDIR) => Err(io::Error::other(NotAFolder { name })),
            Err(error) => Err(error.into()),
        }
    }

    /// The names in it.
    pub(super) fn names(&self) -> io::Result<Vec<OsString>> {
        let mut names = Vec::new();
        for entry in Dir::read_from(&self.0)? {
            let entry = entry?;
            let name = entry.file_name().to_bytes();
            if name != b"." && name != b".." {
                names.push(OsStr::from_bytes(name).to_owned());
            }
        }
        Ok(names)
    }

    /// What a name stands for, and its state.
    pub(super) fn facts(&self, name: &OsStr) -> io::Result<(FileType, State)> {
        let facts = statat(&self.0, name, AtFlags::SYMLINK_NOFOLLOW)?;
        Ok((
            FileType::from_raw_mode(facts.st_mode),
            State::of_stat(&facts),
        ))
    }

    /// Whether a name still stands for what it stood for. `None` if it is gone.
    pub(super) fn is_still(&self, name: &OsStr, state: State) -> Option<bool> {
        self.facts(name).ok().map(|(_, found)| found == state)
    }

    /// Opens a regular file to read it; waits for no pipe.
    pub(super) fn read(&self, name: &OsStr) -> Result<(File, State), NotRead> {
        super::file::open(&self.0, Path::new(name))
    }

    /// Makes a file that was not there.
    pub(super) fn create(&self, name: &OsStr) -> io::Result<File> {
        let flags =
            OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        Ok(File::from(openat(&self.0, name, flags, FILE_MODE)?))
    }

    /// Takes a name away that is no folder's.
    pub(super) fn remove(&self, name: &OsStr) -> io::Result<()> {
        Ok(unlinkat(&self.0, name, AtFlags::empty())?)
    }

    /// Moves a file into the folder `to` under its own name or, where that is taken or too long,
    /// under one made from `otherwise`. Never overwrites. Returns its name there.
    pub(super) fn move_into(
        &self,
        from: &OsStr,
        to: &Held,
        name: &OsStr,
        otherwise: &str,
    ) -> io::Result<OsString> {
        let mut name = name.to_owned();
        for number in NAMES {
            match rename_new_at(&self.0, from, &to.0, &name) {
                Ok(()) => return Ok(name),
                Err(Errno::EXIST | Errno::NOTEMPTY | Errno::ISDIR | Errno::NAMETOOLONG) => {
                    name = format!("{otherwise}-{number}").into();
                }
                Err(error) => return Err(error.into()),
            }
        }
        Err(io::Error::from(io::ErrorKind::AlreadyExists))
    }

    /// Copies a file in the state `expected` into the folder `to` on another file system, under the
    /// names of [`Held::move_into`]; complete or not at all. The content is in the store, so nothing
    /// is synced.
    pub(super) fn copy_into(
        &self,
        from: &OsStr,
        expected: State,
        to: &Held,
        name: &OsStr,
        otherwise: &str,
    ) -> io::Result<()> {
        let (mut file, before) = self.read(from).map_err(io::Error::other)?;
        let (aside, mut copy) = to.create_aside()?;
        let done = match io::copy(&mut file, &mut copy) {
            Ok(bytes) if before == expected && bytes == expected.bytes => {
                to.move_into(&aside, to, name, otherwise).map(|_| ())
            }
            Ok(_) => Err(io::Error::other(NotRead::Changed)),
            Err(error) => Err(error),
        };
        if done.is_err() {
            // It takes room where room may be what is lacking.
            let _ = to.remove(&aside);
        }
        done
    }

    /// A new file for a copy on its way. What has its name is what a kill left, or was put there:
    /// it is taken away, not written to.
    fn create_aside(&self) -> io::Result<(OsString, File)> {
        let mut name = OsString::from(COMING);
        for number in NAMES {
            match self.create(&name) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                    if self.remove(&name).is_err() {
                        name = format!("{COMING}-{number}").into();
                    }
                }
                made => return made.map(|file| (name, file)),
            }
        }
        Err(io::Error::from(io::ErrorKind::AlreadyExists))
    }
}
