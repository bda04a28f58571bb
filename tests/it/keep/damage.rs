//! Bytes that changed on the disk: found, told, and never turned into a wrong result.

use super::{process, reports};
use crate::harness::Site;
use serde_json::Value;
use sheathline::pipeline::{Beside, Pipeline};
use sheathline_model::reading::Rules;
use sheathline_model::results;
use sheathline_model::template::Templates;
use sheathline_store::bare::{Bare, Cell};
use sheathline_store::verify::Looker;
use sheathline_store::{Mode, Store, assessment_queue};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

/// A generator of its own, so that every run flips the same bytes (constants of the MMIX machine).
struct Draw(u64);

impl Draw {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).expect("31 bits") % limit
    }
}

/// Bodies as the file holds them, by number; `None` where the database itself gives up.
fn bodies(path: &Path) -> Option<BTreeMap<i64, Vec<u8>>> {
    let rows = Bare::open(path).ok()?.rows("select id, body from object");
    let bodies = rows.ok()?.into_iter().map(|row| match &row[..] {
        [Cell::Integer(id), Cell::Bytes(body)] => Some((*id, body.clone())),
        _ => None,
    });
    bodies.collect()
}

/// A place in the file where a body has a byte.
fn inside(file: &[u8], body: &[u8], draw: &mut Draw) -> usize {
    let length = 12;
    loop {
        let from = draw.below(body.len() - length);
        let piece = &body[from..from + length];
        // A piece may lie across two pages.
        if let Some(at) = file.windows(length).position(|window| window == piece) {
            return at + draw.below(length);
        }
    }
}

/// What each result says was measured in which patient, by exam.
fn said(outbox: &Path) -> BTreeMap<String, Vec<Value>> {
    let mut said: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    let Ok(entries) = fs::read_dir(outbox) else {
        return said;
    };
    for entry in entries {
        let entry = entry.expect("entry");
        if entry.file_name().as_encoded_bytes().starts_with(b".") {
            continue;
        }
        let bytes = fs::read(entry.path().join("result.json")).expect("complete");
        let result: Value = serde_json::from_slice(&bytes).expect("JSON");
        let exam = result["exam"]["id"].as_str().expect("an id").to_owned();
        let used = result["measurements_used"].as_array().expect("a list");
        let line = |one: &Value| serde_json::json!([result["patient"], one]);
        said.entry(exam).or_default().extend(used.iter().map(line));
    }
    said
}

#[test]
fn one_flipped_byte_is_found_and_says_nothing_wrong() {
    let flips: usize =
        std::env::var("SHEATHLINE_FLIPS").map_or(100, |n| n.parse().expect("a number"));
    let site = Site::new();
    process(&site, &reports(&site, 3, 3));
    // Free pages hold older copies of rows, in which a flip means nothing.
    super::plain(&site).change("vacuum").expect("rewritten");
    let whole = fs::read(site.path("store.sqlite")).expect("read");
    assert!(
        !site.path("store.sqlite-wal").exists(),
        "all is in the one file"
    );
    let bodies_before = bodies(&site.path("store.sqlite")).expect("sound");
    let said_before = said(&site.path("outbox"));
    let mut draw = Draw(20_240_501);
    let (mut in_bodies, mut refused, mut seen) = (0, 0, 0);
    for round in 0..flips {
        // In memory where that is possible: nothing here is about syncing.
        let folder = tempfile::TempDir::new_in("/dev/shm").or_else(|_| tempfile::TempDir::new());
        let folder = folder.expect("temp");
        let path = folder.path().join("store.sqlite");
        // Every second one anywhere in the file, the others in the bytes of an object.
        let anywhere = round % 2 == 0;
        let (what, is_body) = loop {
            let bit = draw.below(8);
            let at = if anywhere {
                draw.below(whole.len())
            } else {
                let body = &bodies_before[&(1 + draw.below(9) as i64)];
                inside(&whole, body, &mut draw)
            };
            let mut bytes = whole.clone();
            bytes[at] ^= 1 << bit;
            fs::write(&path, bytes).expect("written");
            let is_body = bodies(&path).as_ref() != Some(&bodies_before);
            if anywhere || is_body {
                break (format!("round {round}, byte {at}, bit {bit}"), is_body);
            }
        };
        in_bodies += usize::from(is_body);
        // A file that does not open is a clear error.
        let found = Looker::open(&path)
            .and_then(|looker| looker.verify(|_, _| ()))
            .map_or(1, |verified| verified.damages.len());
        assert!(!is_body || found > 0, "{what}: not found");
        seen += usize::from(found > 0);

        let outbox = folder.path().join("outbox");
        match everything_again(&path, &outbox) {
            Ok(()) => {}
            Err(error) => {
                refused += 1;
                assert!(!error.is_empty(), "{what}");
            }
        }
        for (exam, lines) in said(&outbox) {
            for line in lines {
                let before = said_before.get(&exam);
                let known = before.is_some_and(|before| before.contains(&line));
                assert!(known, "{what}: {exam} now says {line}");
            }
        }
    }
    println!("{flips} flips: {in_bodies} in bodies, {seen} found, {refused} refused to go on");
    assert!(
        in_bodies * 2 >= flips,
        "too few in bodies to prove anything"
    );
}

