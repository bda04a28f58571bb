//! The files of the store deleted, moved or replaced under a running daemon, or behind its back.

use super::{process, reports};
use crate::harness::{Site, until};
use crate::objects::Report;
use crate::receive::{Sender, text};
use std::fs;
use std::path::Path;

fn rename(site: &Site, from: &str, to: &str) {
    fs::rename(site.path(from), site.path(to)).expect("renamed");
}

fn said_by(site: &Site, command: &str, args: &[&str]) -> (Option<i32>, String) {
    let output = site.run(command, args);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    (output.status.code(), said)
}

/// A site whose store is in a folder of its own, with a result.
fn with_a_result() -> Site {
    let site = Site::new();
    let config = fs::read_to_string(site.config()).expect("read");
    let config = config.replace("\"store.sqlite\"", "\"data/store.sqlite\"");
    fs::write(site.config(), config).expect("written");
    process(&site, &reports(&site, 1, 1));
    site
}

/// Whatever happens to a file: nobody is answered with success any more, the daemon ends by itself
/// with 74 and says why, and says so where only a look can notice, too.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_taken_away_underneath_ends_the_daemon() {
    type Act = fn(&Site);
    let acts: [(&str, &str, Act); 8] = [
        (
            "store deleted",
            "the file of the store was deleted",
            |site| {
                fs::remove_file(site.path("data/store.sqlite")).expect("removed");
            },
        ),
        (
            "store moved",
            "the file of the store was deleted or moved",
            |site| {
                rename(site, "data/store.sqlite", "elsewhere.sqlite");
            },
        ),
        (
            "folder moved",
            "the file of the store was deleted or moved",
            |site| {
                rename(site, "data", "elsewhere");
            },
        ),
        (
            "folder deleted",
            "the file of the store was deleted",
            |site| {
                fs::remove_dir_all(site.path("data")).expect("removed");
            },
        ),
        (
            "replaced by a copy",
            "another file lies in the place of the file",
            |site| {
                fs::copy(site.path("data/store.sqlite"), site.path("copy")).expect("copied");
                rename(site, "copy", "data/store.sqlite");
            },
        ),
        ("log deleted", "its log (-wal) was deleted", |site| {
            fs::remove_file(site.path("data/store.sqlite-wal")).expect("removed");
        }),
        (
            "log replaced",
            "another file lies in the place of its log",
            |site| {
                fs::write(site.path("data/new"), b"").expect("written");
                rename(site, "data/new", "data/store.sqlite-wal");
            },
        ),
        (
            "index deleted",
            "the index of its log (-shm) was deleted",
            |site| {
                fs::remove_file(site.path("data/store.sqlite-shm")).expect("removed");
            },
        ),
    ];
    for (what, why, act) in acts {
        for is_busy in [true, false] {
            let site = with_a_result();
            let daemon = site.serve();
            let mut sender = Sender::connect(daemon.address).await.expect("accepted");
            assert_eq!(sender.store("1.2.1", &text("1.2.1")).await, 0, "{what}");
            act(&site);
            if is_busy {
                assert_eq!(
                    sender.store("1.2.2", &text("1.2.2")).await,
                    0xA700,
                    "{what}"
                );
            }
            drop(sender);
            let mut told = Vec::new();
            until("the doubt", || {
                let is_doubt =
                    |line: &serde_json::Value| line["fields"]["code"] == "store-in-doubt";
                told = daemon.log().into_iter().filter(is_doubt).collect();
                !told.is_empty()
            });
            let words = told[0]["fields"]["why"].as_str().expect("words");
            assert!(words.contains(why), "{what}: {words}");
            assert_eq!(told.len(), 1, "{what}: told once");
            assert_eq!(daemon.ended(), Some(74), "{what}");
        }
    }
}

