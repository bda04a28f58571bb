//! What must not matter does not: order, later exams, which eye is called right, the level itself.

use super::*;
use crate::assess::{DecidedBy, History, Status, Unlabelled, Unused, Why, assess_all};
use crate::domain::{Border, Event, EventKind, Plane};
use chrono::Days;
use proptest::prelude::*;

fn readings() -> impl Strategy<Value = Vec<Millimetres>> {
    prop::collection::vec((3000_i64..6500).prop_map(Millimetres::from_um), 0..4)
}

fn label() -> impl Strategy<Value = Option<Label>> {
    prop_oneof![
        3 => Just(Some(Label::Well)),
        1 => Just(Some(Label::RaisedRuledOut)),
        1 => Just(Some(Label::RaisedConfirmed)),
        1 => Just(Some(Label::AfterDecompression)),
        4 => Just(None),
    ]
}

fn an_exam() -> impl Strategy<Value = Exam> {
    let plane = prop_oneof![
        2 => Just(Plane::Transverse),
        1 => Just(Plane::Sagittal),
        1 => Just(Plane::Unspecified)
    ];
    let planes = prop::option::of(prop::collection::vec(plane, 4));
    let name = || prop::option::of("[AB]");
    let border = prop::option::weighted(0.2, prop_oneof![Just(Border::Outer), Just(Border::Inner)]);
    let values = (readings(), readings(), planes);
    (0_u64..900, label(), name(), name(), border, values).prop_map(
        |(days, label, operator, device, definition, (right, left, planes))| {
            let of = |eye: &[Millimetres]| planes.as_ref().map(|all| all[..eye.len()].to_vec());
            Exam {
                label,
                operator,
                device,
                definition,
                planes: PerEye {
                    right: of(&right),
                    left: of(&left),
                },
                eyes: PerEye { right, left },
                date: day("2020-01-01") + Days::new(days),
                ..exam("", "2020-01-01", &[], &[])
            }
        },
    )
}

fn a_history() -> impl Strategy<Value = History> {
    let events = prop::collection::vec(0_u64..900, 0..3);
    let birth = prop::option::of(0_u64..3000);
    (prop::collection::vec(an_exam(), 2..8), events, birth).prop_map(
        |(mut exams, events, birth)| {
            for (at, exam) in exams.iter_mut().enumerate() {
                exam.id = format!("e{at}");
            }
            let event = |days| Event {
                date: day("2020-01-01") + Days::new(days),
                kind: EventKind::Other,
            };
            History {
                patient: Subject {
                    birth_date: birth.map(|days| day("2019-12-01") - Days::new(days)),
                    events: events.into_iter().map(event).collect(),
                    ..adult()
                },
                exams,
            }
        },
    )
}

fn ask(history: &History, id: &str) -> Assessment {
    let question = Question {
        patient: history.patient.clone(),
        exams: history.exams.clone(),
        assess: id.to_owned(),
        parameters: Parameters::default(),
    };
    assess(&question).expect("a question that can be asked")
}

/// Whether the answer of any exam doubts what was measured.
fn doubts(history: &History) -> bool {
    let all = assess_all(history, &Parameters::default()).expect("exams that can be compared");
    let mut notices = all.values().flat_map(|answer| &answer.notices);
    let mut aside = all.values().flat_map(|answer| &answer.set_aside);
    let doubted = Why::Found(Unused::UnlabelledDoubted);
    notices.any(|notice| notice.is_doubt()) || aside.any(|one| one.reason == doubted)
}

/// The latest exam; of one day any.
fn latest(history: &History) -> &Exam {
    history
        .exams
        .iter()
        .max_by_key(|exam| exam.date)
        .expect("an exam")
}

