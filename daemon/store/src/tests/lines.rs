//! How long lists of work take in a large store. A measurement, not a test: the answer is printed.

use super::open;
use crate::exam_lines::{self, Filter, Pages, Period};
use chrono::{DateTime, TimeDelta, Utc};
use sheathline_model::assess::Status;
use sheathline_model::domain::{Moment, PatientKey};
use sheathline_model::worklist::{Line, Rise};
use std::collections::BTreeSet;
use std::time::Instant;
use tempfile::TempDir;

/// Lines of the store, and how many of them are unacknowledged rises of today.
const LINES: u32 = 100_000;
const RISES: u32 = 1_000;

fn line(n: u32) -> Line {
    let is_rise = n < RISES;
    let day = DateTime::UNIX_EPOCH + TimeDelta::days(20_000 - i64::from(n % 4_000));
    Line {
        exam_id: format!("E{n:016x}"),
        patient: PatientKey {
            issuer: "CLINIC".to_owned(),
            id: format!("P{n}"),
        },
        name: Some("Ambergris^Toma".to_owned()),
        birth_date: "1990-04-05".parse().ok(),
        sex: None,
        accession: Some(format!("A{n}")),
        performed_at: Moment {
            local: day.naive_utc(),
            offset_s: Some(3600),
        },
        first_at: day,
        version: 2,
        status: match (is_rise, n % 5) {
            (true, _) => Status::WellAboveExpected,
            (false, 0) => Status::NoBaseline,
            _ => Status::WithinExpected,
        },
        flagged: is_rise,
        reason: None,
        first: false,
        why: None,
        doubts: Vec::new(),
        date_doubted: false,
        eye_word: Some("both".to_owned()),
        measured_mm: Some(5.912),
        expected_mm: Some(5.004),
        change_mm: Some(0.908),
        z: Some(3.2),
        operator: Some(format!("Operator{}", n % 20)),
        device: Some("Lumen 4 0815".to_owned()),
        label: None,
        rise: is_rise.then_some(Rise::New),
        rise_since: is_rise.then_some(day),
        worse: None,
        history_only: false,
        second: None,
        left_out: false,
        location: Some(format!("Ward {}", n % 7)),
        named_by: Some("2.25.123456789".to_owned()),
    }
}

#[test]
#[ignore = "a measurement; --ignored --nocapture"]
#[allow(clippy::print_stderr, reason = "this is what it is for")]
fn today_of_a_large_store() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    for first in (0..LINES).step_by(5_000) {
        store
            .write(move |tx| {
                let lines: Vec<_> = (first..first + 5_000)
                    .map(|n| (line(n).patient, line(n)))
                    .collect();
                exam_lines::put(tx, &BTreeSet::new(), &lines)
            })
            .expect("put");
    }
    let day = DateTime::<Utc>::UNIX_EPOCH + TimeDelta::days(20_000);
    let of = |period| Filter {
        period,
        ..Filter::default()
    };
    let filters = [
        ("the last days", of(Period::Came(day - TimeDelta::days(7)))),
        (
            "one day",
            of(Period::Done(Some(day.date_naive()), Some(day.date_naive()))),
        ),
        ("all days", Filter::default()),
        (
            "all days of one operator",
            Filter {
                operator: Some("Operator3".to_owned()),
                ..Filter::default()
            },
        ),
    ];
    for (name, filter) in filters {
        let began = Instant::now();
        let today = store
            .read(|view| exam_lines::today(view, &filter, &Pages::first(1_000)))
            .expect("read");
        let took = began.elapsed();
        let lists = today.lists().map(|list| {
            let shown = list.lines.len();
            format!("{shown} of {}", list.total)
        });
        eprintln!("{name}: {} in {took:?}", lists.join(", "));
    }
    let began = Instant::now();
    let choices = store.read(exam_lines::choices).expect("read");
    let took = began.elapsed();
    eprintln!("{} operators in {took:?}", choices.operators.names.len());
}
