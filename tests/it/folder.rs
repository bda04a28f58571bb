//! The drop folder: every way in which a file can appear, and every thing that is no file.
//!
//! What open(2), rename(2), mkfifo(3) and symlink(7) promise is the outside measure here; the files
//! are made with the system's own tools.

mod arriving;

use sheathline::config::{After, FolderSettings};
use sheathline::receive::folder::file::{NotRead, read_whole};
use sheathline::receive::folder::{DropFolder, Look};
use sheathline_store::objects::{self, Incoming, ObjectId};
use sheathline_store::{Mode, Store, StoreError, bare, readings};
use std::fs;
use std::io::Write;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};
use tempfile::TempDir;

struct Place {
    temp: TempDir,
    store: Store,
    folder: DropFolder,
    now: Instant,
}

impl Place {
    fn new(change: impl FnOnce(&mut FolderSettings)) -> Place {
        let temp = TempDir::new().expect("temp");
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
        let folder = Self::open(&temp, &store, change);
        Place {
            temp,
            store,
            folder,
            now: Instant::now(),
        }
    }

    fn open(temp: &TempDir, store: &Store, change: impl FnOnce(&mut FolderSettings)) -> DropFolder {
        let path = temp.path().join("drop");
        fs::create_dir_all(&path).expect("made");
        let mut settings = FolderSettings {
            settle_ms: 1000,
            // These tests are about files, not about what is in them.
            unfinished_s: 0,
            ..FolderSettings::default()
        };
        change(&mut settings);
        DropFolder::open(path, settings, store.clone()).expect("opens")
    }

    fn path(&self, name: &str) -> PathBuf {
        self.temp.path().join("drop").join(name)
    }

    /// One look, a second and a half after the one before.
    fn look(&mut self) -> Look {
        self.now += Duration::from_millis(1500);
        self.folder.look(self.now).expect("readable")
    }

    /// Bodies in the store, in order of arrival.
    fn kept(&self) -> Vec<Vec<u8>> {
        self.store
            .read(|conn| {
                objects::next_unread(conn, 10_000)?
                    .iter()
                    .map(|one| objects::body(conn, one.id))
                    .collect()
            })
            .expect("read")
    }

    fn names(&self, sub: &str) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.path(sub))
            .expect("readable")
            .map(|entry| {
                entry
                    .expect("entry")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect();
        names.sort();
        names
    }
}

fn run(program: &str, arguments: &[&Path]) {
    let status = Command::new(program)
        .args(arguments)
        .status()
        .expect("runs");
    assert!(status.success(), "{program}");
}

#[test]
fn a_settled_file_is_kept_whole_and_moved() {
    let mut place = Place::new(|_| {});
    fs::write(place.path("report.dcm"), b"a report").expect("written");
    assert_eq!(
        place.look(),
        Look {
            waiting: 1,
            ..Look::default()
        }
    );
    assert_eq!(place.kept().len(), 0);
    assert_eq!(
        place.look(),
        Look {
            taken: 1,
            ..Look::default()
        }
    );
    assert_eq!(place.kept(), [b"a report"]);
    assert_eq!(place.names("done"), ["report.dcm"]);
    assert_eq!(place.look(), Look::default());
}

#[test]
fn a_growing_file_waits_until_it_stands_still() {
    let mut place = Place::new(|_| {});
    let mut file = fs::File::create(place.path("slow.dcm")).expect("made");
    for _ in 0..5 {
        file.write_all(b"a piece, ").expect("written");
        file.sync_all().expect("synced");
        // The clock of the file system ticks in milliseconds.
        std::thread::sleep(Duration::from_millis(15));
        assert_eq!(place.look().taken, 0);
    }
    drop(file);
    place.look();
    assert_eq!(place.kept(), [b"a piece, ".repeat(5)]);
}

#[test]
fn the_time_between_looks_does_not_settle_a_file_alone() {
    let mut place = Place::new(|settings| settings.settle_ms = 4000);
    fs::write(place.path("a"), b"a").expect("written");
    assert_eq!(
        [place.look().taken, place.look().taken, place.look().taken],
        [0, 0, 0]
    );
    assert_eq!(place.look().taken, 1);
}

