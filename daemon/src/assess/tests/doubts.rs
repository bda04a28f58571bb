//! Doubts told by the numbers alone: where each begins, and that none takes a rise away.

use super::*;
use crate::assess::doubts::{Level, Nerve, Width, nerve, sides_exchanged};
use crate::assess::verdict::Expectation;
use crate::assess::{DecidedBy, History, Modality, Notice, Status, Unused, Why, assess_all};
use crate::domain::{Event, EventKind};
use chrono::Days;
use proptest::prelude::*;

fn at(id: &str, date: &str, right: f64, left: f64) -> Exam {
    exam(
        id,
        date,
        &[right, right + 0.1, right - 0.1],
        &[left, left + 0.1, left - 0.1],
    )
}

fn unlabelled(exam: Exam) -> Exam {
    Exam {
        label: None,
        ..exam
    }
}

fn told(answer: &Assessment, notice: Notice) -> bool {
    answer.notices.contains(&notice)
}

#[test]
fn an_exact_mirror_of_the_sides_is_told_and_its_change_is_not_nought() {
    let exams = vec![
        at("b", "2023-01-01", 5.0, 5.9),
        at("t", "2023-06-01", 5.9, 5.0),
    ];
    let answer = answer(adult(), exams);
    assert!(told(&answer, Notice::SidesExchangedSuspected));
    // The rise of the right eye stays, and what is said of it is that eye's change.
    assert!(answer.flagged);
    assert_eq!(answer.decided_by, Some(DecidedBy::Right));
    let row = answer.rows.deciding(answer.decided_by).unwrap();
    assert!(row.comparison.unwrap().change_mm > 0.7, "{row:?}");
    close(both(&answer).change_mm, 0.0, 1e-9);
}

#[test]
fn a_rise_of_one_eye_or_of_both_is_no_exchange() {
    let base = || at("b", "2023-01-01", 5.0, 5.9);
    for (right, left) in [(5.9, 5.9), (5.0, 6.9), (5.9, 6.8), (4.1, 5.0)] {
        let exams = vec![base(), at("t", "2023-06-01", right, left)];
        let answer = answer(adult(), exams);
        assert!(
            !told(&answer, Notice::SidesExchangedSuspected),
            "{right} {left}"
        );
    }
}

/// Both eyes above 2.3 SD as told and below 1 SD when exchanged; expected 5 and 6, SD 0.25 and 0.5.
#[test]
fn where_the_suspicion_of_exchanged_sides_begins() {
    let expectation = Expectation {
        expected: [5.0, 6.0],
        covariance: [[0.0625, 0.0], [0.0, 0.25]],
    };
    let suspected = |right: f64, left: f64| {
        let measured = PerEye {
            right: Some(right),
            left: Some(left),
        };
        sides_exchanged(measured, &expectation)
    };
    // Right 5.6 is 2.4 SD off as told and 0.8 SD when exchanged; left 4.84 is 2.32 and 0.64 SD.
    assert!(suspected(5.6, 4.84));
    assert!(!suspected(5.5749, 4.84), "right at 2.3 SD");
    assert!(suspected(5.576, 4.84));
    assert!(!suspected(5.6, 4.8501), "left at 2.3 SD");
    assert!(suspected(6.499, 4.84));
    assert!(!suspected(6.5, 4.84), "left expects 6.5 at 1 SD");
    assert!(!suspected(5.6, 4.75), "right expects 4.75 at 1 SD");
    let one_eye = PerEye {
        right: Some(5.6),
        left: None,
    };
    assert!(!sides_exchanged(one_eye, &expectation));
}

fn wide(mm: f64) -> Width {
    Width {
        mm,
        of_eyeball: None,
    }
}

#[test]
fn where_the_suspicion_of_the_nerve_begins_and_ends() {
    for (today, baseline, found) in [
        (2.0, 5.0, Some(Nerve::Today)),
        (1.99, 5.0, None),
        (3.5, 5.0, Some(Nerve::Today)),
        (3.51, 5.0, None),
        (3.69, 5.3, Some(Nerve::Today)),
        (3.7, 5.3, None),
        (5.0, 3.5, Some(Nerve::Baseline)),
        (5.0, 3.51, None),
        (5.0, 2.0, Some(Nerve::Baseline)),
        (5.0, 1.99, None),
        (5.3, 3.7, None),
        (5.0, 5.0, None),
    ] {
        assert_eq!(
            nerve(wide(today), wide(baseline), Level::Open, None),
            found,
            "{today} {baseline}"
        );
    }
}