/// Reads and assesses all there is once more, as new rules would.
fn everything_again(path: &Path, outbox: &Path) -> Result<(), String> {
    let store = Store::open(path, Mode::Owner).map_err(|error| error.to_string())?;
    let again = store.write(|tx| {
        sheathline_store::objects::read_all_again(tx)?;
        assessment_queue::mark_all_dirty(tx, chrono::Utc::now())?;
        sheathline_store::results::forget_published(tx)
    });
    again.map_err(|error| error.to_string())?;
    let beside = Beside::default();
    let rules = Rules::new(Templates::load(&[], &[]).expect("built in"));
    let site = results::Site::default();
    let pipeline = Pipeline::new(store, rules, site, outbox.to_owned(), beside);
    // As the daemon does: what failed is tried again.
    let mut drained = Ok(());
    for _ in 0..3 {
        drained = pipeline.drain(Duration::ZERO, |_| {}).map(|_| ());
    }
    drained.map_err(|error| error.to_string())
}

/// A store that is cut off, filled with noughts, or something else altogether: a clear error, or a
/// start with all that can still be there. Nothing is overwritten.
#[test]
fn what_stands_in_the_place_of_a_store() {
    let site = Site::new();
    let files = reports(&site, 3, 4);
    process(&site, &files);
    let whole = fs::read(site.path("store.sqlite")).expect("read");
    let cut = |bytes: usize| whole[..bytes].to_vec();
    let noughts = |from: usize| {
        let mut bytes = whole.clone();
        bytes[from..].fill(0);
        bytes
    };
    let other = site.path("other.sqlite");
    Bare::open(&other)
        .and_then(|file| file.change("create table t (a); insert into t values (1)"))
        .expect("another program's file");
    let size = whole.len();
    // Bytes; whether the program must refuse and leave them as they are.
    let cases: [(&str, Vec<u8>, bool); 12] = [
        ("nothing", Vec::new(), true),
        ("half a header", cut(50), true),
        ("a header", cut(100), true),
        ("half a page", cut(2048), true),
        ("one page", cut(4096), true),
        ("half", cut(size / 2), true),
        ("all but a page", cut(size - 4096), true),
        ("all but a byte", cut(size - 1), false),
        ("noughts", noughts(0), true),
        ("noughts after the first page", noughts(4096), false),
        ("noughts in the last tenth", noughts(size / 10 * 9), false),
        (
            "another program's file",
            fs::read(other).expect("read"),
            true,
        ),
    ];
    for (what, bytes, is_refused) in cases {
        for name in ["store.sqlite-wal", "store.sqlite-shm", "store.sqlite.doubt"] {
            let _ = fs::remove_file(site.path(name));
        }
        fs::write(site.path("store.sqlite"), &bytes).expect("written");
        let output = site.run("process", &[files[0].to_str().expect("UTF-8")]);
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!error.contains("panicked"), "{what}: {error}");
        let verified = site.run("verify", &["--json"]);
        if verified.status.success() {
            // The last byte of a page is unused, as a rule.
            let said = String::from_utf8_lossy(&verified.stdout).into_owned();
            assert!(
                !is_refused && said.contains("\"objects\":12,"),
                "{what}: {said}"
            );
        }
        if is_refused {
            // No new start mends a file that is something else.
            let code = if error.contains("is not a store") {
                2
            } else {
                1
            };
            assert_eq!(output.status.code(), Some(code), "{what}: {error}");
            assert!(error.contains("store"), "{what}: {error}");
            let left = fs::read(site.path("store.sqlite")).expect("read");
            assert!(left == bytes, "{what}: overwritten");
        }
    }
    let _ = fs::remove_file(site.path("store.sqlite"));
    let gone = site.run("process", &[files[0].to_str().expect("UTF-8")]);
    let error = String::from_utf8_lossy(&gone.stderr).into_owned();
    assert_eq!(gone.status.code(), Some(1));
    assert!(error.contains("though one was made here"), "{error}");
}

