//! Two baseline exams that disagree.

use super::*;
use crate::assess::{Unused, Why};

fn only_right(id: &str, date: &str, mm: f64) -> Exam {
    exam(id, date, &[mm; 3], &[])
}

/// Which of two is set aside, and what is expected of the right eye.
fn of_two(first: Exam, second: Exam) -> (Vec<String>, f64) {
    let now = only_right("t", "2023-09-01", 5.2);
    let answer = answer(adult(), vec![first, second, now]);
    let aside = answer.set_aside.iter().map(|aside| {
        assert_eq!(aside.reason, Why::Found(Unused::HigherOfTwo));
        aside.exam.clone()
    });
    (aside.collect(), eye(&answer, Eye::Right).expected_mm)
}

/// An exam of the right eye alone beside one of both: they are judged on the right eye, and which of
/// the two came first changes nothing.
#[test]
fn the_order_of_two_changes_nothing() {
    for (alone, right, left) in [
        (6.0, 5.1, 5.1),
        (5.1, 6.0, 6.0),
        // Far apart on the left alone: nothing that both have disagrees.
        (5.1, 5.1, 6.5),
        (5.1, 5.1, 4.0),
        (5.55, 5.0, 5.2),
    ] {
        let both = |date| exam("both", date, &[right; 3], &[left; 3]);
        let (early, late) = ("2023-01-01", "2023-05-01");
        let one = of_two(only_right("one", early, alone), both(late));
        let other = of_two(both(early), only_right("one", late, alone));
        assert_eq!(one.0, other.0, "{alone}, {right}, {left}");
        let higher = match alone - right {
            apart if apart > 0.8 => vec!["one".to_owned()],
            apart if apart < -0.8 => vec!["both".to_owned()],
            _ => Vec::new(),
        };
        assert_eq!(one.0, higher, "{alone}, {right}, {left}");
        if !higher.is_empty() {
            // One exam is left: what is expected is the same but for the drift of four months.
            close(one.1, other.1, 1e-9);
        }
    }
}

/// Near the limit, where judging each exam on eyes of its own would decide by the order.
#[test]
fn the_order_of_two_decides_nothing_near_the_limit() {
    let kept = |first: Exam, second: Exam| {
        let now = only_right("t", "2023-09-01", 5.2);
        let mut baseline = answer(adult(), vec![first, second, now]).baseline;
        baseline.sort();
        baseline
    };
    for (alone, right, left) in [
        (5.6, 5.0, 4.6),
        (5.7, 5.0, 5.0),
        (5.8, 5.0, 5.1),
        (5.7, 5.1, 4.6),
    ] {
        let both = |date| exam("both", date, &[right; 3], &[left; 3]);
        let (early, late) = ("2023-01-01", "2023-05-01");
        let straight = kept(only_right("one", early, alone), both(late));
        let swapped = kept(both(early), only_right("one", late, alone));
        assert_eq!(straight, swapped, "{alone}, {right}, {left}");
    }
}

/// Different numbers of readings, operators and eyes: |z| is the same both ways round.
#[test]
fn z_of_two_is_symmetric() {
    let mut one = exam("a", "2023-01-01", &[5.0, 5.1, 5.0, 5.1], &[5.3]);
    let mut other = exam("b", "2023-05-01", &[5.2], &[5.2, 5.1, 5.3]);
    one.operator = Some("B".to_owned());
    let fits = |exams: Vec<Exam>| {
        let answer = crate::assess::explain(&question(adult(), exams)).expect("an answer");
        answer.arithmetic.expect("the working").screening
    };
    let now = exam("t", "2023-09-01", &[5.2], &[5.2]);
    let straight = fits(vec![one.clone(), other.clone(), now.clone()]);
    std::mem::swap(&mut one.date, &mut other.date);
    let swapped = fits(vec![one, other, now]);
    for fit in &straight {
        let same = swapped.iter().find(|other| other.exam == fit.exam).unwrap();
        close(fit.z, same.z, 1e-12);
        close(fit.z_unknown, same.z_unknown, 1e-12);
    }
    close(straight[0].z, -straight[1].z, 1e-12);
    assert!(straight[0].z.abs() > 0.01);
}

/// A right eye alone and a left eye alone have no eye in common: they are judged through the usual
/// difference between the eyes.
#[test]
fn two_without_an_eye_in_common() {
    let left = |mm: f64| exam("left", "2023-05-01", &[], &[mm; 3]);
    let right = only_right("right", "2023-01-01", 5.0);
    assert!(of_two(right.clone(), left(5.6)).0.is_empty());
    assert_eq!(of_two(right, left(6.5)).0, ["left"]);
}