/// Under a level that is settled the share alone decides of today's, and of the baseline the width as well:
/// a small sheath may widen by so much in a crisis.
#[test]
fn under_a_settled_level_a_wide_nerve_is_one() {
    for (today, baseline, found) in [
        (4.2, 6.0, Some(Nerve::Today)),
        (4.21, 6.0, None),
        (3.7, 5.3, Some(Nerve::Today)),
        (2.0, 5.0, Some(Nerve::Today)),
        (1.99, 5.0, None),
        (5.3, 3.7, None),
        (6.0, 4.2, None),
        (5.0, 3.5, Some(Nerve::Baseline)),
    ] {
        let told = nerve(wide(today), wide(baseline), Level::Settled, None);
        assert_eq!(told, found, "{today} {baseline}");
    }
}

/// The nerve of a wide sheath is wider than 3.7 mm. It is one under a level that a person has called well, or
/// on which two exams agree; a single exam that nobody has labelled may be of a crisis, and so may two from
/// before an operation: there a fall so far may be the recovery.
#[test]
fn the_nerve_of_a_wide_sheath_is_told_where_the_level_is_settled() {
    let a = || at("a", "2022-06-01", 6.5, 6.5);
    let b = || unlabelled(at("b", "2023-01-01", 6.5, 6.4));
    let now = || unlabelled(at("t", "2023-06-01", 4.1, 4.1));
    let suspected = |events, exams| {
        let person = Subject { events, ..adult() };
        told(&answer(person, exams), Notice::NerveSuspected)
    };
    let surgery = || {
        vec![Event {
            date: day("2023-03-15"),
            kind: EventKind::CsfSurgery,
        }]
    };
    assert!(suspected(Vec::new(), vec![a(), now()]));
    assert!(suspected(surgery(), vec![a(), now()]));
    assert!(!suspected(Vec::new(), vec![unlabelled(a()), now()]));
    assert!(suspected(Vec::new(), vec![unlabelled(a()), b(), now()]));
    assert!(!suspected(surgery(), vec![unlabelled(a()), b(), now()]));
}

/// The scale of a picture changes width and eyeball alike.
#[test]
fn with_an_eyeball_at_both_exams_the_ratios_decide() {
    let width = |mm: f64, eyeball: f64| Width {
        mm,
        of_eyeball: Some(mm / eyeball),
    };
    // A small picture: 3.0 of 14 is the same sheath as 5.0 of 23.
    let small = nerve(width(3.0, 14.0), width(5.0, 23.0), Level::Open, None);
    assert_eq!(small, None);
    // A nerve of 3.84 in a picture a fifth too large.
    assert_eq!(
        nerve(width(3.84, 27.6), width(5.2, 23.0), Level::Open, None),
        Some(Nerve::Today)
    );
    // An eyeball at one exam alone decides nothing.
    let one = nerve(width(3.0, 14.0), wide(5.0), Level::Open, None);
    assert_eq!(one, Some(Nerve::Today));
    let mut base = at("b", "2023-01-01", 5.0, 5.0);
    let mut now = at("t", "2023-06-01", 3.0, 3.0);
    base.eyeball_mm = PerEye {
        right: Some(23.0),
        left: Some(23.0),
    };
    let plain = answer(adult(), vec![base.clone(), now.clone()]);
    assert!(told(&plain, Notice::NerveSuspected));
    now.eyeball_mm = PerEye {
        right: Some(14.0),
        left: Some(14.0),
    };
    let scaled = answer(adult(), vec![base, now]);
    assert!(!told(&scaled, Notice::NerveSuspected));
}

