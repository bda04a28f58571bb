//! Today beside the latest earlier exam, and the flags before today's.

use super::course::courses;
use super::since_event::spread;
use super::*;
use crate::assess::{Apart, Course, DecidedBy, Modality, NotSinceLast, SinceLast};
use crate::domain::{Border, Plane};

fn scan(id: &str, date: &str, time: Option<&str>, mm: f64) -> Exam {
    let empty = Exam {
        time: time.map(|time| time.parse().expect("a time")),
        label: None,
        ..exam(id, date, &[], &[])
    };
    spread(empty, mm)
}

fn course(exams: &[Exam]) -> Course {
    let id = &exams.last().expect("an exam").id;
    let mut all = courses(&adult(), exams, &Parameters::default());
    all.remove(id).expect("the exam").1
}

fn since(exams: &[Exam]) -> (Option<SinceLast>, Option<NotSinceLast>) {
    let course = course(exams);
    (course.since_last, course.not_since_last)
}

#[track_caller]
fn found(exams: &[Exam]) -> SinceLast {
    since(exams).0.expect("a change since the last exam")
}

#[track_caller]
fn why_not(exams: &[Exam]) -> Apart {
    let (found, not) = since(exams);
    assert_eq!(found, None);
    let not = not.expect("a reason");
    assert!(
        not.sentence()
            .starts_with("No change since the last exam ("),
        "{}",
        not.sentence()
    );
    not.reason
}

/// Serial scans of one day. One operator on one machine, three readings an eye: each exam's mean of both
/// eyes has variance 0.75 x 0.18^2 + 0.0141667 / 2 = 0.0313833 mm^2 (by hand), whatever lies between.
#[test]
fn hours_apart_by_one_operator() {
    let exams = [
        scan("1", "2024-09-02", Some("06:00:00"), 4.9),
        scan("2", "2024-09-02", Some("10:00:00"), 4.8),
        scan("3", "2024-09-02", Some("14:00:00"), 5.6),
    ];
    let told = found(&exams);
    assert_eq!(
        (told.exam.as_str(), told.hours, told.row),
        ("2", Some(4.0), DecidedBy::Both)
    );
    close(told.mm, 0.8, 1e-9);
    close(told.sd_mm, (2.0 * 0.031_383_333_f64).sqrt(), 1e-8);
    close(told.lower_mm, 0.8 - 1.645 * told.sd_mm, 1e-12);
    assert_eq!(
        told.sentence(),
        "Since the last exam (2024-09-02 10:00, 4 hours before): +0.80 mm (+0.39 to +1.21), wider by more \
         than error explains. This alone flags nothing."
    );
    // It flags nothing: there is no baseline.
    let all = courses(&adult(), &exams, &Parameters::default());
    assert!(!all["3"].0.flagged);
    // The first of the day has none before it.
    assert_eq!(
        (&all["1"].1.since_last, &all["1"].1.not_since_last),
        (&None, &None)
    );
}

/// Operator and device count only where they differ or are unknown: 2 x 0.15^2 for each of them.
#[test]
fn errors_of_operator_and_device_count_where_they_differ() {
    let change = |operator: Option<&str>, device: Option<&str>| {
        let mut exams = [
            scan("1", "2024-09-01", None, 4.9),
            scan("2", "2024-09-02", None, 5.0),
        ];
        exams[1].operator = operator.map(str::to_owned);
        exams[1].device = device.map(str::to_owned);
        found(&exams).sd_mm.powi(2)
    };
    let plain = 2.0 * 0.031_383_333;
    close(change(Some("A"), Some("X")), plain, 1e-8);
    close(change(Some("B"), Some("X")), plain + 0.045, 1e-8);
    close(change(Some("A"), None), plain + 0.045, 1e-8);
    close(change(None, Some("Y")), plain + 0.09, 1e-8);
}

/// No drift and no growth are allowed for: four weeks say the same as an hour, in an infant too.
#[test]
fn no_drift_and_no_growth() {
    let mut infant = adult();
    infant.birth_date = Some(day("2024-03-01"));
    let exams = [
        scan("1", "2024-09-01", None, 4.0),
        scan("2", "2024-10-01", None, 4.2),
    ];
    let all = courses(&infant, &exams, &Parameters::default());
    let told = all["2"]
        .1
        .since_last
        .as_ref()
        .expect("thirty days are recent");
    close(told.mm, 0.2, 1e-9);
    close(told.sd_mm, (2.0 * 0.031_383_333_f64).sqrt(), 1e-8);
    assert_eq!(told.hours, Some(720.0));
    assert!(
        told.sentence().contains("(2024-09-01, 30 days before)"),
        "{}",
        told.sentence()
    );
    let late = [exams[0].clone(), scan("2", "2024-10-02", None, 4.2)];
    assert_eq!(since(&late), (None, None));
}

#[test]
fn any_label_will_do() {
    for label in [
        Label::Well,
        Label::RaisedRuledOut,
        Label::RaisedConfirmed,
        Label::AfterDecompression,
    ] {
        let mut exams = [
            scan("1", "2024-09-01", None, 5.9),
            scan("2", "2024-09-02", None, 5.2),
        ];
        exams[0].label = Some(label);
        close(found(&exams).mm, -0.7, 1e-9);
    }
}

