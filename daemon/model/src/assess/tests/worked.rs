//! Worked examples. Closed forms stand beside each; where only printed digits exist, those hold.
//! Sizes of error and growth are those of `Parameters::default`, whose sources `assess/README.md` names.

use super::*;
use crate::assess::summary::{Reading, Summary, summarise};
use crate::assess::{Notice, Status, explain, growth, planes};
use crate::domain::Plane;
use std::f64::consts::PI;

fn group(mm: &[f64], plane: Plane) -> Vec<Reading> {
    let um = lengths(mm).into_iter().map(|length| length.um());
    um.map(|um| Reading { um, plane }).collect()
}

fn summary(readings: &[Reading]) -> Summary {
    summarise(readings, planes::Choice::All, &Parameters::default()).expect("readings")
}

/// One exam, one eye. sigma_w squared is 0.04, rounding 0.01/12.
#[test]
fn readings_of_one_eye_become_one_value() {
    let clean = summary(&group(&[5.1, 5.3, 5.2], Plane::Unspecified));
    close(clean.value, 5.2, 1e-12);
    close(clean.variance, 0.04 / 3.0 + 0.01 / 12.0, 1e-12);
    printed(clean.variance, 0.014167, 6);
    assert!(!clean.disagree);

    let gross = summary(&group(&[5.0, 5.0, 6.2], Plane::Unspecified));
    close(gross.value, 5.0, 1e-12);
    close(gross.variance, 0.04 * PI / 6.0 + 0.01 / 12.0, 1e-12);
    printed(gross.variance, 0.021777, 6);
    assert!(gross.disagree);

    let pair = summary(&group(&[5.0, 5.6], Plane::Unspecified));
    close(pair.value, 5.3, 1e-12);
    close(pair.variance, 0.36 / 4.0 + 0.01 / 12.0, 1e-12);
    printed(pair.variance, 0.090833, 6);
    assert!(pair.disagree);

    let mut planes = group(&[5.0, 5.2], Plane::Transverse);
    planes.extend(group(&[5.5, 5.6, 5.7], Plane::Sagittal));
    let planes = summary(&planes);
    close(planes.value, 5.35, 1e-12);
    close(planes.variance, 0.00875, 1e-12);
    assert!(!planes.disagree);
}

/// A range of exactly the critical range is within it: 2.8 x 0.2 = 0.56, 3.6 x 0.2 = 0.72.
#[test]
fn a_range_equal_to_the_critical_range_is_within() {
    assert!(!summary(&group(&[5.0, 5.56], Plane::Unspecified)).disagree);
    assert!(summary(&group(&[5.0, 5.561], Plane::Unspecified)).disagree);
    assert!(!summary(&group(&[5.0, 5.2, 5.1, 5.72], Plane::Unspecified)).disagree);
    assert!(summary(&group(&[5.0, 5.2, 5.1, 5.721], Plane::Unspecified)).disagree);
    assert!(!summary(&group(&[5.0], Plane::Unspecified)).disagree);
}

/// A median of an even number of readings is the middle of the two middle ones.
#[test]
fn four_readings_that_disagree_give_their_median() {
    let four = summary(&group(&[5.0, 6.2, 5.1, 5.2], Plane::Unspecified));
    close(four.value, 5.15, 1e-12);
    close(four.variance, 0.04 * PI / 8.0 + 0.01 / 12.0, 1e-12);
}

/// Growth 0.18 and its SD 0.12 per unit of ln(age), ages clamped to 0.25 and 10 years (slope of sheath
/// against ln(age), flat from 10 to 18 years, Am J Ophthalmol 2019).
#[test]
fn growth_between_two_ages() {
    let p = Parameters::default();
    let units = |from, to| growth::log_age(to, &p) - growth::log_age(from, &p);
    close(p.growth_g * units(2.0, 6.0), 0.18 * 3_f64.ln(), 1e-12);
    printed(p.growth_g * units(2.0, 6.0), 0.1978, 4);
    printed(p.growth_sd * units(2.0, 6.0), 0.1318, 4);
    printed(p.growth_g * units(8.0, 14.0), 0.0402, 4);
    printed(p.growth_sd * units(8.0, 14.0), 0.0268, 4);
    printed(p.growth_g * units(0.25, 1.25), 0.2897, 4);
    printed(p.growth_sd * units(0.25, 1.25), 0.1931, 4);
    close(units(12.0, 16.0), 0.0, 1e-12);
    close(units(0.1, 0.2), 0.0, 1e-12);
}

