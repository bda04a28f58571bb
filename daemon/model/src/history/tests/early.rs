//! Preliminary reports and the final ones that do not name them.

use super::sessions::{STUDY, codes, exams, made, orders, told};
use super::*;
use crate::domain::RemarkCode;

fn state(mut one: ObjectReading, preliminary: bool) -> ObjectReading {
    one.state.preliminary = Some(preliminary);
    if preliminary {
        one.remarks
            .push(Remark::of(RemarkCode::DocumentPreliminary, "It says so."));
    }
    one
}

fn early(uid: &str, time: &str, mm: f64) -> ObjectReading {
    state(
        made(uid, &format!("2024-05-01T{time}:00"), &[mm], &[mm]),
        true,
    )
}

fn last(uid: &str, time: &str, mm: f64) -> ObjectReading {
    state(
        made(uid, &format!("2024-05-01T{time}:00"), &[mm], &[mm]),
        false,
    )
}

fn by(mut one: ObjectReading, operator: &str, model: &str) -> ObjectReading {
    let facts = one.exam.as_mut().expect("facts");
    facts.operator = Some(operator.to_owned());
    facts.device.model = Some(model.to_owned());
    one
}

/// Times, values, and whether the exam rests on a preliminary report; the same in every order.
fn all(readings: &[ObjectReading]) -> Vec<(String, Vec<f64>, bool)> {
    let of = |readings: &[ObjectReading]| -> Vec<(String, Vec<f64>, bool)> {
        let told = told(readings);
        let exams = exams(readings);
        let early = exams
            .iter()
            .map(|exam| codes(exam).contains(&"exam-preliminary"));
        told.into_iter()
            .zip(early)
            .map(|((time, mm), early)| (time, mm, early))
            .collect()
    };
    let first = of(readings);
    for order in orders(readings) {
        assert_eq!(of(&order), first);
    }
    first
}

fn exam(time: &str, mm: f64, early: bool) -> (String, Vec<f64>, bool) {
    (time.to_owned(), vec![mm, mm], early)
}

#[test]
fn the_final_report_counts_and_the_preliminary_one_is_kept() {
    let first = early("1.1", "08:00", 5.0);
    assert_eq!(
        all(std::slice::from_ref(&first)),
        [exam("01 08:00", 5.0, true)]
    );
    let second = last("1.2", "14:00", 5.4);
    let set = [first, second];
    assert_eq!(all(&set), [exam("01 08:00", 5.4, false)]);
    let told = exams(&set);
    assert_eq!(told[0].objects[0].superseded_by, ["1.2"]);
    assert!(codes(&told[0]).contains(&"preliminary-superseded"));
    // Amended later, the final one still took the place of the preliminary one.
    let mut amended = last("1.3", "18:00", 5.2);
    amended.predecessors = vec!["1.2".into()];
    let set = [set[0].clone(), set[1].clone(), amended];
    assert_eq!(all(&set), [exam("01 08:00", 5.2, false)]);
}

#[test]
fn the_observer_or_the_machine_must_be_the_same_and_the_eyes_too() {
    let first = by(early("1.1", "08:00", 5.0), "A", "One");
    for (second, replaces) in [
        (by(last("1.2", "14:00", 5.4), "A", "Two"), true),
        (by(last("1.2", "14:00", 5.4), "B", "One"), true),
        (by(last("1.2", "14:00", 5.4), "B", "Two"), false),
    ] {
        let count = all(&[first.clone(), second]).len();
        assert_eq!(count, if replaces { 1 } else { 2 });
    }
    let mut right = by(last("1.2", "14:00", 5.4), "A", "One");
    right.measurements.truncate(1);
    assert_eq!(all(&[first.clone(), right]).len(), 2);
    let mut unknown = (first, last("1.2", "14:00", 5.4));
    for one in [&mut unknown.0, &mut unknown.1] {
        let facts = one.exam.as_mut().expect("facts");
        (facts.operator, facts.device) = (None, Device::default());
    }
    assert_eq!(
        all(&[unknown.0, unknown.1]).len(),
        2,
        "nobody knows who made them"
    );
}

