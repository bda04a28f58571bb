//! Which exams that nobody has labelled serve as baseline, and for how long.

use super::*;
use crate::assess::{Basis, History, Modality, Notice, Reason, Status, Unused, Why, assess_all};
use crate::domain::{Border, Event, EventKind, Plane};
use chrono::Days;

/// An exam of that width that nobody has labelled; no two have the same readings.
fn at(id: &str, date: &str, mm: f64) -> Exam {
    let apart = id.bytes().fold(7, |sum, byte| sum * 31 + u64::from(byte)) % 97;
    let apart = apart as f64 / 1000.0;
    let readings = [mm - apart, mm, mm + apart];
    let mut exam = exam(id, date, &readings, &readings);
    exam.label = None;
    exam
}

fn labelled(mut exam: Exam, label: Label) -> Exam {
    exam.label = Some(label);
    exam
}

fn why(answer: &Assessment, id: &str) -> Option<Unused> {
    let aside = answer.set_aside.iter().find(|aside| aside.exam == id)?;
    match &aside.reason {
        Why::Found(unused) => Some(*unused),
        Why::Given(code) => panic!("given reason {code}"),
    }
}

fn with_event(date: &str) -> Subject {
    let kind = EventKind::Other;
    let events = vec![Event {
        date: day(date),
        kind,
    }];
    Subject { events, ..adult() }
}

/// At least thirty days before today's, to the day.
#[test]
fn a_recent_one_waits() {
    for (date, serves) in [("2023-05-02", true), ("2023-05-03", false)] {
        let exams = vec![at("b", date, 5.2), at("t", "2023-06-01", 5.2)];
        let answer = answer(adult(), exams.clone());
        assert_eq!(answer.baseline == ["b"], serves, "{date}");
        let expected = (!serves).then_some(Unused::UnlabelledTooRecent);
        assert_eq!(why(&answer, "b"), expected, "{date}");
        // A person who says that the patient was well ends the wait.
        let well = labelled(exams[0].clone(), Label::Well);
        let answer = super::answer(adult(), vec![well, exams[1].clone()]);
        assert_eq!(answer.baseline, ["b"]);
        assert_eq!(answer.basis, Some(Basis::Confirmed));
    }
}

/// What the baseline rests on: one exam that a person vouches for is enough to confirm it.
#[test]
fn the_basis_is_told() {
    let basis = |label: Option<Label>| {
        let mut first = at("b", "2023-01-01", 5.2);
        first.label = label;
        let exams = vec![
            first,
            at("c", "2023-03-01", 5.2),
            at("t", "2023-06-01", 5.2),
        ];
        answer(adult(), exams).basis
    };
    assert_eq!(basis(None), Some(Basis::Provisional));
    assert_eq!(basis(Some(Label::Well)), Some(Basis::Confirmed));
    assert_eq!(basis(Some(Label::RaisedRuledOut)), Some(Basis::Confirmed));
    assert_eq!(
        basis(Some(Label::RaisedConfirmed)),
        Some(Basis::Provisional)
    );
    let alone = answer(adult(), vec![at("t", "2023-06-01", 5.2)]);
    assert_eq!(alone.basis, Some(Basis::None));
}

/// Above expected serves provisionally, well above does not, below does.
#[test]
fn its_own_status_decides() {
    let well = labelled(at("b", "2023-01-01", 5.2), Label::Well);
    for (mm, status, aside) in [
        (5.2, Status::WithinExpected, None),
        (5.7, Status::AboveExpected, None),
        (
            6.0,
            Status::WellAboveExpected,
            Some(Unused::UnlabelledWellAboveExpected),
        ),
        (4.5, Status::BelowExpected, None),
    ] {
        let exams = vec![
            well.clone(),
            at("u", "2023-03-01", mm),
            labelled(at("w", "2023-04-15", mm), Label::Well),
            at("t", "2023-06-01", 5.2),
        ];
        let history = History {
            patient: adult(),
            exams,
        };
        let all = assess_all(&history, &Parameters::default()).unwrap();
        assert_eq!(all["u"].status, status);
        assert_eq!(why(&all["t"], "u"), aside, "{mm}");
    }
}