#[test]
fn renamed_and_linked_in() {
    let mut place = Place::new(|_| {});
    fs::write(place.path("up.dcm.part"), b"renamed").expect("written");
    fs::write(place.path(".hidden"), b"renamed later").expect("written");
    fs::write(place.path("x.TMP"), b"never").expect("written");
    let outside = place.temp.path().join("outside");
    fs::write(&outside, b"linked").expect("written");
    fs::hard_link(&outside, place.path("linked.dcm")).expect("linked");
    for _ in 0..3 {
        place.look();
    }
    assert_eq!(place.kept(), [b"linked"]);
    fs::rename(place.path("up.dcm.part"), place.path("up.dcm")).expect("renamed");
    fs::rename(place.path(".hidden"), place.path("shown.dcm")).expect("renamed");
    for _ in 0..2 {
        place.look();
    }
    assert_eq!(
        place.kept(),
        [
            b"linked".to_vec(),
            b"renamed later".to_vec(),
            b"renamed".to_vec()
        ]
    );
    assert_eq!(fs::read(outside).expect("still there"), b"linked");
    assert_eq!(place.names("."), ["done", "failed", "x.TMP"]);
}

/// Each has a defined outcome, none blocks.
#[test]
fn things_that_are_no_files_stay_and_do_not_block() {
    let mut place = Place::new(|_| {});
    let secret = place.temp.path().join("secret");
    fs::write(&secret, b"not for us").expect("written");
    std::os::unix::fs::symlink(&secret, place.path("link-out")).expect("linked");
    std::os::unix::fs::symlink("link-loop", place.path("link-loop")).expect("linked");
    std::os::unix::fs::symlink("real.dcm", place.path("link-in")).expect("linked");
    run("mkfifo", &[&place.path("pipe.dcm")]);
    let _socket = std::os::unix::net::UnixListener::bind(place.path("socket")).expect("bound");
    fs::create_dir(place.path("folder.dcm")).expect("made");
    fs::write(place.path("folder.dcm/inside.dcm"), b"too deep").expect("written");
    fs::write(place.path("real.dcm"), b"real").expect("written");
    let started = Instant::now();
    for _ in 0..4 {
        place.look();
    }
    assert!(started.elapsed() < Duration::from_secs(1));
    assert_eq!(place.kept(), [b"real"]);
    let left = [
        "done",
        "failed",
        "folder.dcm",
        "link-in",
        "link-loop",
        "link-out",
        "pipe.dcm",
        "socket",
    ];
    assert_eq!(place.names("."), left);
    assert_eq!(fs::read(secret).expect("untouched"), b"not for us");
}

#[test]
fn a_link_put_in_the_place_of_a_settled_file_is_not_followed() {
    let mut place = Place::new(|_| {});
    let secret = place.temp.path().join("secret");
    fs::write(&secret, b"not for us").expect("written");
    fs::write(place.path("a.dcm"), b"as long!!!").expect("written");
    place.look();
    fs::remove_file(place.path("a.dcm")).expect("removed");
    std::os::unix::fs::symlink(&secret, place.path("a.dcm")).expect("linked");
    place.look();
    place.look();
    assert_eq!(place.kept().len(), 0);
}

#[test]
fn too_large_and_empty_go_to_failed_with_a_reason() {
    let mut place = Place::new(|settings| settings.max_object_bytes = 1000);
    fs::write(place.path("fits.dcm"), vec![1; 1000]).expect("written");
    fs::write(place.path("empty.dcm"), b"").expect("written");
    // 50 GB that take no room: must be judged by their size, not read.
    fs::File::create(place.path("sparse.dcm"))
        .expect("made")
        .set_len(50 << 30)
        .expect("sparse");
    place.look();
    let look = place.look();
    assert_eq!((look.taken, look.failed), (1, 2));
    assert_eq!(place.kept(), [vec![1; 1000]]);
    let failed = [
        "empty.dcm",
        "empty.dcm.reason.txt",
        "sparse.dcm",
        "sparse.dcm.reason.txt",
    ];
    assert_eq!(place.names("failed"), failed);
    let reason = fs::read_to_string(place.path("failed/sparse.dcm.reason.txt")).expect("read");
    assert_eq!(reason, "53687091200 bytes are more than the 1000 allowed\n");
}

