//! One scanning session is one exam, whatever the study.

use super::*;
use chrono::NaiveDateTime;
use std::collections::BTreeSet;

pub(super) const STUDY: &str = "2.1";

fn local(text: &str) -> NaiveDateTime {
    text.parse().expect("a time")
}

/// A report of a study that began at 07:00, its content made at `at`.
pub(super) fn made(uid: &str, at: &str, right: &[f64], left: &[f64]) -> ObjectReading {
    let mut reading = testing::reading(uid, STUDY, &at[..10], right, left);
    let facts = reading.exam.as_mut().expect("facts");
    let moment = |local| {
        Some(Moment {
            local,
            offset_s: None,
        })
    };
    facts.content_at = moment(local(at));
    facts.study_at = moment(local("2024-05-01T07:00:00"));
    facts.performed_at = facts.study_at;
    reading
}

/// The same without any time.
fn untimed(uid: &str, right: &[f64], left: &[f64]) -> ObjectReading {
    let mut reading = made(uid, "2024-05-01T07:00:00", right, left);
    let facts = reading.exam.as_mut().expect("facts");
    (facts.content_at, facts.study_at) = (None, None);
    facts.performed_at = facts.performed_at.map(|at| Moment {
        local: at.local.date().into(),
        ..at
    });
    reading
}

fn observed(reading: &mut ObjectReading, value: usize, at: &str) {
    reading.measurements[value].observed_at = Some(Moment {
        local: local(at),
        offset_s: None,
    });
}

pub(super) fn exams(readings: &[ObjectReading]) -> Vec<Exam> {
    tell(readings, Entries::default(), &Apart::default())
}

/// The times of exams, and the usable readings of each.
pub(super) fn told(readings: &[ObjectReading]) -> Vec<(String, Vec<f64>)> {
    let time = |exam: &Exam| exam.performed_at.local.format("%d %H:%M").to_string();
    exams(readings)
        .iter()
        .map(|exam| (time(exam), used(exam)))
        .collect()
}

fn at(time: &str, mm: &[f64]) -> (String, Vec<f64>) {
    (time.to_owned(), mm.to_vec())
}

pub(super) fn codes(exam: &Exam) -> Vec<&str> {
    exam.remarks.iter().map(|remark| &*remark.code).collect()
}

/// All orders of up to five readings.
pub(super) fn orders(readings: &[ObjectReading]) -> Vec<Vec<ObjectReading>> {
    if readings.len() < 2 {
        return vec![readings.to_vec()];
    }
    let mut all = Vec::new();
    for n in 0..readings.len() {
        let mut rest = readings.to_vec();
        let first = rest.remove(n);
        all.extend(orders(&rest).into_iter().map(|mut order| {
            order.insert(0, first.clone());
            order
        }));
    }
    all
}

#[test]
fn four_bedside_scans_of_one_study_are_four_exams() {
    let scans = [
        made("1.9", "2024-05-01T08:00:00", &[5.0], &[5.1]),
        made("1.1", "2024-05-01T11:00:00", &[5.1], &[5.0]),
        made("1.5", "2024-05-01T14:00:00", &[5.0], &[5.0]),
        made("1.3", "2024-05-01T17:00:00", &[6.0], &[6.1]),
    ];
    let expected = exams(&scans);
    let ids: BTreeSet<&String> = expected.iter().map(|exam| &exam.id).collect();
    assert_eq!(ids.len(), 4);
    let key = &expected[0].patient;
    assert_eq!(expected[0].id, exam_id(key, STUDY));
    assert_eq!(
        expected[3].id,
        session_id(key, STUDY, expected[3].performed_at)
    );
    for order in orders(&scans) {
        assert_eq!(exams(&order), expected);
    }
    assert_eq!(
        told(&scans),
        [
            at("01 08:00", &[5.0, 5.1]),
            at("01 11:00", &[5.1, 5.0]),
            at("01 14:00", &[5.0, 5.0]),
            at("01 17:00", &[6.0, 6.1]),
        ]
    );
}

