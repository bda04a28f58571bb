//! Every way a file arrives, and folders in the way of putting it away.

use super::{Place, run};
use sheathline::receive::folder::Look;
use sheathline_store::{Mode, Store, readings};
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A whole DICOM file, for what depends on the content.
fn whole() -> Vec<u8> {
    fs::read(crate::harness::fixture("sr/tid1500/report.dcm")).expect("fixture")
}

/// Ten ways to arrive, each twenty times with pauses anywhere: taken once, and only when whole.
#[test]
fn however_a_file_arrives_it_is_taken_once_and_whole() {
    let whole = whole();
    for way in 0..10 {
        for turn in 1..=20 {
            let mut place = Place::new(|settings| settings.unfinished_s = 60);
            let name = place.path("report.dcm");
            // Anywhere in the file, the first and the last byte included.
            let at = (whole.len() - 1) * (turn - 1) / 19;
            let (first, rest) = whole.split_at(at);
            let append = |bytes: &[u8]| {
                let mut file = fs::OpenOptions::new()
                    .create(true)
                    .append(true)
                    .open(&name)
                    .expect("open");
                file.write_all(bytes).expect("written");
                // The clock of a file system ticks in milliseconds.
                std::thread::sleep(Duration::from_millis(5));
            };
            match way {
                // In pieces, with a look after each.
                0 => whole.chunks(whole.len() / 4 + 1).for_each(|piece| {
                    append(piece);
                    place.look();
                }),
                // Paused for half a minute.
                1 => {
                    append(first);
                    (0..20).for_each(|_| assert_eq!(place.look().taken, 0, "turn {turn}"));
                    append(rest);
                }
                // Made empty first, as some copying programs do.
                2 => {
                    append(b"");
                    (0..20).for_each(|_| assert_eq!(place.look(), waiting(1)));
                    append(&whole);
                }
                // Made at full length first, then filled.
                3 => {
                    let file = fs::File::create(&name).expect("made");
                    file.set_len(whole.len() as u64).expect("sparse");
                    (0..turn).for_each(|_| assert_eq!(place.look().taken, 0));
                    fs::write(&name, &whole).expect("filled");
                }
                // Renamed in.
                4 => {
                    fs::write(place.path("report.part"), first).expect("written");
                    place.look();
                    fs::write(place.path("report.part"), &whole).expect("written");
                    fs::rename(place.path("report.part"), &name).expect("renamed");
                }
                // Hard-linked in, the other name stays.
                5 => {
                    let outside = place.temp.path().join("outside");
                    fs::write(&outside, &whole).expect("written");
                    fs::hard_link(&outside, &name).expect("linked");
                }
                // Deleted after it was listed, and put there again.
                6 => {
                    fs::write(&name, first).expect("written");
                    place.look();
                    fs::remove_file(&name).expect("removed");
                    place.look();
                    fs::write(&name, &whole).expect("written");
                }
                // Replaced after it was listed.
                7 => {
                    append(first);
                    place.look();
                    fs::write(place.temp.path().join("new"), &whole).expect("written");
                    fs::rename(place.temp.path().join("new"), &name).expect("replaced");
                }
                // Emptied and written again.
                8 => {
                    append(first);
                    place.look();
                    append(rest);
                    fs::write(&name, first).expect("emptied");
                    place.look();
                    fs::write(&name, &whole).expect("written");
                }
                // At once.
                _ => fs::write(&name, &whole).expect("written"),
            }
            for _ in 0..3 {
                place.look();
            }
            assert!(place.kept() == [whole.clone()], "way {way} turn {turn}");
            assert_eq!(
                place.names("."),
                ["done", "failed"],
                "way {way} turn {turn}"
            );
        }
    }
}

fn waiting(waiting: usize) -> Look {
    Look {
        waiting,
        ..Look::default()
    }
}

/// What breaks off for good is taken as it is in the end: nothing lies there for ever.
#[test]
fn what_never_becomes_whole_is_taken_as_it_is() {
    let mut place = Place::new(|settings| settings.unfinished_s = 60);
    let cut = whole()[..1000].to_vec();
    fs::write(place.path("cut.dcm"), &cut).expect("written");
    fs::write(place.path("letter.txt"), b"Dear colleague, ".repeat(20)).expect("written");
    fs::write(place.path("DICOMDIR"), b"").expect("written");
    for _ in 0..40 {
        assert_eq!(place.look(), waiting(3));
    }
    let last = place.look();
    assert_eq!((last.taken, last.failed), (2, 1));
    assert_eq!(place.kept().len(), 2);
    assert_eq!(place.names("failed"), ["DICOMDIR", "DICOMDIR.reason.txt"]);
}

