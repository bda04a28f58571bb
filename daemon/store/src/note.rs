//! What stands in the lock file beside a store.
//!
//! The first lines have a fixed length, so that the number of the last commit can be written in its
//! place after every commit, by the owner and by commands beside it.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Second line once a store stands beside the lock file.
const MADE: &str = "made";

/// Begins the line with the number of the last commit.
const STORED: &str = "stored ";

/// Begins the line with the inodes of the store and of its log.
const FILES: &str = "files ";

/// Where the line of the last commit begins: behind the pid and [`MADE`], each with its line end.
const STORED_AT: u64 = 16;

/// Where the number itself begins.
const NUMBER_AT: u64 = STORED_AT + STORED.len() as u64;

/// Digits of the number.
const DIGITS: usize = 20;

/// Longer than anything that is written here.
const READ_MAX: usize = 200;

/// The lines of a lock file.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Note {
    /// The last owner.
    pub(super) pid: Option<u32>,
    /// Whether a store was made here once. A file that is missing or empty then is no new store but
    /// a lost one.
    pub(super) made: bool,
    /// The number of the last commit that was told to somebody. A store that knows fewer is not the
    /// one that stood here.
    pub(super) stored: u64,
    /// Store and log as the last owner has or had them open; empty once it closed them in order.
    pub(super) files: Option<Files>,
}

/// Inodes of files that belong together. Without the device: its number may be another one after
/// the machine was started again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Files {
    pub(super) store: u64,
    pub(super) log: u64,
}

impl Note {
    /// What a lock file says; nothing that it does not say in words known here.
    pub(super) fn read(file: &File) -> io::Result<Note> {
        let mut bytes = [0; READ_MAX];
        let mut length = 0;
        while let Some(rest) = bytes.get_mut(length..).filter(|rest| !rest.is_empty()) {
            match file.read_at(rest, length as u64)? {
                0 => break,
                more => length += more,
            }
        }
        let text = String::from_utf8_lossy(bytes.get(..length).unwrap_or_default());
        Ok(Note::parse(&text))
    }

    fn parse(text: &str) -> Note {
        let after = |start| text.lines().find_map(|line| line.strip_prefix(start));
        let files = after(FILES).and_then(|both: &str| {
            let (store, log) = both.split_once(' ')?;
            Some(Files {
                store: store.parse().ok()?,
                log: log.parse().ok()?,
            })
        });
        Note {
            pid: text.lines().next().and_then(|pid| pid.trim().parse().ok()),
            made: text.lines().any(|line| line.trim() == MADE),
            stored: after(STORED).and_then(|n| n.parse().ok()).unwrap_or(0),
            files,
        }
    }

    /// The same as text.
    pub(super) fn text(&self) -> String {
        let (pid, made) = (
            self.pid.unwrap_or_default(),
            if self.made { MADE } else { "" },
        );
        let files = match self.files {
            Some(Files { store, log }) => format!("{FILES}{store} {log}\n"),
            None => String::new(),
        };
        format!(
            "{pid:<10}\n{made:<4}\n{STORED}{:0DIGITS$}\n{files}",
            self.stored
        )
    }
}

/// Writes the number of the last commit into the lock file.
///
/// Not synced: it is written after the commit, which is, so after a power cut it is too low at worst.
#[derive(Debug)]
pub(super) struct Tally(Option<File>);

impl Tally {
    /// Of an owner, into the file that it holds.
    pub(super) fn of(file: &File) -> Tally {
        Tally(file.try_clone().ok())
    }

    /// Of a command beside an owner, or without one. A store that was brought here without its lock
    /// file has none.
    pub(super) fn beside(lock: &Path) -> Tally {
        let open = OpenOptions::new().read(true).write(true).open(lock);
        Tally(open.ok())
    }

    /// Notes commit `number`, unless a later one is noted. That it cannot be noted hurts nobody: it
    /// only notices what others take away.
    pub(super) fn note(&self, number: u64) {
        let Some(file) = &self.0 else { return };
        let mut line = [0; STORED.len() + DIGITS];
        if file.read_exact_at(&mut line, STORED_AT).is_err() {
            return;
        }
        let line = String::from_utf8_lossy(&line);
        let noted: Option<u64> = line.strip_prefix(STORED).and_then(|n| n.parse().ok());
        if noted.is_some_and(|noted| noted < number) {
            let _ = file.write_all_at(format!("{number:0DIGITS$}").as_bytes(), NUMBER_AT);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_is_read_back_and_its_number_has_a_place() {
        for (made, files) in [
            (false, None),
            (
                true,
                Some(Files {
                    store: 7,
                    log: 18_446_744_073_709_551_615,
                }),
            ),
        ] {
            let note = Note {
                pid: Some(4_194_304),
                made,
                stored: 12,
                files,
            };
            let text = note.text();
            assert_eq!(Note::parse(&text), note);
            let at = usize::try_from(NUMBER_AT).expect("small");
            assert_eq!(&text[at..at + DIGITS], "00000000000000000012");
            assert!(text.len() < READ_MAX);
        }
    }

    /// As versions before this one wrote it, cut off, or of something else.
    #[test]
    fn what_is_not_said_is_not_known() {
        let earlier = Note::parse("4711\nmade\n");
        assert_eq!(
            (earlier.pid, earlier.made, earlier.stored, earlier.files),
            (Some(4711), true, 0, None)
        );
        assert_eq!(Note::parse(""), Note::default());
        assert_eq!(Note::parse("x\nstored 1x\nfiles 3\n"), Note::default());
    }

    #[test]
    fn a_number_only_grows_and_needs_its_line() {
        let folder = tempfile::TempDir::new().expect("temp");
        let path = folder.path().join("store.lock");
        for (text, after) in [("7\nmade\n".to_owned(), 0), (Note::default().text(), 9)] {
            std::fs::write(&path, &text).expect("written");
            let tally = Tally::beside(&path);
            tally.note(9);
            tally.note(8);
            let file = File::open(&path).expect("opens");
            let note = Note::read(&file).expect("reads");
            assert_eq!(note.stored, after);
            assert_eq!(std::fs::read(&path).expect("read").len(), text.len());
        }
        assert!(Tally::beside(&folder.path().join("none")).0.is_none());
    }
}
