//! Invented patients answered by a separate implementation, line by line.
//!
//! `fixtures/assess/questions.jsonl` holds the questions, `answers.jsonl` what `answer.py` beside it
//! made of them, in Python with numpy: it inverts V plainly and screens by predicting each exam from
//! the others. `worked_matrices.json` holds every matrix of one comparison, from the same program.

use super::*;
use crate::assess::explain;
use serde_json::Value;

const QUESTIONS: &str = include_str!("../../../../../fixtures/assess/questions.jsonl");
const ANSWERS: &str = include_str!("../../../../../fixtures/assess/answers.jsonl");

#[test]
fn answers_agree_with_the_separate_implementation() {
    let questions: Vec<&str> = QUESTIONS.lines().collect();
    let answers: Vec<&str> = ANSWERS.lines().collect();
    assert_eq!(questions.len(), answers.len());
    let mut statuses = std::collections::BTreeSet::new();
    let mut refused = std::collections::BTreeSet::new();
    for (question, expected) in questions.into_iter().zip(answers) {
        let question: Question = serde_json::from_str(question).unwrap();
        let expected: Value = serde_json::from_str(expected).unwrap();
        let answer = assess(&question).unwrap();
        let answer = serde_json::to_value(&answer).unwrap();
        let who = &question.patient.id;
        for field in ["assess", "status", "reason", "flagged", "baseline", "basis"] {
            assert_eq!(answer[field], expected[field], "{who}, {field}");
        }
        statuses.insert(answer["status"].to_string());
        let aside = answer["set_aside"].as_array().unwrap();
        for (exam, why) in expected["refused"].as_object().unwrap() {
            let mut aside = aside.iter();
            let told = aside.find(|aside| aside["exam"] == exam.as_str());
            assert_eq!(told.map(|one| &one["reason"]), Some(why), "{who}, {exam}");
            refused.insert(why.to_string());
        }
        for row in ["right", "left", "both"] {
            let Value::Object(numbers) = &expected["rows"][row] else {
                continue;
            };
            for (name, number) in numbers {
                let found = &answer["rows"][row][name];
                match (found.as_f64(), number.as_f64()) {
                    (Some(found), Some(number)) => close(found, number, 2e-6),
                    _ => assert_eq!(found, number, "{who}, {row}, {name}"),
                }
            }
        }
    }
    assert_eq!(statuses.len(), 6, "every status is there: {statuses:?}");
    let unlabelled = refused
        .iter()
        .filter(|why| why.starts_with("\"unlabelled_"));
    assert_eq!(unlabelled.count(), 7, "every reason is there: {refused:?}");
}

/// Two baseline exams of a child: every term between the readings and the expected values.
#[test]
fn matrices_agree_with_the_separate_implementation() {
    let text = include_str!("../../../../../fixtures/assess/worked_matrices.json");
    let expected: Value = serde_json::from_str(text).unwrap();
    let question: Question = serde_json::from_value(expected["question"].clone()).unwrap();
    let answer = explain(&question).unwrap();
    let a = answer.arithmetic.unwrap();
    let numbers = |name: &str| -> Vec<f64> {
        match &expected[name] {
            Value::Array(rows) => rows.iter().flat_map(flat).collect(),
            one => flat(one),
        }
    };
    let agree = |name: &str, found: Vec<f64>| {
        let expected = numbers(name);
        assert_eq!(found.len(), expected.len(), "{name}");
        for (found, expected) in found.into_iter().zip(expected) {
            close(found, expected, 1e-9);
        }
    };
    agree("tau_years", a.exams.iter().map(|e| e.tau_years).collect());
    agree(
        "age_years",
        a.exams.iter().filter_map(|e| e.age_years).collect(),
    );
    agree("growth_mm", a.exams.iter().map(|e| e.growth_mm).collect());
    agree("y_mm", a.observations.iter().map(|o| o.y_mm).collect());
    agree("v", a.v.concat());
    agree("c", a.c.concat());
    agree("c_star", a.c_star.concat());
    agree("h", vec![a.h]);
    agree("level_mm", vec![a.level_mm]);
    agree("covariance", a.covariance.concat());
    let rows = [&answer.rows.right, &answer.rows.left];
    let means = rows.map(|row| comparison(row.as_ref()).expected_mm);
    agree("expected_mm", means.to_vec());
    assert_eq!(a.v.len(), 4);
}

/// A number, or the numbers of a row.
fn flat(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(row) => row.iter().flat_map(flat).collect(),
        one => vec![one.as_f64().unwrap()],
    }
}

/// The line that `assess` prints, with its working, to the last digit. `UPDATE_GOLDEN=1` writes it.
#[test]
fn the_printed_line_is_stable() {
    let question = include_str!("../../../../../fixtures/assess/worked_question.json");
    let question: Question = serde_json::from_str(question).unwrap();
    let printed = serde_json::to_string_pretty(&explain(&question).unwrap()).unwrap();
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        let file = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../fixtures/assess/worked_answer.json"
        );
        std::fs::write(file, printed.clone() + "\n").unwrap();
        return;
    }
    let expected = include_str!("../../../../../fixtures/assess/worked_answer.json");
    assert_eq!(printed.trim(), expected.trim());
}

/// Doubts, coarse digits and known offsets, from `doubts.py`: every number of every row, and exactly those
/// doubts.
#[test]
fn doubts_agree_with_the_separate_implementation() {
    let cases = include_str!("../../../../../fixtures/assess/doubts.json");
    let cases: Vec<Value> = serde_json::from_str(cases).unwrap();
    let mut seen = std::collections::BTreeSet::new();
    for case in &cases {
        let who = &case["name"];
        let question: Question = serde_json::from_value(case["question"].clone()).unwrap();
        let answer = serde_json::to_value(assess(&question).unwrap()).unwrap();
        let expected = &case["answer"];
        for row in ["right", "left", "both"] {
            for (name, number) in expected["rows"][row].as_object().unwrap() {
                let found = &answer["rows"][row][name];
                match (found.as_f64(), number.as_f64()) {
                    (Some(found), Some(number)) => close(found, number, 2e-6),
                    _ => assert_eq!(found, number, "{who}, {row}, {name}"),
                }
            }
        }
        let told = answer["notices"].as_array().unwrap().iter();
        let told = told.map(|notice| notice.as_str().unwrap());
        let told: Vec<&str> = told.filter(|notice| DOUBTS.contains(notice)).collect();
        let wanted = expected["notices"].as_array().unwrap().iter();
        let wanted: Vec<&str> = wanted.map(|notice| notice.as_str().unwrap()).collect();
        assert_eq!(told, wanted, "{who}");
        seen.extend(told.into_iter().map(str::to_owned));
    }
    assert_eq!(seen.len(), DOUBTS.len(), "every doubt is there: {seen:?}");
}

const DOUBTS: [&str; 6] = [
    "baseline_nerve_suspected",
    "coarse_readings",
    "far_from_own_level",
    "nerve_suspected",
    "same_as_earlier_exam",
    "sides_exchanged_suspected",
];