#[test]
fn reasons_and_names_in_failed_never_overwrite() {
    let mut place = Place::new(|settings| settings.max_object_bytes = 10);
    // A file that is called like the reason of another.
    for name in ["a.reason.txt", "a"] {
        fs::write(place.path(name), b"far too large").expect("written");
        place.look();
        place.look();
    }
    fs::write(place.path("a"), b"as much too large").expect("written");
    place.look();
    assert_eq!(place.look().failed, 1);
    let kept = fs::read(place.path("failed/a.reason.txt")).expect("read");
    assert_eq!(kept, b"far too large");
    let names = place.names("failed");
    assert_eq!(names.len(), 6, "{names:?}");
    let reasons = names.iter().filter(|name| name.ends_with(".reason.txt"));
    assert_eq!(reasons.count(), 4);
}

/// Devices and files that nobody may read need rights of their own to be made, or do not hinder
/// root; where that is so, that part is left out.
#[test]
fn devices_and_unreadable_files_stay() {
    use std::os::unix::fs::PermissionsExt;
    let mut place = Place::new(|_| {});
    let device = place.path("null.dcm");
    let made = Command::new("mknod")
        .arg(&device)
        .args(["c", "1", "3"])
        .status()
        .is_ok_and(|status| status.success());
    fs::write(place.path("secret.dcm"), b"secret").expect("written");
    fs::set_permissions(place.path("secret.dcm"), fs::Permissions::from_mode(0o0)).expect("set");
    let is_hidden = fs::read(place.path("secret.dcm")).is_err();
    let started = Instant::now();
    for _ in 0..3 {
        place.look();
    }
    assert!(started.elapsed() < Duration::from_secs(1));
    assert_eq!(place.kept().len(), usize::from(!is_hidden));
    assert_eq!(device.symlink_metadata().is_ok(), made);
}

/// `done` on another file system, then on a full one: one page of room (tmpfs(5), size). Mounting
/// needs root.
#[test]
fn done_on_another_file_system() {
    let mut place = Place::new(|_| {});
    let done = place.path("done");
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "none"])
        .arg(&done)
        .output()
        .is_ok_and(|output| output.status.success());
    if !mounted {
        return println!("mounting is not allowed here");
    }
    let _mounted = Mounted(done.clone());
    // Where a copy is made there stands a link, then what a kill left, then a folder.
    let victim = place.temp.path().join("victim");
    fs::write(&victim, b"not ours to write").expect("written");
    let coming = place.path("done/.sheathline-coming");
    for (number, content) in [b"first", b"secnd", b"first", b"third"].iter().enumerate() {
        match number {
            0 => std::os::unix::fs::symlink(&victim, &coming).expect("linked"),
            1 => fs::write(&coming, b"cut off").expect("written"),
            2 => fs::create_dir(&coming).expect("made"),
            _ => {}
        }
        fs::write(place.path("a.dcm"), content).expect("written");
        place.look();
        assert_eq!(place.look().taken, 1, "{number}");
    }
    assert_eq!(fs::read(&victim).expect("read"), b"not ours to write");
    assert_eq!(place.kept(), [b"first", b"secnd", b"third"]);
    assert_eq!(place.names("."), ["done", "failed"]);
    let names = [
        ".sheathline-coming",
        "a.dcm",
        "object-1-1",
        "object-2-1",
        "object-3-1",
    ];
    assert_eq!(place.names("done"), names);
    assert_eq!(fs::read(place.path("done/a.dcm")).expect("read"), b"first");

    for name in names {
        let _ = fs::remove_file(place.path("done").join(name));
    }
    fs::remove_dir(&coming).expect("removed");
    let size = |size: &str| {
        let options = format!("remount,size={size}");
        run("mount", &[Path::new("-o"), Path::new(&options), &done]);
    };
    size("4k");
    fs::write(place.path("large.dcm"), vec![7; 10_000]).expect("written");
    for _ in 0..3 {
        place.look();
    }
    let before = (place.kept().len(), place.names("."), place.names("done"));
    size("1m");
    let taken = place.look().taken;
    assert_eq!(before.0, 4);
    assert_eq!(before.1, ["done", "failed", "large.dcm"]);
    assert_eq!(before.2, [""; 0]);
    assert_eq!(
        (taken, place.names("done")),
        (1, vec!["large.dcm".to_owned()])
    );
}

/// Unmounts when it goes, also after a failed check: the folder could not be removed else.
struct Mounted(std::path::PathBuf);

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

