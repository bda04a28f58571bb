//! The outbox: complete or absent, once, in order.

use super::*;
use crate::domain::PatientKey;
use crate::store::Mode;
use crate::store::results::NewResult;
use std::collections::BTreeMap;
use tempfile::TempDir;

fn with_results(folder: &TempDir, exams: &[&str]) -> Store {
    let store = Store::open(&folder.path().join("store.db"), Mode::Owner).expect("opens");
    for exam in exams {
        let content = format!("{{\"exam\":\"{exam}\"}}");
        let result = NewResult {
            exam_id: (*exam).to_owned(),
            patient: PatientKey {
                issuer: String::new(),
                id: "1".to_owned(),
            },
            key: results::key_of(&content),
            content,
            why: vec!["new exam".to_owned()],
        };
        store
            .write(move |tx| results::insert(tx, &result, chrono::Utc::now()))
            .expect("stored");
    }
    store
}

/// What [`render`] makes of the result of an exam.
fn json(exam: &str) -> Vec<u8> {
    let content = format!("{{\"exam\":\"{exam}\"}}");
    let key = results::key_of(&content);
    format!("{{\"key\":{key:?},{}", &content[1..]).into_bytes()
}

fn render(row: &ResultRow) -> Result<Vec<(&'static str, Vec<u8>)>, StoreError> {
    Ok(vec![
        (
            "result.json",
            format!("{{\"key\":{:?},{}", row.key, &row.content[1..]).into_bytes(),
        ),
        ("page.svg", b"<svg/>".to_vec()),
    ])
}

/// All of them, as the pipeline does.
fn publish(
    store: &Store,
    outbox: &Path,
    render: impl Fn(&ResultRow) -> Result<Vec<(&'static str, Vec<u8>)>, StoreError> + Sync,
) -> Result<usize, PublishError> {
    let mut total = 0;
    while let Some(some) = publish_some(
        store,
        outbox,
        || |row: &ResultRow| render(row).map(Some),
        |_| true,
        &[],
    )? {
        total += some;
    }
    Ok(total)
}

/// Every file below `folder` with its bytes, hidden ones too.
fn tree(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in fs::read_dir(folder).expect("readable") {
        let entry = entry.expect("readable");
        let name = entry.file_name().into_string().expect("UTF-8");
        if entry.file_type().expect("known").is_dir() {
            let below = tree(&entry.path());
            found.extend(
                below
                    .into_iter()
                    .map(|(file, bytes)| (format!("{name}/{file}"), bytes)),
            );
        } else {
            found.insert(name, fs::read(entry.path()).expect("readable"));
        }
    }
    found
}

#[test]
fn each_version_has_one_whole_folder() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let many: Vec<String> = (0..150).map(|n| format!("exam{n:03}")).collect();
    let mut exams: Vec<&str> = many.iter().map(String::as_str).collect();
    exams.push("exam000");
    let store = with_results(&folder, &exams);
    assert_eq!(publish(&store, &outbox, render).expect("published"), 151);
    let files = tree(&outbox);
    assert_eq!(files.len(), 302);
    assert_eq!(files["exam000-v2/result.json"], json("exam000"));
    assert_eq!(publish(&store, &outbox, render).expect("nothing left"), 0);
}

#[test]
fn a_crash_before_or_after_the_rename_repeats_and_changes_nothing() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["before", "after"]);
    // Before: a folder aside, half written. After: renamed, not marked.
    fs::create_dir_all(outbox.join(".partial-77-before-v1")).expect("made");
    fs::write(outbox.join(".partial-77-before-v1/result.json"), b"{\"ex").expect("written");
    fs::create_dir_all(outbox.join("after-v1")).expect("made");
    fs::write(outbox.join("after-v1/result.json"), json("after")).expect("written");
    sweep(&outbox).expect("swept");
    assert_eq!(publish(&store, &outbox, render).expect("published"), 2);
    let files = tree(&outbox);
    let names: Vec<&str> = files.keys().map(String::as_str).collect();
    assert_eq!(
        names,
        [
            "after-v1/result.json",
            "before-v1/page.svg",
            "before-v1/result.json"
        ]
    );
    assert_eq!(files["before-v1/result.json"], json("before"));
}

