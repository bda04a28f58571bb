//! The lines of exams in lists of work.

use super::{Place, at, contracts, key};
use crate::exam_lines::{self, CHOICES_MAX, Due, Filter, Page, Pages, Period};
use crate::{Store, StoreError};
use chrono::{DateTime, Utc};
use sheathline_model::assess::{Reason, Status};
use sheathline_model::domain::{Label, Moment, PatientKey};
use sheathline_model::worklist::{Line, Rise, Today};
use std::collections::BTreeSet;

contracts! {
    lines_of_a_person_are_replaced_and_others_stay,
    lists_hold_what_waits_in_their_order,
    lists_are_chosen_by_day_operator_machine_and_place,
    lists_of_the_last_days_count_what_is_older,
    a_list_is_told_page_by_page,
    names_of_all_exams_can_be_chosen_and_are_bounded,
    exams_are_found_by_their_accession_number,
    somebody_is_reminded_once_of_a_version,
    a_reminder_is_undone_with_its_transaction,
    a_rise_that_waits_for_nobody_is_told_apart,
}

/// The line of an exam without a rise, compared and labelled: in no list.
pub(super) fn calm(exam: &str, patient: &PatientKey) -> Line {
    Line {
        exam_id: exam.to_owned(),
        patient: patient.clone(),
        name: Some("Ambergris^Toma".to_owned()),
        birth_date: None,
        sex: None,
        accession: None,
        performed_at: Moment {
            local: "2026-03-02T10:00:00".parse().expect("a time"),
            offset_s: None,
        },
        first_at: at(0),
        version: 1,
        status: Status::WithinExpected,
        flagged: false,
        reason: None,
        first: false,
        why: None,
        doubts: Vec::new(),
        date_doubted: false,
        eye_word: Some("both".to_owned()),
        measured_mm: Some(5.0),
        expected_mm: Some(5.0),
        change_mm: Some(0.0),
        z: Some(0.0),
        operator: Some("Vantongeren^Amber".to_owned()),
        device: Some("Lumen 4".to_owned()),
        label: Some(Label::Well),
        rise: None,
        rise_since: None,
        worse: None,
        history_only: false,
        second: None,
        left_out: false,
        location: None,
        named_by: None,
    }
}

pub(super) fn rising(exam: &str, patient: &PatientKey, rise: Rise, since: DateTime<Utc>) -> Line {
    Line {
        status: Status::AboveExpected,
        flagged: rise == Rise::New,
        rise: Some(rise),
        rise_since: Some(since),
        ..calm(exam, patient)
    }
}

pub(super) fn put(store: &Store, patient: &PatientKey, lines: &[Line]) {
    let ids: BTreeSet<PatientKey> = [patient.clone()].into();
    let lines: Vec<_> = lines
        .iter()
        .map(|line| (patient.clone(), line.clone()))
        .collect();
    store
        .write(move |tx| exam_lines::put(tx, &ids, &lines))
        .expect("put");
}

fn of(store: &Store, exam: &str) -> Option<Line> {
    store
        .read(|view| exam_lines::of_exam(view, exam))
        .expect("read")
}

fn today(store: &Store, filter: &Filter, limit: u32) -> Today {
    store
        .read(|view| exam_lines::today(view, filter, &Pages::first(limit)))
        .expect("read")
}

fn exams(lines: &[Line]) -> Vec<&str> {
    lines.iter().map(|one| one.exam_id.as_str()).collect()
}

