//! Edge cases: what serves as baseline, what is refused, what is said of it.

use super::*;
use crate::assess::{
    History, Modality, Notice, Reason, Status, Unlabelled, Unused, Why, assess_all, explain,
};
use crate::domain::{Border, Event, EventKind};

const STEADY: [f64; 3] = [5.2, 5.3, 5.1];

fn steady(id: &str, date: &str) -> Exam {
    exam(id, date, &STEADY, &STEADY)
}

fn at(id: &str, date: &str, mm: f64) -> Exam {
    exam(id, date, &[mm, mm, mm], &[mm, mm, mm])
}

fn why(answer: &Assessment, id: &str) -> Unused {
    let aside = answer.set_aside.iter().find(|aside| aside.exam == id);
    match &aside.expect("an exam set aside").reason {
        Why::Found(unused) => *unused,
        Why::Given(code) => panic!("given reason {code}"),
    }
}

#[test]
fn without_a_baseline_the_values_stand_alone() {
    let answer = answer(adult(), vec![steady("t", "2023-06-01")]);
    assert_eq!(answer.status, Status::NoBaseline);
    assert_eq!(answer.reason, Some(Reason::NoEligibleSession));
    let row = answer.rows.both.unwrap();
    close(row.measured_mm, 5.2, 1e-12);
    assert!(row.comparison.is_none());
    assert!(!answer.flagged && answer.gap_years.is_none() && answer.baseline.is_empty());
    let json = serde_json::to_value(&answer).unwrap();
    assert!(json["rows"]["both"]["expected_mm"].is_null());
    assert!(json["rows"]["both"]["status"].is_null());
    assert!(json.get("arithmetic").is_none());
}

#[test]
fn an_exam_without_a_usable_reading_is_not_comparable() {
    for readings in [vec![], vec![0.55], vec![55.0], vec![1.799, 10.001]] {
        let now = exam("t", "2023-06-01", &readings, &[]);
        let answer = answer(adult(), vec![steady("b", "2023-01-01"), now]);
        assert_eq!(answer.status, Status::NotComparable);
        assert_eq!(answer.reason, Some(Reason::NoUsableMeasurement));
        assert_eq!(why(&answer, "b"), Unused::NoComparison);
        assert!(answer.rows.right.is_none());
        let dropped = answer.notices.contains(&Notice::ImplausibleReadingDropped);
        assert_eq!(dropped, !readings.is_empty());
    }
}

#[test]
fn the_plausible_range_includes_its_ends() {
    let now = exam("t", "2023-06-01", &[1.8, 10.0], &[]);
    let answer = answer(adult(), vec![now]);
    close(answer.rows.right.unwrap().measured_mm, 5.9, 1e-12);
    assert!(answer.notices.contains(&Notice::RepeatsDisagree));
    assert!(!answer.notices.contains(&Notice::ImplausibleReadingDropped));
}

#[test]
fn labels_decide_who_serves() {
    let labelled = |label| {
        let mut base = steady("b", "2023-01-01");
        base.label = label;
        answer(adult(), vec![base, steady("t", "2023-06-01")])
    };
    assert_eq!(labelled(Some(Label::Well)).baseline, ["b"]);
    assert_eq!(labelled(Some(Label::RaisedRuledOut)).baseline, ["b"]);
    let confirmed = labelled(Some(Label::RaisedConfirmed));
    assert_eq!(confirmed.status, Status::NoBaseline);
    assert_eq!(why(&confirmed, "b"), Unused::RaisedConfirmed);
    let after = labelled(Some(Label::AfterDecompression));
    assert_eq!(why(&after, "b"), Unused::AfterDecompression);
    let unlabelled = labelled(None);
    assert_eq!(unlabelled.baseline, ["b"]);
    assert!(unlabelled.notices.contains(&Notice::UnlabelledBaseline));
}

