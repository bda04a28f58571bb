//! One eye is used while values of the other may be left; dates that cannot be.

use super::*;
use crate::domain::{About, Label, Laterality, Remark, RemarkCode, Severity};
use crate::render::text;

const UNREAD: &str = "values-unread";

fn codes(content: &Content) -> Vec<&str> {
    let remarks = content.remarks.iter();
    remarks.map(|remark| &*remark.code).collect()
}

/// A report of one eye that says that values were left unread.
fn half_read(uid: &str, study: &str, day: &str) -> ObjectReading {
    let mut half = reading(uid, study, day, &[5.0, 5.1], &[]);
    half.remarks.push(Remark::of(
        RemarkCode::ValuesUnread,
        "Values were left unread.",
    ));
    half
}

fn earlier() -> Vec<ObjectReading> {
    // Exams of equal readings would be doubted for that.
    vec![exam(1, "2022-03-01", 5.0), exam(2, "2023-03-01", 5.04)]
}

fn last(readings: Vec<ObjectReading>) -> Content {
    results(&known(readings)).pop().expect("an exam")
}

#[test]
fn an_exam_of_one_eye_says_that_values_were_left_unread() {
    let mut readings = earlier();
    readings.push(half_read("1.3", "2.3", "2024-03-01"));
    let told = last(readings.clone());
    assert_eq!(told.assessment.status, Status::WithinExpected);
    let caution = told
        .remarks
        .iter()
        .find(|one| one.code == UNREAD)
        .expect("told");
    assert_eq!(caution.severity, Severity::Caution);
    assert!(
        caution.text.contains("only the right eye is used"),
        "{}",
        caution.text
    );
    assert!(text::text(&told).contains("VALUES LEFT UNREAD: only the right eye is used"));

    // Another report of the exam brings the other eye, in any order.
    readings.push(reading("1.4", "2.3", "2024-03-01", &[], &[5.0, 5.1]));
    for turn in 0..readings.len() {
        readings.rotate_left(turn);
        assert!(!codes(&last(readings.clone())).contains(&UNREAD));
    }
}

#[test]
fn a_corrected_report_ends_the_caution() {
    let mut readings = earlier();
    readings.push(half_read("1.3", "2.3", "2024-03-01"));
    let mut corrected = reading("1.4", "2.3", "2024-03-01", &[5.0], &[5.1]);
    corrected.predecessors = vec!["1.3".to_owned()];
    readings.push(corrected);
    assert!(!codes(&last(readings)).contains(&UNREAD));
}

#[test]
fn values_of_the_other_eye_that_are_not_used_are_told_and_earlier_ones_are_not() {
    let with = |eye: Laterality, code: RemarkCode| {
        let mut report = reading("1.3", "2.3", "2024-03-01", &[5.0, 5.1], &[6.0]);
        let value = report.measurements.last_mut().expect("a value");
        value.eye = eye;
        value.set_aside(Remark::of(code, "Not used.").with(Severity::Blocking));
        let mut readings = earlier();
        readings.push(report);
        codes(&last(readings)).contains(&UNREAD)
    };
    assert!(with(Laterality::Unresolved, RemarkCode::LateralityConflict));
    assert!(with(Laterality::Left, RemarkCode::Implausible));
    assert!(
        !with(Laterality::Right, RemarkCode::Implausible),
        "the eye that is read"
    );
    assert!(!with(Laterality::Left, RemarkCode::EarlierFinding));
    assert!(!with(Laterality::Left, RemarkCode::SeveralTimePoints));
    assert!(!with(Laterality::Left, RemarkCode::OtherSubject));
    let mut readings = earlier();
    readings.push(reading("1.3", "2.3", "2024-03-01", &[5.0, 5.1], &[]));
    assert!(
        !codes(&last(readings)).contains(&UNREAD),
        "one eye was measured"
    );
}

/// The second exam is doubted, by what its report says of its dates or by its birth date.
fn doubted(label: Option<Label>, apart: bool, birth: &str) -> Vec<Content> {
    let mut readings = earlier();
    readings.push(exam(3, "2024-03-01", 5.02));
    readings.push(exam(4, "2025-03-01", 4.98));
    let mut readings: Vec<ObjectReading> =
        readings.into_iter().map(|one| born(one, birth)).collect();
    if apart {
        let caution = Remark::of(RemarkCode::DatesFarApart, "The dates are far apart.");
        readings[2].remarks.push(caution);
    }
    let mut known = known(readings);
    known.labels = label
        .map(|label| (About::of_study("2.3"), label))
        .into_iter()
        .collect();
    results(&known)
}

#[test]
fn an_exam_of_dates_far_apart_is_no_baseline_until_it_is_labelled() {
    let told = doubted(None, true, "1980-02-03");
    assert!(codes(&told[2]).contains(&"date-implausible"));
    assert_eq!(told[2].assessment.status, Status::NotComparable);
    assert_eq!(told[3].baseline.len(), 2, "the doubted one serves nobody");
    let told = doubted(Some(Label::Well), true, "1980-02-03");
    assert!(codes(&told[2]).contains(&"date-confirmed"));
    assert_eq!(told[3].baseline.len(), 3);
    assert!(!codes(&doubted(None, false, "1980-02-03")[2]).contains(&"date-implausible"));
}