/// A second scan must not vanish behind the final report of the first.
#[test]
fn a_scan_is_never_taken_for_the_early_form_of_another() {
    // Two scans, and one is final: its readings tell which.
    let scans = [early("1.1", "08:00", 5.0), early("1.2", "12:00", 6.0)];
    let with = |more: &[ObjectReading]| all(&[scans.as_slice(), more].concat());
    assert_eq!(
        with(&[last("1.3", "13:00", 5.0)]),
        [exam("01 08:00", 5.0, false), exam("01 12:00", 6.0, true)]
    );
    // Nothing tells: nothing is replaced.
    let open = with(&[last("1.3", "15:00", 5.5)]);
    assert_eq!(open.len(), 3);
    assert!(open[0].2 && open[1].2);
    let set = [scans.as_slice(), &[last("1.3", "15:00", 5.5)]].concat();
    assert!(codes(&exams(&set)[2]).contains(&"final-of-which"));
    // Both are final in the end, in the order of the scans.
    assert_eq!(
        with(&[last("1.3", "15:00", 5.1), last("1.4", "15:05", 6.1)]),
        [exam("01 08:00", 5.1, false), exam("01 12:00", 6.1, false)]
    );
    // Each is final before the next.
    let each = [
        early("1.1", "08:00", 5.0),
        last("1.2", "09:00", 5.1),
        early("1.3", "12:00", 6.0),
        last("1.4", "13:00", 6.1),
    ];
    assert_eq!(
        all(&each),
        [exam("01 08:00", 5.1, false), exam("01 12:00", 6.1, false)]
    );
    // A preliminary report hours after the final one is of a new scan.
    let new = [last("1.1", "08:00", 5.0), early("1.2", "12:00", 6.0)];
    assert_eq!(
        all(&new),
        [exam("01 08:00", 5.0, false), exam("01 12:00", 6.0, true)]
    );
    // Even if the readings are the same.
    let same = [last("1.1", "08:00", 5.0), early("1.2", "12:00", 5.0)];
    assert_eq!(
        all(&same),
        [exam("01 08:00", 5.0, false), exam("01 12:00", 5.0, true)]
    );
    // Observation times decide where both have them.
    let observed = |mut one: ObjectReading, time: &str| {
        let at = format!("2024-05-01T{time}:00").parse().expect("a time");
        for value in &mut one.measurements {
            value.observed_at = Some(Moment {
                local: at,
                offset_s: None,
            });
        }
        one
    };
    let far = [
        observed(early("1.1", "08:00", 5.0), "08:00"),
        observed(last("1.2", "14:00", 6.0), "14:00"),
    ];
    assert_eq!(all(&far).len(), 2);
    let near = [
        observed(early("1.1", "08:00", 5.0), "08:00"),
        observed(last("1.2", "14:00", 5.1), "08:00"),
    ];
    assert_eq!(all(&near), [exam("01 08:00", 5.1, false)]);
}

#[test]
fn several_preliminary_reports_of_one_scan_become_one_final_one() {
    let set = [
        early("1.1", "08:00", 5.0),
        early("1.2", "08:10", 5.1),
        last("1.3", "10:00", 5.2),
    ];
    assert_eq!(all(&set), [exam("01 08:00", 5.2, false)]);
}

#[test]
fn partial_reports_become_complete_and_unsigned_ones_signed_only_with_the_same_readings() {
    let one =
        |uid: &str, time: &str, mm: f64| made(uid, &format!("2024-05-01T{time}:00"), &[mm], &[mm]);
    let partial = |mut one: ObjectReading, is: bool| {
        one.state.partial = Some(is);
        one
    };
    let unsigned = |mut one: ObjectReading, is: bool| {
        one.state.unverified = Some(is);
        one
    };
    let set = [
        partial(one("1.1", "08:00", 5.0), true),
        partial(one("1.2", "10:00", 5.2), false),
    ];
    assert_eq!(all(&set), [exam("01 08:00", 5.2, false)]);
    let again = [
        unsigned(one("1.1", "08:00", 5.0), true),
        unsigned(one("1.2", "10:00", 5.0), false),
    ];
    assert_eq!(all(&again), [exam("01 08:00", 5.0, false)]);
    let scan = [
        unsigned(one("1.1", "08:00", 5.0), true),
        unsigned(one("1.2", "10:00", 5.2), false),
    ];
    assert_eq!(all(&scan).len(), 2);
}

/// Flags, names and answers may lead back to where they began; nothing is lost and nothing hangs.
#[test]
fn flags_that_contradict_what_reports_name_lead_nowhere() {
    let of =
        |uid: &str, mm: f64, preliminary: Option<bool>, partial: Option<bool>, names: &[&str]| {
            let mut one = made(uid, "2024-05-01T08:00:00", &[mm], &[mm]);
            one.state.preliminary = preliminary;
            one.state.partial = partial;
            one.predecessors = names.iter().map(|name| (*name).to_owned()).collect();
            one
        };
    let set = [
        of("1.1", 5.0, Some(true), None, &["1.4"]),
        of("1.2", 5.0, Some(false), Some(true), &[]),
        of("1.3", 5.1, None, Some(true), &["1.2"]),
        of("1.4", 5.1, Some(true), Some(false), &[]),
    ];
    let expected = exams(&set);
    assert_eq!(
        expected
            .iter()
            .map(|exam| exam.objects.len())
            .sum::<usize>(),
        4
    );
    for order in orders(&set) {
        assert_eq!(exams(&order), expected);
    }
    assert_eq!(expected[0].study_instance_uid, STUDY);
}
