//! One look into the drop folder: which files have settled, keep them, put them away.

use super::file::{self, NotRead, State};
use super::held::{self, Held};
use super::{DONE, FAILED, Look, OURS};
use crate::config::{After, FolderSettings};
use crate::decoding::{self, Effort};
use crate::intake::{Intake, Kept, Name, Object, Reception, Telling, Unfit};
use crate::observe::Observed;
use rustix::fs::FileType;
use sheathline_model::domain::Source;
use sheathline_model::sr::{Limits, gate};
use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::io::{self, Write};
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Files kept with one commit, and their bytes: one sync for many, memory for few.
const BATCH_FILES: usize = 64;
const BATCH_BYTES: u64 = 32 << 20;

/// A file that cannot be kept is tried at every look, and counted so often: the alert looks at a quarter
/// of an hour, and is to last as long as the trouble does.
const COUNT_AGAIN: Duration = Duration::from_secs(300);

/// Where a file that is about to be deleted waits for a last look. Hidden, so never taken.
const GOING: &str = ".sheathline-going";

/// A name in the folder, as the last looks found it.
#[derive(Debug)]
struct Seen {
    state: State,
    since: Instant,
    /// For how long it has been in this state.
    age: Duration,
    /// Cleared once it was found to be no complete DICOM file: the rest may still come.
    is_whole: bool,
    /// Its content is kept, under this number; only putting it away did not succeed.
    kept: Option<String>,
    /// Whether a trouble with it is in the log already.
    noted: bool,
    /// When it was last counted as one that could not be kept.
    counted: Option<Instant>,
}

impl Seen {
    /// What is told if it cannot be kept now.
    fn telling(&self, now: Instant) -> Telling {
        match self.counted {
            None => Telling::All,
            Some(at) if now.saturating_duration_since(at) >= COUNT_AGAIN => Telling::Number,
            Some(_) => Telling::Nothing,
        }
    }

    /// It could not be kept now; what is told of that.
    fn tell(&mut self, now: Instant) -> Telling {
        let telling = self.telling(now);
        if telling != Telling::Nothing {
            self.counted = Some(now);
        }
        telling
    }
}

#[derive(Debug)]
pub(super) struct Scanner {
    folder: PathBuf,
    settings: FolderSettings,
    reception: Reception,
    seen: HashMap<OsString, Seen>,
    /// What stands in the place of `done` or `failed` is in the log already.
    link_noted: bool,
    pub(super) observed: Observed,
    /// Becomes true when the program stops: a look at many thousand files then ends early.
    pub(super) stop: Option<watch::Receiver<bool>>,
}

impl Scanner {
    pub(super) fn new(folder: PathBuf, settings: FolderSettings, reception: Reception) -> Self {
        Scanner {
            folder,
            settings,
            reception,
            seen: HashMap::new(),
            link_noted: false,
            observed: Observed::default(),
            stop: None,
        }
    }

    /// Brings back what a kill left on its way to be deleted. It is taken again, found to be kept,
    /// and deleted then.
    pub(super) fn bring_back(&self) -> io::Result<()> {
        let folder = Held::open(&self.folder)?;
        for name in folder.names()? {
            if name.as_bytes().starts_with(GOING.as_bytes()) {
                folder.move_into(&name, &folder, OsStr::new("again"), "again")?;
            }
        }
        Ok(())
    }

    pub(super) fn look(&mut self, now: Instant) -> io::Result<Look> {
        let mut before = std::mem::take(&mut self.seen);
        let mut ready = Vec::new();
        let mut look = Look::default();
        let settle = Duration::from_millis(self.settings.settle_ms);
        let unfinished = self.unfinished();
        // Opened anew for each look: it may have been mounted meanwhile. For the look it is held.
        let folder = Held::open(&self.folder)?;
        self.note_links(&folder);
        for name in folder.names()? {
            if is_passed_over(&name) {
                continue;
            }
            // Gone between the listing and here: somebody else's business.
            let Ok((kind, state)) = folder.facts(&name) else {
                continue;
            };
            let mut seen = match before.remove(&name) {
                Some(seen) if seen.state == state => seen,
                _ => Seen {
                    state,
                    since: now,
                    age: Duration::ZERO,
                    is_whole: true,
                    kept: None,
                    noted: false,
                    counted: None,
                },
            };
            if kind == FileType::RegularFile {
                look.waiting += 1;
                seen.age = now.saturating_duration_since(seen.since);
                let wanted = if seen.is_whole { settle } else { unfinished };
                if seen.since < now && seen.age >= wanted {
                    ready.push(name.clone());
                }
            } else if kind != FileType::Directory {
                note(
                    &mut seen,
                    "folder-not-a-file",
                    &"only regular files are taken",
                );
            }
            self.seen.insert(name, seen);
        }
        // The order of names, so that two runs over the same files number them alike.
        ready.sort();
        for batch in batches(ready, &self.seen) {
            if self.stop.as_ref().is_some_and(|stop| *stop.borrow()) {
                break;
            }
            self.take(&folder, &batch, now, &mut look);
        }
        Ok(look)
    }

