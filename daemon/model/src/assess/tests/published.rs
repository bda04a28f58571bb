//! Numbers that others have published.

use super::*;
use crate::assess::normal::upper_tail;
use crate::assess::predict::{Field, predict};
use crate::assess::summary::critical_factor;
use crate::assess::{Notice, Reason, Status, Unused, Why};
use nalgebra::{DMatrix, DVector};

/// Annual flow of the Nile at Aswan, from 1871 to 1970 (Time Series Analysis by State Space Methods, Oxford
/// University Press; the data set ships with statsmodels).
const NILE: [f64; 100] = [
    1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0,
    1110.0, 994.0, 1020.0, 960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0,
    1260.0, 1220.0, 1030.0, 1100.0, 774.0, 840.0, 874.0, 694.0, 940.0, 833.0, 701.0, 916.0, 692.0,
    1020.0, 1050.0, 969.0, 831.0, 726.0, 456.0, 824.0, 702.0, 1120.0, 1100.0, 832.0, 764.0, 821.0,
    768.0, 845.0, 864.0, 862.0, 698.0, 845.0, 744.0, 796.0, 1040.0, 759.0, 781.0, 865.0, 845.0,
    944.0, 984.0, 897.0, 822.0, 1010.0, 771.0, 676.0, 649.0, 846.0, 812.0, 742.0, 801.0, 1040.0,
    860.0, 874.0, 848.0, 890.0, 744.0, 749.0, 838.0, 1050.0, 918.0, 986.0, 797.0, 923.0, 975.0,
    815.0, 1020.0, 906.0, 901.0, 1170.0, 912.0, 746.0, 919.0, 718.0, 714.0, 740.0,
];

/// Kriging of a random walk seen with noise: steps of variance `q`, noise of variance `r`.
fn walk(values: &[f64], target: f64, q: f64, r: f64, target_r: f64) -> Field {
    let n = values.len();
    let time = |at: usize| at as f64 + 1.0;
    Field {
        v: DMatrix::from_fn(n, n, |i, j| {
            q * time(i.min(j)) + if i == j { r } else { 0.0 }
        }),
        y: DVector::from_column_slice(values),
        c: DMatrix::from_fn(n, 1, |i, _| q * time(i).min(target)),
        c_star: DMatrix::from_element(1, 1, q * target + target_r),
    }
}

/// Local level model with the maximum likelihood variances of that book, diffuse start.
/// The expected numbers are those of the Kalman filter of statsmodels (`UnobservedComponents`).
#[test]
fn kriging_is_the_kalman_forecast_of_the_nile() {
    let (q, r) = (1469.1, 15_099.0);
    let next = predict(&walk(&NILE, 101.0, q, r, r)).unwrap();
    close(next.expected[0], 798.3702926083578, 1e-6);
    close(next.covariance[(0, 0)], 20600.257941808784, 1e-6);
    let level = predict(&walk(&NILE, 100.0, q, r, 0.0)).unwrap();
    close(level.expected[0], 798.3702926083578, 1e-6);
    close(level.covariance[(0, 0)], 4032.1579418087836, 1e-6);
    let early = predict(&walk(&NILE[..10], 10.0, q, r, 0.0)).unwrap();
    close(early.expected[0], 1162.902615456583, 1e-6);
    close(early.covariance[(0, 0)], 4051.2841772235033, 1e-6);
}

/// The same numbers from the scalar recursion of the textbook, at every step.
#[test]
fn kriging_is_the_recursion_at_every_step() {
    let (q, r) = (1469.1, 15_099.0);
    let (mut level, mut p) = (NILE[0], r);
    for at in 1..NILE.len() {
        let f = p + q + r;
        let next = predict(&walk(&NILE[..at], at as f64 + 1.0, q, r, r)).unwrap();
        close(next.expected[0], level, 1e-7);
        close(next.covariance[(0, 0)], f, 1e-6);
        level += (p + q) / f * (NILE[at] - level);
        p = (p + q) * r / f;
    }
}

/// Nothing observed, or a matrix that is no covariance, gives no number.
#[test]
fn what_cannot_be_solved_is_not() {
    assert!(predict(&walk(&[], 1.0, 1.0, 1.0, 1.0)).is_none());
    assert!(predict(&walk(&[1.0, 2.0], 3.0, -1.0, 0.0, 1.0)).is_none());
}