#[test]
fn the_pause_that_tells_two_sessions_apart_is_a_setting_and_has_to_be_exceeded() {
    let pair = |second: &str| {
        [
            made("1.1", "2024-05-01T10:00:00", &[5.0], &[5.0]),
            made("1.2", second, &[5.1], &[5.1]),
        ]
    };
    assert_eq!(exams(&pair("2024-05-01T10:30:00")).len(), 1);
    assert_eq!(exams(&pair("2024-05-01T10:30:01")).len(), 2);
    let long = Apart {
        gap_minutes: 120,
        ..Apart::default()
    };
    let all = |second| tell(&pair(second), Entries::default(), &long).len();
    assert_eq!(
        (all("2024-05-01T12:00:00"), all("2024-05-01T12:01:00")),
        (1, 2)
    );
}

#[test]
fn reports_that_complete_each_other_are_one_session_all_day() {
    let right = made("1.1", "2024-05-01T07:10:00", &[5.0], &[]);
    let left = made("1.2", "2024-05-01T19:00:00", &[], &[5.2]);
    assert_eq!(
        told(&[left.clone(), right.clone()]),
        [at("01 07:10", &[5.0, 5.2])]
    );
    // Of another day they are not, and with an eye measured again neither.
    let late = made("1.3", "2024-05-02T09:00:00", &[], &[5.3]);
    assert_eq!(exams(&[right.clone(), late]).len(), 2);
    let both = made("1.4", "2024-05-01T20:00:00", &[5.5], &[5.5]);
    assert_eq!(exams(&[right, left, both]).len(), 2);
}

#[test]
fn planes_complete_each_other_where_they_are_told() {
    let plane = |mut reading: ObjectReading, plane| {
        reading
            .measurements
            .iter_mut()
            .for_each(|one| one.plane = plane);
        reading
    };
    let first = made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]);
    let second = made("1.2", "2024-05-01T10:00:00", &[5.1], &[5.1]);
    let of = |second: Plane| {
        exams(&[
            first.clone(),
            plane(made("1.2", "2024-05-01T10:00:00", &[5.1], &[5.1]), second),
        ])
        .len()
    };
    assert_eq!(of(Plane::Sagittal), 1);
    assert_eq!(of(Plane::Transverse), 2);
    assert_eq!(of(Plane::Unspecified), 2);
    drop(second);
}

#[test]
fn one_report_may_hold_several_sessions() {
    let mut report = made("1.1", "2024-05-01T15:00:00", &[5.0, 5.1, 6.0], &[5.0, 6.1]);
    // Before and after, three hours between; the companion was measured with the second.
    for (n, time) in ["09:00", "09:01", "12:00", "09:02", "12:02"]
        .iter()
        .enumerate()
    {
        observed(&mut report, n, &format!("2024-05-01T{time}:00"));
    }
    let mut eyeball = report.measurements[0].clone();
    eyeball.quantity = Quantity::EyeballTransverseDiameter;
    eyeball.place = "1.9".into();
    observed_at(&mut eyeball, "2024-05-01T11:50:00");
    report.measurements.push(eyeball);
    let all = exams(&[report.clone()]);
    assert_eq!(
        told(&[report]),
        [
            at("01 09:00", &[5.0, 5.1, 5.0]),
            at("01 12:00", &[6.0, 6.1])
        ]
    );
    let beside = |exam: &Exam| exam.measurements.iter().any(|one| one.value.place == "1.9");
    assert_eq!((beside(&all[0]), beside(&all[1])), (false, true));
    assert!(all.iter().all(|exam| exam.objects.len() == 1));
}

fn observed_at(value: &mut Measurement, at: &str) {
    value.observed_at = Some(Moment {
        local: local(at),
        offset_s: None,
    });
}

/// Before and after a tap, ten minutes between: the time points tell what the pause does not.
#[test]
fn time_points_of_one_report_are_never_pooled() {
    let mut report = made("1.1", "2024-05-01T15:00:00", &[6.0, 5.2], &[6.1, 5.3]);
    let told_of = [
        ("before", "09:00"),
        ("after", "09:10"),
        ("before", "09:01"),
        ("after", "09:11"),
    ];
    for (n, (point, time)) in told_of.iter().enumerate() {
        observed(&mut report, n, &format!("2024-05-01T{time}:00"));
        report.measurements[n].time_point = Some((*point).to_owned());
    }
    assert_eq!(
        told(&[report]),
        [at("01 09:00", &[6.0, 6.1]), at("01 09:10", &[5.2, 5.3])]
    );
}