    /// Tells once that a link stands in the place of `done` or `failed`: nothing goes there.
    fn note_links(&mut self, folder: &Held) {
        let in_the_way = OURS.map(|name| folder.sub(name).err());
        let found = in_the_way
            .iter()
            .flatten()
            .find(|error| held::is_not_a_folder(error));
        if let Some(why) = found
            && !self.link_noted
        {
            tracing::error!(code = "folder-link", %why, "files that are kept stay where they are");
        }
        self.link_noted = found.is_some();
    }

    /// How long an incomplete file has to stand still before it is taken as it is.
    fn unfinished(&self) -> Duration {
        Duration::from_secs(self.settings.unfinished_s)
    }

    /// Keeps the files of one batch with one commit, then puts each away.
    fn take(&mut self, folder: &Held, batch: &[OsString], now: Instant, look: &mut Look) {
        let mut names = Vec::new();
        let mut objects = Vec::new();
        let unfinished = self.unfinished();
        for name in batch {
            let Some(seen) = self.seen.get_mut(name) else {
                continue;
            };
            if let Some(number) = seen.kept.clone() {
                self.put_away(folder, name, &number, look);
                continue;
            }
            let limit = self.settings.max_object_bytes;
            match read_settled(folder, name, seen.state, limit) {
                Ok(bytes) if seen.age < unfinished && !is_whole(&bytes) => seen.is_whole = false,
                Ok(bytes) if bytes.is_empty() => self.fail(folder, name, Unfit::Empty, look),
                Ok(bytes) => {
                    names.push(name);
                    objects.push(Object {
                        bytes,
                        syntax: None,
                        default_issuer: self.settings.default_issuer.clone(),
                        name: Name::Inode(seen.state.inode),
                        history: None,
                        telling: seen.telling(now),
                    });
                }
                // The next look finds the new state and waits for it to settle.
                Err(NotRead::Changed | NotRead::NotAFile) => {}
                Err(NotRead::Failed(error)) if error.kind() == io::ErrorKind::NotFound => {}
                Err(why) => match why.unfit() {
                    Some(unfit) => self.fail(folder, name, unfit, look),
                    None => {
                        let inode = Name::Inode(seen.state.inode);
                        let telling = seen.tell(now);
                        note(seen, "folder-unreadable-file", &why);
                        self.intake().unreadable(&inode, &Source::Folder, telling);
                    }
                },
            }
        }
        if objects.is_empty() {
            return;
        }
        let all = self.intake().keep_all(objects, &Source::Folder);
        for (name, kept) in names.into_iter().zip(all) {
            let Some(seen) = self.seen.get_mut(name) else {
                continue;
            };
            let number = match kept {
                Kept::New(id) | Kept::Same(id) => id.to_string(),
                Kept::Spooled(number) => format!("spooled-{number}"),
                // The file stays where it is, and every look tries again.
                Kept::Failed(..) => {
                    seen.tell(now);
                    continue;
                }
                Kept::Refused(unfit) => {
                    self.fail(folder, name, unfit, look);
                    continue;
                }
            };
            seen.kept = Some(number.clone());
            self.put_away(folder, name, &number, look);
        }
    }