/// After the log alone went, all that was in it was saved; the next start checks the file and goes on.
#[tokio::test(flavor = "multi_thread")]
async fn a_log_that_goes_under_a_running_daemon_takes_nothing_along() {
    let site = Site::new();
    let daemon = site.serve();
    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    for n in 1..=5 {
        let uid = format!("1.2.{n}");
        assert_eq!(sender.store(&uid, &text(&uid)).await, 0);
    }
    fs::remove_file(site.path("store.sqlite-wal")).expect("removed");
    assert_eq!(daemon.ended(), Some(74));
    let (code, said) = said_by(&site, "status", &[]);
    assert_eq!(code, Some(74), "{said}");
    assert!(
        said.contains("all that stood in it was brought over"),
        "{said}"
    );
    let daemon = site.serve();
    assert!(
        daemon
            .log()
            .iter()
            .any(|line| line["fields"]["code"] == "store-verified")
    );
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(site.json("verify", &["--json"])[0]["objects"], 5);
}

/// Deleted and then killed: there is nobody left who could have noticed but the next start.
#[tokio::test(flavor = "multi_thread")]
async fn a_log_that_goes_with_a_kill_is_missed_by_everybody() {
    for is_index_gone in [false, true] {
        let site = Site::new();
        let daemon = site.serve();
        let mut sender = Sender::connect(daemon.address).await.expect("accepted");
        assert_eq!(sender.store("1.2.1", &text("1.2.1")).await, 0);
        daemon.kill();
        let log = site.path("store.sqlite-wal");
        fs::rename(&log, site.path("saved")).expect("renamed");
        if is_index_gone {
            fs::remove_file(site.path("store.sqlite-shm")).expect("removed");
        }
        for _ in 0..2 {
            for command in ["serve", "process", "verify", "status", "compact"] {
                let some = reports(&site, 1, 1);
                let some = [some[0].to_str().expect("UTF-8")];
                let args: &[&str] = if command == "process" { &some } else { &[] };
                let (code, said) = said_by(&site, command, args);
                assert_eq!(code, Some(74), "{command}: {said}");
                assert!(
                    said.contains("store.sqlite-wal") && said.contains("store.sqlite.lock"),
                    "{command}: {said}"
                );
            }
        }
        let copy = site.path("copy");
        let (code, _) = said_by(&site, "backup", &[copy.to_str().expect("UTF-8")]);
        assert_eq!((code, copy.exists()), (Some(74), false));
        // Put back, all is there.
        fs::rename(site.path("saved"), log).expect("put back");
        assert_eq!(site.serve().stop(), Some(0));
        assert_eq!(site.json("verify", &["--json"])[0]["objects"], 1);
    }
}

/// An orderly end, a kill, and other programs at the store in between: none of them is a loss.
#[test]
fn what_is_folded_in_by_others_is_no_loss() {
    let site = Site::new();
    process(&site, &reports(&site, 1, 2));
    site.serve().kill();
    // Takes the log away: it was the last one to close.
    let exam = site.results().into_keys().next().expect("an exam");
    site.ok("label", &[&exam, "well"]);
    assert!(!site.path("store.sqlite-wal").exists());
    site.serve().kill();
    drop(super::plain(&site).change("update meta set value = value where 0"));
    assert_eq!(site.serve().stop(), Some(0));
    // The whole folder in another place, as it is after a kill: other inodes, the same store.
    site.serve().kill();
    let other = Site::new();
    for name in [
        "store.sqlite",
        "store.sqlite-wal",
        "store.sqlite-shm",
        "store.sqlite.lock",
    ] {
        fs::copy(site.path(name), other.path(name)).expect("copied");
    }
    assert_eq!(other.serve().stop(), Some(0));
    other.ok("label", &[&exam, "raised_confirmed"]);
    assert_eq!(other.serve().stop(), Some(0));
}

/// The log of one file beside another would be read into it.
#[test]
fn another_file_beside_the_log_is_not_opened() {
    let site = Site::new();
    let files = reports(&site, 1, 3);
    process(&site, &files[..1]);
    let copy = site.path("copy");
    let copy = copy.to_str().expect("UTF-8");
    site.ok("backup", &[copy]);
    let daemon = site.serve();
    Report::numbered(7).write(&site.path("drop"));
    until("the result", || site.results().len() == 2);
    daemon.kill();
    rename(&site, "store.sqlite", "saved");
    fs::copy(copy, site.path("store.sqlite")).expect("copied");
    let before = fs::read(site.path("store.sqlite")).expect("read");
    for command in ["serve", "label", "verify", "status"] {
        let args: &[&str] = if command == "label" {
            &["E1", "well"]
        } else {
            &[]
        };
        let (code, said) = said_by(&site, command, args);
        assert_eq!(code, Some(74), "{command}: {said}");
        assert!(
            said.contains("not the file that its log"),
            "{command}: {said}"
        );
    }
    assert!(fs::read(site.path("store.sqlite")).expect("read") == before);
    // Either way out.
    rename(&site, "saved", "store.sqlite");
    assert_eq!(site.serve().stop(), Some(0));
    site.ok("verify", &[]);
    site.ok("restore", &["--replace", copy]);
    assert_eq!(site.serve().stop(), Some(0));
}

