//! Invented patients answered by a separate implementation, line by line.
//!
//! `fixtures/assess/questions.jsonl` holds the questions, `answers.jsonl` what a program in Python
//! with numpy made of them: it inverts V plainly and screens by predicting each exam from the others.

use super::*;
use crate::assess::explain;
use serde_json::Value;

const QUESTIONS: &str = include_str!("../../../../fixtures/assess/questions.jsonl");
const ANSWERS: &str = include_str!("../../../../fixtures/assess/answers.jsonl");

#[test]
fn answers_agree_with_the_separate_implementation() {
    let questions: Vec<&str> = QUESTIONS.lines().collect();
    let answers: Vec<&str> = ANSWERS.lines().collect();
    assert_eq!(questions.len(), answers.len());
    let mut statuses = std::collections::BTreeSet::new();
    for (question, expected) in questions.into_iter().zip(answers) {
        let question: Question = serde_json::from_str(question).unwrap();
        let expected: Value = serde_json::from_str(expected).unwrap();
        let answer = assess(&question).unwrap();
        let answer = serde_json::to_value(&answer).unwrap();
        let who = &question.patient.id;
        for field in ["assess", "status", "reason", "flagged", "baseline"] {
            assert_eq!(answer[field], expected[field], "{who}, {field}");
        }
        statuses.insert(answer["status"].to_string());
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
}

/// The line that `assess` prints, with its working, to the last digit.
#[test]
fn the_printed_line_is_stable() {
    let question = include_str!("../../../../fixtures/assess/worked_question.json");
    let question: Question = serde_json::from_str(question).unwrap();
    let printed = serde_json::to_string_pretty(&explain(&question).unwrap()).unwrap();
    let expected = include_str!("../../../../fixtures/assess/worked_answer.json");
    assert_eq!(printed.trim(), expected.trim());
}