/// An unlabelled exam that was itself well above expected serves nobody; one after it, judged without
/// it, may. A label by a person overrides.
#[test]
fn unlabelled_exams_serve_unless_they_rose() {
    let mut exams = vec![
        steady("b", "2023-01-01"),
        at("high", "2023-02-01", 6.0),
        at("low", "2023-03-05", 5.2),
        steady("t", "2023-06-01"),
    ];
    exams[1].label = None;
    exams[2].label = None;
    let provisional = answer(adult(), exams.clone());
    assert_eq!(provisional.baseline, ["b", "low"]);
    assert_eq!(
        why(&provisional, "high"),
        Unused::UnlabelledWellAboveExpected
    );
    let history = History {
        patient: adult(),
        exams: exams.clone(),
    };
    let all = assess_all(&history, &Parameters::default()).unwrap();
    assert!(all["high"].flagged && !all["low"].flagged);
    assert_eq!(all["t"], provisional);

    let mut question = question(adult(), exams.clone());
    question.parameters.unlabelled = Unlabelled::Ignore;
    let ignored = assess(&question).unwrap();
    assert_eq!(ignored.baseline, ["b"]);
    assert_eq!(why(&ignored, "low"), Unused::Unlabelled);
    assert!(!ignored.notices.contains(&Notice::UnlabelledBaseline));

    exams[1].label = Some(Label::RaisedRuledOut);
    let said = answer(adult(), exams);
    assert!(said.baseline.contains(&"low".to_owned()));
    assert!(
        said.set_aside
            .iter()
            .all(|aside| aside.reason != Why::Found(Unused::UnlabelledAboveExpected))
    );
}

#[test]
fn exams_of_one_day_do_not_serve_each_other() {
    let mut other = steady("o", "2023-06-01");
    other.label = Some(Label::Well);
    let answer = answer(adult(), vec![other, steady("t", "2023-06-01")]);
    assert_eq!(answer.status, Status::NoBaseline);
    assert_eq!(why(&answer, "o"), Unused::SameDay);
}

#[test]
fn an_excluded_exam_serves_nobody_and_says_why() {
    let mut base = steady("b", "2023-01-01");
    base.excluded = Some("birth_date_differs".to_owned());
    let answer = answer(adult(), vec![base, steady("t", "2023-06-01")]);
    assert_eq!(answer.status, Status::NoBaseline);
    let json = serde_json::to_value(&answer).unwrap();
    assert_eq!(json["set_aside"][0]["reason"], "birth_date_differs");
    assert_eq!(
        answer.set_aside[0].reason.sentence(),
        "It was excluded: birth date differs."
    );
}

#[test]
fn imaging_and_borders_must_match() {
    let mut base = steady("b", "2023-01-01");
    base.modality = Modality::Mri;
    let mri = answer(adult(), vec![base.clone(), steady("t", "2023-06-01")]);
    assert_eq!(mri.reason, Some(Reason::ModalityDiffers));
    assert_eq!(why(&mri, "b"), Unused::ModalityDiffers);

    // Nor two of MRI with each other: the errors are those of ultrasound.
    let mut now = steady("t", "2023-06-01");
    for (modality, reason) in [
        (Modality::Mri, Reason::MeasuredByMri),
        (Modality::Ct, Reason::MeasuredByCt),
        (Modality::Other, Reason::MeasuredOtherwise),
    ] {
        now.modality = modality;
        let both = answer(adult(), vec![base.clone(), now.clone()]);
        assert_eq!(both.reason, Some(reason));
        assert_eq!(both.status, Status::NotComparable);
        let alone = answer(adult(), vec![now.clone()]);
        assert_eq!(alone.reason, Some(reason));
    }

    base.modality = Modality::Ultrasound;
    base.definition = Some(Border::Inner);
    let mut now = steady("t", "2023-06-01");
    now.definition = Some(Border::Outer);
    let differs = answer(adult(), vec![base.clone(), now.clone()]);
    assert_eq!(differs.reason, Some(Reason::DefinitionDiffers));
    assert_eq!(why(&differs, "b"), Unused::DefinitionDiffers);

    now.definition = None;
    let unknown = answer(adult(), vec![base.clone(), now.clone()]);
    assert_eq!(unknown.status, Status::WithinExpected);
    assert!(unknown.notices.contains(&Notice::DefinitionUnknown));

    // One that matches is enough; the other is named.
    now.definition = Some(Border::Outer);
    let answer = answer(adult(), vec![base, steady("c", "2023-02-01"), now]);
    assert_eq!(answer.baseline, ["c"]);
    assert_eq!(why(&answer, "b"), Unused::DefinitionDiffers);
}