fn same(a: Option<Comparison>, b: Option<Comparison>, shift: f64) {
    let (Some(a), Some(b)) = (a, b) else {
        assert!(a.is_none() && b.is_none());
        return;
    };
    close(b.expected_mm, a.expected_mm + shift, 1e-8);
    close(b.sd_mm, a.sd_mm, 1e-9);
    close(b.z, a.z, 1e-7);
    close(b.change_mm, a.change_mm, 1e-8);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn the_order_of_exams_and_events_does_not_matter(
        history in a_history(),
        seed in any::<prop::sample::Index>(),
    ) {
        let mut turned = history.clone();
        let by = seed.index(turned.exams.len());
        turned.exams.rotate_left(by);
        turned.exams.swap(0, by);
        turned.patient.events.reverse();
        let p = Parameters::default();
        prop_assert_eq!(assess_all(&history, &p).unwrap(), assess_all(&turned, &p).unwrap());
    }

    #[test]
    fn the_order_of_readings_does_not_matter(history in a_history()) {
        let mut turned = history.clone();
        for exam in &mut turned.exams {
            exam.eyes.right.reverse();
            exam.eyes.left.reverse();
            for planes in [&mut exam.planes.right, &mut exam.planes.left].into_iter().flatten() {
                planes.reverse();
            }
        }
        let p = Parameters::default();
        prop_assert_eq!(assess_all(&history, &p).unwrap(), assess_all(&turned, &p).unwrap());
    }

    #[test]
    fn asking_for_one_is_asking_for_all(history in a_history()) {
        let all = assess_all(&history, &Parameters::default()).unwrap();
        prop_assert_eq!(all.len(), history.exams.len());
        for (id, answer) in &all {
            prop_assert_eq!(&ask(&history, id), answer);
        }
    }

    #[test]
    fn later_exams_and_events_change_nothing(history in a_history(), mut more in an_exam(), gap in 1_u64..400) {
        let id = latest(&history).id.clone();
        let date = latest(&history).date + Days::new(gap);
        let before = ask(&history, &id);
        let mut longer = history;
        more.id = "later".to_owned();
        more.date = date;
        longer.exams.insert(0, more);
        longer.patient.events.push(Event { date, kind: EventKind::Other });
        prop_assert_eq!(before, ask(&longer, &id));
    }

    #[test]
    fn right_and_left_are_alike(history in a_history()) {
        let id = latest(&history).id.clone();
        let mut mirrored = history.clone();
        for exam in &mut mirrored.exams {
            std::mem::swap(&mut exam.eyes.right, &mut exam.eyes.left);
            std::mem::swap(&mut exam.planes.right, &mut exam.planes.left);
        }
        let (one, other) = (ask(&history, &id), ask(&mirrored, &id));
        let comparison = |row: Option<Row>| row.and_then(|row| row.comparison);
        prop_assert_eq!(one.status, other.status);
        prop_assert_eq!(one.notices, other.notices);
        prop_assert_eq!(one.baseline, other.baseline);
        same(comparison(one.rows.right), comparison(other.rows.left), 0.0);
        same(comparison(one.rows.left), comparison(other.rows.right), 0.0);
        same(comparison(one.rows.both), comparison(other.rows.both), 0.0);
    }

    /// There is no population prior: a wide sheath is as good as a narrow one.
    #[test]
    fn a_constant_added_to_every_reading_moves_only_the_level(history in a_history(), um in -1000_i64..3000) {
        let id = latest(&history).id.clone();
        let mut moved = history.clone();
        for exam in &mut moved.exams {
            for length in exam.eyes.right.iter_mut().chain(&mut exam.eyes.left) {
                *length = Millimetres::from_um(length.um() + um);
            }
        }
        // What doubts the measurement looks at the width itself.
        prop_assume!(!doubts(&history) && !doubts(&moved));
        let (one, other) = (ask(&history, &id), ask(&moved, &id));
        let comparison = |row: Option<Row>| row.and_then(|row| row.comparison);
        let shift = um as f64 / 1000.0;
        prop_assert_eq!(one.status, other.status);
        prop_assert_eq!(one.baseline, other.baseline);
        prop_assert_eq!(one.set_aside, other.set_aside);
        same(comparison(one.rows.right), comparison(other.rows.right), shift);
        same(comparison(one.rows.left), comparison(other.rows.left), shift);
        same(comparison(one.rows.both), comparison(other.rows.both), shift);
    }

    /// Wider readings with the same spread never make a status lower.
    #[test]
    fn a_wider_exam_is_never_told_lower(history in a_history(), um in 1_i64..3000) {
        let rank = |status: Status| match status {
            Status::BelowExpected => 0,
            Status::WithinExpected => 1,
            Status::AboveExpected => 2,
            Status::WellAboveExpected => 3,
            // Whether a comparison is possible does not depend on how wide today is.
            Status::NotComparable => 4,
            Status::NoBaseline => 5,
        };
        let id = latest(&history).id.clone();
        let mut wider = history.clone();
        let today = wider.exams.iter_mut().find(|exam| exam.id == id).unwrap();
        for length in today.eyes.right.iter_mut().chain(&mut today.eyes.left) {
            *length = Millimetres::from_um(length.um() + um);
        }
        let (one, other) = (ask(&history, &id), ask(&wider, &id));
        // What rises again after an event needs no baseline.
        if other.decided_by != Some(DecidedBy::SinceEvent) {
            prop_assert!(rank(other.status) >= rank(one.status), "{:?}, {:?}", one.status, other.status);
            prop_assert_eq!(rank(other.status) > 3, rank(one.status) > 3);
        }
        prop_assert!(other.flagged >= one.flagged);
        prop_assert_eq!(one.baseline, other.baseline);
    }

    /// Every exam but the assessed and later ones is either used or set aside, with one reason.
    #[test]
    fn no_exam_vanishes(history in a_history(), ignore in any::<bool>()) {
        let parameters = Parameters {
            unlabelled: if ignore { Unlabelled::Ignore } else { Unlabelled::Provisional },
            ..Parameters::default()
        };
        for (id, answer) in assess_all(&history, &parameters).unwrap() {
            let today = history.exams.iter().find(|exam| exam.id == id).unwrap();
            let mut told: Vec<&str> = answer.set_aside.iter().map(|aside| aside.exam.as_str()).collect();
            told.extend(answer.baseline.iter().map(String::as_str));
            told.sort_unstable();
            let others = history.exams.iter().filter(|exam| exam.id != id && exam.date <= today.date);
            let mut expected: Vec<&str> = others.map(|exam| exam.id.as_str()).collect();
            expected.sort_unstable();
            prop_assert_eq!(told, expected);
            let told = !matches!(answer.status, Status::NoBaseline | Status::NotComparable);
            let comparable = answer.rows.leading().is_some();
            prop_assert_eq!(comparable, answer.reason.is_none());
            prop_assert_eq!(told, comparable || answer.decided_by == Some(DecidedBy::SinceEvent));
            prop_assert!(!comparable || !answer.baseline.is_empty());
        }
    }

    #[test]
    fn an_answer_survives_its_json(history in a_history()) {
        for answer in crate::assess::explain_all(&history, &Parameters::default()).unwrap().values() {
            let text = serde_json::to_string(answer).unwrap();
            let again: Assessment = serde_json::from_str(&text).unwrap();
            prop_assert_eq!(serde_json::to_string(&again).unwrap(), text);
        }
    }
}
