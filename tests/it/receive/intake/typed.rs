//! What people type comes by the same way in: as typed, and as a table.

use super::*;
use sheathline::entering::{self, Bring, NotEntered};
use sheathline_model::annotations::{Author, By};
use sheathline_model::entered::table::{Declared, Shape, Signing, table};
use sheathline_model::entered::{Limits, Table, Unit};

/// A table of so many exams of one patient.
fn exams(count: usize) -> Table {
    let mut text = "patient_id,birth_date,date,right,left\n".to_owned();
    for n in 1..=count {
        text.push_str(&format!("C-3,2015-03-02,2020-04-{n:02},4.6,4.7\n"));
    }
    let declared = Declared::new(Unit::Mm, Shape::Exams);
    let signing = Signing {
        author: "Farnwick^Ilse".to_owned(),
        at: chrono::DateTime::parse_from_rfc3339("2026-04-01T11:00:00+02:00").expect("a time"),
        reason: String::new(),
    };
    let table = table(text.as_bytes(), &declared, &signing, &Limits::default());
    assert!(table.is_clean() && table.exams.len() == count);
    table
}

fn by() -> By {
    By {
        author: Author::Account("Farnwick^Ilse".to_owned()),
        entered_by: String::new(),
        source: "command".to_owned(),
        reason: String::new(),
    }
}

/// Brings a table of two exams, or signs one measurement, so many times; how it ended the last time.
fn enter(hall: &Hall, as_table: bool, times: usize) -> Result<(), NotEntered> {
    let table = exams(2);
    let enter = || {
        if as_table {
            let bring = Bring {
                table: &table,
                by: &by(),
                file_name: "old.csv",
                file_sha256: [7; 32],
                current_days: None,
            };
            entering::bring_in(&hall.store, &hall.observed, &bring).map(drop)
        } else {
            let typed = &table.exams[0].typed;
            let limits = Limits::default();
            entering::sign(&hall.store, &hall.observed, typed, &by(), &limits).map(drop)
        }
    };
    (1..times).try_for_each(|_| enter())?;
    enter()
}

/// What goes wrong, and how it is brought about.
type Case = (&'static str, fn(&Hall));

#[test]
fn what_people_type_is_kept_counted_and_told_like_any_other() {
    let ways = [("entered", false, 1), ("table", true, 2)];
    for (way, as_table, objects) in ways {
        // The same again is nothing that came.
        for times in [1, 2] {
            let hall = Hall::new();
            enter(&hall, as_table, times).expect("entered");
            let kept = [(format!("{way} kept"), objects)];
            assert_eq!(hall.arrived(), kept.into(), "{way}, {times} times");
            assert!(hall.told(0).is_empty(), "told when it is read");
        }
        // Cut off by the store: all or nothing, counted and told once as a serious failure.
        let cases: [Case; 3] = [
            ("full", Hall::fill),
            ("in doubt", Hall::doubt),
            ("a fault of our own", |hall| {
                let sql = "create trigger refuse before insert on object \
                           begin select raise(abort, 'PATIENT'); end;";
                hall.run(sql).expect("made");
            }),
        ];
        for (what, to) in cases {
            let hall = Hall::new();
            to(&hall);
            let ended = enter(&hall, as_table, 1);
            assert!(matches!(ended, Err(NotEntered::Store(_))), "{way}, {what}");
            let failed = [(format!("{way} failed"), 1)];
            assert_eq!(hall.arrived(), failed.into(), "{way}, {what}");
            assert_eq!(hall.told(1), ["110107 C 8"], "{way}, {what}");
        }
    }
}
