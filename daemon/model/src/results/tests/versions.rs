//! Each version says what really changed since the one before it.

use super::*;
use crate::results::{Seen, change, seen};
use chrono::{Days, NaiveDate};

/// The newest versions, as a store keeps them, and every reason that was ever given.
#[derive(Default)]
struct Shelf {
    latest: BTreeMap<String, Latest>,
    whys: Vec<String>,
}

impl Shelf {
    /// Assesses everything known, as after each arrival.
    fn assess(&mut self, known: &Known) -> usize {
        let versions = new_versions(results(known), &self.latest, &[]).expect("versions");
        let count = versions.len();
        for one in versions {
            assert!(!one.why.is_empty());
            if let Some(old) = self.latest.get(&one.content.exam.id) {
                let (old, new) = (seen(&old.content).expect("JSON"), seen(&one.content));
                assert_ne!(old, new.expect("JSON"), "{:?}", one.why);
            }
            self.whys.extend(one.why);
            // A stored content is rounded.
            let json = serde_json::to_string(&one.content).expect("JSON");
            let latest = Latest {
                version: one.version,
                key: one.key,
                content: serde_json::from_str(&json).expect("a content"),
            };
            self.latest.insert(one.content.exam.id, latest);
        }
        count
    }

    fn software(&self) -> Vec<&String> {
        let blamed = self.whys.iter();
        blamed.filter(|why| why.contains("software")).collect()
    }

    fn says(&self, part: &str) -> bool {
        self.whys.iter().any(|why| why.contains(part))
    }
}

/// Exam `n` of a long history, `n` months after the first; some are wide, some say little.
fn visit(n: u64) -> ObjectReading {
    let first: NaiveDate = "2015-01-10".parse().expect("a day");
    let day = first.checked_add_days(Days::new(n * 37)).expect("a day");
    let mm = 5.0 + [0.0, 0.2, -0.1, 0.1, 0.9, -0.2][n as usize % 6];
    let mut one = exam(n as usize, &day.to_string(), mm);
    let patient = one.patient.as_mut().expect("a patient");
    match n % 10 {
        3 => patient.birth_date = None,
        // Filed under the wrong patient, maybe.
        7 => patient.birth_date = "1990-01-01".parse().ok(),
        _ => {}
    }
    one
}

/// Many exams that arrive newest first, one by one, and are labelled one by one: nothing but the
/// set changes, so no version may blame templates or software.
#[test]
fn a_version_never_blames_the_software_for_what_the_set_changed() {
    let mut shelf = Shelf::default();
    let mut known = Known::default();
    let count = 26;
    for n in (0..count).rev() {
        known.readings.push(visit(n));
        shelf.assess(&known);
    }
    for n in 0..count {
        let label = match n % 6 {
            4 => Label::RaisedConfirmed,
            _ => Label::Well,
        };
        known
            .labels
            .push((About::of_study(format!("2.{n}")), label));
        shelf.assess(&known);
    }
    known.events.push(Event {
        date: "2016-05-05".parse().expect("a day"),
        kind: EventKind::CsfSurgery,
    });
    shelf.assess(&known);
    known.readings.remove(0);
    shelf.assess(&known);
    assert_eq!(shelf.software(), Vec::<&String>::new());
    for part in [
        "was added to those not used: ",
        "a remark on the exam was added (identity-differs)",
        "a remark on the exam changed (identity-differs)",
        "joined the baseline",
        "told otherwise among those not used",
    ] {
        assert!(shelf.says(part), "{part}");
    }
    // Nothing changes, nothing is made.
    assert_eq!(shelf.assess(&known), 0);
}

/// One after the other, as a person labels them: of the exams that rest on a labelled one only those
/// get a version that read otherwise for it.
#[test]
fn labels_that_change_nothing_that_is_read_make_no_versions() {
    let mut shelf = Shelf::default();
    let mut known = Known::default();
    let days = (0..12).map(|n| format!("{}-03-01", 2010 + n));
    known.readings = days
        .enumerate()
        .map(|(n, day)| exam(n, &day, 5.0 + 0.002 * n as f64))
        .collect();
    assert_eq!(shelf.assess(&known), 12);
    // The first label confirms the baseline of all later exams.
    known.labels.push((About::of_study("2.0"), Label::Well));
    assert_eq!(shelf.assess(&known), 12);
    let mut further = 0;
    for n in 1..12 {
        known
            .labels
            .push((About::of_study(format!("2.{n}")), Label::Well));
        further += shelf.assess(&known);
    }
    // Each its own, and once all exams before it are labelled its remark on those that are not goes.
    assert_eq!(further, 11 + 10);
    assert_eq!(shelf.assess(&known), 0);
}

/// Labels given in one act are one change.
#[test]
fn labels_of_one_act_make_one_version_of_each_result() {
    let mut shelf = Shelf::default();
    let mut known = Known::default();
    let days = (0..12).map(|n| format!("{}-03-01", 2010 + n));
    known.readings = days
        .enumerate()
        .map(|(n, day)| exam(n, &day, 5.0 + 0.002 * n as f64))
        .collect();
    shelf.assess(&known);
    for n in 0..12 {
        known
            .labels
            .push((About::of_study(format!("2.{n}")), Label::Well));
    }
    assert_eq!(shelf.assess(&known), 12);
}