#[test]
fn odd_names() {
    let mut place = Place::new(|settings| settings.max_object_bytes = 10);
    let not_utf8 = std::ffi::OsString::from_vec(b"caf\xe9.dcm".to_vec());
    let folder = place.path(".");
    let longest = "n".repeat(255);
    fs::write(folder.join(&not_utf8), b"one").expect("written");
    fs::write(folder.join("new\nline"), b"two").expect("written");
    fs::write(folder.join(&longest), b"three").expect("written");
    fs::write(folder.join("m".repeat(255)), b"far too large").expect("written");
    place.look();
    let look = place.look();
    assert_eq!((look.taken, look.failed, look.waiting), (3, 1, 0));
    assert!(place.path("done").join(not_utf8).exists());
    // Its reason needs a name that is shorter.
    let failed = place.names("failed");
    assert!(
        failed
            .iter()
            .any(|name| name.starts_with("file-") && name.ends_with(".reason.txt"))
    );
    // A second file of the longest name finds it taken and gets one of ours.
    fs::write(folder.join(&longest), b"four").expect("written");
    place.look();
    place.look();
    assert_eq!(place.kept().len(), 4);
    assert!(place.names("done").iter().any(|name| name == "object-4-1"));
}

#[test]
fn names_in_done_are_never_overwritten() {
    let mut place = Place::new(|_| {});
    for content in [b"first", b"secnd", b"first"] {
        fs::write(place.path("same.dcm"), content).expect("written");
        place.look();
        place.look();
    }
    assert_eq!(place.kept(), [b"first", b"secnd"]);
    assert_eq!(
        place.names("done"),
        ["object-1-1", "object-2-1", "same.dcm"]
    );
    assert_eq!(
        fs::read(place.path("done/same.dcm")).expect("read"),
        b"first"
    );
}

/// The process dies after the commit and before the file is out of the way: the next one finds
/// the same bytes again.
#[test]
fn a_kill_between_commit_and_move_repeats_and_doubles_nothing() {
    let mut place = Place::new(|_| {});
    let object = Incoming::new(b"bytes", None, "folder", "", chrono::Utc::now()).expect("packed");
    place
        .store
        .write(move |tx| objects::keep(tx, &object))
        .expect("kept");
    fs::write(place.path("a.dcm"), b"bytes").expect("written");
    place.look();
    assert_eq!(place.look().taken, 1);
    assert_eq!(place.kept(), [b"bytes"]);
    let repeats = place.store.read(readings::counts).expect("counted").repeats;
    assert_eq!(repeats, 1);
    assert_eq!(place.names("done"), ["a.dcm"]);
}

#[test]
fn deleting_instead_of_moving() {
    let mut place = Place::new(|settings| settings.after = After::Delete);
    for n in 0..100 {
        fs::write(place.path(&format!("{n}.dcm")), format!("number {n}")).expect("written");
    }
    place.look();
    assert_eq!(place.look().taken, 100);
    assert_eq!(place.kept().len(), 100);
    assert_eq!(place.names("."), ["done", "failed"]);
    assert_eq!(place.names("done"), [""; 0]);
}

#[test]
fn a_kill_before_deleting_leaves_nothing_behind() {
    let mut place = Place::new(|_| {});
    fs::write(place.path(".sheathline-going"), b"kept already").expect("written");
    fs::write(
        place.path(".sheathline-going-1"),
        b"replaced at the last instant",
    )
    .expect("written");
    place.folder = Place::open(&place.temp, &place.store, |settings| {
        settings.after = After::Delete
    });
    place.look();
    assert_eq!(place.look().taken, 2);
    assert_eq!(place.names("."), ["done", "failed"]);
    assert_eq!(place.kept().len(), 2);
}

