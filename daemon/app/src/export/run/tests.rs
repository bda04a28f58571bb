//! Runs over a store of this process; `tests/python/check_export.py` reads what they write.

use super::*;
use crate::export::manifest::Manifest;
use crate::export::row::Identified;
use crate::pipeline::{Beside, Pipeline};
use sheathline_model::annotations::Said;
use sheathline_model::reading::Rules;
use sheathline_model::results::Site;
use sheathline_model::template::Templates;
use sheathline_store::Mode;
use sheathline_store::objects::{self, Incoming};
use std::cell::Cell as Counter;
use std::fs;
use std::time::Duration;
use tempfile::TempDir;

struct Nobody;

impl Watch for Nobody {
    fn begin(&mut self, _: Phase, _: u64) {}
    fn step(&mut self, _: u64) {}
    fn shown(&mut self, _: Phase, _: u64) {}
}

fn filled(folder: &Path, cases: &[&str]) -> Store {
    let store = Store::open(&folder.join("store.sqlite"), Mode::Owner).expect("opens");
    let reports = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/sr");
    for case in cases {
        let bytes = fs::read(reports.join(case).join("report.dcm")).expect("fixture");
        let one = Incoming::new(&bytes, None, "folder", "", chrono::Utc::now()).expect("packed");
        store
            .write(move |tx| objects::keep(tx, &one))
            .expect("kept");
    }
    let rules = Rules::new(Templates::load(&[], &[]).expect("built in"));
    let (site, outbox) = (Site::default(), folder.join("outbox"));
    let pipeline = Pipeline::new(store.clone(), rules, site, outbox, Beside::default());
    pipeline.drain(Duration::ZERO, |_| {}).expect("drained");
    store
}

fn job<'a>(store: &'a Store, to: &'a Path, tell: &'a dyn Fn() -> bool) -> Job<'a> {
    Job {
        store,
        to,
        identified: true,
        transform: &Identified,
        part: 1,
        fhir: false,
        tell,
    }
}

fn manifest(to: &Path) -> Manifest {
    serde_json::from_slice(&fs::read(to.join("manifest.json")).expect("there")).expect("JSON")
}

/// PS3.15 A.5.3.4: the trail is told before anything can be taken away. Where it cannot be, nothing is
/// to be seen, and the next run does it all.
#[test]
fn nothing_becomes_visible_that_nobody_was_told_of() {
    let folder = TempDir::new().expect("temp");
    let store = filled(folder.path(), &["tid1500"]);
    let to = folder.path().join("tables");
    let refused = run(&job(&store, &to, &|| false), &mut Nobody);
    assert!(matches!(refused, Err(ExportError::NotTold)));
    assert!(!to.join("history").exists() && !to.join("current").exists());
    assert!(manifest(&to).history.is_empty());
    let told = Counter::new(0);
    let tell = || {
        // What this part shows is not there yet; what earlier parts showed is named.
        let named = manifest(&to).history;
        assert!(named.iter().all(|file| to.join(&file.path).exists()));
        assert_eq!(to.join("history").exists(), told.get() > 0);
        told.set(told.get() + 1);
        true
    };
    let done = run(&job(&store, &to, &tell), &mut Nobody).expect("done");
    assert_eq!(told.get(), done.parts + 1);
    assert!(done.current.is_some_and(|rows| rows > 0));
}

#[test]
fn a_store_that_is_not_the_one_before_is_refused() {
    let folder = TempDir::new().expect("temp");
    let (one, other) = (folder.path().join("one"), folder.path().join("other"));
    fs::create_dir_all(&one).expect("made");
    fs::create_dir_all(&other).expect("made");
    let to = folder.path().join("tables");
    let first = filled(&one, &["tid1500"]);
    run(&job(&first, &to, &|| true), &mut Nobody).expect("done");
    let second = filled(&other, &["amended-first"]);
    let refused = run(&job(&second, &to, &|| true), &mut Nobody);
    assert!(matches!(refused, Err(ExportError::OtherStore { .. })));
    let mixed = Job {
        identified: false,
        ..job(&first, &to, &|| true)
    };
    let refused = run(&mixed, &mut Nobody);
    assert!(matches!(refused, Err(ExportError::Mixed { .. })));
}

