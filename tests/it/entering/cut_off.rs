//! Killed at any instant and given again: signed means kept, a table is here whole or not at all, and
//! nothing comes twice.

use super::{bring, bytes, exams, measure, number, site};
use crate::harness::{Site, program, tool};
use std::fs;
use std::path::Path;

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("folder");
    for entry in fs::read_dir(from).expect("a folder") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.file_type().expect("a kind").is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).expect("copied");
        }
    }
}

/// Objects of the store, read or not.
fn objects(site: &Site) -> i64 {
    let path = site.path("store.sqlite");
    let store = sheathline_store::Store::open(&path, sheathline_store::Mode::Guest);
    let store = store.expect("opens");
    let first = store.read(|view| {
        let counts = sheathline_store::readings::counts(view)?;
        let read: u32 = counts.read.values().sum();
        Ok(i64::from(read + counts.unread))
    });
    first.expect("counted")
}

/// Kills `command` at every sync, rename and write of the store, one after the other. After each kill
/// there are none of its objects or `whole`; given again, all of them, once.
fn killed_everywhere(command: &str, args: &[&str], whole: i64) {
    let site = site("");
    let kept = tempfile::TempDir::new().expect("temp");
    copy(&site.path(""), kept.path());
    let mut kills = 0;
    for call in ["pwrite64", "fdatasync", "renameat2"] {
        // Writes of the store and its log: they are many.
        let step = if call == "pwrite64" { 11 } else { 1 };
        for number in (1..).step_by(step) {
            for name in ["store.sqlite-wal", "store.sqlite-shm", "store.sqlite.lock"] {
                let _ = fs::remove_file(site.path(name));
            }
            let _ = fs::remove_dir_all(site.path("outbox"));
            copy(kept.path(), &site.path(""));
            let killed = killed_at(&site, command, args, call, number);
            let here = objects(&site);
            assert!([0, whole].contains(&here), "{call} {number}: {here}");
            site.ok(command, args);
            assert_eq!(objects(&site), whole, "{call} {number}");
            assert_eq!(bytes(&site).len() as i64, whole, "{call} {number}");
            assert_eq!(site.results().len() as i64, whole, "{call} {number}");
            assert!(site.all_results().iter().all(|one| one["version"] == 1));
            if !killed {
                break;
            }
            kills += 1;
        }
    }
    assert!(kills >= 5, "{kills} kills prove nothing");
}

/// Whether the command was killed at that call.
fn killed_at(site: &Site, command: &str, args: &[&str], call: &str, number: usize) -> bool {
    let inject = format!("inject={call}:signal=KILL:when={number}");
    let trace = format!("trace={call}");
    let output = tool("strace")
        .args(["-f", "-qq", "-o", "/dev/null", "-e", &trace, "-e", &inject])
        .arg(program().get_program())
        .args([command, "--config"])
        .arg(site.config())
        .args(args)
        .output()
        .expect("strace runs");
    !output.status.success()
}

#[test]
fn a_table_that_is_cut_off_is_here_whole_or_not_at_all() {
    let file = exams();
    let args = [file.as_str(), "--in-unit", "mm", "--dates", "iso"];
    killed_everywhere("bring-in", &args, 6);
}

#[test]
fn a_measurement_that_is_cut_off_is_signed_once() {
    killed_everywhere("measure", &measure("5.2:transverse:3.0", &[]), 1);
}

/// Whatever a killed table left, the next number is its own.
#[test]
fn a_table_that_is_given_again_has_one_number() {
    let site = site("");
    let file = exams();
    let args = [file.as_str(), "--in-unit", "mm", "--dates", "iso"];
    killed_at(&site, "bring-in", &args, "fdatasync", 1);
    bring(&site, &file, &[]);
    let listed = site.json("bring-in", &["--list", "--json"]);
    assert_eq!((listed.len(), number(&listed[0], "exams")), (1, 6));
}
