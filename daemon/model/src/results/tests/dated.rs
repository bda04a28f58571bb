//! Exams that are dated after they were received.

use super::*;
use crate::render::html;
use crate::results::samples;
use chrono::{DateTime, Utc};

fn at(time: &str) -> DateTime<Utc> {
    time.parse().expect("a time")
}

/// Two well exams of 5.0 mm, one received on 2024-03-02 and dated as given, and one of 2025.
fn dated(day: &str, mm: f64) -> Known {
    let mut known = known(vec![
        exam(1, "2022-03-01", 5.0),
        exam(2, "2023-03-01", 5.0),
        exam(3, day, mm),
        exam(4, "2025-03-01", 5.0),
    ]);
    known.received = [
        ("1.1", "2022-03-01T12:00:00Z"),
        ("1.2", "2023-03-01T12:00:00Z"),
        ("1.3", "2024-03-02T08:00:00Z"),
        ("1.4", "2025-03-01T12:00:00Z"),
    ]
    .map(|(uid, time)| (uid.to_owned(), at(time)))
    .into();
    known
}

fn named<'c>(told: &'c [Content], study: &str) -> &'c Content {
    let mut told = told.iter();
    told.find(|one| one.exam.study_instance_uid == study)
        .expect("the exam")
}

fn codes(content: &Content) -> Vec<&str> {
    let remarks = content.remarks.iter();
    remarks.map(|remark| &*remark.code).collect()
}

#[test]
fn an_exam_dated_after_it_was_received_is_no_baseline_and_not_the_newest() {
    // Before and after the exam that came later, by date.
    for day in ["2024-09-01", "2034-03-01"] {
        let told = results(&dated(day, 5.0));
        let doubted = named(&told, "2.3");
        assert_eq!(codes(doubted), ["date-implausible"], "{day}");
        assert_eq!(doubted.assessment.status, Status::NotComparable);
        assert_eq!(doubted.assessment.reason, Some(Reason::DateImplausible));
        assert!(doubted.baseline.is_empty() && doubted.course.is_empty());
        assert_eq!(doubted.assessment.notices, []);
        let later = named(&told, "2.4");
        assert_eq!(later.assessment.status, Status::WithinExpected);
        assert_eq!(later.baseline.len(), 2);
        assert!(later.course.trend.is_none(), "three exams show no trend");
        // Nor does it stand in the picture of another exam, nor others in its own.
        assert_eq!(html::trends(later, &told)[0].points.len(), 3);
        assert_eq!(html::trends(doubted, &told)[0].points.len(), 1);
        let page = html::page(&samples::envelope(doubted.clone()), &[]);
        assert!(page.contains("received on 2024-03-02"), "{page}");
        // The page's own words are those of this exam, once.
        assert_eq!(page.matches("received on").count(), 1, "{page}");
        assert!(
            page.contains("Send a corrected report, or label the exam"),
            "{page}"
        );
    }
}

/// A doubt about the day takes "within" away, never a rise.
#[test]
fn a_rise_of_doubtful_date_stays_flagged() {
    let told = results(&dated("2034-03-01", 6.4));
    let doubted = named(&told, "2.3");
    assert!(doubted.assessment.flagged);
    assert_eq!(codes(doubted), ["date-implausible"]);
    let text = text::text(doubted);
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("The exam is dated 2034-03-01, but its report was received on"),
        "{text}"
    );
}

/// Zones reach from 12 hours behind to 14 ahead of UTC.
#[test]
fn time_zones_and_clocks_are_no_doubt() {
    // The exam is of 10 o'clock, wherever that was.
    let (morning, evening) = ("2024-03-02T08:00:00Z", "2024-03-02T20:00:00Z");
    for (day, offset_s, received, doubted) in [
        ("2024-03-02", None, morning, false),
        ("2024-03-03", None, evening, false),
        ("2024-03-03", None, morning, true),
        ("2024-03-03", Some(-12 * 3600), evening, true),
        ("2024-03-03", Some(14 * 3600), morning, false),
    ] {
        let mut known = dated(day, 5.0);
        known.received.insert("1.3".to_owned(), at(received));
        let facts = known.readings[2].exam.as_mut().expect("facts");
        facts.performed_at.as_mut().expect("a time").offset_s = offset_s;
        let told = results(&known);
        let exam = named(&told, "2.3");
        assert_eq!(exam.is_date_doubted(), doubted, "{day} {offset_s:?}");
    }
}

#[test]
fn a_label_confirms_the_date_and_a_corrected_report_mends_it() {
    let mut known = dated("2024-09-01", 5.0);
    known.labels = vec![(About::of_study("2.3"), Label::Well)];
    let told = results(&known);
    assert_eq!(codes(named(&told, "2.3")), ["date-confirmed"]);
    assert_eq!(named(&told, "2.4").baseline.len(), 3);

    let mut known = dated("2034-03-01", 5.0);
    let mut corrected = exam(5, "2024-03-01", 5.0);
    corrected.predecessors = vec!["1.3".to_owned()];
    corrected.exam.as_mut().expect("facts").study_instance_uid = "2.3".to_owned();
    known.readings.push(corrected);
    known
        .received
        .insert("1.5".to_owned(), at("2024-03-03T08:00:00Z"));
    let told = results(&known);
    assert_eq!(codes(named(&told, "2.3")), [""; 0]);
    assert_eq!(named(&told, "2.4").baseline.len(), 3);
}