/// Another flagged exam within thirty days, before or after, unsettles an exam; so does an event. A
/// person who ruled raised pressure out settles the flag.
#[test]
fn what_lies_near_decides() {
    let base = labelled(at("b", "2022-01-01", 5.2), Label::Well);
    let near = |date: &str, label: Option<Label>| {
        let mut high = at("high", date, 5.9);
        high.label = label;
        let mut exams = vec![base.clone(), at("u", "2023-03-01", 5.2), high];
        exams.push(at("t", "2023-06-01", 5.2));
        answer(adult(), exams)
    };
    for (date, unsettles) in [
        ("2023-01-30", false),
        ("2023-01-31", true),
        ("2023-03-01", true),
        ("2023-03-30", true),
        ("2023-03-31", false),
    ] {
        let expected = unsettles.then_some(Unused::UnlabelledNearFlagged);
        assert_eq!(why(&near(date, None), "u"), expected, "{date}");
        let settled = near(date, Some(Label::RaisedRuledOut));
        assert_eq!(why(&settled, "u"), None, "{date}");
        let expected = unsettles.then_some(Unused::UnlabelledNearEvent);
        let exams = vec![
            base.clone(),
            at("u", "2023-03-01", 5.2),
            at("t", "2023-06-01", 5.2),
        ];
        let answer = answer(with_event(date), exams);
        assert_eq!(why(&answer, "u"), expected, "{date}");
    }
}

/// One exam above expected serves; two of them near each other may be the beginning of a rise.
#[test]
fn two_flagged_near_each_other_serve_nobody() {
    let base = labelled(at("b", "2022-01-01", 5.2), Label::Well);
    let ask = |second: &str| {
        answer(
            adult(),
            vec![
                base.clone(),
                at("u", "2023-03-01", 5.7),
                at("v", second, 5.7),
                at("t", "2023-08-01", 5.2),
            ],
        )
    };
    let near = ask("2023-03-20");
    assert_eq!(why(&near, "u"), Some(Unused::UnlabelledNearFlagged));
    assert_eq!(why(&near, "v"), Some(Unused::UnlabelledNearFlagged));
    assert_eq!(ask("2023-04-20").baseline, ["b", "u", "v"]);
}

/// The very first may be the ill one: it goes once a later one lies below it by more than error, for
/// that later one's successors; the later one itself is still compared with it.
#[test]
fn the_first_goes_once_a_later_one_is_below_it() {
    let exams = vec![
        at("first", "2023-01-01", 6.0),
        at("second", "2023-03-01", 5.2),
        at("third", "2023-05-01", 5.3),
        at("t", "2023-08-01", 5.9),
    ];
    let history = History {
        patient: adult(),
        exams: exams.clone(),
    };
    let all = assess_all(&history, &Parameters::default()).unwrap();
    assert_eq!(all["second"].status, Status::BelowExpected);
    assert_eq!(all["second"].baseline, ["first"]);
    assert_eq!(all["third"].baseline, ["second"]);
    assert_eq!(why(&all["t"], "first"), Some(Unused::UnlabelledFirstWider));
    assert!(all["t"].flagged, "the crisis hides no rise");
    // A label settles it.
    let mut vouched = exams.clone();
    vouched[0].label = Some(Label::RaisedRuledOut);
    let told = answer(adult(), vouched);
    assert_ne!(why(&told, "first"), Some(Unused::UnlabelledFirstWider));
    // One without a reading that can be used, and the bare nerve, are no witnesses.
    let mut empty = exams.clone();
    empty[0] = at("first", "2023-01-01", 5.4);
    empty[1] = exam("second", "2023-03-01", &[0.52], &[]);
    let told = answer(adult(), empty);
    assert_eq!(told.baseline, ["first", "third"]);
    let mut nerve = exams;
    nerve[1] = at("second", "2023-03-01", 3.6);
    nerve[2] = at("third", "2023-05-01", 5.9);
    let told = answer(adult(), nerve);
    assert_eq!(why(&told, "second"), Some(Unused::UnlabelledDoubted));
    assert_eq!(told.baseline, ["first", "third"]);
}

/// Nor does a later day than the exam's own count: what was within stays within.
#[test]
fn nothing_later_counts() {
    let mut exams = vec![at("first", "2023-01-01", 5.8), at("t", "2023-06-01", 5.8)];
    let before = answer(adult(), exams.clone());
    exams.insert(1, at("lower", "2023-06-02", 4.9));
    exams.insert(1, at("flagged", "2023-06-02", 8.0));
    let after = answer(adult(), exams);
    assert_eq!(before, after);
    assert_eq!(before.baseline, ["first"]);
}