/// One-sided 99.9 % of the normal distribution is 3.09 SD. A fall of that size comes of error; where the
/// eyeball tells the scale of the picture, millimetres do not count.
#[test]
fn a_fall_within_error_is_no_nerve() {
    let told = |z| nerve(wide(3.5), wide(5.1), Level::Settled, Some(z));
    assert_eq!(told(-3.0), None);
    assert_eq!(told(-3.2), Some(Nerve::Today));
    let scaled = |mm: f64, eyeball: f64| Width {
        mm,
        of_eyeball: Some(mm / eyeball),
    };
    let scaled = nerve(
        scaled(3.84, 27.6),
        scaled(5.2, 23.0),
        Level::Open,
        Some(-1.0),
    );
    assert_eq!(scaled, Some(Nerve::Today));
}

#[test]
fn half_the_sheath_is_suspected_to_be_the_nerve() {
    let exams = vec![
        at("b", "2023-01-01", 4.87, 4.87),
        at("t", "2023-06-01", 2.53, 2.53),
    ];
    let answer = answer(adult(), exams);
    assert!(told(&answer, Notice::NerveSuspected));
    assert!(!told(&answer, Notice::BaselineNerveSuspected));
    assert_eq!(answer.status, Status::BelowExpected);
}

/// The first exam was of the nerve and nobody has labelled it: the sheath after it looks like a rise.
#[test]
fn a_nerve_as_the_only_baseline_is_told_and_the_rise_stays() {
    let exams = vec![
        unlabelled(at("b", "2023-01-01", 3.1, 3.1)),
        unlabelled(at("t", "2023-06-01", 5.03, 5.03)),
    ];
    let answer = answer(adult(), exams);
    assert_eq!(answer.status, Status::WellAboveExpected);
    assert!(answer.flagged);
    printed(both(&answer).change_mm, 1.93, 2);
    for notice in [
        Notice::BaselineNerveSuspected,
        Notice::FarFromOwnLevel,
        Notice::NerveSuspected,
    ] {
        assert!(told(&answer, notice), "{notice:?}");
    }
    assert!(Notice::NerveSuspected.is_doubt());
    assert!(
        Notice::NerveSuspected
            .sentence()
            .ends_with("Check what was measured.")
    );
}

/// Three widths of a small sheath that rose for good are those of a sheath after its nerve, so no number of
/// exams settles which of the two it is, and each is flagged. One word of a person does, at whichever exam.
#[test]
fn after_a_nerve_as_the_only_baseline_one_label_settles_it() {
    let exams = |first, second| {
        vec![
            Exam {
                label: first,
                ..at("nerve", "2023-01-01", 3.1, 3.1)
            },
            Exam {
                label: second,
                ..at("sheath", "2023-06-01", 5.03, 5.03)
            },
            unlabelled(at("t", "2023-11-01", 5.1, 5.1)),
        ]
    };
    let nobody = answer(adult(), exams(None, None));
    assert_eq!(nobody.baseline, ["nerve"]);
    assert!(nobody.flagged && told(&nobody, Notice::BaselineNerveSuspected));
    let settled = answer(adult(), exams(None, Some(Label::Well)));
    assert_eq!(settled.baseline, ["sheath"]);
    assert!(!settled.flagged && !told(&settled, Notice::NerveSuspected));
    let withdrawn = answer(
        adult(),
        exams(Some(Label::RaisedConfirmed), Some(Label::Well)),
    );
    assert_eq!(withdrawn.baseline, ["sheath"]);
}

/// Once somebody has labelled the sheath, the nerve before it serves nobody: of two that disagree the lower
/// one would stay, and flag every exam after it. A nerve that somebody has labelled is theirs to answer for.
#[test]
fn beside_a_labelled_sheath_an_unlabelled_nerve_serves_nobody() {
    let exams = |label| {
        vec![
            Exam {
                label,
                ..at("nerve", "2023-01-01", 3.1, 3.1)
            },
            at("sheath", "2023-06-01", 5.03, 5.03),
            unlabelled(at("t", "2023-11-01", 5.1, 5.1)),
        ]
    };
    let told = answer(adult(), exams(None));
    assert_eq!(told.baseline, ["sheath"]);
    assert_eq!(told.status, Status::WithinExpected);
    let aside = &told.set_aside[0];
    assert_eq!(aside.reason, Why::Found(Unused::UnlabelledDoubted));
    let labelled = answer(adult(), exams(Some(Label::Well)));
    assert_eq!(labelled.baseline, ["nerve"]);
    assert!(labelled.flagged);
    assert!(self::told(&labelled, Notice::BaselineNerveSuspected));
}