#[test]
fn the_days_after_an_event_give_no_baseline() {
    for (date, serves) in [
        ("2023-01-30", true),
        // What happens on the day of an exam counts for what comes after it.
        ("2023-01-31", true),
        ("2023-02-01", false),
        ("2023-02-06", false),
        // A control after exactly a week.
        ("2023-02-07", true),
    ] {
        let patient = Subject {
            events: vec![Event {
                date: day("2023-01-31"),
                kind: EventKind::ShuntRevision,
            }],
            ..adult()
        };
        let answer = answer(patient, vec![steady("b", date), steady("t", "2023-06-01")]);
        assert_eq!(answer.baseline == ["b"], serves, "{date}");
    }
}

/// Events with no eligible exam between them count as one; an eligible exam parts them.
#[test]
fn events_count_as_one_until_an_exam_parts_them() {
    let event = |date| Event {
        date: day(date),
        kind: EventKind::Other,
    };
    let epochs = |exams: Vec<Exam>| {
        let patient = Subject {
            events: vec![event("2023-02-01"), event("2023-04-01")],
            ..adult()
        };
        let answer = explain(&question(patient, exams)).unwrap();
        let exams = answer.arithmetic.unwrap().exams;
        exams.iter().map(|exam| exam.epoch).collect::<Vec<_>>()
    };
    let (b, t) = (steady("b", "2023-01-01"), steady("t", "2023-06-01"));
    assert_eq!(epochs(vec![b.clone(), t.clone()]), [0, 1]);
    let mut between = steady("m", "2023-03-01");
    assert_eq!(
        epochs(vec![b.clone(), between.clone(), t.clone()]),
        [0, 1, 2]
    );
    between.label = Some(Label::RaisedConfirmed);
    assert_eq!(epochs(vec![b, between, t]), [0, 1]);
}

/// An exam that confirms raised pressure is compared at full strength; one labelled as after
/// decompression follows its own event; an event on the day is taken to follow the exam.
#[test]
fn an_exam_and_the_event_of_its_day() {
    let status = |label, events: Vec<Event>| {
        let mut now = at("t", "2023-06-01", 5.7);
        now.label = label;
        let patient = Subject { events, ..adult() };
        answer(patient, vec![steady("b", "2023-01-01"), now])
    };
    let plain = status(None, vec![]);
    assert!(plain.flagged);
    let confirmed = status(Some(Label::RaisedConfirmed), vec![]);
    assert_eq!(both(&confirmed), both(&plain));
    assert!(!confirmed.notices.contains(&Notice::AfterEvent));
    let after = status(Some(Label::AfterDecompression), vec![]);
    assert!(both(&after).sd_mm > both(&plain).sd_mm + 0.1);
    assert!(after.notices.contains(&Notice::AfterEvent));
    let event = Event {
        date: day("2023-06-01"),
        kind: EventKind::CsfSurgery,
    };
    let same_day = status(None, vec![event]);
    assert_eq!(both(&same_day), both(&plain));
    assert!(same_day.notices.contains(&Notice::EventSameDay));
    let decompressed = status(Some(Label::AfterDecompression), vec![event]);
    assert!(!decompressed.notices.contains(&Notice::EventSameDay));
}