#[test]
fn what_a_cut_off_run_left_is_taken_away_and_nothing_else() {
    let folder = TempDir::new().expect("temp");
    let store = filled(folder.path(), &["tid1500"]);
    let to = folder.path().join("tables");
    run(&job(&store, &to, &|| true), &mut Nobody).expect("done");
    let exams = manifest(&to).history;
    let exams = exams.iter().find(|file| file.table == Table::Exams);
    let month = to.join(&exams.expect("a part").path);
    let month = month.parent().expect("a folder");
    fs::write(month.join("part-000099.csv"), "half").expect("written");
    fs::write(month.join("notes.txt"), "mine").expect("written");
    fs::create_dir_all(to.join(".partial")).expect("made");
    fs::write(to.join(".partial/exams.csv"), "half").expect("written");
    let again = run(&job(&store, &to, &|| true), &mut Nobody).expect("done");
    assert_eq!((again.parts, again.current), (0, None));
    assert!(!month.join("part-000099.csv").exists());
    assert!(!to.join(".partial/exams.csv").exists());
    assert!(month.join("notes.txt").exists());
}

/// A transformation sees every row, with its patient, and what it takes away is in no file.
#[test]
fn what_a_transformation_takes_away_is_in_no_file() {
    struct NoObjects;
    impl Transform for NoObjects {
        fn change(&self, row: Row) -> Option<Row> {
            (row.table != Table::Objects).then_some(row)
        }
    }
    let folder = TempDir::new().expect("temp");
    let store = filled(folder.path(), &["tid1500"]);
    let to = folder.path().join("tables");
    let job = Job {
        transform: &NoObjects,
        ..job(&store, &to, &|| true)
    };
    run(&job, &mut Nobody).expect("done");
    let manifest = manifest(&to);
    let files = manifest.history.iter().chain(&manifest.current);
    let rows: Vec<u64> = files
        .filter(|one| one.table == Table::Objects)
        .map(|one| one.rows)
        .collect();
    assert!(rows.iter().all(|rows| *rows == 0), "{rows:?}");
}

/// Rows of what people said as they stand in the CSV files that a manifest names.
fn entries(to: &Path, files: &[File]) -> Vec<String> {
    let mut lines = Vec::new();
    for file in files {
        if file.table == Table::Entries && file.format == Format::Csv {
            let text = fs::read_to_string(to.join(&file.path)).expect("a file");
            lines.extend(text.lines().skip(1).map(str::to_owned));
        }
    }
    lines.sort();
    lines
}

/// Whoever exports after each entry, and whoever exports once, has the same rows; the current view is
/// the newest of each entry.
#[test]
fn what_people_said_is_told_when_it_was_said_and_when_it_was_mended() {
    let folder = TempDir::new().expect("temp");
    let store = filled(folder.path(), &["tid1500"]);
    let (many, once) = (folder.path().join("many"), folder.path().join("once"));
    let row = store.read(|conn| results::numbered(conn, 0, i64::MAX, 1));
    let row = row.expect("read").remove(0).1;
    let content = crate::known::content_of(&row).expect("sound");
    let about = sheathline_model::domain::About::of_study(content.exam.study_instance_uid);
    let by = sheathline_model::annotations::By {
        author: sheathline_model::annotations::Author::Account("Dr Ilse Farnwick".to_owned()),
        entered_by: "nell".to_owned(),
        source: "command".to_owned(),
        reason: "=1+1".to_owned(),
    };
    let mut counts = Vec::new();
    for label in [
        sheathline_model::domain::Label::Well,
        sheathline_model::domain::Label::RaisedConfirmed,
        sheathline_model::domain::Label::Well,
    ] {
        let said = Said::Label(about.clone(), label);
        let (by, key) = (by.clone(), row.patient.clone());
        store
            .write(move |tx| {
                let act = annotations::new_act(tx)?;
                annotations::say(tx, act, &by, &key, &said, chrono::Utc::now())
            })
            .expect("said");
        run(&job(&store, &many, &|| true), &mut Nobody).expect("done");
        counts.push(entries(&many, &manifest(&many).history).len());
    }
    // A correction is a row of its own, and one more of what it mends.
    assert_eq!(counts, [1, 3, 5]);
    run(&job(&store, &once, &|| true), &mut Nobody).expect("done");
    let [said, all] = [&many, &once].map(|to| entries(to, &manifest(to).history));
    assert_eq!(said, all);
    let [said, all] = [&many, &once].map(|to| entries(to, &manifest(to).current));
    assert_eq!(said, all);
    let in_force = all.iter().filter(|line| line.contains(",true,1,"));
    assert_eq!((all.len(), in_force.count()), (3, 1), "{all:#?}");
    assert!(all.iter().all(|line| line.contains(&content.exam.id)));
    // Nothing new, nothing written.
    let parts = manifest(&many).parts;
    run(&job(&store, &many, &|| true), &mut Nobody).expect("done");
    assert_eq!(manifest(&many).parts, parts);
}
