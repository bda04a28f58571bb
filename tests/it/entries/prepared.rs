//! Two people at once: of two acts prepared on the same state one is recorded, and the other is told
//! what came since.

use super::{exam_of_year, site};
use proptest::prelude::*;
use sheathline::acts::{Look, Order, Person, Prepared, Wish, patient_of, prepare, record};
use sheathline_model::annotations::{Author, By};
use sheathline_model::domain::{Event, EventKind, Label};
use sheathline_model::results::Site;
use sheathline_store::{Mode, Store};

fn by(name: &str) -> By {
    By {
        author: Author::Account(name.to_owned()),
        entered_by: name.to_owned(),
        source: "page".to_owned(),
        reason: "seen".to_owned(),
    }
}

/// An act of one of two people.
fn wish(n: usize) -> Wish {
    match n {
        0 => Wish::Label(Some(Label::RaisedConfirmed)),
        1 => Wish::LeaveOut,
        2 => Wish::Note,
        3 => Wish::Event(Event {
            date: "2022-09-01".parse().expect("a day"),
            kind: EventKind::Other,
        }),
        _ => Wish::SecondAsk,
    }
}

fn prepared(store: &Store, exam: &str, wish: Wish, name: &str) -> Prepared {
    let patient = patient_of(store, exam).expect("a patient");
    let is_event = matches!(wish, Wish::Event(_));
    let order = Order {
        exams: if is_event {
            Vec::new()
        } else {
            vec![exam.to_owned()]
        },
        patient: Some(patient),
        wish,
        by: by(name),
    };
    prepare(store, &Site::default(), &[order], Look::All).expect("prepared")
}

#[test]
fn of_two_acts_prepared_on_the_same_state_one_is_refused_and_told_what_came() {
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig::with_cases(12));
    let here = site("");
    let exams = ["2021", "2022", "2023"].map(|year| exam_of_year(&here, year));
    let kept = here.path("store.sqlite");
    runner
        .run(
            &(0..5usize, 0..5usize, 0..3usize, 0..3usize),
            |(first, second, one, other)| {
                let folder = tempfile::TempDir::new().expect("a folder");
                let path = folder.path().join("store.sqlite");
                std::fs::copy(&kept, &path).expect("copied");
                let store = Store::open(&path, Mode::Owner).expect("opens");
                let early = prepared(&store, &exams[one], wish(first), "Ida Brook");
                let late = prepared(&store, &exams[other], wish(second), "Ilse Farnwick");
                prop_assert_eq!(early.stamp(), late.stamp());
                let recorded = record(&store, &early).expect("recorded").expect("first");
                prop_assert!(record(&store, &late).expect("asked").is_none());
                let key = patient_of(&store, &exams[0]).expect("a patient");
                let person = Person::of(&store, &key, &Site::default()).expect("read");
                // Nothing of the late one is there.
                let names: Vec<&str> = person
                    .entries
                    .iter()
                    .map(|one| one.by.author.name())
                    .collect();
                prop_assert!(names.iter().all(|name| *name == "Ida Brook"), "{names:?}");
                prop_assert_eq!(names.len(), recorded.entries);
                prop_assert_ne!(person.stamp(), late.stamp());
                let since = person.since(&late.stamp());
                prop_assert!(
                    since.iter().any(|line| line.contains("by Ida Brook")),
                    "{since:?}"
                );
                // Prepared again it is recorded.
                let again = prepared(&store, &exams[other], wish(second), "Ilse Farnwick");
                prop_assert!(
                    again.is_nothing() || record(&store, &again).expect("recorded").is_some()
                );
                Ok(())
            },
        )
        .expect("holds");
}

/// A yes belongs to the question that was shown: another act, or another state, asks anew.
#[test]
fn a_yes_belongs_to_one_question_on_one_state() {
    let site = site("");
    let flagged = exam_of_year(&site, "2024");
    let other = exam_of_year(&site, "2023");
    let store = Store::open(&site.path("store.sqlite"), Mode::Owner).expect("opens");
    let well = || {
        prepared(
            &store,
            &flagged,
            Wish::Label(Some(Label::Well)),
            "Ida Brook",
        )
    };
    let asked = well().asked().expect("asked");
    assert_eq!(well().asked().as_deref(), Some(asked.as_str()));
    let ruled_out = Wish::Label(Some(Label::RaisedRuledOut));
    let else_asked = prepared(&store, &flagged, ruled_out, "Ida Brook").asked();
    assert!(else_asked.is_some_and(|other| other != asked));
    let note = prepared(&store, &other, Wish::Note, "Ida Brook");
    assert_eq!(note.asked(), None);
    record(&store, &note).expect("recorded").expect("alone");
    assert_ne!(well().asked(), Some(asked));
}

/// Only whoever entered it mends it without a further right.
#[test]
fn what_others_entered_is_told_apart() {
    let site = site("");
    let exam = exam_of_year(&site, "2022");
    let store = Store::open(&site.path("store.sqlite"), Mode::Owner).expect("opens");
    let label = |label, name| prepared(&store, &exam, Wish::Label(label), name);
    let first = label(Some(Label::AfterDecompression), "Ida Brook");
    assert!(!first.corrects_others("Ida Brook"));
    record(&store, &first).expect("recorded").expect("alone");
    assert!(!label(None, "Ida Brook").corrects_others("Ida Brook"));
    assert!(label(None, "Ilse Farnwick").corrects_others("Ilse Farnwick"));
}