/// Scans every twenty minutes: no pause is longer than half an hour, and the rise is real.
#[test]
fn a_rise_over_a_row_of_short_pauses_is_not_lost_in_a_median() {
    let row = |values: &[f64]| -> Vec<ObjectReading> {
        let scans = values.iter().enumerate().map(|(n, mm)| {
            let minutes = 20 * n;
            let time = format!("2024-05-01T{:02}:{:02}:00", 8 + minutes / 60, minutes % 60);
            made(&format!("1.{n}"), &time, &[*mm], &[*mm])
        });
        scans.collect()
    };
    let rise = exams(&row(&[5.0, 5.1, 5.0, 6.1]));
    assert_eq!(rise.len(), 4);
    assert_eq!(used(&rise[3]), [6.1, 6.1]);
    assert_eq!(exams(&row(&[5.0, 5.1, 5.0, 5.2])).len(), 1);
}

#[test]
fn an_amended_report_takes_the_place_and_the_time_of_the_one_it_replaces() {
    let morning = made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]);
    let noon = made("1.2", "2024-05-01T12:00:00", &[5.6], &[5.6]);
    let mut amended = made("1.3", "2024-05-01T18:00:00", &[5.2], &[5.2]);
    amended.predecessors = vec!["1.1".into()];
    let mut again = made("1.4", "2024-05-03T18:00:00", &[5.3], &[5.3]);
    again.predecessors = vec!["1.3".into()];
    let all = [morning, noon, amended, again];
    for order in orders(&all) {
        assert_eq!(
            told(&order),
            [at("01 08:00", &[5.3, 5.3]), at("01 12:00", &[5.6, 5.6])]
        );
    }
    // What it replaces never came: its own content time is not when it was measured.
    let unknown = &all[2..3];
    assert_eq!(told(unknown), [at("01 07:00", &[5.2, 5.2])]);
}

#[test]
fn an_amended_report_that_gives_another_day_corrects_the_day() {
    let mut wrong = made("1.1", "2034-05-01T08:00:00", &[5.0], &[5.0]);
    let facts = wrong.exam.as_mut().expect("facts");
    facts.study_at = Some(Moment {
        local: local("2034-05-01T07:00:00"),
        offset_s: None,
    });
    let mut right = made("1.2", "2024-05-04T08:00:00", &[5.0], &[5.0]);
    right.predecessors = vec!["1.1".into()];
    assert_eq!(told(&[wrong, right]), [at("01 07:00", &[5.0, 5.0])]);
}

/// A report that was written days after its only scan tells when it was written; of several scans it
/// is all there is to tell them apart.
#[test]
fn a_report_written_on_another_day_does_not_move_a_single_exam() {
    let late = made("1.1", "2024-05-06T09:00:00", &[5.0], &[5.0]);
    assert_eq!(
        told(std::slice::from_ref(&late)),
        [at("01 07:00", &[5.0, 5.0])]
    );
    let other = made("1.2", "2024-05-02T09:00:00", &[5.1], &[5.1]);
    assert_eq!(
        told(&[late, other]),
        [at("02 09:00", &[5.1, 5.1]), at("06 09:00", &[5.0, 5.0])]
    );
}

#[test]
fn reports_without_a_time_are_pooled_only_if_they_can_be_of_one_width() {
    let one = untimed("1.1", &[5.0, 5.1], &[5.0]);
    let same = untimed("1.2", &[5.2], &[5.1]);
    let all = exams(&[one.clone(), same]);
    assert_eq!((all.len(), used(&all[0]).len()), (1, 5));
    // The critical range of three readings is 3.3 x 0.2 = 0.66 mm (ISO 5725-6).
    for (mm, is_pooled) in [(5.66, true), (5.67, false)] {
        let other = untimed("1.2", &[mm], &[]);
        let all = exams(&[one.clone(), other]);
        assert_eq!(all.len(), 1);
        assert_eq!(used(&all[0]).is_empty(), !is_pooled, "{mm}");
        let told = all[0]
            .remarks
            .iter()
            .find(|remark| remark.code == "reports-differ-untimed");
        assert_eq!(told.is_some(), !is_pooled, "{mm}");
        if let Some(told) = told {
            assert_eq!(told.severity, Severity::Blocking);
            assert!(
                told.text
                    .contains("Report 1.1: right 5.00, 5.10 mm; left 5.00 mm."),
                "{}",
                told.text
            );
            assert!(
                told.text.contains("Report 1.2: right 5.67 mm."),
                "{}",
                told.text
            );
        }
    }
}