/// Without times exams of one day have no order; the day before is then the last, and of two exams of
/// that day nobody knows which.
#[test]
fn exams_without_a_time_have_no_order_within_the_day() {
    let day_before = scan("0", "2024-09-01", None, 5.0);
    for times in [
        [None, None],
        [Some("08:00:00"), None],
        [None, Some("09:00:00")],
        [Some("08:00:00"); 2],
    ] {
        let exams = [
            day_before.clone(),
            scan("1", "2024-09-02", times[0], 5.1),
            scan("2", "2024-09-02", times[1], 5.2),
        ];
        assert_eq!(found(&exams).exam, "0", "{times:?}");
        let mut next = exams.to_vec();
        next.push(scan("3", "2024-09-03", Some("07:00:00"), 5.3));
        assert_eq!(why_not(&next), Apart::OrderUnknown, "{times:?}");
    }
}

#[test]
fn only_like_is_compared_with_like() {
    let changed = |change: fn(&mut Exam)| {
        let mut exams = [
            scan("1", "2024-09-01", None, 5.0),
            scan("2", "2024-09-02", None, 5.1),
        ];
        for exam in &mut exams {
            exam.planes = PerEye::from_fn(|_| Some(vec![Plane::Transverse; 3]));
            exam.definition = Some(Border::Outer);
        }
        change(&mut exams[0]);
        exams
    };
    close(found(&changed(|_| ())).mm, 0.1, 1e-9);
    let planes = changed(|one| one.planes = PerEye::from_fn(|_| Some(vec![Plane::Sagittal; 3])));
    assert_eq!(why_not(&planes), Apart::PlanesDiffer);
    assert_eq!(
        why_not(&changed(|one| one.definition = Some(Border::Inner))),
        Apart::DefinitionDiffers
    );
    assert_eq!(
        why_not(&changed(|one| one.modality = Modality::Ct)),
        Apart::ModalityDiffers
    );
    let mut both_mri = changed(|one| one.modality = Modality::Mri);
    both_mri[1].modality = Modality::Mri;
    assert_eq!(why_not(&both_mri), Apart::NotUltrasound);
    assert_eq!(
        why_not(&changed(
            |one| one.excluded = Some("other-subject".to_owned())
        )),
        Apart::Doubted
    );
    let one_eye = |one: &mut Exam, left: bool| {
        let eyes = &mut one.eyes;
        let planes = &mut one.planes;
        if left {
            eyes.right.clear();
            planes.right = Some(Vec::new());
        } else {
            eyes.left.clear();
            planes.left = Some(Vec::new());
        }
    };
    let mut eyes = changed(|_| ());
    one_eye(&mut eyes[0], true);
    assert_eq!(found(&eyes).row, DecidedBy::Left);
    one_eye(&mut eyes[1], false);
    assert_eq!(why_not(&eyes), Apart::EyesDiffer);
    one_eye(&mut eyes[1], true);
    assert_eq!(why_not(&eyes), Apart::NoUsableMeasurement);
    let mut infant = adult();
    infant.birth_date = Some(day("2024-08-01"));
    let all = courses(&infant, &changed(|_| ()), &Parameters::default());
    assert_eq!(
        all["2"].1.not_since_last.as_ref().map(|not| not.reason),
        Some(Apart::Newborn)
    );
}

/// Serial scans above a labelled baseline.
fn serial(widths: &[f64]) -> Vec<Exam> {
    let mut exams = vec![
        exam("b1", "2023-02-01", &[4.8, 4.7, 4.9], &[4.8, 4.8, 4.8]),
        exam("b2", "2024-02-01", &[4.7, 4.8, 4.9], &[4.8, 4.8, 4.8]),
    ];
    exams.extend(widths.iter().enumerate().map(|(n, mm)| {
        let time = format!("{:02}:00:00", 6 + 4 * (n % 4));
        scan(
            &format!("s{n}"),
            &format!("2024-09-{:02}", 2 + n / 4),
            Some(&time),
            *mm,
        )
    }));
    exams
}

#[test]
fn flags_are_remembered() {
    let flags = |widths: &[f64]| course(&serial(widths)).flags;
    assert_eq!(flags(&[4.8, 4.8]), None);
    assert_eq!(flags(&[5.6]), None, "today's own is in the status");
    let told = flags(&[4.8, 5.6, 5.7, 4.9, 5.8, 5.6, 5.7, 4.8]).expect("five");
    assert_eq!((told.count, told.of, told.now), (5, 6, false));
    assert_eq!(
        told.sentence(),
        "Flagged 5 times since 2024-09-02 10:00, last on 2024-09-03 14:00 (5 of 6 exams), not now."
    );
    let again = flags(&[5.6, 4.8, 5.7]).expect("one");
    assert_eq!(
        again.sentence(),
        "Flagged once on 2024-09-02 06:00 (1 of 2 exams), and now again."
    );
}

/// What a person has settled, what an event has ended and what is over a year old is not counted.
#[test]
fn settled_flags_are_not_counted() {
    let exams = || serial(&[5.6, 5.7, 5.8, 4.8]);
    let count = |exams: &[Exam]| course(exams).flags.map(|flags| flags.count);
    assert_eq!(count(&exams()), Some(3));
    for (label, left) in [
        (Label::Well, Some(1)),
        (Label::RaisedRuledOut, Some(1)),
        (Label::RaisedConfirmed, Some(1)),
    ] {
        let mut exams = exams();
        exams[3].label = Some(label);
        assert_eq!(count(&exams), left, "{label:?}");
    }
    let mut excluded = exams();
    excluded[2].excluded = Some("birth_date_differs".to_owned());
    assert_eq!(count(&excluded), Some(2));
    let mut later = exams();
    later.push(scan("later", "2025-09-02", None, 4.8));
    assert_eq!(count(&later), Some(3));
    later.push(scan("much", "2025-09-03", None, 4.8));
    assert_eq!(count(&later), None);
}
