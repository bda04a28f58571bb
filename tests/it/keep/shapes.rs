//! Stores that earlier versions of the program left behind.

use super::{column, plain, process};
use crate::harness::{Site, fixture, program, tool};
use flate2::read::GzDecoder;
use sheathline_store::bare::Bare;
use sheathline_store::{Mode, Store};
use std::fs;
use std::io::Read;
use std::path::Path;

/// Shapes for which `fixtures/store` holds a store; a new shape adds the one before it.
const EARLIER: [i64; 10] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10];

/// The shape that this program makes of them.
const NEWEST: i64 = 11;

fn stored(shape: i64) -> Vec<u8> {
    let file = fs::File::open(fixture(&format!("store/shape-{shape}.sqlite.gz"))).expect("fixture");
    let mut bytes = Vec::new();
    GzDecoder::new(file).read_to_end(&mut bytes).expect("gzip");
    bytes
}

/// Everything of value, in words. What people said has tables of its own up to shape 7, and is
/// entries from then on.
fn content(file: &Bare) -> Vec<String> {
    let mut content = Vec::new();
    let said: &[&str] = match shape_of(file).0 {
        1 => &[LABELS, EVENTS],
        2..8 => &[LABELS, EVENTS, PRESSURES],
        _ => &[ENTRIES],
    };
    for sql in [
        "select id || ' ' || hex(body_sha256) || ' ' || repeats || ' ' || ifnull(reading, '-')
         from object order by id",
        "select exam_id || ' ' || version || ' ' || key || ' ' || content || ' ' || why || ' '
                || created_at || ' ' || published_at from result order by id",
    ] {
        content.extend(column(file, sql));
    }
    let mut words: Vec<String> = said.iter().flat_map(|sql| column(file, sql)).collect();
    words.sort();
    content.extend(words);
    content
}

const LABELS: &str =
    "select patient_issuer || '|' || patient_id || ' ' || study_instance_uid || ' '
    || label || ' ' || set_at from label";
const EVENTS: &str =
    "select patient_issuer || '|' || patient_id || ' ' || date || ' ' || kind || ' '
    || set_at from event";
const PRESSURES: &str = "select patient_issuer || '|' || patient_id || ' ' || study_instance_uid
    || ' ' || value || ' ' || unit || ' ' || set_at from pressure";
const ENTRIES: &str = "select patient_issuer || '|' || patient_id || ' '
    || ifnull(study_instance_uid, date) || ' ' || value || ifnull(' ' || unit, '') || ' '
    || recorded_at from entry where author_kind = 'unknown' and corrects is null";

fn shape_of(file: &Bare) -> (i64, Vec<String>) {
    let number = column(file, "pragma user_version");
    let number = number[0].parse().expect("a number");
    let parts = "select name || ' ' || ifnull(sql, '') from sqlite_schema order by name";
    (number, column(file, parts))
}

#[test]
fn every_earlier_shape_is_brought_up_with_all_it_holds() {
    for shape in EARLIER {
        let site = Site::new();
        fs::write(site.path("store.sqlite"), stored(shape)).expect("written");
        let before = content(&plain(&site));
        assert_eq!(shape_of(&plain(&site)).0, shape);
        // Only an owner changes it.
        let refused = site.run("verify", &[]);
        assert_eq!(refused.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&refused.stderr).contains("start `serve` or `process`"));
        drop(Store::open(&site.path("store.sqlite"), Mode::Owner).expect("brought up"));
        assert_eq!(content(&plain(&site)), before, "shape {shape}");
        site.ok("verify", &[]);
        // The object that waited is read; what came before is a repeat still.
        let sum = process(&site, &[fixture("sr/tid1500/report.dcm")]);
        assert!(!sum.contains("waiting"), "{sum}");
        assert!(sum.contains("+ repeats 4"), "{sum}");
        site.ok("verify", &[]);
        // Versions are added, none is changed.
        let after = content(&plain(&site));
        let results = before.iter().filter(|line| line.starts_with('E'));
        assert!(results.clone().count() >= 9);
        assert!(
            results.clone().all(|line| after.contains(line)),
            "shape {shape}"
        );
        let label = "select value || ' by ' || author_kind from entry where kind = 'label'";
        // Who said it was kept from shape 8 on.
        let by = if shape < 8 { "unknown" } else { "system_user" };
        assert_eq!(column(&plain(&site), label), [format!("well by {by}")]);
        if shape >= 9 {
            // What was read before it knew gists is told as well as what was read since.
            let codes = site.json("unmapped", &["--json"]);
            assert!(!codes.is_empty());
            assert!(codes.iter().all(|one| one["reports"] == 2), "{codes:?}");
        }
        // And it gives room back once it was written anew.
        site.ok("compact", &[]);
        site.ok("verify", &[]);
    }
}

/// Killed at every write on the way up (strace, `--inject`): what is left is one shape or another,
/// never a mix, and goes on from there.
#[test]
fn a_kill_while_a_store_is_brought_up_leaves_one_shape() {
    let shapes: Vec<(i64, Vec<String>)> = EARLIER
        .iter()
        .map(|&shape| {
            let folder = tempfile::TempDir::new().expect("temp");
            let path = folder.path().join("store.sqlite");
            fs::write(&path, stored(shape)).expect("written");
            shape_of(&Bare::open(&path).expect("opens"))
        })
        .collect();
    let site = Site::new();
    let store = site.path("store.sqlite");
    let (mut kills, mut seen) = (0, std::collections::BTreeSet::new());
    for call in ["pwrite64", "fdatasync"] {
        for number in 1.. {
            for name in ["store.sqlite-wal", "store.sqlite-shm", "store.sqlite.lock"] {
                let _ = fs::remove_file(site.path(name));
            }
            fs::write(&store, stored(1)).expect("written");
            let killed = killed_at(&site, call, number);
            let (shape, parts) = shape_of(&plain(&site));
            seen.insert(shape);
            match shapes.iter().find(|(known, _)| *known == shape) {
                Some((_, known)) => assert_eq!(&parts, known, "{call} {number}"),
                None => assert_eq!(shape, NEWEST, "{call} {number}"),
            }
            if shape == NEWEST || !killed {
                break;
            }
            kills += 1;
            drop(Store::open(&store, Mode::Owner).expect("goes on"));
            assert_eq!(shape_of(&plain(&site)).0, NEWEST);
            let sound = column(&plain(&site), "pragma integrity_check");
            assert_eq!(sound, ["ok"], "{call} {number}");
        }
    }
    assert!(kills >= 10, "{kills} kills prove nothing");
    assert!(seen.contains(&1) && seen.contains(&NEWEST), "{seen:?}");
}

/// Whether the program was killed at that call.
fn killed_at(site: &Site, call: &str, number: usize) -> bool {
    let inject = format!("inject={call}:signal=KILL:when={number}");
    let trace = format!("trace={call}");
    let report = fixture("sr/tid1500/report.dcm");
    let output = tool("strace")
        .args(["-f", "-qq", "-o", "/dev/null", "-e", &trace, "-e", &inject])
        .arg(program().get_program())
        .args(["process", "--config"])
        .args([&site.config() as &Path, &report])
        .output()
        .expect("strace runs");
    !output.status.success()
}