#[test]
fn beyond_three_fifths_of_the_own_level_is_far() {
    for (now, far) in [(8.0, false), (8.01, true), (2.0, false), (1.99, true)] {
        let exams = vec![
            exam("b", "2023-01-01", &[5.0], &[5.0]),
            exam("t", "2023-06-01", &[now], &[now]),
        ];
        let answer = answer(adult(), exams);
        assert_eq!(told(&answer, Notice::FarFromOwnLevel), far, "{now}");
        // As usual.
        assert_eq!(answer.flagged, now > 5.0);
    }
}

#[test]
fn the_same_readings_in_order_are_an_earlier_exam_again() {
    let first = exam("b", "2023-01-01", &[5.1, 5.2], &[5.0, 5.3]);
    let again = |right: &[f64], left: &[f64]| {
        let now = exam("t", "2023-06-01", right, left);
        told(
            &answer(adult(), vec![first.clone(), now]),
            Notice::SameAsEarlierExam,
        )
    };
    assert!(again(&[5.1, 5.2], &[5.0, 5.3]));
    assert!(!again(&[5.2, 5.1], &[5.0, 5.3]), "another order");
    assert!(!again(&[5.0, 5.3], &[5.1, 5.2]), "the other eyes");
    assert!(!again(&[5.1, 5.2], &[5.0, 5.4]));
    assert!(!again(&[5.1, 5.2, 5.1], &[5.0, 5.3]));

    // Fewer than four are equal by chance.
    let three = |id: &str, date: &str| exam(id, date, &[5.1, 5.2], &[5.0]);
    let few = answer(
        adult(),
        vec![three("b", "2023-01-01"), three("t", "2023-06-01")],
    );
    assert!(!told(&few, Notice::SameAsEarlierExam));
    // So are whole millimetres.
    let coarse = |id: &str, date: &str| Exam {
        step_mm: PerEye {
            right: Some(1.0),
            left: Some(1.0),
        },
        ..exam(id, date, &[5.0, 5.0], &[5.0, 5.0])
    };
    let coarse = answer(
        adult(),
        vec![coarse("b", "2023-01-01"), coarse("t", "2023-06-01")],
    );
    assert!(!told(&coarse, Notice::SameAsEarlierExam));
    assert!(told(&coarse, Notice::CoarseReadings));
}

/// Also of the same day, and where there is nothing to compare with. The one repeated is not doubted.
#[test]
fn a_repeated_exam_is_told_without_a_comparison() {
    let of = |id: &str, time: &str| Exam {
        time: Some(time.parse().unwrap()),
        ..exam(id, "2023-01-01", &[5.1, 5.2], &[5.0, 5.3])
    };
    let history = History {
        patient: adult(),
        exams: vec![of("a", "10:00:00"), of("b", "09:00:00")],
    };
    let all = assess_all(&history, &Parameters::default()).unwrap();
    assert_eq!(all["a"].status, Status::NoBaseline);
    assert!(told(&all["a"], Notice::SameAsEarlierExam));
    assert!(!told(&all["b"], Notice::SameAsEarlierExam));
    // Another kind of imaging is another measurement.
    let mut history = history;
    history.exams[0].modality = Modality::Mri;
    let all = assess_all(&history, &Parameters::default()).unwrap();
    assert!(!told(&all["a"], Notice::SameAsEarlierExam));
}

