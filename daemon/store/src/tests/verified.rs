//! Rows that do not belong together are found, whichever they are.

use super::moving::fill;
use super::*;
use crate::verify::Looker;
use crate::{readings, results};
use sheathline_model::domain::{Disposition, PatientKey, Remark, RemarkCode};
use sheathline_model::history::testing;

/// Each is one thing that a database put back in part would show, and the words that tell it.
#[test]
fn rows_that_do_not_belong_together_are_found() {
    let cases = [
        ("", ""),
        (
            "delete from gist where id = 7",
            "object: 1 of its rows name a row of gist",
        ),
        (
            "delete from object where id = 7",
            "reading_change: 1 of its rows name a row of object",
        ),
        ("delete from object where id = 7", "archived: 1 of its rows"),
        (
            "delete from result where id = 7",
            "delivery: 1 of its rows name a row of result",
        ),
        (
            "delete from result where id = 7",
            "exam_line: 1 of its rows",
        ),
        (
            "delete from bringing where number = 7",
            "brought: 1 of its rows",
        ),
        (
            "update reading_change set version = 3 where id = 7",
            "of 1 objects the readings that became known are not counted",
        ),
        (
            "delete from reading_change where id = 900",
            "1 objects were read, and it is not noted when",
        ),
        (
            "insert into meta values ('audit_told', '901')",
            "up to number 901, and the last one here is 900",
        ),
        (
            "insert into meta values ('audit_told_statement', '950')",
            "table id_statement: audit_told_statement says",
        ),
        (
            "delete from meta where name = 'commits'",
            "it counts no commits",
        ),
    ];
    for (planted, told) in cases {
        let folder = TempDir::new().expect("temp");
        let store = open(&folder);
        fill(&store);
        drop(store);
        let path = folder.path().join("store.db");
        let lock = folder.path().join("store.db.lock");
        let file = Bare::open(&path).expect("plain open");
        file.change("delete from exam_line; insert into exam_line (exam_id, patient_issuer, patient_id, version,
                performed_at, first_at, status, flagged, history_only, unlabelled, line)
             select exam_id, '', '', 1, 't', 't', '', 0, 0, 1, '' from result;
             update object set disposition = 'accepted';")
            .expect("lines of exams that are there");
        file.change("PRAGMA foreign_keys = OFF;").expect("off");
        file.change(planted).expect("planted");
        drop(file);
        // A count of commits that is gone would be noticed by it first.
        std::fs::remove_file(lock).expect("there");
        let found = Looker::open(&path)
            .expect("opens")
            .verify(|_, _| ())
            .expect("verified");
        let words: Vec<String> = found
            .damages
            .iter()
            .map(|one| format!("{}: {}", one.part, one.how))
            .filter(|line| line.starts_with("table"))
            .collect();
        if planted.is_empty() {
            assert_eq!(words, [""; 0]);
        } else {
            assert!(
                words.iter().any(|line| line.contains(told)),
                "{planted}: {words:?}"
            );
        }
    }
}

/// A row that was put back alone says another thing than the text beside it.
#[test]
fn columns_that_do_not_agree_with_what_they_are_made_of_are_found() {
    let codes = "what keeps it in quarantine is noted as something else";
    let status = "its status is noted as something else";
    for (planted, part, told) in [
        ("select 1", "", ""),
        ("delete from object_blocking", "object 1", codes),
        (
            "update object_blocking set code = 'other'",
            "object 1",
            codes,
        ),
        (
            "insert into object_blocking values (1, 'other')",
            "object 1",
            codes,
        ),
        (
            "update result set status = 'no_baseline'",
            "result e version 1",
            status,
        ),
        (
            "update result set status = null",
            "result e version 1",
            status,
        ),
    ] {
        let folder = TempDir::new().expect("temp");
        let store = open(&folder);
        keep(&store, b"one").expect("kept");
        store
            .write(|tx| {
                let mut reading = testing::reading("1.1", "9.1", "2024-05-01", &[5.1], &[5.2]);
                reading.disposition = Disposition::Quarantined;
                reading.remarks = vec![Remark::of(RemarkCode::DecodeFailed, "A sentence.")];
                readings::finish_read(tx, ObjectId(1), &reading, reading.disposition.into())?;
                let content = r#"{"assessment":{"status":"well_above_expected"}}"#;
                let result = results::NewResult {
                    exam_id: "e".to_owned(),
                    patient: PatientKey {
                        issuer: "HERE".to_owned(),
                        id: "007".to_owned(),
                    },
                    key: results::key_of(content),
                    content: content.to_owned(),
                    why: Vec::new(),
                };
                results::insert(tx, &result, now())
            })
            .expect("stored");
        drop(store);
        let path = folder.path().join("store.db");
        let file = Bare::open(&path).expect("plain open");
        file.change(planted).expect("planted");
        drop(file);
        let found = Looker::open(&path).expect("opens").verify(|_, _| ());
        let damages = found.expect("verified").damages;
        let words: Vec<String> = damages
            .iter()
            .map(|one| format!("{}: {}", one.part, one.how))
            .collect();
        let expected = usize::from(!part.is_empty());
        assert_eq!(words.len(), expected, "{planted}: {words:?}");
        if let Some(line) = words.first() {
            assert!(
                line.starts_with(part) && line.contains(told),
                "{planted}: {line}"
            );
        }
    }
}