    fn intake(&self) -> Intake<'_> {
        Intake::by(&self.reception, &self.observed)
    }

    /// Moves or deletes a file whose content is kept.
    fn put_away(&mut self, folder: &Held, name: &OsStr, number: &str, look: &mut Look) {
        let Some(seen) = self.seen.get_mut(name) else {
            return;
        };
        // Replaced since it was read: the new content has not been kept.
        match folder.is_still(name, seen.state) {
            Some(true) => {}
            Some(false) => {
                seen.kept = None;
                return;
            }
            None => {
                look.waiting = look.waiting.saturating_sub(1);
                return;
            }
        }
        let going = || folder.move_into(name, folder, OsStr::new(GOING), GOING);
        let otherwise = format!("object-{number}");
        let done_folder = match self.settings.after {
            After::Delete => None,
            After::Move => match folder.sub(DONE) {
                Ok(done_folder) => Some(done_folder),
                Err(error) => return note(seen, "folder-not-put-away", &error),
            },
        };
        let mut moved_to = done_folder.as_ref();
        let mut moved = match moved_to {
            None => going(),
            Some(done_folder) => folder.move_into(name, done_folder, name, &otherwise),
        };
        if let (Err(error), Some(done_folder)) = (&moved, moved_to)
            && error.kind() == io::ErrorKind::CrossesDevices
        {
            // `done` is on another file system: a copy goes there, the file itself goes.
            moved_to = None;
            moved = folder
                .copy_into(name, seen.state, done_folder, name, &otherwise)
                .and_then(|()| going());
        }
        let moved = match moved {
            Ok(moved) => moved,
            // It or the folder went in this instant; the next look finds what is there.
            Err(error) if error.kind() == io::ErrorKind::NotFound => return,
            Err(error) => return note(seen, "folder-not-put-away", &error),
        };
        // Somebody may have replaced the file in the instant before it was moved.
        let now_in = moved_to.unwrap_or(folder);
        if now_in.is_still(&moved, seen.state) != Some(true) {
            let back = now_in.move_into(&moved, folder, name, &format!("again-{number}"));
            if let Err(error) = back {
                note(seen, "folder-not-put-back", &error);
            }
            seen.kept = None;
            return;
        }
        if moved_to.is_none()
            && let Err(error) = folder.remove(&moved)
        {
            note(seen, "folder-not-deleted", &error);
        }
        self.seen.remove(name);
        look.taken += 1;
        look.waiting = look.waiting.saturating_sub(1);
    }

    /// Moves a file that will never be taken to `failed`, with its reason beside it.
    fn fail(&mut self, folder: &Held, name: &OsStr, why: Unfit, look: &mut Look) {
        let Some(seen) = self.seen.get_mut(name) else {
            return;
        };
        let inode = seen.state.inode;
        let moved = folder.sub(FAILED).and_then(|failed| {
            let moved = folder.move_into(name, &failed, name, &format!("file-{inode}"))?;
            Ok((failed, moved))
        });
        match moved {
            Ok((failed, moved)) => {
                if let Err(error) = write_reason(&failed, &moved, inode, why) {
                    tracing::warn!(code = "folder-no-reason", inode, %error);
                }
                self.seen.remove(name);
                look.failed += 1;
                let told = self
                    .intake()
                    .refuse(&Name::Inode(inode), &Source::Folder, why);
                drop(told);
                look.waiting = look.waiting.saturating_sub(1);
            }
            Err(error) => note(seen, "folder-not-put-away", &error),
        }
    }
}

/// Reads a file that has to be in the state `expected`.
fn read_settled(
    folder: &Held,
    name: &OsStr,
    expected: State,
    limit: u64,
) -> Result<Vec<u8>, NotRead> {
    let (mut file, before) = folder.read(name)?;
    if before != expected {
        return Err(NotRead::Changed);
    }
    file::read_open(&mut file, before, limit)
}

/// Dot-files and what uploading programs call their unfinished files; and our own subfolders.
fn is_passed_over(name: &OsStr) -> bool {
    let bytes = name.as_bytes();
    let ends = |end: &[u8]| {
        bytes
            .len()
            .checked_sub(end.len())
            .and_then(|at| bytes.get(at..))
            .is_some_and(|tail| tail.eq_ignore_ascii_case(end))
    };
    bytes.starts_with(b".")
        || ends(b".part")
        || ends(b".tmp")
        || OURS.iter().any(|ours| name == OsStr::new(ours))
}

fn batches(names: Vec<OsString>, seen: &HashMap<OsString, Seen>) -> Vec<Vec<OsString>> {
    let mut batches: Vec<Vec<OsString>> = Vec::new();
    let mut bytes = u64::MAX;
    for name in names {
        let more = seen.get(&name).map_or(0, |seen| seen.state.bytes);
        bytes = bytes.saturating_add(more);
        match batches.last_mut() {
            Some(batch) if batch.len() < BATCH_FILES && bytes <= BATCH_BYTES => batch.push(name),
            _ => {
                bytes = more;
                batches.push(vec![name]);
            }
        }
    }
    batches
}

fn note(seen: &mut Seen, code: &'static str, why: &dyn std::fmt::Display) {
    if !std::mem::replace(&mut seen.noted, true) {
        tracing::warn!(code, inode = seen.state.inode, %why, "left where it is");
    }
}

fn write_reason(folder: &Held, moved: &OsStr, inode: u64, why: Unfit) -> io::Result<()> {
    let mut name = moved.to_owned();
    name.push(".reason.txt");
    let text = format!("{why}\n");
    let write = |name: &OsStr| {
        // Never over another file: that one may be called so by chance.
        folder.create(name)?.write_all(text.as_bytes())
    };
    match write(&name) {
        // The name is taken, or was as long as a name can be.
        Err(error)
            if [io::ErrorKind::InvalidFilename, io::ErrorKind::AlreadyExists]
                .contains(&error.kind()) =>
        {
            write(OsStr::new(&format!("file-{inode}.reason.txt")))
        }
        done => done,
    }
}

/// Whether the bytes are a DICOM file from its first element to its last.
fn is_whole(bytes: &[u8]) -> bool {
    let _turn = decoding::own_turn(Effort::of(bytes, None));
    gate::admit(bytes, None, &Limits::default()).is_ok()
}