/// The write-ahead log lost, cut off or replaced after a kill: nothing starts as if all were there,
/// and where somebody says so, what stood in the file is there, and sound.
#[test]
fn without_its_log_a_store_is_what_it_was_at_the_last_checkpoint() {
    let site = Site::new();
    let files = reports(&site, 3, 4);
    process(&site, &files[..6]);
    let daemon = site.serve();
    for file in &files[6..] {
        fs::copy(
            file,
            site.path("drop").join(file.file_name().expect("name")),
        )
        .expect("copied");
    }
    crate::harness::until("every result", || site.results().len() == 12);
    daemon.kill();
    let store = fs::read(site.path("store.sqlite")).expect("read");
    let log = fs::read(site.path("store.sqlite-wal")).expect("a log is left by the kill");
    let lock = fs::read(site.path("store.sqlite.lock")).expect("read");
    let mut flipped = log.clone();
    flipped[log.len() / 2] ^= 1;
    for (what, log) in [
        ("whole", Some(log.clone())),
        ("missing", None),
        ("cut", Some(log[..log.len() / 3].to_vec())),
        ("flipped", Some(flipped)),
        ("text", Some(b"no log".repeat(1000))),
    ] {
        let _ = fs::remove_file(site.path("store.sqlite-shm"));
        let _ = fs::remove_file(site.path("store.sqlite-wal"));
        fs::write(site.path("store.sqlite"), &store).expect("written");
        if let Some(log) = log {
            fs::write(site.path("store.sqlite-wal"), log).expect("written");
        }
        // As the kill left it, but for the log.
        fs::write(site.path("store.sqlite.lock"), &lock).expect("written");
        let some = files[0].to_str().expect("UTF-8");
        if what != "whole" {
            for (command, args) in [
                ("process", &[some] as &[&str]),
                ("verify", &[]),
                ("status", &[]),
            ] {
                let refused = site.run(command, args);
                let said = String::from_utf8_lossy(&refused.stderr).into_owned();
                assert_eq!(refused.status.code(), Some(74), "{what}, {command}: {said}");
                assert!(
                    said.contains("store.sqlite-wal"),
                    "{what}, {command}: {said}"
                );
            }
            fs::remove_file(site.path("store.sqlite.lock")).expect("removed");
            // The results are there, and are of a store that is lost.
            let said = site.run("verify", &[]);
            assert_eq!(said.status.code(), Some(1), "{what}");
            let said = String::from_utf8_lossy(&said.stderr).into_owned();
            assert!(
                said.contains("the store does not know it"),
                "{what}: {said}"
            );
        }
        process(&site, &files[..1]);
        let verified = site.run("verify", &["--json"]);
        let verified = crate::harness::lines(&String::from_utf8_lossy(&verified.stdout));
        let objects = verified[0]["objects"].as_u64();
        assert!(objects >= Some(6), "{what}");
        assert!(
            what != "whole" || objects == Some(12),
            "{what}: {objects:?}"
        );
        // Sent again, everything is as before: no result is there twice.
        process(&site, &files);
        assert_eq!(site.results().len(), 12, "{what}");
        site.ok("verify", &[]);
    }
}