/// What the newest versions say to a reader is a function of the set, though what they tell of its
/// origin may be older.
#[test]
fn the_newest_versions_read_the_same_in_any_order() {
    let all: Vec<ObjectReading> = (0..14).map(visit).collect();
    let mut told = Vec::new();
    for step in [1, 3, 5, 13] {
        let mut shelf = Shelf::default();
        let mut known = Known::default();
        for n in 0..all.len() {
            known.readings.push(all[n * step % all.len()].clone());
            shelf.assess(&known);
        }
        let read = |one: &Latest| seen(&one.content).expect("JSON");
        let newest: Vec<Seen> = shelf.latest.values().map(read).collect();
        let wanted = results(&known).into_iter();
        let mut wanted: Vec<_> = wanted.map(|one| (one.exam.id.clone(), one)).collect();
        wanted.sort_by(|a, b| a.0.cmp(&b.0));
        let wanted: Vec<Seen> = wanted
            .iter()
            .map(|(_, one)| seen(one).expect("JSON"))
            .collect();
        assert_eq!(newest, wanted, "step {step}");
        told.push(newest);
    }
    assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
}

fn why(before: &Known, now: &Known, study: &str) -> Vec<String> {
    let named = |known: &Known| -> Content {
        let mut told = results(known).into_iter();
        told.find(|one| one.exam.study_instance_uid == study)
            .expect("the exam")
    };
    let stored = serde_json::to_string(&named(before)).expect("JSON");
    let stored: Content = serde_json::from_str(&stored).expect("a content");
    change::why(Some(&stored), &named(now))
}

#[test]
fn a_stranger_under_the_same_id_is_the_reason_where_only_its_remark_is_new() {
    let before = known(vec![exam(1, "2022-03-01", 5.0), exam(2, "2023-03-01", 5.0)]);
    let mut now = before.clone();
    now.readings
        .push(born(exam(3, "2024-03-01", 5.0), "1999-09-09"));
    assert_eq!(
        why(&before, &now, "2.1"),
        [
            "a remark on the exam was added (identity-differs): Exams of 2024-03-01 under the same \
             patient id give another birth date or sex; they were not compared with."
        ]
    );
}

#[test]
fn an_exam_that_does_not_serve_is_the_reason_where_only_the_list_is_new() {
    let mut before = known(vec![exam(1, "2022-03-01", 5.0), exam(2, "2023-03-01", 5.0)]);
    let raised = (About::of_study("2.3"), Label::RaisedConfirmed);
    before.labels.push(raised);
    let mut now = before.clone();
    // Of the day of the second exam, and raised: no event before it, and no baseline.
    now.readings.push(exam(3, "2023-03-01", 6.0));
    let told = why(&before, &now, "2.2");
    assert_eq!(
        told.first().map(String::as_str),
        Some(
            "the exam of 2023-03-01 was added to those not used: taken on the same day as this exam"
        )
    );
}

/// Only where the same report was really read otherwise.
#[test]
fn software_is_named_where_the_same_report_is_read_otherwise() {
    let before = known(vec![exam(1, "2022-03-01", 5.0)]);
    let mut now = before.clone();
    now.readings[0].measurements[0].value_mm = Millimetres::from_mm(5.4);
    let told = why(&before, &now, "2.1");
    assert_eq!(told, ["templates or software read the report differently"]);

    let mut now = before.clone();
    now.readings[0].template = Some("tid1500@111111111111".to_owned());
    let told = why(&before, &now, "2.1");
    assert_eq!(told, ["a changed template read the report again"]);
}

/// A replaced version that was damaged says so, not that something was read otherwise.
#[test]
fn a_damaged_version_is_the_reason_for_the_next() {
    let known = known(vec![exam(1, "2022-03-01", 5.0)]);
    let content = results(&known).remove(0);
    let damaged = Latest {
        version: 2,
        key: String::new(),
        content: content.clone(),
    };
    let latest = [(content.exam.id.clone(), damaged)].into();
    let made = new_versions(vec![content], &latest, &[]).expect("versions");
    assert_eq!(made[0].why, ["version 2 was damaged in the store"]);
}

/// What is only too old to be listed was not taken out.
#[test]
fn a_longer_history_is_no_exam_less() {
    let first = chrono::NaiveDate::from_ymd_opt(2015, 1, 1).unwrap();
    let exam_of = |n: usize| {
        let day = first + chrono::TimeDelta::days(30 * n as i64);
        // No two of equal readings: the later would be doubted.
        exam(n, &day.to_string(), 5.0 + 0.002 * n as f64)
    };
    let newest = |all: Vec<ObjectReading>| {
        let mut contents = of_patient(&known(all), &Site::default()).unwrap();
        contents.pop().unwrap()
    };
    // Twenty serve, forty are listed.
    let all: Vec<ObjectReading> = (1..=61).map(exam_of).collect();
    let whole = newest(all.clone());
    assert_eq!(
        (whole.not_compared.len(), whole.assessment.set_aside_until),
        (40, None)
    );
    let mut more = all.clone();
    more.push(exam_of(0));
    let why = change::why(Some(&whole), &newest(more));
    assert_eq!(
        why,
        ["there are more or fewer exams not used than are listed"]
    );
    let mut more = all;
    more.push(exam(
        99,
        &(first + chrono::TimeDelta::days(30 * 30 + 7)).to_string(),
        5.001,
    ));
    let why = change::why(Some(&whole), &newest(more)).join("; ");
    assert!(
        why.contains("was added to those not used") && !why.contains("taken out"),
        "{why}"
    );
}