/// 0.1 mm a day over ten days, nobody labels: the flag comes on the day on which it would come with the
/// labelled baseline alone, and stays.
#[test]
fn a_creeping_rise_is_flagged_as_early() {
    let base = labelled(at("b", "2023-01-01", 5.0), Label::Well);
    let second = labelled(at("c", "2023-03-01", 5.0), Label::Well);
    let first_day = day("2023-06-01");
    let creep: Vec<Exam> = (0..=20_u32)
        .map(|number| {
            let date = first_day + Days::new(u64::from(number));
            let mm = 5.0 + 0.1 * f64::from(number.min(10));
            at(&format!("d{number:02}"), &date.to_string(), mm)
        })
        .collect();
    let mut exams = vec![base.clone(), second.clone()];
    exams.extend(creep.clone());
    let history = History {
        patient: adult(),
        exams,
    };
    let all = assess_all(&history, &Parameters::default()).unwrap();
    let mut flags = 0;
    for exam in creep {
        let alone = answer(adult(), vec![base.clone(), second.clone(), exam.clone()]);
        let in_the_row = &all[&exam.id];
        assert_eq!(in_the_row.status, alone.status, "{}", exam.id);
        assert_eq!(in_the_row.rows, alone.rows, "{}", exam.id);
        assert_eq!(in_the_row.baseline, ["b", "c"], "{}", exam.id);
        flags += usize::from(in_the_row.flagged);
    }
    assert!(flags >= 14, "{flags}");
}

/// The same without any label: the very first exam is all there is.
#[test]
fn a_creeping_rise_over_an_unlabelled_first_exam() {
    let mut exams = vec![at("b", "2023-01-01", 5.0)];
    for number in 0..=10_u32 {
        let date = day("2023-06-01") + Days::new(u64::from(number));
        let mm = 5.0 + 0.1 * f64::from(number);
        exams.push(at(&format!("d{number:02}"), &date.to_string(), mm));
    }
    let history = History {
        patient: adult(),
        exams,
    };
    let all = assess_all(&history, &Parameters::default()).unwrap();
    for number in 0..=10 {
        let answer = &all[&format!("d{number:02}")];
        assert_eq!(answer.baseline, ["b"]);
        assert_eq!(answer.basis, Some(Basis::Provisional));
        assert_eq!(answer.flagged, number >= 5, "{number}");
    }
}

/// What could itself not be compared serves nobody until a person labels it.
#[test]
fn what_was_not_compared_serves_nobody() {
    let mut base = labelled(at("b", "2023-01-01", 5.2), Label::Well);
    base.definition = Some(Border::Inner);
    let mut other = at("u", "2023-02-01", 6.0);
    other.definition = Some(Border::Outer);
    let mut now = at("t", "2023-06-01", 6.0);
    now.definition = Some(Border::Outer);
    let told = answer(adult(), vec![base.clone(), other.clone(), now.clone()]);
    assert_eq!(told.reason, Some(Reason::DefinitionDiffers));
    assert_eq!(why(&told, "u"), Some(Unused::UnlabelledNotCompared));
    other.label = Some(Label::Well);
    assert_eq!(
        answer(adult(), vec![base.clone(), other, now]).baseline,
        ["u"]
    );

    base.definition = None;
    base.planes = PerEye::from_fn(|_| Some(vec![Plane::Transverse; 3]));
    let mut other = at("u", "2023-02-01", 6.0);
    other.planes = PerEye::from_fn(|_| Some(vec![Plane::Sagittal; 3]));
    let mut now = at("t", "2023-06-01", 6.0);
    now.planes = other.planes.clone();
    let told = answer(adult(), vec![base, other, now]);
    assert_eq!(told.reason, Some(Reason::PlanesDiffer));
    assert_eq!(why(&told, "u"), Some(Unused::UnlabelledNotCompared));
}

