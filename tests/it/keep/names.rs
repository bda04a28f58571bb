//! One store by several names has one owner.

use super::{process, reports};
use crate::harness::{Site, by};
use sheathline_store::{Mode, Store, StoreError};
use std::fs;
use std::os::unix::fs::symlink;

/// A second configuration whose store has another name.
fn other(site: &Site, store: &str) -> std::path::PathBuf {
    let config = fs::read_to_string(site.config()).expect("read");
    let config = config
        .replace("\"store.sqlite\"", &format!("\"{store}\""))
        .replace("\"outbox\"", "\"other-outbox\"")
        .replace("path = \"drop\"", "path = \"other-drop\"");
    let file = site.path("other.toml");
    fs::create_dir_all(site.path("other-drop")).expect("made");
    fs::write(&file, config).expect("written");
    file
}

#[test]
fn a_second_owner_by_another_name_is_refused_with_the_pid_of_the_first() {
    let site = Site::new();
    let files = reports(&site, 1, 2);
    process(&site, &files[..1]);
    symlink(site.path("store.sqlite"), site.path("link.sqlite")).expect("linked");
    symlink("link.sqlite", site.path("again.sqlite")).expect("linked");
    symlink(site.path("."), site.path("folder")).expect("linked");
    let file = files[1].to_str().expect("UTF-8");
    let daemon = site.serve();
    fs::hard_link(site.path("store.sqlite"), site.path("hard.sqlite")).expect("linked");
    for name in [
        "link.sqlite",
        "again.sqlite",
        "folder/link.sqlite",
        "hard.sqlite",
    ] {
        let config = other(&site, name);
        for (command, args) in [("serve", &[] as &[&str]), ("process", &[file])] {
            let (code, said) = by(&config, command, args);
            assert_eq!(code, Some(1), "{name}, {command}: {said}");
            let named = format!("in use by process {}", daemon.pid());
            assert!(said.contains(&named), "{name}, {command}: {said}");
        }
        for side in ["-wal", "-shm"] {
            assert!(
                !site.path(&format!("{name}{side}")).exists(),
                "{name}{side}"
            );
        }
    }
    // The same the other way round.
    assert_eq!(daemon.stop(), Some(0));
    fs::remove_file(site.path("hard.sqlite")).expect("removed");
    let config = other(&site, "link.sqlite");
    let store = Store::open(&site.path("link.sqlite"), Mode::Owner).expect("opens");
    let (code, said) = by(&site.config(), "process", &[file]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains(&format!("process {}", std::process::id())),
        "{said}"
    );
    drop(store);
    assert_eq!(by(&config, "process", &[file]).0, Some(0));
    assert_eq!(site.json("verify", &["--json"])[0]["objects"], 2);
    // Beside the store, and not beside its link.
    assert!(!site.path("link.sqlite.lock").exists());
}

/// A link whose store is not made yet, as on a disk that was set up for it.
#[test]
fn a_store_is_made_where_its_link_leads() {
    let site = Site::new();
    fs::create_dir(site.path("disk")).expect("made");
    symlink("disk/store.sqlite", site.path("store.sqlite")).expect("linked");
    process(&site, &reports(&site, 1, 1));
    assert!(site.path("disk/store.sqlite.lock").exists());
    let copy = site.path("copy");
    let copy = copy.to_str().expect("UTF-8");
    site.ok("backup", &[copy]);
    // The link stays, what it leads to is replaced.
    site.ok("restore", &["--replace", copy]);
    assert!(site.path("store.sqlite").is_symlink());
    assert!(site.path("disk/store.sqlite.before-restore-1").exists());
    // Gone is gone, whatever leads there.
    fs::remove_file(site.path("disk/store.sqlite")).expect("removed");
    let (code, said) = by(&site.config(), "serve", &[""; 0]);
    assert_eq!(code, Some(1));
    assert!(said.contains("though one was made here"), "{said}");
}

#[test]
fn a_store_with_a_second_name_is_not_opened_by_either() {
    let site = Site::new();
    let files = reports(&site, 1, 1);
    process(&site, &files);
    fs::create_dir(site.path("b")).expect("made");
    fs::hard_link(site.path("store.sqlite"), site.path("b/store.sqlite")).expect("linked");
    for config in [site.config(), other(&site, "b/store.sqlite")] {
        for command in ["serve", "verify", "status", "compact"] {
            let (code, said) = by(&config, command, &[""; 0]);
            assert_eq!(code, Some(1), "{command}: {said}");
            assert!(
                said.contains("hard link") && said.contains("-inum"),
                "{command}: {said}"
            );
        }
    }
    fs::remove_file(site.path("b/store.sqlite")).expect("removed");
    assert_eq!(site.serve().stop(), Some(0));
    // A copy that has several names, as archives of copies have, can be restored.
    let (copy, second) = (site.path("copy"), site.path("second"));
    site.ok("backup", &[copy.to_str().expect("UTF-8")]);
    fs::hard_link(&copy, second).expect("linked");
    site.ok("restore", &["--replace", copy.to_str().expect("UTF-8")]);
}

/// A restore that was cut off after the store got its second name, with and without a log: what
/// stood there is there, and the second name is not in the way.
#[test]
fn a_restore_that_was_cut_off_leaves_the_store_as_it_was() {
    for cut_after_log in [false, true] {
        let site = Site::new();
        let files = reports(&site, 1, 3);
        process(&site, &files[..1]);
        let daemon = site.serve();
        fs::copy(&files[1], site.path("drop/2.dcm")).expect("copied");
        crate::harness::until("the result", || site.results().len() == 2);
        daemon.kill();
        for added in ["", "-wal"] {
            let from = site.path(&format!("store.sqlite{added}"));
            let to = site.path(&format!("store.sqlite.before-restore-1{added}"));
            fs::hard_link(from, to).expect("linked");
        }
        if cut_after_log {
            fs::remove_file(site.path("store.sqlite-wal")).expect("removed");
            fs::remove_file(site.path("store.sqlite-shm")).expect("removed");
        }
        process(&site, &files[2..]);
        assert_eq!(site.json("verify", &["--json"])[0]["objects"], 3);
        assert!(!site.path("store.sqlite.before-restore-1").exists());
        assert!(!site.path("store.sqlite.before-restore-1-wal").exists());
    }
}

/// Two names of one folder: the lock file is the same one.
#[test]
fn a_refusal_does_not_let_go_of_the_store() {
    let folder = tempfile::TempDir::new().expect("temp");
    let path = folder.path().join("store.sqlite");
    let _first = Store::open(&path, Mode::Owner).expect("opens");
    for _ in 0..2 {
        let refused = Store::open(&path, Mode::Owner).map(|_| ());
        assert!(matches!(
            refused,
            Err(StoreError::Held { pid: Some(_), .. })
        ));
    }
}
