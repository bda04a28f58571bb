//! The outbox: complete or absent, once, in order.

use super::*;
use sheathline_model::domain::PatientKey;
use sheathline_store::Mode;
use sheathline_store::results::NewResult;
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::symlink;
use std::time::{Duration, Instant};
use tempfile::TempDir;

fn with_results(folder: &TempDir, exams: &[&str]) -> Store {
    let store = Store::open(&folder.path().join("store.db"), Mode::Owner).expect("opens");
    for exam in exams {
        add(&store, exam, "1");
    }
    store
}

fn add(store: &Store, exam: &str, patient: &str) {
    let content = format!("{{\"exam\":\"{exam}\"}}");
    let result = NewResult {
        exam_id: exam.to_owned(),
        patient: PatientKey {
            issuer: String::new(),
            id: patient.to_owned(),
        },
        key: results::key_of(&content),
        content,
        why: vec!["new exam".to_owned()],
    };
    store
        .write(move |tx| results::insert(tx, &result, chrono::Utc::now()))
        .expect("stored");
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
    render: impl Fn(&ResultRow) -> Result<Files, StoreError> + Sync,
) -> Result<usize, PublishError> {
    publish_at(store, outbox, &mut Waits::default(), Instant::now(), render)
}

fn publish_at(
    store: &Store,
    outbox: &Path,
    waits: &mut Waits,
    now: Instant,
    render: impl Fn(&ResultRow) -> Result<Files, StoreError> + Sync,
) -> Result<usize, PublishError> {
    folder::make_folder(outbox).expect("made");
    let part = &crate::duties::Share::all().now();
    let place = Place {
        store,
        outbox,
        part,
        publishing: Publishing::default(),
    };
    let mut total = 0;
    loop {
        let mut pass = Pass::new(waits, now);
        let mut done = 0;
        let renderer = || |row: &ResultRow| render(row).map(Some);
        while let Some(some) = publish_some(place, &mut pass, renderer, |_| true, &[])? {
            total += some.published;
            done += some.published + some.renumbered;
        }
        if done == 0 {
            return Ok(total);
        }
    }
}

fn left(store: &Store) -> Vec<String> {
    let left = store.read(|conn| results::unpublished(conn, 999));
    let name = |row: &ResultRow| folder_name(&row.exam_id, row.version);
    left.expect("read").iter().map(name).collect()
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
    folder::sweep(&outbox).expect("swept");
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

/// What makes the exams `bad…` fail, as one file that is there twice.
fn render_but(row: &ResultRow) -> Result<Files, StoreError> {
    let mut files = render(row)?;
    if row.exam_id.starts_with("bad") {
        files.rotate_right(1);
        files.insert(0, ("page.svg", Vec::new()));
    }
    Ok(files)
}

#[test]
fn what_cannot_be_written_holds_up_nobody_else_and_is_tried_again() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &[]);
    // More than are ever taken at a time, and older than all others.
    for n in 0..130 {
        add(&store, &format!("bad{n}"), &format!("b{n}"));
    }
    add(&store, "behind", "b7");
    for n in 0..100 {
        add(&store, &format!("good{n}"), &format!("g{n}"));
    }
    let (mut waits, start) = (Waits::default(), Instant::now());
    let mut try_at = |seconds, render: fn(&ResultRow) -> Result<Files, StoreError>| {
        let now = start + Duration::from_secs(seconds);
        let done = publish_at(&store, &outbox, &mut waits, now, render).expect("the others");
        (done, waits.count(), waits.words().map(str::to_owned))
    };
    let (done, waiting, words) = try_at(0, render_but);
    assert_eq!((done, waiting), (100, 130));
    let words = words.expect("a failure");
    assert!(
        words.starts_with("bad129-v1: ") && words.contains("page.svg"),
        "{words}"
    );
    assert_eq!(left(&store).len(), 131, "one stays behind its patient's");
    let hidden = fs::read_dir(&outbox).expect("readable").flatten();
    let hidden = hidden.filter(|entry| entry.file_name().as_encoded_bytes().starts_with(b"."));
    assert_eq!(hidden.count(), 0, "what failed leaves nothing behind");

    // Each wait is twice the one before: 2, 4, 8 seconds and so on, up to 10 minutes.
    assert_eq!(try_at(1, render).0, 0);
    assert_eq!(try_at(2, render_but).1, 130);
    assert_eq!(try_at(5, render).0, 0);
    assert_eq!(try_at(6, render_but).1, 130);
    let mut now = 6;
    for _ in 0..9 {
        now += 600;
        assert_eq!(try_at(now, render_but).1, 130);
    }
    assert_eq!(try_at(now + 599, render).0, 0);
    assert_eq!(try_at(now + 600, render), (131, 0, None));
    assert!(left(&store).is_empty());
}