#[test]
fn what_cannot_be_written_is_named_and_tried_again() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["one", "two", "three"]);
    fs::create_dir_all(&outbox).expect("made");
    // A file where the folder of the second result has to go.
    fs::write(outbox.join("two-v1"), b"in the way").expect("written");
    let error = publish(&store, &outbox, render).expect_err("in the way");
    assert!(error.to_string().contains("two-v1"), "{error}");
    let left = store
        .read(|conn| results::unpublished(conn, 9))
        .expect("read");
    assert_eq!(
        left.iter()
            .map(|row| row.exam_id.as_str())
            .collect::<Vec<_>>(),
        ["two"],
        "it holds up nobody else"
    );
    fs::remove_file(outbox.join("two-v1")).expect("removed");
    assert_eq!(publish(&store, &outbox, render).expect("published"), 1);
}

#[test]
fn names_stay_inside_the_outbox() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    for hostile in ["../up", "a/b", "", "a\0b", ".hidden", &"x".repeat(250)] {
        let row = NewResult {
            exam_id: hostile.to_owned(),
            patient: PatientKey {
                issuer: String::new(),
                id: "1".to_owned(),
            },
            key: results::key_of("{}"),
            content: "{}".to_owned(),
            why: Vec::new(),
        };
        let inner = TempDir::new().expect("temp");
        let store = with_results(&inner, &[]);
        store
            .write(move |tx| results::insert(tx, &row, chrono::Utc::now()))
            .expect("stored");
        let done = publish(&store, &outbox, render);
        assert!(
            matches!(done, Err(PublishError::Name { .. })),
            "{hostile:?} {done:?}"
        );
    }
    let bad_file = |_: &ResultRow| Ok(vec![("../x", Vec::new())]);
    let store = with_results(&folder, &["fine"]);
    assert!(matches!(
        publish(&store, &outbox, bad_file),
        Err(PublishError::Name { .. })
    ));
    assert!(!folder.path().join("x").exists());
}

/// The outbox is ahead of a store that was restored from a copy: another result never hides behind
/// a number that is taken.
#[test]
fn a_number_taken_by_another_result_is_passed_over_and_told() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["exam", "exam"]);
    for (name, content) in [("exam-v1", json("exam")), ("exam-v2", json("other"))] {
        fs::create_dir_all(outbox.join(name)).expect("made");
        fs::write(outbox.join(name).join("result.json"), content).expect("written");
    }
    fs::create_dir_all(outbox.join("exam-v7")).expect("made");
    assert_eq!(publish(&store, &outbox, render).expect("published"), 2);
    let versions = store
        .read(|conn| results::versions(conn, "exam"))
        .expect("read");
    let last = versions.last().expect("there");
    assert_eq!((last.version, last.supersedes), (8, Some(7)));
    assert!(
        last.why[1].contains("version 7 stands in the outbox"),
        "{:?}",
        last.why
    );
    assert_eq!(tree(&outbox)["exam-v8/result.json"], json("exam"));
    assert_eq!(tree(&outbox)["exam-v2/result.json"], json("other"));
}

#[test]
fn a_damaged_version_is_not_published_and_its_patient_is_assessed_again() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["one", "two"]);
    store
        .write(|tx| {
            tx.execute(
                "update result set content = replace(content, 'one', 'ono')",
                [],
            )?;
            Ok(())
        })
        .expect("damaged");
    assert_eq!(publish(&store, &outbox, render).expect("published"), 1);
    assert_eq!(tree(&outbox).len(), 2);
    let waiting = store.read(patients::count_dirty).expect("read");
    assert_eq!(waiting, 1);
    assert_eq!(publish(&store, &outbox, render).expect("nothing left"), 0);
}