#[test]
fn two_exams_that_disagree_leave_the_lower() {
    for (first, second, kept) in [(5.0, 6.2, "b1"), (6.2, 5.0, "b2")] {
        let exams = vec![
            at("b1", "2023-01-01", first),
            at("b2", "2023-02-01", second),
            at("t", "2023-06-01", 5.8),
        ];
        let answer = answer(adult(), exams);
        assert_eq!(answer.baseline, [kept]);
        assert_eq!(answer.set_aside[0].reason, Why::Found(Unused::HigherOfTwo));
        assert!(answer.notices.contains(&Notice::BaselineSessionsDisagree));
        assert!(answer.notices.contains(&Notice::SingleSessionBaseline));
        assert!(answer.flagged, "the high one would have hidden this rise");
    }
}

#[test]
fn one_of_three_that_does_not_fit_is_set_aside() {
    let exams = vec![
        at("b1", "2023-01-01", 5.2),
        at("b2", "2023-02-01", 6.4),
        at("b3", "2023-03-01", 5.2),
        at("t", "2023-06-01", 5.9),
    ];
    let answer = explain(&question(adult(), exams)).unwrap();
    assert_eq!(answer.baseline, ["b1", "b3"]);
    assert_eq!(why(&answer, "b2"), Unused::Outlier);
    assert!(answer.notices.contains(&Notice::BaselineSessionSetAside));
    assert!(answer.flagged);
    let fits = answer.arithmetic.unwrap().screening;
    assert_eq!(fits.len(), 3);
    assert_eq!(fits[1].exam, "b2");
    assert!(fits[1].z > fits[1].z_unknown && fits[1].z_unknown > 2.8);
}

/// Of six at most two leave, even when one operator is behind both.
#[test]
fn one_operator_behind_two_wrong_exams_is_not_excused() {
    let mut exams: Vec<Exam> = (1..=6)
        .map(|month| {
            let wrong = month == 2 || month == 5;
            let mm = if wrong { 6.6 } else { 5.2 };
            let mut one = at(&format!("b{month}"), &format!("2023-0{month}-01"), mm);
            one.operator = Some(if wrong { "W" } else { "A" }.to_owned());
            one
        })
        .collect();
    exams.push(at("t", "2023-09-01", 5.2));
    let answer = answer(adult(), exams);
    assert_eq!(answer.baseline, ["b1", "b3", "b4", "b6"]);
    assert_eq!(why(&answer, "b2"), Unused::Outlier);
    assert_eq!(why(&answer, "b5"), Unused::Outlier);
}

#[test]
fn the_newest_sessions_fill_the_baseline() {
    let mut exams: Vec<Exam> = (1..=5)
        .map(|month| steady(&format!("b{month}"), &format!("2023-0{month}-01")))
        .collect();
    exams.push(steady("t", "2023-09-01"));
    let mut question = question(adult(), exams);
    question.parameters.max_sessions = 3;
    let answer = assess(&question).unwrap();
    assert_eq!(answer.baseline, ["b3", "b4", "b5"]);
    assert_eq!(why(&answer, "b1"), Unused::BeyondMaxSessions);
}

/// However long the history, an exam names a bounded number of those before it, and an even older one
/// changes nothing.
#[test]
fn a_long_history_is_not_listed_whole() {
    let day = |n: u32| {
        let first = chrono::NaiveDate::from_ymd_opt(2015, 1, 1).unwrap();
        first + chrono::TimeDelta::days(30 * i64::from(n))
    };
    let exam = |n: u32| steady(&format!("b{n:03}"), &day(n).to_string());
    let of = |from: u32| answer(adult(), (from..=100).map(exam).collect());
    let today = of(1);
    assert_eq!(today.assess, "b100");
    assert_eq!(today.baseline.len(), 20);
    let listed: Vec<&str> = today
        .set_aside
        .iter()
        .map(|one| one.exam.as_str())
        .collect();
    assert_eq!((listed.len(), listed[0], listed[39]), (40, "b040", "b079"));
    assert_eq!(today.set_aside_until, Some(day(39)));
    assert_eq!(of(0), today);
    assert_eq!(of(40).set_aside_until, None);
}