/// Standard normal quantiles (any table; ten digits as in the NIST/SEMATECH e-Handbook 1.3.6.7.1).
#[test]
fn the_upper_tail_is_the_normal_one() {
    for (z, p) in [
        (0.0, 0.5),
        (1.644_853_627, 0.05),
        (1.959_963_985, 0.025),
        (2.326_347_874, 0.01),
        (2.575_829_304, 0.005),
        (3.090_232_306, 0.001),
    ] {
        close(upper_tail(z), p, 1e-9);
        close(upper_tail(-z), 1.0 - p, 1e-9);
    }
    // Handbook of Mathematical Functions (National Bureau of Standards), table 26.2: -log10 Q(10) = 23.11805.
    close(-upper_tail(10.0).log10(), 23.118_05, 5e-6);
}

/// ISO 5725-6, critical range factors f(n): the 95 % point of the range of n standard normal
/// values, rounded to one decimal. The points are found here by integration.
#[test]
fn critical_factors_are_quantiles_of_the_range() {
    for n in 2..=10 {
        let exact = range_quantile(n);
        close(critical_factor(n as usize), exact, 0.05);
    }
    // Studentised range, infinite degrees of freedom (Biometrika Tables for Statisticians,
    // table 29).
    for (n, q) in [(2, 2.77), (3, 3.31), (4, 3.63), (5, 3.86), (10, 4.47)] {
        close(range_quantile(n), q, 0.005);
    }
    close(critical_factor(25), critical_factor(10), 0.0);
}

