//! From one shape of the store to the next.

use crate::bare::{self, Bare};
use crate::objects::{self, Incoming, Kept};
use crate::readings::gists;
use crate::sqlite::schema::STEPS;
use crate::{Mode, Store, StoreError, annotations, readings};
use chrono::Utc;
use sheathline_model::annotations::{Author, Counting, Of};
use sheathline_model::domain::{PatientKey, Remark, RemarkCode};
use sheathline_model::history::testing;
use std::path::Path;
use tempfile::TempDir;

/// An empty store of an earlier shape, without its number.
fn of_shape(path: &Path, shape: i64) -> Bare {
    let file = Bare::open(path).expect("plain open");
    for (_, step) in STEPS.iter().filter(|(number, _)| *number <= shape) {
        file.change(step).expect("a shape");
    }
    file
}

#[test]
fn a_store_of_the_first_shape_is_brought_up_with_what_it_holds() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let file = Bare::open(&path).expect("plain open");
    file.change(include_str!("../schema/001.sql"))
        .expect("first shape");
    file.change(
        "insert into event values ('HERE', '007', '2024-05-01', 'other', '2024-05-02T00:00:00Z');
         PRAGMA application_id = 1397247054; PRAGMA user_version = 1;",
    )
    .expect("marked");
    drop(file);
    let refused = Store::open(&path, Mode::Guest).expect_err("a guest changes no shape");
    assert!(
        matches!(refused, StoreError::Outdated { found: 1, .. }),
        "{refused}"
    );
    let store = Store::open(&path, Mode::Owner).expect("brought up");
    let key = PatientKey {
        issuer: "HERE".to_owned(),
        id: "007".to_owned(),
    };
    let all = store
        .read(|conn| annotations::of_patient(conn, &key))
        .expect("read");
    let counting = Counting::of(&all);
    assert_eq!((counting.events.len(), counting.pressures.len()), (1, 0));
}

/// Labels, events and pressures of the shape before entries, each with the time it was set, in the
/// order of those times, and said to be of nobody known.
#[test]
fn what_people_said_before_authors_were_kept_becomes_entries() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let file = of_shape(&path, 7);
    file.change(
        "insert into label values
            ('HERE', '007', '9.2', 'raised_confirmed', '2024-05-03T00:00:00.000000Z'),
            ('HERE', '007', '9.1', 'well', '2024-05-01T08:30:00.123456Z'),
            ('', '007', '9.1', 'after_decompression', '2024-05-04T00:00:00.000000Z');
         insert into event values
            ('HERE', '007', '2024-04-01', 'csf_surgery', '2024-05-02T00:00:00.000000Z');
         insert into pressure values
            ('HERE', '007', '9.2', '32.0', 'cm[H2O]', '2024-05-03T00:00:00.000000Z');
         PRAGMA application_id = 1397247054; PRAGMA user_version = 7;",
    )
    .expect("marked");
    drop(file);
    let store = Store::open(&path, Mode::Owner).expect("brought up");
    let key = PatientKey {
        issuer: "HERE".to_owned(),
        id: "007".to_owned(),
    };
    let all = store
        .read(|conn| annotations::of_patient(conn, &key))
        .expect("read");
    let told: Vec<_> = all
        .iter()
        .map(|one| {
            let at = one.recorded_at.to_rfc3339();
            let of = match one.said.of() {
                Of::Exam(about) => {
                    assert_eq!(about.readings, [], "all of the study");
                    about.study_instance_uid
                }
                Of::Day(date) => date.to_string(),
            };
            format!(
                "{} {} {of} {}",
                one.id,
                at,
                one.said.value().unwrap_or_default()
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            "1 2024-05-01T08:30:00.123456+00:00 9.1 well",
            "2 2024-05-02T00:00:00+00:00 2024-04-01 csf_surgery",
            "3 2024-05-03T00:00:00+00:00 9.2 raised_confirmed",
            "4 2024-05-03T00:00:00+00:00 9.2 32.0 cm[H2O]",
        ]
    );
    for one in &all {
        assert_eq!(one.by.author, Author::Unknown);
        assert_eq!(one.by.reason, "recorded before authors were kept");
        assert_eq!((one.act, one.corrects), (one.id, None));
    }
    let other = PatientKey {
        issuer: String::new(),
        ..key
    };
    let other = store.read(|conn| annotations::of_patient(conn, &other));
    assert_eq!(other.expect("read").len(), 1);
}