/// Too wide to say that nothing rose; what lies above even that interval is flagged all the same.
#[test]
fn an_interval_too_wide_does_not_hide_a_rise() {
    let patient = Subject {
        birth_date: None,
        ..adult()
    };
    let wide = |mm| {
        let exams = vec![at("b", "2010-01-01", 5.0), at("t", "2019-01-01", mm)];
        explain(&question(patient.clone(), exams)).unwrap()
    };
    let small = wide(5.5);
    assert_eq!(small.status, Status::NotComparable);
    assert_eq!(small.reason, Some(Reason::IntervalTooWide));
    assert!(!small.flagged && small.rows.both.unwrap().comparison.is_none());
    // What was expected is shown, without a status.
    let shown = small.rows.both.unwrap().too_wide.unwrap();
    assert_eq!(shown.status, Status::NotComparable);
    assert!(shown.lower_mm < 5.5 && 5.5 < shown.upper_mm);
    let json = serde_json::to_value(&small.rows).unwrap();
    assert!(json["both"]["status"].is_null() && json["both"]["upper_mm"].is_number());
    assert_eq!(
        serde_json::from_value::<crate::assess::Rows>(json.clone())
            .unwrap()
            .both
            .unwrap()
            .comparison,
        None
    );
    assert!(
        serde_json::from_value::<crate::assess::Rows>(json)
            .unwrap()
            .both
            .unwrap()
            .too_wide
            .is_some()
    );
    assert!(small.notices.contains(&Notice::AgeUnknown));
    assert!(small.notices.contains(&Notice::OldBaseline));
    assert_eq!(small.baseline, ["b"]);
    assert!(small.arithmetic.is_some());
    let large = wide(7.5);
    assert_eq!(large.status, Status::NotComparable);
    assert!(large.flagged);
    assert!(large.notices.contains(&Notice::AboveWideInterval));
}

#[test]
fn ages_and_gaps_are_remarked() {
    let patient = Subject {
        birth_date: Some(day("2022-01-01")),
        ..adult()
    };
    let exams = vec![at("b", "2022-11-01", 4.2), at("t", "2023-03-01", 4.2)];
    let infant = answer(patient.clone(), exams);
    assert!(infant.notices.contains(&Notice::InfantGrowth));
    let exams = vec![at("b", "2022-11-01", 4.2), at("t", "2022-12-01", 4.2)];
    assert!(
        !answer(patient.clone(), exams)
            .notices
            .contains(&Notice::InfantGrowth)
    );
    let exams = vec![at("b", "2021-11-01", 4.2), at("t", "2022-12-01", 4.2)];
    let unborn = answer(patient.clone(), exams);
    assert_eq!(why(&unborn, "b"), Unused::BeforeBirth);
    let unborn = answer(patient, vec![at("t", "2021-12-31", 4.2)]);
    assert_eq!(unborn.reason, Some(Reason::BeforeBirth));

    let exams = vec![at("b", "2020-01-01", 5.2), at("t", "2023-01-01", 5.2)];
    assert!(
        answer(adult(), exams)
            .notices
            .contains(&Notice::OldBaseline)
    );
    let exams = vec![at("b", "2020-01-02", 5.2), at("t", "2022-12-30", 5.2)];
    assert!(
        !answer(adult(), exams)
            .notices
            .contains(&Notice::OldBaseline)
    );
}

#[test]
fn a_nerve_in_place_of_a_sheath_is_suspected() {
    let exams = vec![at("b", "2023-01-01", 5.0), at("t", "2023-06-01", 3.1)];
    let answer = answer(adult(), exams);
    assert_eq!(answer.status, Status::BelowExpected);
    assert!(answer.notices.contains(&Notice::NerveSuspected));
    assert!(!answer.flagged);
}

#[test]
fn readings_are_remarked() {
    let now = exam("t", "2023-06-01", &[5.2], &[5.0, 5.6]);
    let answer = answer(adult(), vec![steady("b", "2023-01-01"), now]);
    assert!(answer.notices.contains(&Notice::SingleReading));
    assert!(answer.notices.contains(&Notice::RepeatsDisagree));
    let mut sorted = answer.notices.clone();
    sorted.sort();
    sorted.dedup();
    assert_eq!(sorted, answer.notices);
}