/// Also where all results of a batch fail and nothing says that it is not the outbox.
#[test]
fn an_outbox_that_cannot_be_written_is_no_failure_of_its_results() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["one", "two"]);
    let mut waits = Waits::default();
    let now = Instant::now();
    let taken_away = |row: &ResultRow| {
        // As an outbox that is taken off while results are written.
        let _ = fs::remove_dir_all(&outbox);
        render(row)
    };
    let error = publish_at(&store, &outbox, &mut waits, now, taken_away).expect_err("gone");
    assert!(matches!(error, PublishError::Write { .. }), "{error}");
    assert_eq!(waits.count(), 0);
    // At once, without a wait.
    let done = publish_at(&store, &outbox, &mut waits, now, render);
    assert_eq!(done.expect("back"), 2);
}

#[test]
fn a_patient_s_results_come_in_order_whatever_fails() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["a", "bad", "b", "c"]);
    add(&store, "other", "2");
    let mut waits = Waits::default();
    let now = Instant::now();
    let done = publish_at(&store, &outbox, &mut waits, now, render_but).expect("the others");
    assert_eq!(done, 2);
    assert_eq!(left(&store), ["bad-v1", "b-v1", "c-v1"]);
    assert!(!outbox.join("b-v1").exists());
    // A new start tries it at once, with the same end; it needs no file for that.
    let mut waits = Waits::default();
    let done = publish_at(&store, &outbox, &mut waits, now, render_but).expect("the others");
    assert_eq!((done, waits.count()), (0, 1));
    let later = now + Duration::from_secs(2);
    let done = publish_at(&store, &outbox, &mut waits, later, render).expect("all");
    assert_eq!(done, 3);
}

#[test]
fn a_result_that_makes_the_program_fail_holds_up_nobody() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &[]);
    for n in 0..20 {
        add(&store, &format!("e{n}"), &n.to_string());
    }
    let panics = |row: &ResultRow| {
        assert_ne!(row.exam_id, "e3", "on purpose");
        render(row)
    };
    assert_eq!(publish(&store, &outbox, panics).expect("others"), 19);
    assert_eq!(left(&store), ["e3-v1"]);
}

/// A link, a file, a socket: none of them is a result, and none is followed.
#[test]
fn what_stands_under_a_result_s_name_is_passed_over_and_told() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(
        &folder,
        &["link", "link", "file", "dangling", "inside", "pipe"],
    );
    let elsewhere = folder.path().join("elsewhere");
    fs::create_dir_all(&elsewhere).expect("made");
    fs::create_dir_all(outbox.join("inside-v1")).expect("made");
    fs::create_dir_all(outbox.join("pipe-v1")).expect("made");
    fs::write(elsewhere.join("result.json"), json("link")).expect("written");
    symlink(&elsewhere, outbox.join("link-v1")).expect("linked");
    symlink("nowhere", outbox.join("dangling-v1")).expect("linked");
    fs::write(outbox.join("file-v1"), b"in the way").expect("written");
    // The whole content of the result, by a link: it is not this folder's.
    fs::write(folder.path().join("same"), json("inside")).expect("written");
    symlink(
        folder.path().join("same"),
        outbox.join("inside-v1/result.json"),
    )
    .expect("linked");
    let pipe = outbox.join("pipe-v1/result.json");
    let mode = rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR;
    rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, mode, 0).expect("made");
    assert_eq!(publish(&store, &outbox, render).expect("published"), 6);
    let versions = |exam: &'static str| {
        let rows = store
            .read(|conn| results::versions(conn, exam))
            .expect("read");
        rows.into_iter()
            .map(|row| (row.version, row.supersedes, row.why))
            .collect::<Vec<_>>()
    };
    // What was version 2 stays the newer one, and replaces what was version 1.
    let both = versions("link");
    assert_eq!([both[0].0, both[1].0], [2, 3]);
    assert_eq!([both[0].1, both[1].1], [None, Some(2)]);
    assert!(both[0].2[1].contains("is a link or a file"), "{both:?}");
    assert_eq!(both[1].2.len(), 1);
    for exam in ["file", "dangling", "inside", "pipe"] {
        assert_eq!(versions(exam)[0].0, 2, "{exam}");
        let there = outbox.join(format!("{exam}-v2/result.json"));
        assert_eq!(fs::read(there).expect("written"), json(exam));
    }
    // Nothing was written through them.
    assert_eq!(fs::read_dir(&elsewhere).expect("readable").count(), 1);
    assert_eq!(
        fs::read(outbox.join("file-v1")).expect("there"),
        b"in the way"
    );
}