/// 0.6 and 0.5 cm: the step of 1 mm widens the limit, by 1/12 in place of 0.01/12 for each value.
#[test]
fn readings_of_whole_millimetres_are_compared_with_their_rounding() {
    let base = |id: &str, date: &str| exam(id, date, &[4.8, 4.9, 4.8], &[4.9, 4.8, 4.9]);
    let exams = |step: Option<f64>| {
        let now = Exam {
            step_mm: PerEye {
                right: step,
                left: step,
            },
            ..exam("t", "2023-06-01", &[6.0], &[5.0])
        };
        vec![
            base("a", "2022-06-01"),
            base("b", "2022-11-01"),
            base("c", "2023-03-01"),
            now,
        ]
    };
    let (fine, coarse) = (
        answer(adult(), exams(None)),
        answer(adult(), exams(Some(1.0))),
    );
    let (was, now) = (both(&fine), both(&coarse));
    close(was.change_mm, 0.65, 1e-3);
    // One value of each eye: half the variance for their mean.
    let added = (1.0 - 0.01) / 12.0 / 2.0;
    close(now.sd_mm.powi(2), was.sd_mm.powi(2) + added, 1e-12);
    assert_eq!(fine.status, Status::WellAboveExpected);
    assert_eq!(coarse.status, Status::AboveExpected);
    assert!(told(&coarse, Notice::CoarseReadings));
    assert!(!told(&fine, Notice::CoarseReadings));
    // Finer digits than the site's resolution change nothing.
    assert_eq!(answer(adult(), exams(Some(0.01))), fine);
    assert_eq!(answer(adult(), exams(Some(0.1))), fine);
}

/// Coarse digits of the baseline widen the limit too, and are told.
#[test]
fn a_baseline_of_whole_millimetres_is_told() {
    let mut base = exam("b", "2023-01-01", &[5.0], &[5.0]);
    let now = at("t", "2023-06-01", 5.2, 5.2);
    let fine = answer(adult(), vec![base.clone(), now.clone()]);
    base.step_mm.right = Some(1.0);
    let coarse = answer(adult(), vec![base, now]);
    assert!(both(&coarse).sd_mm > both(&fine).sd_mm);
    assert!(told(&coarse, Notice::CoarseReadings));
}

#[test]
fn numbers_without_meaning_are_refused() {
    for (field, change) in [
        (
            "step_mm",
            (|e: &mut Exam| e.step_mm.left = Some(-1.0)) as fn(&mut Exam),
        ),
        ("eyeball_mm", |e| e.eyeball_mm.right = Some(f64::NAN)),
        ("known.sigma_w", |e| e.known.sigma_w = Some(0.0)),
    ] {
        let mut now = at("t", "2023-06-01", 5.0, 5.0);
        change(&mut now);
        let error = assess(&question(adult(), vec![now]))
            .unwrap_err()
            .to_string();
        assert!(error.contains("\"t\"") && error.contains(field), "{error}");
    }
}

fn an_exam() -> impl Strategy<Value = Exam> {
    let widths = || prop::collection::vec(prop_oneof![Just(3.1), Just(5.0), Just(5.9)], 0..3);
    let step = prop::option::of(prop_oneof![Just(0.1), Just(0.5), Just(1.0)]);
    let eyeball = prop::option::of(14.0..24.0);
    let label = prop::option::of(Just(Label::Well));
    let values = (widths(), widths(), step, eyeball);
    (0_u64..900, label, values).prop_map(|(days, label, (right, left, step, eyeball))| Exam {
        date: day("2020-01-01") + Days::new(days),
        label,
        step_mm: PerEye {
            right: step,
            left: None,
        },
        eyeball_mm: PerEye {
            right: eyeball,
            left: eyeball,
        },
        ..exam("", "2020-01-01", &right, &left)
    })
}

proptest! {
    /// The order in which exams are given leaves no trace in any doubt.
    #[test]
    fn the_order_of_exams_does_not_matter(
        exams in prop::collection::vec(an_exam(), 2..8),
        turn in 0_usize..8,
    ) {
        let mut exams = exams;
        for (at, exam) in exams.iter_mut().enumerate() {
            exam.id = format!("e{at}");
        }
        let mut history = History { patient: adult(), exams };
        let there = assess_all(&history, &Parameters::default()).unwrap();
        let at = turn % history.exams.len();
        history.exams.rotate_left(at);
        history.exams.reverse();
        let back = assess_all(&history, &Parameters::default()).unwrap();
        prop_assert_eq!(there, back);
    }
}