fn lines_of_a_person_are_replaced_and_others_stay(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (here, there) = (key("HERE", "1"), key("THERE", "1"));
    put(&store, &here, &[calm("a", &here), calm("b", &here)]);
    put(&store, &there, &[calm("c", &there)]);
    let second = Line {
        version: 2,
        ..calm("a", &here)
    };
    put(&store, &here, std::slice::from_ref(&second));
    drop(store);
    let store = place.open().expect("opens again");
    assert_eq!(of(&store, "a"), Some(second));
    assert_eq!(of(&store, "b"), None);
    assert_eq!(of(&store, "c"), Some(calm("c", &there)));
    // Joined, one put takes the place of the lines under both.
    let ids: BTreeSet<PatientKey> = [here.clone(), there.clone()].into();
    let lines = vec![(there.clone(), calm("a", &there))];
    store
        .write(move |tx| exam_lines::put(tx, &ids, &lines))
        .expect("put");
    assert_eq!(of(&store, "c"), None);
    let under = |key: &PatientKey| {
        store
            .read(|view| exam_lines::of_patient(view, key))
            .expect("read")
    };
    assert_eq!(exams(&under(&there)), ["a"]);
    assert_eq!(under(&here), []);
}

fn lists_hold_what_waits_in_their_order(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let on = |exam: &str, day: &str, status, label| {
        let local = format!("{day}T10:00:00").parse().expect("a time");
        Line {
            status,
            label,
            performed_at: Moment {
                local,
                offset_s: None,
            },
            ..calm(exam, &patient)
        }
    };
    let none = Status::NoBaseline;
    let gone = Line {
        reason: Some(Reason::Withdrawn),
        status: Status::NotComparable,
        label: None,
        ..rising("gone", &patient, Rise::Withdrawn, at(3))
    };
    let history = Line {
        history_only: true,
        ..on("history", "2026-03-09", none, None)
    };
    let seen = Rise::Acknowledged {
        by: "somebody".to_owned(),
        at: at(9),
        version: 1,
    };
    let lines = [
        calm("calm", &patient),
        rising("late", &patient, Rise::New, at(5)),
        rising("early", &patient, Rise::New, at(1)),
        rising("seen", &patient, seen, at(0)),
        gone,
        history,
        on("first", "2026-03-01", none, None),
        Line {
            first: true,
            ..on("very first", "2026-03-02", none, Some(Label::Well))
        },
        on(
            "last",
            "2026-03-08",
            Status::NotComparable,
            Some(Label::Well),
        ),
        on("bare", "2026-03-05", Status::WithinExpected, None),
    ];
    put(&store, &patient, &lines);
    // All came at one time: by their names.
    let every = Filter {
        period: Period::Done("2026-01-01".parse().ok(), None),
        ..Filter::default()
    };
    let all = today(&store, &every, 9);
    assert_eq!(exams(&all.rises.lines), ["early", "gone", "late"]);
    assert_eq!(exams(&all.not_compared.lines), ["last", "first"]);
    assert_eq!(exams(&all.first_exams.lines), ["very first"]);
    assert_eq!(exams(&all.unlabelled.lines), ["bare", "first"]);
    assert_eq!(all.rises.more(), 0);
    let few = today(&store, &every, 1);
    assert_eq!(exams(&few.rises.lines), ["early"]);
    assert_eq!((few.rises.total, few.rises.more()), (3, 2));
    assert_eq!(few.not_compared.total, 2);
    assert_eq!(few.unlabelled.total, 2);
}

