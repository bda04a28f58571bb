//! `backup` under load, `restore`, and everything they refuse.

use super::{column, plain, process, reports};
use crate::harness::{Site, until};
use crate::objects::Report;
use sha2::{Digest, Sha256};
use sheathline_store::bare::Bare;
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::sync::atomic::{AtomicBool, Ordering};

/// Hashes of the files that are out of the way, so kept: what was acknowledged.
fn acknowledged(site: &Site) -> BTreeSet<String> {
    let done = fs::read_dir(site.path("drop/done")).expect("done");
    done.map(|entry| {
        let bytes = fs::read(entry.expect("entry").path()).expect("a report");
        Sha256::digest(bytes)
            .iter()
            .fold(String::new(), |hex, byte| format!("{hex}{byte:02X}"))
    })
    .collect()
}

/// Three copies while objects arrive: each is whole, has everything that was acknowledged before it
/// began, and gives the same results again.
#[test]
fn a_copy_under_load_has_all_that_was_acknowledged_before() {
    let site = Site::new();
    let daemon = site.serve();
    let enough = AtomicBool::new(false);
    let mut before = Vec::new();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for n in 0.. {
                let path = Report::numbered(n).write(&site.path("."));
                let name = path.file_name().expect("name");
                fs::rename(&path, site.path("drop").join(name)).expect("moved in");
                if enough.load(Ordering::Relaxed) {
                    return;
                }
            }
        });
        for number in 0..3 {
            let some = 20 * (number + 1);
            until("objects", || acknowledged(&site).len() >= some);
            before.push(acknowledged(&site));
            let to = site.path(&format!("copy-{number}"));
            site.ok("backup", &[to.to_str().expect("UTF-8")]);
            assert_eq!(
                fs::metadata(&to).expect("there").permissions().mode() & 0o077,
                0
            );
            let again = site.run("backup", &[to.to_str().expect("UTF-8")]);
            assert_eq!(again.status.code(), Some(1), "never written over");
        }
        enough.store(true, Ordering::Relaxed);
    });
    // Beside a running daemon.
    site.ok("verify", &["--json"]);
    let held = site.run(
        "restore",
        &["--replace", site.path("copy-0").to_str().expect("UTF-8")],
    );
    assert_eq!(held.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&held.stderr).contains("in use by process"));
    assert_eq!(daemon.stop(), Some(0));
    // A stop leaves what waits to the next start.
    process(&site, &[Report::numbered(0).write(&site.path("."))]);

    for (number, before) in before.iter().enumerate() {
        let other = Site::new();
        let copy = site.path(&format!("copy-{number}"));
        other.ok("restore", &[copy.to_str().expect("UTF-8")]);
        let bodies = column(&plain(&other), "select hex(body_sha256) from object");
        let bodies: BTreeSet<String> = bodies.into_iter().collect();
        assert!(before.is_subset(&bodies), "copy {number} lacks something");
        // What was not in the outbox at that moment comes there now, under the same name.
        process(&other, &[Report::numbered(0).write(&other.path("."))]);
        other.ok("verify", &["--outbox-complete"]);
        assert_eq!(other.all_results().len(), bodies.len());
        for result in other.all_results() {
            let id = result["exam"]["id"].as_str().expect("an id");
            assert_eq!(result["key"], site.results()[id]["key"]);
        }
    }
}

#[test]
fn a_store_is_replaced_only_when_told_and_kept_beside() {
    let site = Site::new();
    let files = reports(&site, 2, 3);
    process(&site, &files[..4]);
    let copy = site.path("copy");
    let copy = copy.to_str().expect("UTF-8");
    site.ok("backup", &[copy]);
    process(&site, &files[4..]);
    let objects = |site: &Site| column(&plain(site), "select hex(body_sha256) from object").len();

    let refused = site.run("restore", &[copy]);
    assert_eq!(refused.status.code(), Some(1));
    assert_eq!(objects(&site), 6);
    let damaged = site.path("damaged");
    let mut bytes = fs::read(copy).expect("read");
    let middle = bytes.len() / 2;
    bytes[middle..middle + 5 * 4096].fill(0x5A);
    fs::write(&damaged, bytes).expect("written");
    for foreign in [damaged, site.config(), site.path("nowhere")] {
        let refused = site.run("restore", &["--replace", foreign.to_str().expect("UTF-8")]);
        assert_eq!(refused.status.code(), Some(1), "{}", foreign.display());
        assert_eq!(objects(&site), 6);
    }

    let said = site.ok("restore", &["--replace", copy]);
    let old = site.path("store.sqlite.before-restore-1");
    assert!(said.contains("before-restore-1"), "{said}");
    assert_eq!(objects(&site), 4);
    let old = Bare::open(&old).expect("opens");
    assert_eq!(column(&old, "select hex(body_sha256) from object").len(), 6);
    // The outbox is ahead of the store. What comes again says the same under the same name.
    let results = site.all_results();
    process(&site, &files);
    assert_eq!(site.all_results(), results);
    site.ok("verify", &["--outbox-complete"]);
    let left: Vec<String> = fs::read_dir(site.path("."))
        .expect("readable")
        .map(|entry| {
            entry
                .expect("entry")
                .file_name()
                .to_string_lossy()
                .into_owned()
        })
        .filter(|name| name.contains("partial"))
        .collect();
    assert_eq!(left, [""; 0]);
}