/// The study's time is the same for all its reports, so it tells none from another.
#[test]
fn the_time_of_the_study_tells_no_report_from_another() {
    let of_study = |uid: &str, mm: f64| {
        let mut one = made(uid, "2024-05-01T07:00:00", &[mm], &[mm]);
        one.exam.as_mut().expect("facts").content_at = None;
        one
    };
    let all = exams(&[of_study("1.1", 5.0), of_study("1.2", 6.0)]);
    assert_eq!(used(&all[0]), [0.0; 0]);
    assert!(codes(&all[0]).contains(&"reports-differ-untimed"));
}

#[test]
fn a_report_without_a_time_is_kept_from_one_that_has_its_own() {
    let timed = made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]);
    let other = untimed("1.2", &[6.0], &[6.0]);
    let all = exams(&[timed.clone(), other.clone()]);
    assert_eq!((all.len(), used(&all[0])), (1, vec![5.0, 5.0]));
    assert!(codes(&all[0]).contains(&"reports-differ-untimed"));
    // Of several exams it may be any.
    let second = made("1.3", "2024-05-01T12:00:00", &[5.1], &[5.1]);
    let near = untimed("1.2", &[5.0], &[5.0]);
    let all = exams(&[timed.clone(), second, near]);
    assert_eq!(
        (used(&all[0]), used(&all[1])),
        (vec![5.0, 5.0], vec![5.1, 5.1])
    );
    assert!(codes(&all[0]).contains(&"reports-differ-untimed"));
    assert!(codes(&all[1]).contains(&"report-of-no-time"));
    // A day without a time is a missing time.
    let mut day = untimed("1.4", &[5.0], &[5.0]);
    day.measurements.iter_mut().for_each(|one| {
        observed_at(one, "2024-05-01T00:00:00");
        one.observed_day_only = true;
    });
    assert_eq!(exams(&[day]).len(), 1);
}

/// The hour between 02:00 and 03:00 comes twice where clocks are set back.
#[test]
fn an_hour_that_comes_twice_is_an_hour() {
    let moment = |offset_s| {
        Some(Moment {
            local: local("2024-10-27T02:30:00"),
            offset_s,
        })
    };
    let pair = |first, second| {
        let mut pair = [
            made("1.1", "2024-10-27T02:30:00", &[5.0], &[5.0]),
            made("1.2", "2024-10-27T02:30:00", &[5.5], &[5.5]),
        ];
        for (one, offset_s) in pair.iter_mut().zip([first, second]) {
            one.exam.as_mut().expect("facts").content_at = moment(offset_s);
        }
        exams(&pair).len()
    };
    assert_eq!(pair(Some(7200), Some(3600)), 2);
    assert_eq!(pair(Some(3600), Some(3600)), 1);
    assert_eq!(pair(None, None), 1);
}

#[test]
fn a_circle_replaces_nothing_and_is_told_in_every_order() {
    let circle = |names: &[(&str, &str)]| -> Vec<ObjectReading> {
        let each = names.iter().enumerate().map(|(n, (uid, named))| {
            let mm = 5.0 + n as f64 / 10.0;
            let mut one = made(uid, "2024-05-01T08:00:00", &[mm], &[mm]);
            one.predecessors = vec![(*named).to_owned()];
            one
        });
        each.collect()
    };
    for names in [
        vec![("1.1", "1.2"), ("1.2", "1.1")],
        vec![("1.1", "1.2"), ("1.2", "1.3"), ("1.3", "1.1")],
        vec![
            ("1.1", "1.2"),
            ("1.2", "1.3"),
            ("1.3", "1.4"),
            ("1.4", "1.1"),
        ],
    ] {
        for order in orders(&circle(&names)) {
            let all = exams(&order);
            assert_eq!(all.len(), 1);
            assert_eq!(used(&all[0]), [0.0; 0]);
            assert!(
                all[0]
                    .objects
                    .iter()
                    .all(|one| one.superseded_by.is_empty())
            );
            let told: Vec<_> = all[0]
                .remarks
                .iter()
                .filter(|one| one.code == "replacement-circle")
                .collect();
            assert_eq!(told.len(), 1);
            assert_eq!(told[0].severity, Severity::Blocking);
            assert!(names.iter().all(|(uid, _)| told[0].text.contains(uid)));
        }
    }
    // One that names them all ends it; a third that stands outside is not drawn in.
    let mut all = circle(&[("1.1", "1.2"), ("1.2", "1.1")]);
    let mut last = made("1.5", "2024-05-01T12:00:00", &[5.3], &[5.3]);
    last.predecessors = vec!["1.1".into(), "1.2".into()];
    all.push(last);
    for order in orders(&all) {
        let all = exams(&order);
        assert_eq!((all.len(), used(&all[0])), (1, vec![5.3, 5.3]));
        assert!(!codes(&all[0]).contains(&"replacement-circle"));
    }
}