/// Gathered after the fact, gists are those that are noted with each reading; a reading that is damaged
/// stops nobody.
#[test]
fn readings_that_an_earlier_shape_stored_are_gathered() {
    let folder = TempDir::new().expect("temp");
    let store = super::open(&folder);
    for uid in ["1.1", "1.2", "1.3", "1.4"] {
        let mut one = testing::reading(uid, "9.1", "2024-05-01", &[5.1], &[5.2]);
        let remark = match uid {
            "1.3" => RemarkCode::LateralityMissing,
            _ => RemarkCode::ValueNotRecognised,
        };
        one.remarks.push(Remark::of(remark, "x"));
        let object = Incoming::new(uid.as_bytes(), None, "folder", "", Utc::now()).expect("packed");
        let filed = store.write(move |tx| {
            let (Kept::New(id) | Kept::Repeat(id)) = objects::keep(tx, &object)?;
            readings::finish_read(tx, id, &one, one.disposition.into())
        });
        filed.expect("filed");
    }
    let noted = store.read(|view| gists::alike(view, 9)).expect("read");
    assert_eq!((noted.0.len(), noted.0[0].reports), (1, 3));
    let before = store.write(|tx| {
        bare::run(
            tx,
            "update object set gist = null; delete from gist;
             update object set reading = reading || ' ' where id = 4;
             insert into meta values ('gists_wanted', '1 4');",
        )
    });
    before.expect("as a shape before left it");
    let told = || {
        let (all, _) = store.read(|view| gists::alike(view, 9)).expect("read");
        all.iter().map(|one| one.reports).collect::<Vec<_>>()
    };
    assert_eq!(told(), Vec::<u64>::new());
    let step = || {
        store
            .write(|tx| gists::gather_some(tx, 1))
            .expect("gathered")
    };
    assert_eq!((step(), told()), (1, vec![1]));
    assert_eq!((step(), step(), step(), step()), (1, 1, 1, 0));
    assert_eq!(told(), [2]);
}

/// Lines of the shape before have their columns filled, and readings of before are gathered; the same
/// whichever shape stored them.
#[test]
fn lines_and_gists_of_the_shape_before_are_filled() {
    let folder = TempDir::new().expect("temp");
    let path = folder.path().join("store.db");
    let file = of_shape(&path, 9);
    let line = |exam: &str, status: &str, history: i32, label: &str| {
        format!(
            "insert into exam_line values ('{exam}', '', 'P{exam}', 1, '2026-03-01T10:00:00',
                '2026-03-01T11:00:00.000000Z', '{status}', 0, {label}, null, null, 1, {history},
                '{{\"operator\":\"Iolo\",\"device\":null,\"location\":\"Ward 7\",\"accession\":\"A-1\"}}');"
        )
    };
    let lines = [
        line("a", "not_comparable", 0, "null"),
        line("b", "no_baseline", 1, "null"),
        line("c", "within_expected", 0, "'well'"),
        line("d", "withdrawn", 0, "null"),
    ];
    file.change(&lines.concat()).expect("lines");
    file.change("PRAGMA application_id = 1397247054; PRAGMA user_version = 9;")
        .expect("marked");
    drop(file);
    drop(Store::open(&path, Mode::Owner).expect("brought up"));
    let file = Bare::open(&path).expect("plain open");
    let column = |sql: &str| file.column(sql).expect("read");
    let found = column(
        "select exam_id || ' ' || ifnull(uncompared, '-') || ' ' || unlabelled || ' ' || operator || ' '
                || ifnull(device, '-') || ' ' || location || ' ' || accession || ' ' || reminded
         from exam_line order by exam_id",
    );
    assert_eq!(
        found,
        [
            "a other 1 Iolo - Ward 7 A-1 1",
            "b - 0 Iolo - Ward 7 A-1 1",
            "c - 0 Iolo - Ward 7 A-1 1",
            "d - 0 Iolo - Ward 7 A-1 1",
        ]
    );
    // Why it could not be compared, its patient is assessed for once.
    assert_eq!(column("select patient_id from dirty"), ["Pa"]);
    assert_eq!(
        column("select count(*) from meta where name = 'gists_wanted'"),
        ["0"]
    );
}