#[test]
fn without_room_in_the_store_files_stay_until_there_is() {
    let mut place = Place::new(|_| {});
    let pages = |store: &Store, pages: i64| {
        store
            .write(move |tx| -> Result<(), StoreError> {
                bare::run(tx, &format!("pragma max_page_count = {pages}"))
            })
            .expect("set");
    };
    let large: Vec<u8> = (0..400_000_u32)
        .flat_map(|n| n.wrapping_mul(n).to_le_bytes())
        .collect();
    pages(&place.store, 40);
    fs::write(place.path("a.dcm"), &large).expect("written");
    for _ in 0..3 {
        assert_eq!(place.look().taken, 0);
    }
    assert!(place.path("a.dcm").exists());
    pages(&place.store, 100_000);
    assert_eq!(place.look().taken, 1);
    assert_eq!(
        place
            .store
            .read(|conn| objects::body(conn, ObjectId(1)))
            .expect("there"),
        large
    );
}

/// `done` cannot take the file: its content is kept once, and it goes there when it can.
#[test]
fn without_done_the_content_is_kept_once() {
    let mut place = Place::new(|_| {});
    fs::write(place.path("a.dcm"), b"bytes").expect("written");
    place.look();
    fs::remove_dir(place.path("done")).expect("removed");
    fs::write(place.path("done"), b"no folder").expect("written");
    for _ in 0..3 {
        let look = place.look();
        assert_eq!((look.taken, look.waiting), (0, 1));
    }
    let counts = place.store.read(readings::counts).expect("counted");
    assert_eq!((counts.unread, counts.repeats), (1, 0));
    // Gone altogether, it is made again.
    fs::remove_file(place.path("done")).expect("removed");
    assert_eq!(place.look().taken, 1);
    assert_eq!(place.names("done"), ["a.dcm"]);
}

/// For single files that are named on the command line.
#[test]
fn reading_one_file() {
    let temp = TempDir::new().expect("temp");
    let path = |name: &str| temp.path().join(name);
    fs::write(path("file"), b"twelve bytes").expect("written");
    std::os::unix::fs::symlink("file", path("link")).expect("linked");
    run("mkfifo", &[&path("pipe")]);
    assert_eq!(
        read_whole(&path("file"), 12).expect("fits"),
        b"twelve bytes"
    );
    let too_large = read_whole(&path("file"), 11);
    assert!(
        matches!(
            too_large,
            Err(NotRead::TooLarge {
                bytes: 12,
                limit: 11
            })
        ),
        "{too_large:?}"
    );
    for name in ["link", "pipe", "."] {
        let read = read_whole(&path(name), 100);
        assert!(matches!(read, Err(NotRead::NotAFile)), "{name}: {read:?}");
    }
    let missing = read_whole(&path("missing"), 100);
    assert!(matches!(missing, Err(NotRead::Failed(_))), "{missing:?}");
}

#[test]
fn a_missing_folder_is_an_error_that_names_it() {
    let temp = TempDir::new().expect("temp");
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
    let path = temp.path().join("nowhere");
    let error =
        DropFolder::open(path.clone(), FolderSettings::default(), store).expect_err("missing");
    assert!(
        error.to_string().contains(&path.display().to_string()),
        "{error}"
    );
}

/// The whole loop: thousands of files, some there before the start, some while it runs.
#[tokio::test(flavor = "multi_thread")]
async fn a_running_folder_takes_everything_once() {
    let temp = TempDir::new().expect("temp");
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
    let path = temp.path().join("drop");
    fs::create_dir(&path).expect("made");
    let write = |range: std::ops::Range<usize>| {
        for n in range {
            fs::write(path.join(format!("{n}.dcm")), format!("object {n}")).expect("written");
        }
    };
    write(0..1000);
    let folder = Place::open(&temp, &store, |settings| {
        settings.settle_ms = 200;
        settings.scan_every_ms = 500;
    });
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let running = tokio::spawn(folder.run(stopped));
    write(1000..2000);
    let mut changes = store.changes();
    let all = async {
        while store.read(readings::counts).expect("counted").unread < 2000 {
            changes.changed().await.expect("open");
        }
    };
    tokio::time::timeout(Duration::from_secs(30), all)
        .await
        .expect("in time");
    stop.send(true).expect("running");
    tokio::time::timeout(Duration::from_secs(5), running)
        .await
        .expect("in time")
        .expect("fine");
    assert_eq!(store.read(readings::counts).expect("counted").repeats, 0);
}