fn base() -> Exam {
    exam("b1", "2023-01-10", &[5.2, 5.3, 5.1], &[5.3, 5.4, 5.2])
}

fn now() -> Exam {
    exam("t", "2023-06-01", &[5.7, 5.8, 5.6], &[5.8, 5.9, 5.7])
}

/// Variance of the mean of both eyes of one exam with three readings an eye.
const MEAN_OF_EYES: f64 = 0.5 * 0.0324 + 0.5 * 0.0324 / 2.0 + (0.04 / 3.0 + 0.01 / 12.0) / 2.0;
const GAP: f64 = 142.0 / 365.25;

/// First rows: the same operator and device.
#[test]
fn one_baseline_exam_of_an_adult() {
    let answer = answer(adult(), vec![base(), now()]);
    assert_eq!(answer.status, Status::AboveExpected);
    assert!(answer.flagged);
    assert_eq!(answer.baseline, ["b1"]);
    assert_eq!(answer.notices, [Notice::SingleSessionBaseline]);
    close(answer.gap_years.unwrap(), GAP, 1e-12);

    let row = both(&answer);
    let sd = (2.0 * MEAN_OF_EYES + 0.0025 * GAP).sqrt();
    close(row.sd_mm, sd, 1e-9);
    close(row.z, 0.5 / sd, 1e-9);
    printed(row.expected_mm, 5.25, 4);
    printed(row.sd_mm, 0.2525, 4);
    printed(row.z, 1.9805, 4);
    printed(row.smallest_change_mm, 0.4153, 4);
    printed(row.probability_high, 0.0238, 4);

    // The right-left difference is independent of the mean: noise 2 (0.0162 + 0.014167) an exam.
    let noise = 2.0 * (0.0162 + 0.04 / 3.0 + 0.01 / 12.0);
    let shrink = 0.1089 / (0.1089 + noise);
    let sd_eye = (sd * sd + (noise + 0.1089 * noise / (0.1089 + noise)) / 4.0).sqrt();
    for (side, sign, z, p_high) in [
        (Eye::Right, -1.0, 1.6190, 0.0527),
        (Eye::Left, 1.0, 1.7392, 0.0410),
    ] {
        let row = eye(&answer, side);
        close(row.expected_mm, 5.25 + sign * 0.05 * shrink, 1e-9);
        close(row.sd_mm, sd_eye, 1e-9);
        printed(row.sd_mm, 0.2978, 4);
        printed(row.z, z, 4);
        printed(row.smallest_change_mm, 0.6926, 4);
        printed(row.probability_high, p_high, 4);
        assert_eq!(row.status, Status::WithinExpected);
    }
    printed(eye(&answer, Eye::Right).expected_mm, 5.2179, 4);
    printed(eye(&answer, Eye::Left).expected_mm, 5.2821, 4);
}

/// Second row: another operator and device, or any of the two sides unknown.
#[test]
fn another_operator_and_device_widen_the_interval() {
    let unknown: [(Option<&str>, Option<&str>); 4] = [
        (Some("B"), Some("Y")),
        (None, None),
        (Some(" "), Some("")),
        (Some("B"), None),
    ];
    for (operator, device) in unknown {
        let mut now = now();
        now.operator = operator.map(str::to_owned);
        now.device = device.map(str::to_owned);
        let answer = answer(adult(), vec![base(), now]);
        let row = both(&answer);
        let sd = (2.0 * (MEAN_OF_EYES + 0.045) + 0.0025 * GAP).sqrt();
        close(row.sd_mm, sd, 1e-9);
        printed(row.sd_mm, 0.3921, 4);
        printed(row.z, 1.2752, 4);
        printed(row.smallest_change_mm, 0.6450, 4);
        printed(row.probability_high, 0.1011, 4);
        assert_eq!(answer.status, Status::WithinExpected);
    }
}

/// Last row: only the left eye at baseline, only the right one today.
#[test]
fn an_eye_is_compared_through_its_fellow() {
    let (mut base, mut now) = (base(), now());
    base.eyes.right.clear();
    now.eyes.left.clear();
    let answer = answer(adult(), vec![base, now]);
    let row = eye(&answer, Eye::Right);
    printed(row.expected_mm, 5.3, 4);
    printed(row.sd_mm, 0.4506, 4);
    printed(row.z, 0.8878, 4);
    printed(row.smallest_change_mm, 0.7412, 4);
    printed(row.probability_high, 0.1873, 4);
    assert_eq!(answer.status, Status::WithinExpected);
    assert!(answer.rows.left.is_none() && answer.rows.both.is_none());
    assert!(answer.notices.contains(&Notice::FellowEyeOnly));
}

