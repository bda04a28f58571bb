//! The store across processes: who owns it, and what is left after a kill.
//!
//! The promise tested is that of the SQLite documentation (sqlite.org/atomiccommit.html and
//! sqlite.org/pragma.html, synchronous FULL): what was committed is there after a crash.

use chrono::Utc;
use sheathline_store::objects::{self, Incoming, Kept, ObjectId};
use sheathline_store::verify::Looker;
use sheathline_store::{Mode, Store, StoreError};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

const PATH: &str = "SHEATHLINE_TEST_STORE";

fn keep(store: &Store, bytes: &[u8]) -> Result<Kept, StoreError> {
    let object = Incoming::new(bytes, None, "folder", "", Utc::now())?;
    store.write(move |tx| objects::keep(tx, &object))
}

/// The other process, which the tests below start: keeps objects from four threads and says so
/// after each. Does nothing when it is not asked for.
#[test]
fn other_process() {
    let Ok(path) = std::env::var(PATH) else {
        return;
    };
    let store = Store::open(Path::new(&path), Mode::Owner).expect("opens");
    let threads: Vec<_> = (0..4)
        .map(|thread| {
            let store = store.clone();
            std::thread::spawn(move || {
                for n in 0.. {
                    let body = format!("{thread} {n} {}", "x".repeat(5000));
                    if let Kept::New(id) = keep(&store, body.as_bytes()).expect("kept") {
                        println!("kept {id} {thread} {n}");
                    }
                }
            })
        })
        .collect();
    for thread in threads {
        thread.join().expect("never ends");
    }
}

fn start(path: &Path) -> Child {
    Command::new(std::env::current_exe().expect("this program"))
        .args(["--exact", "store::other_process", "--nocapture"])
        .env(PATH, path)
        .stdout(Stdio::piped())
        .spawn()
        .expect("starts")
}

#[test]
fn what_was_answered_survives_kill_nine() {
    for round in 0..6_u64 {
        let folder = TempDir::new().expect("temp");
        let path = folder.path().join("store.db");
        let mut other = start(&path);
        let lines = BufReader::new(other.stdout.take().expect("piped")).lines();
        let mut kept: Vec<(i64, String)> = Vec::new();
        let mut killed = false;
        // All that it said before it died counts, also what is still in the pipe.
        for line in lines {
            let line = line.expect("UTF-8");
            if let Some(("kept", rest)) = line.split_once(' ') {
                let (id, body) = rest.split_once(' ').expect("id and body");
                kept.push((
                    id.parse().expect("a number"),
                    format!("{body} {}", "x".repeat(5000)),
                ));
            }
            if kept.len() as u64 > 40 + 37 * round && !killed {
                other.kill().expect("killed");
                killed = true;
            }
        }
        other.wait().expect("gone");
        assert!(killed, "it ended by itself");

        let started = Instant::now();
        let store = Store::open(&path, Mode::Owner).expect("opens after a kill");
        assert!(started.elapsed() < Duration::from_secs(2), "slow to open");
        for (id, body) in &kept {
            let stored = store
                .read(|conn| objects::body(conn, ObjectId(*id)))
                .expect("there");
            assert_eq!(stored, body.as_bytes());
        }
        let sound = Looker::open(&path).and_then(|looker| looker.verify(|_, _| ()));
        assert_eq!(sound.expect("checked").damages, []);
    }
}

#[test]
fn a_second_process_is_refused_and_a_guest_writes_beside_the_first() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let mut other = start(&path);
    let mut lines = BufReader::new(other.stdout.take().expect("piped")).lines();
    assert!(
        lines.any(|line| line.as_ref().is_ok_and(|line| line.starts_with("kept"))),
        "it works"
    );

    let started = Instant::now();
    let refused = Store::open(&path, Mode::Owner).expect_err("held");
    assert!(started.elapsed() < Duration::from_secs(2), "slow to refuse");
    assert!(
        refused.to_string().contains(&other.id().to_string()),
        "{refused}"
    );

    // Drains the pipe, so that the other does not stand still.
    let drain = std::thread::spawn(move || lines.count());
    let guest = Store::open(&path, Mode::Guest).expect("a guest");
    for n in 0..20 {
        let body = format!("from the guest {n}");
        // The other hardly ever lets go: on a loaded machine "try again" is a fair answer.
        while let Err(error) = keep(&guest, body.as_bytes()) {
            assert!(matches!(error, StoreError::Busy), "{error}");
        }
    }
    drop(guest);
    other.kill().expect("killed");
    other.wait().expect("gone");
    drain.join().expect("drained");
    Store::open(&path, Mode::Owner).expect("free after the owner died");
}