/// An older version never comes under a higher number than a newer one.
#[test]
fn a_version_in_the_way_of_which_a_newer_one_is_out_waits() {
    let folder = TempDir::new().expect("temp");
    let outbox = folder.path().join("outbox");
    let store = with_results(&folder, &["exam", "exam"]);
    store
        .write(|tx| results::mark_published(tx, "exam", 2, &[], chrono::Utc::now()))
        .expect("marked");
    fs::create_dir_all(&outbox).expect("made");
    symlink("nowhere", outbox.join("exam-v1")).expect("linked");
    // A number that no result ever has is no number.
    fs::create_dir_all(outbox.join("exam-v4294967295")).expect("made");
    let mut waits = Waits::default();
    let now = Instant::now();
    assert_eq!(
        publish_at(&store, &outbox, &mut waits, now, render).expect("none"),
        0
    );
    assert!(waits.words().expect("a failure").contains("take it away"));
    assert_eq!(left(&store), ["exam-v1"]);
    fs::remove_file(outbox.join("exam-v1")).expect("removed");
    let later = now + Duration::from_secs(2);
    assert_eq!(
        publish_at(&store, &outbox, &mut waits, later, render).expect("one"),
        1
    );
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
        let mut waits = Waits::default();
        let done = publish_at(&store, &outbox, &mut waits, Instant::now(), render);
        assert_eq!(done.expect("none"), 0);
        let words = waits.words().expect("a failure");
        assert!(words.contains("is not safe"), "{hostile:?} {words}");
    }
    let bad_file = |_: &ResultRow| Ok(vec![("../x", Vec::new())]);
    let store = with_results(&folder, &["fine"]);
    assert_eq!(publish(&store, &outbox, bad_file).expect("none"), 0);
    assert_eq!(left(&store), ["fine-v1"]);
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
            let damage = "update result set content = replace(content, 'one', 'ono')";
            sheathline_store::bare::run(tx, damage)
        })
        .expect("damaged");
    assert_eq!(publish(&store, &outbox, render).expect("published"), 1);
    assert_eq!(tree(&outbox).len(), 2);
    let waiting = store.read(assessment_queue::count_dirty).expect("read");
    assert_eq!(waiting, 1);
    assert_eq!(publish(&store, &outbox, render).expect("nothing left"), 0);
}

/// Room comes back for all at once, so nothing waits long for it.
#[test]
fn what_the_disk_lacks_is_waited_for_in_short_steps() {
    let folder = TempDir::new().expect("temp");
    let store = with_results(&folder, &["exam"]);
    let start = Instant::now();
    let due_after = |errno: rustix::io::Errno, seconds: u64| {
        let mut waits = Waits::default();
        let error = PublishError::Write {
            path: "x".into(),
            source: errno.into(),
        };
        for _ in 0..20 {
            let mut pass = Pass::new(&mut waits, start);
            let one = store
                .read(|conn| results::pending(conn, 0, 1))
                .expect("read");
            pass.failed(one[0].clone(), "exam-v1", &error);
        }
        let now = start + Duration::from_secs(seconds);
        let mut pass = Pass::new(&mut waits, now);
        store
            .read(|conn| pass.next(conn, |_| true))
            .expect("read")
            .len()
            == 1
    };
    for errno in [rustix::io::Errno::NOSPC, rustix::io::Errno::IO] {
        assert!(!due_after(errno, 7) && due_after(errno, 8), "{errno}");
    }
    let other = rustix::io::Errno::EXIST;
    assert!(!due_after(other, 599) && due_after(other, 600));
}