fn child() -> (Subject, Vec<Exam>) {
    let patient = Subject {
        birth_date: Some(day("2019-02-01")),
        ..adult()
    };
    let b1 = exam("b1", "2022-02-01", &[4.6, 4.7, 4.6], &[4.8, 4.7, 4.8]);
    let mut b2 = exam("b2", "2022-11-15", &[4.9, 4.8], &[4.8, 4.9]);
    b2.label = Some(Label::RaisedRuledOut);
    b2.operator = Some("B".to_owned());
    let mut now = exam("t", "2023-08-01", &[5.2, 5.3, 5.2], &[5.3, 5.2, 5.3]);
    now.label = None;
    (patient, vec![b1, b2, now])
}

/// A child, two baseline exams, every matrix.
#[test]
fn two_baseline_exams_of_a_child() {
    let (patient, exams) = child();
    let answer = explain(&question(patient, exams)).unwrap();
    assert_eq!(answer.status, Status::AboveExpected);
    assert_eq!(answer.baseline, ["b1", "b2"]);

    let work = answer.arithmetic.clone().unwrap();
    let column = |field: fn(&crate::assess::ExamWorking) -> f64| {
        work.exams.iter().map(field).collect::<Vec<_>>()
    };
    for (values, expected) in [
        (column(|e| e.tau_years), [0.0, 0.785763, 1.494867]),
        (
            column(|e| e.age_years.unwrap()),
            [3.000684, 3.786448, 4.495551],
        ),
        (column(|e| e.growth_mm), [0.0, 0.041866, 0.072765]),
    ] {
        for (value, expected) in values.into_iter().zip(expected) {
            printed(value, expected, 6);
        }
    }
    let y: Vec<f64> = work.observations.iter().map(|o| o.y_mm).collect();
    for (value, expected) in y.iter().zip([4.633333, 4.766667, 4.808134, 4.808134]) {
        printed(*value, expected, 6);
    }
    let v = [
        [0.118792, 0.033975, 0.049725, -0.004725],
        [0.033975, 0.118792, -0.004725, 0.049725],
        [0.049725, -0.004725, 0.128202, 0.036718],
        [-0.004725, 0.049725, 0.036718, 0.128202],
    ];
    for (row, expected) in work.v.iter().zip(v) {
        assert_eq!(row.len(), 4);
        for (value, expected) in row.iter().zip(expected) {
            printed(*value, expected, 6);
        }
    }
    let c = [
        [0.072225, 0.017775],
        [0.017775, 0.072225],
        [0.053043, -0.001407],
        [-0.001407, 0.053043],
    ];
    for (row, expected) in work.c.iter().zip(c) {
        printed(row[0], expected[0], 6);
        printed(row[1], expected[1], 6);
    }
    printed(work.c_star[0][0], 0.124882, 6);
    printed(work.c_star[0][1], 0.040065, 6);
    printed(work.h, 19.654181, 6);
    printed(work.level_mm, 4.751181, 6);
    printed(work.covariance[0][0], 0.0798484, 7);
    printed(work.covariance[0][1], 0.0367102, 7);
    printed(work.covariance[1][1], 0.0798484, 7);

    // The weights redo the expected values: their sum over y, plus growth.
    for (side, at) in [(Eye::Right, 0), (Eye::Left, 1)] {
        let weights = work.observations.iter().map(|o| o.weights[at]);
        close(weights.clone().sum::<f64>(), 1.0, 1e-12);
        let expected: f64 = weights.zip(&y).map(|(w, y)| w * y).sum();
        close(
            expected + work.exams[2].growth_mm,
            eye(&answer, side).expected_mm,
            1e-12,
        );
    }

    let row = both(&answer);
    printed(answer.rows.both.unwrap().measured_mm, 5.25, 4);
    printed(row.expected_mm, 4.8057, 4);
    printed(row.sd_mm, 0.2414, 4);
    printed(row.z, 1.8403, 4);
    printed(row.lower_mm, 4.8057 - 2.326 * 0.2414, 3);
    printed(row.upper_mm, 5.2028, 4);
    printed(row.change_mm, 0.4443, 4);
    printed(row.change_percent, 9.24, 2);
    printed(row.smallest_change_mm, 0.3971, 4);
    printed(row.probability_high, 0.0329, 4);
    let right = eye(&answer, Eye::Right);
    printed(right.expected_mm, 4.777687, 6);
    printed(right.sd_mm, 0.2826, 4);
    printed(right.z, 1.6125, 4);
    printed(right.lower_mm, 4.777687 - 3.09 * 0.282575, 4);
    printed(right.upper_mm, 5.4350, 4);
    printed(right.change_mm, 0.4556, 4);
    printed(right.smallest_change_mm, 0.6573, 4);
    printed(right.probability_high, 0.0534, 4);
    assert_eq!(right.status, Status::WithinExpected);
    let left = eye(&answer, Eye::Left);
    printed(left.expected_mm, 4.833765, 6);
    printed(left.z, 1.5320, 4);
    printed(left.lower_mm, 4.833765 - 3.09 * 0.282575, 4);
    printed(left.upper_mm, 5.4910, 4);
    printed(left.change_mm, 0.4329, 4);
    printed(left.probability_high, 0.0628, 4);
    assert_eq!(left.status, Status::WithinExpected);
}

