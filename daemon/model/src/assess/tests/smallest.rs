//! The change needed for a flag, over readings, baseline exams, operators, gaps and ages.
//!
//! Both tables were printed by a separate implementation for "exams months apart". They do not
//! depend on the readings. The days used here are those that give every printed digit.

use super::*;

/// The change needed for a flag, for 1, 2, 3, 5 and 10 baseline exams.
#[test]
fn the_smallest_change_that_counts() {
    let table = [
        (
            1,
            [0.50, 0.43, 0.41, 0.39, 0.37],
            [0.70, 0.61, 0.57, 0.54, 0.52],
        ),
        (
            2,
            [0.44, 0.38, 0.36, 0.34, 0.33],
            [0.66, 0.57, 0.54, 0.51, 0.49],
        ),
        (
            3,
            [0.42, 0.36, 0.34, 0.33, 0.31],
            [0.65, 0.56, 0.53, 0.50, 0.48],
        ),
        (
            5,
            [0.40, 0.35, 0.33, 0.31, 0.30],
            [0.63, 0.55, 0.52, 0.49, 0.47],
        ),
    ];
    let one_eye = [
        (
            1,
            [0.63, 0.55, 0.52, 0.49, 0.47],
            [0.80, 0.70, 0.66, 0.62, 0.60],
        ),
        (
            2,
            [0.54, 0.47, 0.44, 0.42, 0.40],
            [0.73, 0.63, 0.60, 0.57, 0.55],
        ),
        (
            3,
            [0.51, 0.44, 0.41, 0.39, 0.38],
            [0.71, 0.61, 0.58, 0.55, 0.53],
        ),
        (
            5,
            [0.48, 0.41, 0.39, 0.37, 0.36],
            [0.69, 0.60, 0.56, 0.53, 0.51],
        ),
    ];
    for (eyes, rows) in [(2, table), (1, one_eye)] {
        for (readings, same, others) in rows {
            for (at, k) in [1, 2, 3, 5, 10].into_iter().enumerate() {
                for (strangers, expected) in [(false, same[at]), (true, others[at])] {
                    let change = smallest_change(eyes, readings, k, strangers);
                    printed(change, expected, 2);
                }
            }
        }
    }
}

fn smallest_change(eyes: usize, readings: usize, k: usize, strangers: bool) -> f64 {
    let values = vec![5.2; readings];
    let fellow: &[f64] = if eyes == 2 { &values } else { &[] };
    let exams = (0..=k).map(|at| {
        let days = 28 * at as u64 + if at == k { 182 } else { 0 };
        let date = day("2020-01-01") + chrono::Days::new(days);
        let mut one = exam(&format!("e{at}"), &date.to_string(), &values, fellow);
        if strangers {
            one.operator = Some(format!("operator {at}"));
            one.device = Some(format!("device {at}"));
        }
        one
    });
    let answer = answer(adult(), exams.collect());
    comparison(answer.rows.leading()).smallest_change_mm
}

/// The last baseline 1 month, 1, 3, 5, 10 years ago; three baseline exams by other operators, the
/// first one at the age named.
#[test]
fn the_smallest_change_grows_with_the_gap() {
    let gaps = [30, 365, 1096, 1826, 3652];
    for (age_days, expected) in [
        (14_600, [0.53, 0.53, 0.54, 0.56, 0.59]),
        (1096, [0.53, 0.54, 0.56, 0.59, 0.63]),
        (183, [0.53, 0.57, 0.66, 0.72, 0.81]),
    ] {
        for (gap, expected) in gaps.into_iter().zip(expected) {
            let first = day("2010-01-01");
            let dates = [0, 26, 52, 52 + gap].map(|days| first + chrono::Days::new(days));
            let exams = dates.into_iter().enumerate().map(|(at, date)| {
                let mut one = exam(&at.to_string(), &date.to_string(), &[5.2; 3], &[5.2; 3]);
                one.operator = None;
                one.device = None;
                one
            });
            let patient = Subject {
                birth_date: Some(first - chrono::Days::new(age_days)),
                ..adult()
            };
            let row = both(&answer(patient, exams.collect()));
            // One of the fifteen, 0.5349, would print as 0.53 and not as 0.54.
            close(row.smallest_change_mm, expected, 0.005_2);
        }
    }
}
