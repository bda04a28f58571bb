//! A command that is killed at any instant and given again neither loses nor doubles anything.

use super::{entries, exam_of_year, of_year, site};
use crate::harness::{Site, program, tool};
use std::fs;
use std::path::Path;

/// Everything of a site that a command changes.
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

#[test]
fn a_label_that_is_cut_off_is_recorded_once_and_assessed_once() {
    let site = site("audit = \"audit.xml\"\n");
    let exams = ["2021", "2022"].map(|year| exam_of_year(&site, year));
    let kept = tempfile::TempDir::new().expect("temp");
    copy(&site.path(""), kept.path());
    let version = || {
        of_year(&site, "2024")["version"]
            .as_u64()
            .expect("a number")
    };
    let (first, mut kills) = (version(), 0);
    for call in ["fdatasync", "renameat2"] {
        for number in 1.. {
            for name in ["store.sqlite-wal", "store.sqlite-shm", "store.sqlite.lock"] {
                let _ = fs::remove_file(site.path(name));
            }
            fs::remove_dir_all(site.path("outbox")).expect("removed");
            copy(kept.path(), &site.path(""));
            let label = ["label", &exams[0], &exams[1], "well"];
            let killed = killed_at(&site, &label, call, number);
            site.ok("label", &[&exams[0], &exams[1], "well"]);
            let found = entries(&site);
            assert_eq!(found.len(), 2, "{call} {number}: {found:?}");
            assert_eq!(version(), first + 1, "{call} {number}");
            let trail = fs::read_to_string(site.path("audit.xml")).expect("a trail");
            let told = trail.matches("Patient Record").count();
            // At least once each; twice where the kill came between the trail and our note of it.
            assert!((2..=4).contains(&told), "{call} {number}: {told}");
            if !killed {
                break;
            }
            kills += 1;
        }
    }
    assert!(kills >= 5, "{kills} kills prove nothing");
}

/// Three entries of one act: seen, settled, labelled.
#[test]
fn a_rise_settled_and_cut_off_is_settled_whole_or_not_at_all() {
    let site = site("");
    let exam = exam_of_year(&site, "2024");
    let kept = tempfile::TempDir::new().expect("temp");
    copy(&site.path(""), kept.path());
    let settle = ["settle", &exam, "confirmed", "--reason", "valve replaced"];
    let mut kills = 0;
    for call in ["pwrite64", "fdatasync"] {
        for number in 1.. {
            for name in ["store.sqlite-wal", "store.sqlite-shm", "store.sqlite.lock"] {
                let _ = fs::remove_file(site.path(name));
            }
            fs::remove_dir_all(site.path("outbox")).expect("removed");
            copy(kept.path(), &site.path(""));
            let killed = killed_at(&site, &settle, call, number);
            let found = entries(&site).len();
            assert!(found == 0 || found == 3, "{call} {number}: {found}");
            let [command, args @ ..] = settle;
            site.ok(command, &args);
            let found = entries(&site);
            assert_eq!(found.len(), 3, "{call} {number}: {found:?}");
            let rises = site.json("worklist", &["--json"]);
            assert!(rises.iter().all(|one| one["list"] != "rises"));
            if !killed || number > 40 {
                break;
            }
            kills += 1;
        }
    }
    assert!(kills >= 5, "{kills} kills prove nothing");
}

/// Whether the command was killed at that call.
fn killed_at(site: &Site, command: &[&str], call: &str, number: usize) -> bool {
    let inject = format!("inject={call}:signal=KILL:when={number}");
    let trace = format!("trace={call}");
    let [command, args @ ..] = command else {
        panic!("a command");
    };
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
