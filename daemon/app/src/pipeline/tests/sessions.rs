//! Several exams of one study, through store and pipeline, in any order.

use super::*;
use crate::known::content_of;
use proptest::prelude::*;
use sheathline_model::domain::{Moment, ObjectReading, RemarkCode};
use sheathline_model::history::testing::reading;
use sheathline_model::history::{exam_id, session_id};
use sheathline_model::identity::{Act, Pair, Statement};
use sheathline_model::results::{Content, seen};
use sheathline_store::identity::{Recorded, state};
use std::collections::{BTreeMap, BTreeSet};

/// One thing that happens to a store.
#[derive(Debug, Clone)]
enum Step {
    /// Number of the report, its half hour, what it measures, and under which id it comes.
    Report(u32, u32, u8, bool),
    /// Both ids are one person's.
    Merge,
    Assess,
}

fn key(id: &str) -> PatientKey {
    PatientKey {
        issuer: "NOWHERE".to_owned(),
        id: id.to_owned(),
    }
}

fn scan(number: u32, half_hours: u32, kind: u8, is_other: bool) -> ObjectReading {
    let mm = [5.0 + f64::from(number) / 10.0];
    let (right, left): (&[f64], &[f64]) = match kind % 4 {
        0 => (&mm, &[]),
        1 => (&[], &mm),
        _ => (&mm, &mm),
    };
    let mut one = reading(&format!("1.{number}"), "2.1", "2024-05-01", right, left);
    let at = format!(
        "2024-05-01T{:02}:{:02}:00",
        8 + half_hours / 2,
        half_hours % 2 * 25
    );
    let facts = one.exam.as_mut().unwrap();
    facts.content_at = Some(Moment {
        local: at.parse().unwrap(),
        offset_s: None,
    });
    one.patient.as_mut().unwrap().key = key(if is_other { "B" } else { "A" });
    match kind / 4 {
        0 => one.predecessors = vec![format!("1.{}", half_hours % 6)],
        1 => one.state.preliminary = Some(half_hours.is_multiple_of(2)),
        _ => {}
    }
    one
}

/// What a store that went through these steps says: the newest result of each exam with the id it is
/// filed under.
fn told(steps: &[Step]) -> BTreeMap<String, (PatientKey, Content)> {
    let temp = TempDir::new().unwrap();
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
    let rules = Rules::new(Templates::builtin().unwrap());
    let outbox = temp.path().join("outbox");
    let pipeline = Pipeline::new(store, rules, Site::default(), outbox, Beside::default());
    let assess = || while pipeline.assess_some().unwrap() > 0 {};
    for step in steps {
        match *step {
            Step::Assess => assess(),
            Step::Report(number, at, kind, is_other) => {
                let read = scan(number, at, kind, is_other);
                let bytes = number.to_be_bytes();
                let bytes = Incoming::new(&bytes, None, "folder", "", Utc::now()).unwrap();
                let kept = pipeline
                    .store()
                    .write(move |tx| keep_as_read(tx, &bytes, &read));
                kept.unwrap();
            }
            Step::Merge => {
                let recorded = Recorded {
                    statement: Statement {
                        pair: Pair {
                            from: key("B"),
                            into: key("A"),
                        },
                        act: Act::Merge,
                        stated_at: chrono::DateTime::from_timestamp(1, 0).unwrap(),
                        source: "command".to_owned(),
                    },
                    message: String::new(),
                    who: String::new(),
                    why: "test".to_owned(),
                };
                let stated = move |tx: &sheathline_store::Tx| state(tx, &recorded, Utc::now());
                pipeline.store().write(stated).unwrap();
                pipeline.tell_stated().unwrap();
            }
        }
    }
    assess();
    let rows = pipeline
        .store()
        .read(|conn| sheathline_store::results::unpublished(conn, 9999));
    let mut newest = BTreeMap::new();
    for row in rows.unwrap() {
        let content = content_of(&row).unwrap();
        newest.insert(row.exam_id.clone(), (row.patient, content));
    }
    newest
}

/// What a reader sees of the exams that are told, by exam.
fn standing(told: &BTreeMap<String, (PatientKey, Content)>) -> BTreeMap<&String, String> {
    let standing = told
        .iter()
        .filter(|(_, (_, content))| !content.reports.is_empty());
    let seen = standing.map(|(id, (_, content))| (id, format!("{:?}", seen(content).unwrap())));
    seen.collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// The set decides what is told, each report is in exactly one exam unless it holds several, an exam
    /// is filed under the id its name is made of, and what is no more says where its readings went.
    #[test]
    fn exams_of_a_study_are_those_of_the_set_in_any_order(
        reports in proptest::collection::vec((0_u32..12, 0_u8..16, any::<bool>()), 1..6),
        shuffle in any::<u64>(),
        repeats in any::<bool>(),
    ) {
        let mut steps: Vec<Step> = reports
            .iter()
            .zip(0..)
            .map(|(&(at, kind, other), number)| Step::Report(number, at, kind, other))
            .collect();
        steps.push(Step::Merge);
        let mut turned = steps.clone();
        let mut state = shuffle | 1;
        for i in (1..turned.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            turned.swap(i, (state >> 33) as usize % (i + 1));
        }
        // Every state on the way is told.
        let mut turned: Vec<Step> = turned.into_iter().flat_map(|step| [step, Step::Assess]).collect();
        if repeats {
            turned.extend(steps.clone());
        }
        let (one, other) = (told(&steps), told(&turned));
        prop_assert_eq!(standing(&one), standing(&other));
        for all in [&one, &other] {
            for (id, (patient, content)) in all {
                let exam = &content.exam;
                let (study, at) = (&exam.study_instance_uid, exam.performed_at);
                prop_assert!([exam_id(patient, study), session_id(patient, study, at)].contains(id));
                if content.reports.is_empty() {
                    prop_assert!(content.remarks.iter().any(|remark| remark.code == RemarkCode::ReadingsMoved));
                }
            }
            let standing = all.values().flat_map(|(_, content)| &content.reports);
            let uids: Vec<&String> = standing.map(|report| &report.sop_instance_uid).collect();
            let each: BTreeSet<&String> = uids.iter().copied().collect();
            prop_assert_eq!((uids.len(), each.len()), (reports.len(), reports.len()));
        }
    }
}