/// The first ultrasound exam after one by MRI has nothing of its kind to be compared with, and so may
/// serve; the one by MRI serves nobody, labelled or not.
#[test]
fn other_imaging_is_a_series_of_its_own() {
    for label in [None, Some(Label::Well)] {
        let mut mri = at("mri", "2022-01-01", 6.0);
        mri.modality = Modality::Mri;
        mri.label = label;
        let first = at("first", "2023-01-01", 5.2);
        let now = at("t", "2023-06-01", 5.2);
        let told = answer(adult(), vec![mri.clone(), first.clone()]);
        assert_eq!(told.reason, Some(Reason::ModalityDiffers));
        let told = answer(adult(), vec![mri.clone(), first.clone(), now.clone()]);
        assert_eq!(told.baseline, ["first"]);
        assert_eq!(why(&told, "mri"), Some(Unused::ModalityDiffers));
        let mut again = at("again", "2023-07-01", 6.0);
        again.modality = Modality::Mri;
        let told = answer(adult(), vec![mri, first, now, again]);
        assert_eq!(told.reason, Some(Reason::MeasuredByMri));
        assert!(told.baseline.is_empty());
    }
}

/// Exams before the age of two months serve neither each other nor a later one, whoever labels them;
/// the first after it begins the series.
#[test]
fn newborns_serve_nobody() {
    let patient = Subject {
        birth_date: Some(day("2023-01-01")),
        ..adult()
    };
    for label in [None, Some(Label::Well)] {
        let mut first = at("n1", "2023-01-10", 3.3);
        let mut second = at("n2", "2023-02-27", 3.8);
        (first.label, second.label) = (label, label);
        // 61 days are two months of 365.25 days a year, 60 are not.
        let exams = vec![
            first,
            second,
            at("n3", "2023-03-02", 3.8),
            at("c", "2023-03-03", 3.9),
            at("t", "2023-06-01", 4.1),
        ];
        let history = History {
            patient: patient.clone(),
            exams,
        };
        let all = assess_all(&history, &Parameters::default()).unwrap();
        for id in ["n2", "n3", "c"] {
            let reason = Some(Reason::NewbornBaselineExpired);
            assert_eq!(all[id].reason, reason, "{id}");
        }
        assert_eq!(all["t"].baseline, ["c"]);
        assert_eq!(why(&all["t"], "n3"), Some(Unused::NewbornBaselineExpired));
    }
}

/// A crisis told by a label of the same day: an exam after it, or of an unknown time, still shows it;
/// one before it does not.
#[test]
fn a_crisis_on_the_day_of_a_labelled_exam() {
    let time = |text: &str| Some(text.parse().expect("a time"));
    for (own, crisis, serves) in [
        (time("08:00:00"), time("20:00:00"), true),
        (time("20:00:00"), time("08:00:00"), false),
        (None, time("08:00:00"), false),
    ] {
        let mut well = labelled(at("b", "2023-01-01", 5.2), Label::Well);
        let mut ill = labelled(at("x", "2023-01-01", 6.4), Label::RaisedConfirmed);
        (well.time, ill.time) = (own, crisis);
        let told = answer(adult(), vec![well, ill, at("t", "2023-06-01", 5.2)]);
        assert_eq!(told.baseline == ["b"], serves);
        assert_eq!(why(&told, "b"), (!serves).then_some(Unused::Washout));
    }
}

/// A labelled exam inside the washout serves nobody and parts no two events.
#[test]
fn an_exam_in_the_washout_parts_no_events() {
    let event = |date| Event {
        date: day(date),
        kind: EventKind::Other,
    };
    let epoch = |between: &str| {
        let patient = Subject {
            events: vec![event("2023-02-01"), event("2023-03-01")],
            ..adult()
        };
        let exams = vec![
            labelled(at("b", "2023-01-01", 5.2), Label::Well),
            labelled(at("m", between, 5.2), Label::Well),
            at("t", "2023-06-01", 5.2),
        ];
        let told = crate::assess::explain(&question(patient, exams)).unwrap();
        told.arithmetic.unwrap().exams.last().unwrap().epoch
    };
    assert_eq!(epoch("2023-02-07"), 1);
    assert_eq!(epoch("2023-02-08"), 2);
}

/// Every code of an exam that a label would bring in begins with the same word, and is told plainly.
#[test]
fn codes_of_unlabelled_exams_say_so() {
    for unused in Unused::ALL {
        let word = serde_json::to_value(unused).unwrap();
        let word = word.as_str().unwrap().to_owned();
        let said = unused.sentence();
        assert_eq!(
            word.starts_with("unlabelled"),
            said.starts_with("Nobody has")
        );
        let again: Unused = serde_json::from_value(word.into()).unwrap();
        assert_eq!(again, unused);
    }
    assert!(Notice::SameAsEarlierExam.is_doubt());
}