#[test]
fn an_exam_before_the_birth_is_doubted_whoever_labels_it() {
    for label in [None, Some(Label::Well)] {
        let told = doubted(label, false, "2024-06-01");
        for (content, before) in told.iter().zip([true, true, true, false]) {
            assert_eq!(codes(content).contains(&"date-implausible"), before);
        }
        assert!(told[3].baseline.is_empty());
    }
    // Children are scanned on the day of their birth.
    let told = doubted(None, false, "2022-03-02");
    assert!(!codes(&told[0]).contains(&"date-implausible"));
}

const LEFT: &str = "left-unread";

fn left_over(mut report: ObjectReading, severity: Severity) -> ObjectReading {
    let remark = Remark::of(RemarkCode::LeftUnread, "Left.").with(severity);
    report.remarks.push(remark);
    report
}

/// A report of the study `2.3` without sheath values.
fn valueless(uid: &str, severity: Severity) -> ObjectReading {
    let mut report = left_over(reading(uid, "2.3", "2024-03-01", &[], &[]), severity);
    report.disposition = Disposition::NoSheathMeasurement;
    report
}

#[test]
fn an_exam_that_was_not_read_in_full_says_so_once() {
    let both = || reading("1.3", "2.3", "2024-03-01", &[5.0, 5.1], &[5.0, 5.1]);
    let with = |readings: Vec<ObjectReading>| last([earlier(), readings].concat());
    assert!(!codes(&with(vec![both()])).contains(&LEFT));
    let told = with(vec![left_over(both(), Severity::Caution)]);
    assert_eq!(codes(&told), [LEFT]);
    let said = text::text(&told);
    assert_eq!(said.matches("VALUES LEFT UNREAD:").count(), 1, "{said}");
    assert!(
        said.contains("\nWITHIN EXPECTED, PROVISIONAL, VALUES LEFT UNREAD.\n"),
        "{said}"
    );
    assert!(!said.contains("Left."), "told once: {said}");
    // Of two reports that complete each other one still holds values that nobody could read.
    let halves = vec![
        half_read("1.3", "2.3", "2024-03-01"),
        reading("1.4", "2.3", "2024-03-01", &[], &[5.0, 5.1]),
    ];
    let told = with(halves);
    assert!(codes(&told).contains(&LEFT) && !codes(&told).contains(&UNREAD));
    let said = text::text(&told);
    assert!(!said.contains("only the right eye is used"), "{said}");
    // The other eye is told as that, and nothing twice.
    let half = left_over(half_read("1.3", "2.3", "2024-03-01"), Severity::Caution);
    let told = with(vec![half]);
    assert_eq!(codes(&told), [UNREAD]);
    let said = text::text(&told);
    assert_eq!(said.matches("VALUES LEFT UNREAD:").count(), 1, "{said}");
}

#[test]
fn a_report_of_the_study_that_nobody_could_read_is_told() {
    let one = || reading("1.3", "2.3", "2024-03-01", &[5.0, 5.1], &[5.0, 5.1]);
    let told = |readings: Vec<ObjectReading>| {
        let mut all = [earlier(), readings].concat();
        let is = codes(&last(all.clone())).contains(&LEFT);
        all.reverse();
        assert_eq!(codes(&last(all)).contains(&LEFT), is, "in any order");
        is
    };
    assert!(told(vec![one(), valueless("1.4", Severity::Caution)]));
    assert!(told(vec![one(), valueless("1.4", Severity::Info)]));
    let mut machine = valueless("1.4", Severity::Info);
    machine.exam.as_mut().expect("an exam").device.model = Some("Renograph 2".to_owned());
    assert!(
        !told(vec![one(), machine]),
        "nothing says that it is of the eye"
    );
    let mut study = valueless("1.4", Severity::Caution);
    study.exam.as_mut().expect("an exam").study_instance_uid = "2.9".to_owned();
    assert!(!told(vec![one(), study]), "another study");
    let mut corrected = one();
    corrected.predecessors = vec!["1.4".to_owned()];
    assert!(!told(vec![corrected, valueless("1.4", Severity::Caution)]));
}

#[test]
fn values_that_their_codes_keep_from_use_are_told() {
    let with = |code: RemarkCode| {
        let mut report = reading("1.3", "2.3", "2024-03-01", &[5.0, 5.1, 6.0], &[5.0]);
        let value = report.measurements.get_mut(2).expect("a value");
        value.set_aside(Remark::of(code, "Not used.").with(Severity::Blocking));
        codes(&last([earlier(), vec![report]].concat())).contains(&LEFT)
    };
    assert!(with(RemarkCode::UnitUnknown));
    assert!(with(RemarkCode::LateralityConflict));
    assert!(!with(RemarkCode::Implausible));
    assert!(!with(RemarkCode::OtherSubject));
}