fn lists_are_chosen_by_day_operator_machine_and_place(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let on = |exam: &str, time: &str| Line {
        label: None,
        performed_at: Moment {
            local: time.parse().expect("a time"),
            offset_s: None,
        },
        ..calm(exam, &patient)
    };
    let other = Line {
        operator: Some("O'Dell^\"Pim\"".to_owned()),
        device: Some("Brightwell 2".to_owned()),
        location: Some("Ward 7".to_owned()),
        ..on("other", "2026-03-02T23:59:59")
    };
    let lines = [
        on("before", "2026-03-01T23:59:59"),
        on("begins", "2026-03-02T00:00:00"),
        other,
        on("after", "2026-03-03T00:00:00"),
        rising("rise", &patient, Rise::New, at(1)),
    ];
    put(&store, &patient, &lines);
    let day = "2026-03-02".parse().ok();
    let mut filter = Filter {
        period: Period::Done(day, day),
        ..Filter::default()
    };
    let found = |filter: &Filter| {
        let all = today(&store, filter, 9).unlabelled;
        assert_eq!(all.more(), 0);
        let exams = exams(&all.lines);
        exams.into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(found(&filter), ["other", "begins"]);
    filter.operator = Some("O'Dell^\"Pim\"".to_owned());
    assert_eq!(found(&filter), ["other"]);
    filter.location = Some("Ward 7".to_owned());
    assert_eq!(found(&filter), ["other"]);
    filter.device = Some("Lumen 4".to_owned());
    assert!(found(&filter).is_empty());
    // A rise that waits for somebody is not hidden by the day.
    let another = Filter {
        period: Period::Done("2030-01-01".parse().ok(), None),
        ..Filter::default()
    };
    assert_eq!(exams(&today(&store, &another, 9).rises.lines), ["rise"]);
    assert!(found(&another).is_empty());
}

fn lists_of_the_last_days_count_what_is_older(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let came = |exam: &str, minutes: i64| Line {
        label: None,
        first_at: at(minutes),
        ..calm(exam, &patient)
    };
    let lines = [
        came("old", 0),
        came("older", -60),
        came("at once", 10),
        came("now", 20),
        Line {
            first_at: at(-60),
            ..rising("rise", &patient, Rise::New, at(-60))
        },
    ];
    put(&store, &patient, &lines);
    let last = Filter {
        period: Period::Came(at(10)),
        ..Filter::default()
    };
    let found = today(&store, &last, 9);
    assert_eq!(exams(&found.unlabelled.lines), ["now", "at once"]);
    assert_eq!((found.unlabelled.total, found.unlabelled.older), (2, 2));
    assert_eq!(exams(&found.rises.lines), ["rise"], "whatever its day");
    let all = today(&store, &Filter::default(), 9).unlabelled;
    assert_eq!(exams(&all.lines), ["now", "at once", "old", "older"]);
    assert_eq!(all.older, 0);
}

fn a_list_is_told_page_by_page(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let lines: Vec<Line> = (0..5)
        .map(|n| Line {
            label: None,
            first_at: at(n),
            ..calm(&format!("e{n}"), &patient)
        })
        .collect();
    put(&store, &patient, &lines);
    let page = |skip: u32| {
        let mut pages = Pages::first(1);
        pages.unlabelled = Page { skip, rows: 2 };
        let found = store
            .read(|view| exam_lines::today(view, &Filter::default(), &pages))
            .expect("read");
        let list = found.unlabelled;
        assert_eq!((list.total, list.skipped), (5, u64::from(skip)));
        let more = list.more();
        let exams: Vec<String> = list.lines.into_iter().map(|one| one.exam_id).collect();
        (exams.join(" "), more)
    };
    assert_eq!(page(0), ("e4 e3".to_owned(), 3));
    assert_eq!(page(2), ("e2 e1".to_owned(), 1));
    assert_eq!(page(4), ("e0".to_owned(), 0));
    assert_eq!(page(6), (String::new(), 0));
}

/// Of everybody, whatever is listed; a stranger who sends a thousand names makes no page of a thousand.
fn names_of_all_exams_can_be_chosen_and_are_bounded(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let more = CHOICES_MAX + 1;
    let lines: Vec<Line> = (0..more)
        .map(|n| Line {
            operator: Some(format!("Operator{n:03}")),
            location: (n < 2).then(|| ["Ward 7", "o'Brien \"x\""][n].to_owned()),
            device: (n > 2).then(|| "Lumen 4".to_owned()),
            ..calm(&format!("e{n}"), &patient)
        })
        .collect();
    put(&store, &patient, &lines);
    let choices = store.read(exam_lines::choices).expect("read");
    assert_eq!(choices.operators.names.len(), CHOICES_MAX);
    assert!(choices.operators.has_more);
    assert_eq!(choices.operators.names[1], "Operator001");
    assert_eq!(choices.devices.names, ["Lumen 4"]);
    assert!(!choices.devices.has_more);
    assert_eq!(choices.locations.names, ["Ward 7", "o'Brien \"x\""]);
}

fn exams_are_found_by_their_accession_number(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (one, other) = (key("HERE", "1"), key("THERE", "2"));
    for (patient, exam) in [(&one, "a"), (&other, "b")] {
        let line = Line {
            accession: Some("A-1".to_owned()),
            ..calm(exam, patient)
        };
        put(&store, patient, &[line]);
    }
    put(&store, &key("HERE", "3"), &[calm("c", &key("HERE", "3"))]);
    let found = |number: &str| {
        store
            .read(|view| exam_lines::with_accession(view, number))
            .expect("read")
    };
    assert_eq!(found("A-1"), [one, other]);
    assert_eq!(found("A-2"), []);
}

fn due(store: &Store, minutes: i64) -> Vec<Due> {
    store
        .read(|view| exam_lines::reminders_due(view, at(minutes), 9))
        .expect("read")
}

fn somebody_is_reminded_once_of_a_version(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let history = Line {
        history_only: true,
        ..rising("history", &patient, Rise::New, at(0))
    };
    let gone = rising("gone", &patient, Rise::Withdrawn, at(0));
    let lines = [
        rising("late", &patient, Rise::New, at(20)),
        rising("early", &patient, Rise::New, at(10)),
        history,
        gone,
    ];
    put(&store, &patient, &lines);
    assert_eq!(due(&store, 9), []);
    let one = |exam: &str, version| Due {
        exam_id: exam.to_owned(),
        version,
    };
    assert_eq!(due(&store, 10), [one("early", 1)]);
    assert_eq!(due(&store, 30), [one("early", 1), one("late", 1)]);
    let note = |due: Due| {
        store
            .write(move |tx| exam_lines::note_reminded(tx, &due))
            .expect("noted")
    };
    assert!(note(one("early", 1)));
    assert!(!note(one("early", 1)), "once");
    assert!(!note(one("early", 2)), "there is no such version");
    assert!(!note(one("gone", 1)), "it is no rise any more");
    assert_eq!(due(&store, 30), [one("late", 1)]);
    // Made anew it stays so; a further version is told again.
    put(&store, &patient, &lines);
    assert_eq!(due(&store, 30), [one("late", 1)]);
    let further = Line {
        version: 2,
        ..rising("early", &patient, Rise::New, at(10))
    };
    put(&store, &patient, &[further]);
    assert_eq!(due(&store, 30), [one("early", 2)]);
}

fn a_reminder_is_undone_with_its_transaction(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    put(&store, &patient, &[rising("e", &patient, Rise::New, at(0))]);
    let failed: Result<(), _> = store.write(|tx| {
        for one in exam_lines::reminders_due(tx, at(1), 9)? {
            assert!(exam_lines::note_reminded(tx, &one)?);
        }
        Err(StoreError::Work("no".to_owned()))
    });
    assert!(failed.is_err());
    assert_eq!(due(&store, 1).len(), 1);
}

fn a_rise_that_waits_for_nobody_is_told_apart(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "1");
    let acknowledged = Rise::Acknowledged {
        by: "Dr Ilse Farnwick".to_owned(),
        at: at(3),
        version: 1,
    };
    let lines = [
        rising("new", &patient, Rise::New, at(0)),
        rising("seen", &patient, acknowledged, at(0)),
        rising("gone", &patient, Rise::Withdrawn, at(0)),
        calm("calm", &patient),
    ];
    put(&store, &patient, &lines);
    let waits_for_nobody = |exam: &str| {
        let asked = store.read(|view| exam_lines::waits_for_nobody(view, exam));
        asked.expect("read")
    };
    let exams = ["new", "seen", "gone", "calm", "nowhere"];
    assert_eq!(
        exams.map(waits_for_nobody),
        [false, true, true, true, false]
    );
}