fn refs(reading: &ObjectReading) -> Vec<ReadingRef> {
    let object = reading.sop_instance_uid.clone().expect("a UID");
    let of = |one: &Measurement| ReadingRef {
        object: object.clone(),
        place: one.place.clone(),
    };
    reading.measurements.iter().map(of).collect()
}

fn labelled(
    readings: &[ObjectReading],
    labels: &[(About, Label)],
) -> Vec<(Option<Label>, Vec<String>)> {
    let entries = Entries {
        labels,
        ..Entries::default()
    };
    let all = tell(readings, entries, &Apart::default());
    let codes = |exam: &Exam| codes(exam).iter().map(|code| (*code).to_owned()).collect();
    all.iter().map(|exam| (exam.label, codes(exam))).collect()
}

#[test]
fn a_label_stays_with_the_readings_it_was_given_for() {
    let first = made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]);
    let second = made("1.2", "2024-05-01T12:00:00", &[6.0], &[6.0]);
    let about = |reading: &ObjectReading| About {
        study_instance_uid: STUDY.into(),
        readings: refs(reading),
    };
    let label = (about(&second), Label::RaisedConfirmed);
    let labels = [label];
    // Alone it is the first of its study, and then the second.
    let only = labelled(std::slice::from_ref(&second), &labels);
    assert_eq!(only[0].0, Some(Label::RaisedConfirmed));
    let both = labelled(&[first.clone(), second.clone()], &labels);
    assert_eq!((both[0].0, both[1].0), (None, Some(Label::RaisedConfirmed)));
    // Replaced readings count for the exam of their successor.
    let mut amended = made("1.3", "2024-05-01T18:00:00", &[5.9], &[5.9]);
    amended.predecessors = vec!["1.2".into()];
    let all = labelled(&[first.clone(), second.clone(), amended], &labels);
    assert_eq!((all[0].0, all[1].0), (None, Some(Label::RaisedConfirmed)));
    // Two that a late report joins contradict each other, whatever the order of the entries.
    let left = made("1.5", "2024-05-01T12:00:00", &[], &[5.0]);
    let right = made("1.4", "2024-05-01T08:00:00", &[5.0], &[]);
    let both = [
        (about(&right), Label::Well),
        (about(&left), Label::RaisedConfirmed),
    ];
    let turned = [both[1].clone(), both[0].clone()];
    for labels in [&both, &turned] {
        let joined = labelled(&[right.clone(), left.clone()], labels);
        assert_eq!(joined.len(), 1);
        assert_eq!(joined[0].0, None);
        assert!(
            joined[0]
                .1
                .contains(&"joined-readings-contradict".to_owned())
        );
    }
}

#[test]
fn a_label_of_a_whole_study_counts_for_each_exam_only_if_it_says_raised() {
    let scans = [
        made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]),
        made("1.2", "2024-05-01T12:00:00", &[5.1], &[5.1]),
    ];
    for (label, counts) in [
        (Label::RaisedConfirmed, true),
        (Label::AfterDecompression, true),
        (Label::Well, false),
        (Label::RaisedRuledOut, false),
    ] {
        let told = labelled(&scans, &[(About::of_study(STUDY), label)]);
        for (given, codes) in told {
            assert_eq!(given, counts.then_some(label));
            assert!(codes.contains(&"entry-of-several-exams".to_owned()));
        }
        // One exam alone is what it always was.
        let one = labelled(&scans[..1], &[(About::of_study(STUDY), label)]);
        assert_eq!(one, [(Some(label), vec![])]);
    }
    // What was said of one exam alone goes before.
    let own = About {
        study_instance_uid: STUDY.into(),
        readings: refs(&scans[0]),
    };
    let labels = [
        (About::of_study(STUDY), Label::RaisedConfirmed),
        (own, Label::Well),
    ];
    let told = labelled(&scans, &labels);
    assert_eq!(
        (told[0].0, told[1].0),
        (Some(Label::Well), Some(Label::RaisedConfirmed))
    );
}

