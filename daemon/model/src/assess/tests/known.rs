//! Known offsets of operators and devices, scatters of operators, spellings.

use super::*;
use crate::assess::{Entry, KnownErrors, KnownOffset, Roster, explain};

fn offset(offset_mm: f64, standard_error_mm: f64) -> Option<KnownOffset> {
    Some(KnownOffset {
        offset_mm,
        standard_error_mm,
    })
}

fn roster() -> Roster {
    Roster {
        operators: vec![Entry {
            name: "A".to_owned(),
            also: vec!["a, the first".to_owned()],
            offset: offset(0.3, 0.05),
            sigma_w: None,
        }],
        devices: vec![Entry {
            name: "M|X|1".to_owned(),
            also: vec!["M|X|".to_owned()],
            offset: offset(-0.1, 0.04),
            sigma_w: None,
        }],
    }
}

/// 5.2 and 5.3 at the baseline, 5.7 and 5.8 now, as in the sheet of worked numbers.
fn exams(then: &str, now: &str) -> Vec<Exam> {
    let mut base = exam("b", "2023-01-10", &[5.2, 5.3, 5.1], &[5.3, 5.4, 5.2]);
    let mut today = exam("t", "2023-06-01", &[5.7, 5.8, 5.6], &[5.8, 5.9, 5.7]);
    base.operator = Some(then.to_owned());
    today.operator = Some(now.to_owned());
    vec![base, today]
}

fn applied(exams: Vec<Exam>) -> Vec<Exam> {
    exams.into_iter().map(|one| roster().apply(one)).collect()
}

/// By hand: the mean of both eyes has the variance 2 x 0.031383 + 0.0025 x 0.3888 = 0.063739 for one
/// operator and device; two operators add the variance of each, 0.0225 or what is left of a known offset.
#[test]
fn a_known_offset_is_taken_off_and_its_error_stands_for_the_spread_of_operators() {
    const SAME: f64 = 0.063_738_6;
    for (then, now, expected, operators) in [
        ("A", "A", 5.25, 0.0),
        ("B", "C", 5.25, 2.0 * 0.0225),
        ("A", "C", 4.95, 0.0025 + 0.0225),
        ("B", "A", 5.55, 0.0225 + 0.0025),
    ] {
        let answer = answer(adult(), applied(exams(then, now)));
        let row = both(&answer);
        close(row.expected_mm, expected, 1e-6);
        close(row.sd_mm.powi(2), SAME + operators, 1e-6);
        // What was measured stays what was read.
        close(answer.rows.both.unwrap().measured_mm, 5.75, 1e-9);
        close(row.change_mm, 5.75 - expected, 1e-6);
    }
}

#[test]
fn offsets_of_operator_and_device_add_up_and_the_working_shows_them() {
    let mut asked = exams("B", "A");
    asked[1].device = Some("M|X|".to_owned());
    let answer = explain(&question(adult(), applied(asked))).unwrap();
    close(both(&answer).expected_mm, 5.25 + 0.3 - 0.1, 1e-6);
    let working = answer.arithmetic.unwrap();
    let offsets: Vec<f64> = working.exams.iter().map(|one| one.offset_mm).collect();
    close(offsets[0], 0.0, 1e-12);
    close(offsets[1], 0.2, 1e-12);
    assert_eq!(working.exams[1].known.device, offset(-0.1, 0.04));
    // The other way round the baseline's value enters without them.
    let mut asked = exams("A", "B");
    asked[0].device = Some("M|X|1".to_owned());
    let answer = explain(&question(adult(), applied(asked))).unwrap();
    let working = answer.arithmetic.unwrap();
    close(working.observations[0].y_mm, 5.2 - 0.2, 1e-9);
    close(working.exams[0].eyes.right.unwrap().value_mm, 5.2, 1e-9);
}

#[test]
fn spellings_of_one_operator_or_device_are_one() {
    let plain = answer(adult(), exams("A", " a, the first "));
    let joined = answer(adult(), applied(exams("A", " a, the first ")));
    assert!(both(&joined).sd_mm < both(&plain).sd_mm);
    assert_eq!(
        both(&joined),
        both(&answer(adult(), applied(exams("A", "A"))))
    );
    let mut asked = exams("A", "A");
    asked[0].device = Some("M|X|".to_owned());
    asked[1].device = Some("M|X|1".to_owned());
    let devices = answer(adult(), applied(asked));
    close(both(&devices).expected_mm, 5.25, 1e-6);
    close(both(&devices).sd_mm.powi(2), 0.063_738_6, 1e-6);
    // A spelling is whole: parts and capitals are somebody else.
    let other = answer(adult(), applied(exams("A", "A, the first")));
    close(both(&other).sd_mm.powi(2), 0.063_738_6 + 0.025, 1e-6);
}

/// SD of one reading 0.4 in place of 0.2: variance 0.16/3 for three readings, and a wider critical range.
#[test]
fn the_scatter_of_an_operator_stands_in_place_of_the_site_s() {
    let known = KnownErrors {
        sigma_w: Some(0.4),
        ..KnownErrors::default()
    };
    let of = |readings: &[f64]| {
        let base = exam("b", "2023-01-10", &[5.2, 5.3, 5.1], &[5.2, 5.3, 5.1]);
        let mut now = exam("t", "2023-06-01", readings, readings);
        now.known = known;
        explain(&question(adult(), vec![base, now])).unwrap()
    };
    let eye = |readings: &[f64]| {
        of(readings).arithmetic.unwrap().exams[1]
            .eyes
            .right
            .unwrap()
    };
    let close_by = eye(&[5.0, 5.0, 6.2]);
    close(close_by.variance, 0.16 / 3.0 + 0.01 / 12.0, 1e-12);
    assert!(!close_by.repeats_disagree, "1.2 is within 3.3 x 0.4");
    assert!(eye(&[5.0, 5.0, 6.4]).repeats_disagree);
}

/// An empty roster is no roster, and nobody unknown is found in one.
#[test]
fn nothing_known_changes_nothing() {
    let mut asked = exams("A", "A");
    asked[0].operator = None;
    asked[1].operator = Some("  ".to_owned());
    let untouched: Vec<Exam> = asked
        .iter()
        .map(|one| Roster::default().apply(one.clone()))
        .collect();
    assert_eq!(untouched, asked);
    assert_eq!(applied(asked.clone()), asked);
}