fn range_quantile(n: i32) -> f64 {
    let at_most = |w: f64| {
        let step = 0.01;
        let points = (-800..=800).map(|i| f64::from(i) * step);
        let density = |x: f64| (-x * x / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt();
        let inside = |x: f64| (upper_tail(x) - upper_tail(x + w)).powi(n - 1);
        points
            .map(|x| f64::from(n) * density(x) * inside(x) * step)
            .sum::<f64>()
    };
    let (mut low, mut high) = (1.0, 8.0);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if at_most(middle) < 0.95 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Errors of the sheath alone: no rounding, no drift.
fn plain() -> Parameters {
    Parameters {
        resolution: 0.0,
        q: 0.0,
        max_smallest_change: 100.0,
        ..Parameters::default()
    }
}

fn compared(parameters: Parameters, exams: Vec<Exam>) -> Comparison {
    let mut question = question(adult(), exams);
    question.parameters = parameters;
    comparison(assess(&question).unwrap().rows.leading())
}

/// Reference change values: z sqrt 2 SD (Reference change values, Clin Chem Lab Med 2012;50:807;
/// title from memory).
#[test]
fn the_smallest_change_is_the_reference_change_value() {
    for (z, factor) in [(1.96, 2.77), (1.645, 2.33), (2.576, 3.64), (2.326, 3.29)] {
        let parameters = Parameters {
            sigma_s: 1.0,
            sigma_w: 0.001,
            z_above: z,
            z_well: 4.0,
            ..plain()
        };
        let exams = vec![
            exam("b", "2023-01-01", &[5.0], &[]),
            exam("t", "2023-02-01", &[5.1], &[]),
        ];
        close(
            compared(parameters, exams).smallest_change_mm,
            factor,
            0.006,
        );
    }
}

/// Minimal detectable change from the SD of one reading 0.20, of one session 0.18 and of an
/// observer 0.15: V = s^2 (1 + (E-1) rho)/E + w^2/(nE) [+ o^2], for E eyes with n readings.
#[test]
fn minimal_detectable_changes() {
    let readings = |n: usize| vec![5.0; n];
    let case = |n: usize, eyes: usize, k: usize, other_observers: bool| {
        let exams = (0..=k).map(|at| {
            let right = readings(n);
            let left = if eyes == 2 { readings(n) } else { Vec::new() };
            let mut one = exam(
                &at.to_string(),
                &format!("2023-0{}-01", at + 1),
                &right,
                &left,
            );
            if other_observers {
                one.operator = Some(at.to_string());
            }
            one
        });
        let parameters = Parameters {
            z_above: 1.96,
            ..plain()
        };
        compared(parameters, exams.collect())
    };
    let one_eye = case(3, 1, 1, false);
    close(one_eye.sd_mm, 0.3024, 0.001);
    close(one_eye.sd_mm / 2_f64.sqrt(), 0.2139, 0.001);
    close(one_eye.smallest_change_mm, 0.593, 0.001);
    let two_eyes = case(3, 2, 1, true);
    close(two_eyes.sd_mm, 0.3270, 0.001);
    close(two_eyes.sd_mm / 2_f64.sqrt(), 0.2312, 0.001);
    close(two_eyes.smallest_change_mm, 0.641, 0.001);
    close(0.40 / two_eyes.sd_mm, 1.223, 0.001);
    let single = case(1, 1, 1, false);
    close(single.sd_mm, 0.3805, 0.001);
    close(single.sd_mm / 2_f64.sqrt(), 0.2691, 0.001);
    close(single.smallest_change_mm, 0.746, 0.001);
    let three = case(3, 2, 3, true);
    close(three.sd_mm, 0.2670, 0.001);
    close(three.smallest_change_mm, 0.523, 0.001);
}

/// A rise of exactly the limit counts, whatever binary fractions make of it: 5.0 - 4.6 and 5.3 - 4.9
/// are both 0.40, the change that JAMA Netw Open 2025;8(5):e2511009 acts upon (>=).
#[test]
fn a_change_of_exactly_the_limit_counts() {
    let parameters = Parameters {
        sigma_s: 0.2,
        sigma_w: 0.2,
        z_above: 1.0,
        ..plain()
    };
    let status = |then: f64, now: f64| {
        let exams = vec![
            exam("b", "2023-01-01", &[then], &[]),
            exam("t", "2023-02-01", &[now], &[]),
        ];
        let row = compared(parameters, exams);
        close(row.smallest_change_mm, 0.4, 1e-12);
        row.status
    };
    for (then, now) in [(4.6, 5.0), (4.9, 5.3), (5.1, 5.5), (2.3, 2.7)] {
        assert_eq!(status(then, now), Status::AboveExpected, "{then} to {now}");
    }
    assert_eq!(status(4.6, 4.99), Status::WithinExpected);
    assert_eq!(status(4.6, 4.999), Status::WithinExpected);
}

/// 5.00 to 5.375 is +7.5 %, a threshold of the MRI study in Childs Nerv Syst 2015,
/// 10.1007/s00381-015-2655-0.
#[test]
fn the_change_in_percent() {
    let exams = vec![
        exam("b", "2023-01-01", &[5.0], &[]),
        exam("t", "2023-02-01", &[5.375], &[]),
    ];
    close(
        compared(Parameters::default(), exams).change_percent,
        7.5,
        1e-6,
    );
}

/// Growth from 2 to 6, 12 to 16, 8 to 14 years and 3 to 15 months shifts the expected value.
#[test]
fn growth_shifts_the_expected_value() {
    for (then, now, growth) in [
        (2.0, 6.0, 0.198),
        (12.0, 16.0, 0.0),
        (8.0, 14.0, 0.040),
        (0.25, 1.25, 0.290),
    ] {
        let born = day("2000-01-01");
        let at =
            |years: f64| (born + chrono::Days::new((years * 365.25).round() as u64)).to_string();
        let patient = Subject {
            birth_date: Some(born),
            ..adult()
        };
        let exams = vec![
            exam("b", &at(then), &[5.0], &[]),
            exam("t", &at(now), &[5.0], &[]),
        ];
        let row = eye(&answer(patient, exams), Eye::Right);
        close(row.expected_mm - 5.0, growth, 0.002);
    }
}

/// Growth is steepest in the first two months (Clin Radiol 1999,
/// doi:10.1016/S0009-9260(99)91176-5); a baseline of three weeks of age serves no exam at six months.
#[test]
fn a_newborn_baseline_expires() {
    let patient = Subject {
        birth_date: Some(day("2023-01-01")),
        ..adult()
    };
    let newborn = exam("b", "2023-01-22", &[3.3, 3.4], &[3.3, 3.4]);
    let later = exam("t", "2023-07-01", &[4.4, 4.5], &[4.4, 4.5]);
    let answer = answer(patient.clone(), vec![newborn.clone(), later]);
    assert_eq!(answer.status, Status::NotComparable);
    assert_eq!(answer.reason, Some(Reason::NewbornBaselineExpired));
    assert!(!answer.flagged);
    assert!(answer.rows.both.unwrap().comparison.is_none());
    assert_eq!(
        answer.set_aside[0].reason,
        Why::Found(Unused::NewbornBaselineExpired)
    );
    // Nor one before the age of two months: the growth in between is not known.
    let soon = exam("t", "2023-02-20", &[3.3, 3.4], &[3.3, 3.4]);
    let answer = super::answer(patient, vec![newborn, soon]);
    assert_eq!(answer.reason, Some(Reason::NewbornBaselineExpired));
    assert!(answer.baseline.is_empty());
}

/// Right 4.59 and left 4.60, the means of 47 adults in Indian J Crit Care Med 2018
/// (10.4103/ijccm.IJCCM_498_17), are no asymmetry; 1.0 mm, the axial difference in the sick of an
/// intensive care series, is one.
#[test]
fn the_difference_between_the_eyes() {
    let base = exam("b", "2023-01-01", &[4.6, 4.6, 4.6], &[4.6, 4.6, 4.6]);
    let equal = exam("t", "2023-02-01", &[4.59; 3], &[4.60; 3]);
    let equal = answer(adult(), vec![base.clone(), equal]);
    close(equal.rows.both.unwrap().measured_mm, 4.595, 1e-9);
    assert!(!equal.notices.contains(&Notice::EyeAsymmetryChanged));
    assert!(!equal.flagged);
    let apart = exam("t", "2023-02-01", &[5.6; 3], &[4.6; 3]);
    let apart = answer(adult(), vec![base, apart]);
    assert!(apart.notices.contains(&Notice::EyeAsymmetryChanged));
}

/// Horizontal 4.71 and vertical 5.08 in the same healthy people (10.1111/opo.13200): planes differ
/// by more than many a rise, so they are not compared.
#[test]
fn planes_that_differ_are_not_compared() {
    use crate::domain::Plane;
    let mut base = exam("b", "2023-01-01", &[4.71], &[4.71]);
    base.planes = PerEye::from_fn(|_| Some(vec![Plane::Transverse]));
    let mut now = exam("t", "2023-02-01", &[5.08], &[5.08]);
    now.planes = PerEye::from_fn(|_| Some(vec![Plane::Sagittal]));
    let answer = answer(adult(), vec![base, now]);
    assert_eq!(answer.status, Status::NotComparable);
    assert_eq!(answer.reason, Some(Reason::PlanesDiffer));
    close(answer.rows.right.unwrap().measured_mm, 5.08, 1e-12);
    assert!(answer.rows.right.unwrap().comparison.is_none());
}

/// The sheath still narrows for days after a shunt (World Neurosurg 2021, 51 patients): a baseline
/// three days after it is unfit.
#[test]
fn a_baseline_days_after_surgery_is_unfit() {
    let patient = with_event("2023-01-01");
    let fresh = exam("b", "2023-01-04", &[5.6, 5.7], &[5.6, 5.7]);
    let now = exam("t", "2023-03-01", &[5.6, 5.7], &[5.6, 5.7]);
    let answer = answer(patient, vec![fresh, now]);
    assert_eq!(answer.status, Status::NoBaseline);
    assert_eq!(answer.reason, Some(Reason::NoEligibleSession));
    assert_eq!(answer.set_aside[0].reason, Why::Found(Unused::Washout));
}

/// 5.71, then 4.76 a day after a shunt (Asian J Neurosurg 2024, 51 adults).
#[test]
fn a_fall_after_surgery_is_no_rise() {
    let patient = with_event("2023-05-01");
    let before = exam("b", "2023-04-30", &[5.71], &[5.71]);
    let after = exam("t", "2023-05-02", &[4.76], &[4.76]);
    let answer = answer(patient, vec![before, after]);
    close(both(&answer).change_mm, -0.95, 1e-9);
    assert!(!answer.flagged);
    assert!(answer.notices.contains(&Notice::AfterEvent));
}

fn with_event(date: &str) -> Subject {
    Subject {
        events: vec![crate::domain::Event {
            date: day(date),
            kind: crate::domain::EventKind::CsfSurgery,
        }],
        ..adult()
    }
}