/// Twice the reports of one study take about twice the time: a bound that only a square misses.
#[test]
fn thousands_of_reports_of_one_study_take_time_in_proportion() {
    let study = |count: usize| -> Vec<ObjectReading> {
        let of = |n: usize| {
            let time = format!("2024-05-01T{:02}:{:02}:00", n / 60 % 24, n % 60);
            let mut one = made(&format!("1.{n}"), &time, &[5.0, 5.1], &[5.0]);
            match n % 5 {
                1 => one.predecessors = vec![format!("1.{}", n - 1)],
                2 => one.state.preliminary = Some(true),
                3 => one.state.preliminary = Some(false),
                4 => one.exam.as_mut().expect("facts").content_at = None,
                _ => {}
            }
            one
        };
        (0..count).map(of).collect()
    };
    let seconds = |count: usize| {
        let readings = study(count);
        let begun = std::time::Instant::now();
        std::hint::black_box(exams(&readings));
        begun.elapsed().as_secs_f64()
    };
    seconds(500);
    let (some, many) = (seconds(1_500), seconds(6_000));
    assert!(many / some < 9.0, "{some} s for 1500, {many} s for 6000");
}

/// A random report of one of two studies.
fn any_report() -> impl Strategy<Value = ObjectReading> {
    (
        0_usize..8,
        0_u32..2,
        0_u32..60,
        0_usize..8,
        0_u8..16,
        45_u32..65,
    )
        .prop_map(|(n, study, time, named, kind, mm)| {
            let at = format!(
                "2024-05-0{}T{:02}:{:02}:00",
                1 + time / 48,
                time / 2 % 24,
                time % 2 * 30
            );
            let mm = f64::from(mm) / 10.0;
            let (right, left): (&[f64], &[f64]) = match kind % 4 {
                0 => (&[mm], &[]),
                1 => (&[], &[mm]),
                _ => (&[mm], &[mm]),
            };
            let mut one = made(&format!("1.{n}"), &at, right, left);
            let facts = one.exam.as_mut().expect("facts");
            facts.study_instance_uid = format!("2.{study}");
            match kind / 4 {
                0 => facts.content_at = None,
                1 => one.predecessors = vec![format!("1.{named}")],
                2 => one.state.preliminary = Some(named % 2 == 0),
                _ => observed_at(&mut one.measurements[0], &at),
            }
            one
        })
}

proptest! {
    /// Any order of any set, with repeats left out as the store leaves them out, tells the same: every
    /// value stands in one exam, no two exams have one name.
    #[test]
    fn every_value_has_one_exam_in_every_order(
        reports in proptest::collection::vec(any_report(), 1..9),
        seed in any::<u64>(),
    ) {
        let mut set: BTreeMap<String, ObjectReading> = BTreeMap::new();
        for one in reports {
            set.entry(one.sop_instance_uid.clone().expect("a UID")).or_insert(one);
        }
        let readings: Vec<ObjectReading> = set.into_values().collect();
        let all = exams(&readings);
        let mut shuffled = readings.clone();
        let mut state = seed | 1;
        for i in (1..shuffled.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            shuffled.swap(i, (state >> 33) as usize % (i + 1));
        }
        prop_assert_eq!(&exams(&shuffled), &all);
        let ids: BTreeSet<&String> = all.iter().map(|exam| &exam.id).collect();
        prop_assert_eq!(ids.len(), all.len());
        let mut values: Vec<(&str, &str)> = all
            .iter()
            .flat_map(|exam| &exam.measurements)
            .map(|one| (one.object.as_str(), one.value.place.as_str()))
            .collect();
        values.sort_unstable();
        let mut expected: Vec<(&str, &str)> = readings
            .iter()
            .flat_map(|one| one.measurements.iter().map(move |m| (one.sop_instance_uid.as_deref().expect("a UID"), m.place.as_str())))
            .collect();
        expected.sort_unstable();
        prop_assert_eq!(values, expected);
        for exam in &all {
            let own: BTreeSet<&str> = exam.objects.iter().map(|one| one.sop_instance_uid.as_str()).collect();
            prop_assert!(exam.measurements.iter().all(|one| own.contains(one.object.as_str())));
        }
    }
}