/// An event widens by sigma_step; the first good exam after it carries most of the weight.
#[test]
fn after_an_event() {
    let mut confirmed = exam("e", "2023-03-01", &[6.5, 6.6], &[6.5, 6.6]);
    confirmed.label = Some(Label::RaisedConfirmed);
    let alone = answer(adult(), vec![base(), confirmed.clone(), now()]);
    let row = both(&alone);
    close(
        row.sd_mm,
        (2.0 * MEAN_OF_EYES + 0.0025 * GAP + 0.16).sqrt(),
        1e-9,
    );
    printed(row.expected_mm, 5.25, 4);
    printed(row.sd_mm, 0.4730, 4);
    printed(row.smallest_change_mm, 0.7781, 4);
    printed(row.z, 1.0571, 4);
    assert_eq!(alone.status, Status::WithinExpected);
    assert!(alone.notices.contains(&Notice::AfterEvent));

    let after = exam("w", "2023-04-20", &[5.5, 5.6, 5.5], &[5.6, 5.6, 5.7]);
    let settled = answer(adult(), vec![base(), confirmed, after, now()]);
    let row = both(&settled);
    printed(row.expected_mm, 5.5365, 4);
    printed(row.sd_mm, 0.2422, 4);
    printed(row.smallest_change_mm, 0.3984, 4);
    printed(row.z, 0.8815, 4);
    assert!(!settled.notices.contains(&Notice::AfterEvent));
}

/// One eye and unknown operators: the comparison is the local level recursion.
#[test]
fn one_eye_of_unknown_operators_is_the_recursion() {
    // Half a year, one and one and a half years apart: 183, 365 and 548 days, at most half a day off.
    let days = ["2020-01-01", "2020-07-02", "2021-07-02", "2023-01-01"];
    let values = [5.2, 5.4, 5.1, 5.5];
    let expected = [(5.2, 0.197717), (5.30063, 0.150161), (5.23125, 0.135954)];
    let variance = 0.0324 + 0.045 + 0.02 + 0.01 / 12.0;
    let (mut level, mut p) = (values[0], variance);
    let mut exams = Vec::new();
    for at in 0..4 {
        let value = values[at];
        let mut one = exam(days[at], days[at], &[value - 0.1, value + 0.1], &[]);
        one.operator = None;
        one.device = None;
        exams.push(one);
        if at == 0 {
            continue;
        }
        let gap = growth::years_between(day(days[at - 1]), day(days[at]));
        let f = p + 0.0025 * gap + variance;
        let row = eye(&answer(adult(), exams.clone()), Eye::Right);
        close(row.expected_mm, level, 1e-9);
        close(row.sd_mm * row.sd_mm, f, 1e-9);
        close(row.expected_mm, expected[at - 1].0, 1e-5);
        close(row.sd_mm * row.sd_mm, expected[at - 1].1, 5e-6);
        let gain = (f - variance) / f;
        level += gain * (value - level);
        p = (f - variance) * (1.0 - gain);
    }
    close(level, 5.30582, 1e-5);
    close(p, 0.027255, 1e-5);
}