/// Whoever may write into the drop folder puts links in the place of `done` and `failed`, to where
/// further links wait under the names that we write. Nothing is written there, nothing is lost, and
/// with the links gone all goes its way.
#[test]
fn links_in_the_place_of_our_folders_lead_nowhere() {
    for elsewhere in ["/dev/shm", "/tmp"] {
        let Ok(other) = TempDir::new_in(elsewhere) else {
            println!("there is no {elsewhere} here");
            continue;
        };
        let mut place = Place::new(|settings| settings.max_object_bytes = 100);
        let victim = place.temp.path().join("store.db");
        let before = fs::read(&victim).expect("the store");
        for name in [".sheathline-coming", "a.dcm", "b.dcm", "b.dcm.reason.txt"] {
            std::os::unix::fs::symlink(&victim, other.path().join(name)).expect("linked");
        }
        let listed = || {
            let entries = fs::read_dir(other.path()).expect("readable");
            entries
                .map(|entry| entry.expect("entry"))
                .all(|entry| entry.file_type().expect("known").is_symlink())
        };
        for name in ["done", "failed"] {
            fs::remove_dir(place.path(name)).expect("removed");
            std::os::unix::fs::symlink(other.path(), place.path(name)).expect("linked");
        }
        // A start over the links is no reason to stay down.
        place.folder = Place::open(&place.temp, &place.store, |settings| {
            settings.max_object_bytes = 100;
        });
        fs::write(place.path("a.dcm"), b"kept").expect("written");
        fs::write(place.path("b.dcm"), [0; 200]).expect("written");
        for _ in 0..3 {
            let look = place.look();
            assert_eq!((look.taken, look.failed, look.waiting), (0, 0, 2));
        }
        assert!(listed(), "{elsewhere}");
        let header = |bytes: &[u8]| bytes[..16].to_vec();
        assert_eq!(header(&fs::read(&victim).expect("read")), header(&before));
        assert_eq!(place.kept(), [b"kept"]);
        assert_eq!(place.names("."), ["a.dcm", "b.dcm", "done", "failed"]);
        for name in ["done", "failed"] {
            fs::remove_file(place.path(name)).expect("removed");
        }
        let look = place.look();
        assert_eq!((look.taken, look.failed, look.waiting), (1, 1, 0));
        assert_eq!(place.names("done"), ["a.dcm"]);
        assert_eq!(place.names("failed"), ["b.dcm", "b.dcm.reason.txt"]);
    }
}

/// In a real `failed` links wait under the names of reasons.
#[test]
fn a_reason_is_never_written_through_a_link() {
    let mut place = Place::new(|settings| settings.max_object_bytes = 10);
    let victim = place.temp.path().join("victim");
    fs::write(&victim, b"not ours to write").expect("written");
    let dangling = place.temp.path().join("nowhere");
    for (name, to) in [("a.reason.txt", &victim), ("b.reason.txt", &dangling)] {
        std::os::unix::fs::symlink(to, place.path("failed").join(name)).expect("linked");
    }
    for name in ["a", "b"] {
        fs::write(place.path(name), b"far too large").expect("written");
    }
    place.look();
    assert_eq!(place.look().failed, 2);
    assert_eq!(fs::read(&victim).expect("read"), b"not ours to write");
    assert!(!dangling.exists());
    let names = place.names("failed");
    let ours = names.iter().filter(|name| name.starts_with("file-"));
    assert_eq!(ours.count(), 2, "{names:?}");
}

/// Where the file system tells nothing, the regular look finds every file in its time.
#[tokio::test(flavor = "multi_thread")]
async fn without_events_every_file_is_found_by_looking() {
    let temp = TempDir::new().expect("temp");
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
    let folder = Place::open(&temp, &store, |settings| {
        settings.settle_ms = 200;
        settings.scan_every_ms = 500;
    });
    let path = temp.path().join("drop");
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let running = tokio::spawn(folder.without_events().run(stopped));
    for n in 0..1000 {
        fs::write(path.join(format!("{n}.dcm")), format!("object {n}")).expect("written");
    }
    let mut changes = store.changes();
    let all = async {
        while store.read(readings::counts).expect("counted").unread < 1000 {
            changes.changed().await.expect("open");
        }
    };
    tokio::time::timeout(Duration::from_secs(60), all)
        .await
        .expect("found");
    stop.send(true).expect("running");
    running.await.expect("fine");
    assert_eq!(store.read(readings::counts).expect("counted").repeats, 0);
}

/// 20,000 files while the daemon stands still: more than the system's queue of events holds
/// (inotify(7), max_queued_events 16384).
#[test]
fn nothing_is_missed_while_the_daemon_stands_still() {
    let files: usize =
        std::env::var("SHEATHLINE_FILES").map_or(20_000, |n| n.parse().expect("a number"));
    let site = crate::harness::Site::with("");
    let daemon = site.serve();
    let signal = |name: &str| {
        run(
            "kill",
            &[Path::new(name), Path::new(&daemon.pid().to_string())],
        )
    };
    signal("-STOP");
    for n in 0..files {
        fs::write(site.path(&format!("drop/{n}.dcm")), format!("object {n}")).expect("written");
    }
    signal("-CONT");
    // However slow the machine: as long as it goes on.
    let done = || fs::read_dir(site.path("drop/done")).expect("done").count();
    let mut last = 0;
    while last < files {
        crate::harness::until("a further file", || done() > last);
        last = done();
    }
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    let sum = store.read(sheathline::pipeline::sum).expect("counted");
    assert_eq!((sum.received as usize, sum.repeats), (files, 0));
}