/// A command beside a daemon that has lost its files says no success either.
#[test]
fn a_command_beside_a_daemon_that_lost_its_log_is_refused() {
    let site = Site::new();
    process(&site, &reports(&site, 1, 1));
    let exam = site.results().into_keys().next().expect("an exam");
    let daemon = site.serve();
    // It cannot look meanwhile.
    signal(daemon.pid(), "-STOP");
    fs::remove_file(site.path("store.sqlite-wal")).expect("removed");
    for (command, args) in [
        ("label", &[exam.as_str(), "well"] as &[&str]),
        ("verify", &[]),
        ("status", &[]),
    ] {
        let (code, said) = said_by(&site, command, args);
        assert_eq!(code, Some(74), "{command}: {said}");
        assert!(
            said.contains("the running process has open"),
            "{command}: {said}"
        );
        assert!(
            !site.path("store.sqlite-wal").exists(),
            "{command} made a log"
        );
    }
    signal(daemon.pid(), "-CONT");
    assert_eq!(daemon.ended(), Some(74));
}

fn signal(pid: u32, which: &str) {
    let sent = std::process::Command::new("kill")
        .args([which, &pid.to_string()])
        .status();
    assert!(sent.expect("kill").success());
}

/// Where the folder went as a whole nothing beside the store can tell; its results can.
#[test]
fn no_new_store_is_made_beside_the_results_of_another() {
    let site = with_a_result();
    rename(&site, "data", "elsewhere");
    let file = reports(&site, 1, 1).remove(0);
    for (command, args) in [
        ("serve", &[] as &[&str]),
        ("process", &[file.to_str().expect("UTF-8")]),
    ] {
        let (code, said) = said_by(&site, command, args);
        assert_eq!(code, Some(1), "{said}");
        assert!(said.contains("belongs to another store"), "{said}");
        assert!(!site.path("data").exists());
    }
    rename(&site, "elsewhere", "data");
    assert_eq!(site.serve().stop(), Some(0));
    // Who wants to begin with nothing can.
    rename(&site, "data", "elsewhere");
    rename(&site, "outbox", "taken");
    assert_eq!(site.serve().stop(), Some(0));
}

#[test]
fn verify_names_what_the_outbox_has_and_the_store_does_not() {
    let site = Site::new();
    process(&site, &reports(&site, 1, 2));
    let exam = site.results().into_keys().next().expect("an exam");
    site.ok("verify", &[]);
    // Others may keep what they like there.
    fs::create_dir_all(site.path("outbox/mine-v1")).expect("made");
    fs::write(site.path("outbox/mine-v1/result.json"), "{}").expect("written");
    copy_folder(
        &site.path(&format!("outbox/{exam}-v1")),
        &site.path(&format!("outbox/{exam}-v7")),
    );
    let output = site.run("verify", &["--json"]);
    assert_eq!(output.status.code(), Some(1));
    let verified = &crate::harness::lines(&String::from_utf8_lossy(&output.stdout))[0];
    assert_eq!(verified["unknown_in_outbox"], 1);
    let damages = verified["damages"].as_array().expect("a list");
    assert_eq!(damages.len(), 1, "{damages:?}");
    assert_eq!(damages[0]["part"], format!("result {exam} version 7"));
}

fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir(to).expect("made");
    for entry in fs::read_dir(from).expect("read") {
        let entry = entry.expect("entry");
        fs::copy(entry.path(), to.join(entry.file_name())).expect("copied");
    }
}
