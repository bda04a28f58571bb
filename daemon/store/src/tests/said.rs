//! What people say: entries that are only ever added.

use super::{file_of, now, open};
use crate::{Store, StoreError, annotations};
use sheathline_model::annotations::{
    Author, By, Counting, Draft, Judgement, Kind, Of, Outcome, Said, SecondReading,
};
use sheathline_model::domain::{
    About, Event, EventKind, Label, Millimetres, OpeningPressure, PatientKey, ReadingRef,
};
use tempfile::TempDir;

fn key(issuer: &str, id: &str) -> PatientKey {
    PatientKey {
        issuer: issuer.to_owned(),
        id: id.to_owned(),
    }
}

fn about(study: &str) -> About {
    About {
        study_instance_uid: study.to_owned(),
        readings: vec![ReadingRef {
            object: "1.1".to_owned(),
            place: "1.2".to_owned(),
        }],
    }
}

fn by() -> By {
    By {
        author: Author::Account("Dr Amber Vantongeren".to_owned()),
        entered_by: "amber (uid 1000)".to_owned(),
        source: "command".to_owned(),
        reason: "seen in clinic".to_owned(),
    }
}

fn add(store: &Store, drafts: Vec<Draft>) -> Vec<i64> {
    let added = store.write(move |tx| {
        let act = annotations::new_act(tx)?;
        annotations::record(tx, act, &by(), &drafts, now())
    });
    added.expect("added")
}

fn draft(key: &PatientKey, corrects: Option<i64>, said: Said) -> Draft {
    Draft {
        patient: key.clone(),
        corrects,
        said,
    }
}

#[test]
fn entries_come_back_as_they_were_said_and_stand_under_their_id() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let (here, there) = (key("HERE", "007"), key("THERE", "007"));
    let event = Event {
        date: "2024-05-01".parse().expect("a day"),
        kind: EventKind::CsfSurgery,
    };
    // Digits stay as typed.
    let pressure = OpeningPressure::typed("32.0", "cm[H2O]").expect("a pressure");
    let said = [
        Said::Label(about("9.1"), Label::Well),
        Said::Event(event),
        Said::Pressure(about("9.1"), pressure),
    ];
    let drafts = said.iter().map(|one| draft(&here, None, one.clone()));
    assert_eq!(add(&store, drafts.collect()), [1, 2, 3]);
    let back = Said::Nothing(Kind::Event, Of::Day(event.date));
    assert_eq!(add(&store, vec![draft(&here, Some(2), back.clone())]), [4]);
    let all = store
        .read(|conn| annotations::of_patient(conn, &here))
        .expect("read");
    let found: Vec<_> = all
        .iter()
        .map(|one| (one.id, one.act, one.corrects, one.said.clone()))
        .collect();
    let [label, event, pressure] = said;
    assert_eq!(
        found,
        [
            (1, 1, None, label),
            (2, 1, None, event),
            (3, 1, None, pressure),
            (4, 2, Some(2), back)
        ]
    );
    assert!(
        all.iter()
            .all(|one| one.by == by() && one.recorded_at == now())
    );
    let none = store.read(|conn| annotations::of_patient(conn, &there));
    assert_eq!(none.expect("read"), []);
    let counting = Counting::of(&all);
    assert_eq!((counting.labels.len(), counting.events.len()), (1, 0));
    let one = store.read(|conn| annotations::by_number(conn, 4));
    assert_eq!(one.expect("read").as_ref(), all.last());
}

/// Each further kind of entry, with what it says.
#[test]
fn every_kind_of_entry_comes_back_as_it_was_said() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let here = key("HERE", "007");
    let about = || about("9.1");
    let reading = SecondReading {
        right: vec![Millimetres::from_um(5600), Millimetres::from_um(6000)],
        left: Vec::new(),
        ..SecondReading::default()
    };
    let mut said = vec![
        Said::Acknowledged(about(), 7),
        Said::Note(about()),
        Said::LeftOut(about()),
        Said::TakenBack(about()),
        Said::SecondAsked(about()),
        Said::SecondRead(about(), reading),
    ];
    said.extend(Outcome::ALL.map(|one| Said::Settled(about(), one)));
    said.extend(Judgement::ALL.map(|one| Said::SecondJudged(about(), one)));
    let nothing = said
        .iter()
        .map(|one| Said::Nothing(one.kind(), one.of()))
        .collect::<Vec<_>>();
    let numbers = add(
        &store,
        said.iter()
            .map(|one| draft(&here, None, one.clone()))
            .collect(),
    );
    let back = numbers.iter().zip(&nothing);
    let back = back.map(|(id, one)| draft(&here, Some(*id), one.clone()));
    add(&store, back.collect());
    let all = store
        .read(|conn| annotations::of_patient(conn, &here))
        .expect("read");
    let found: Vec<Said> = all.iter().map(|one| one.said.clone()).collect();
    assert_eq!(found, [said, nothing].concat());
}

#[test]
fn what_was_said_is_never_changed_or_taken_out() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let here = key("HERE", "007");
    let label = draft(&here, None, Said::Label(about("9.1"), Label::Well));
    add(&store, vec![label.clone()]);
    for sql in [
        "update entry set value = 'raised_confirmed'",
        "delete from entry",
    ] {
        let done = store.write(move |tx| tx.execute(sql, ()));
        assert!(matches!(done, Err(StoreError::Refused(_))), "{sql}");
    }
    // A correction of what comes later, or of nothing, is refused.
    for corrects in [2, 99] {
        let drafts = vec![Draft {
            corrects: Some(corrects),
            ..label.clone()
        }];
        let added = store.write(move |tx| annotations::record(tx, 9, &by(), &drafts, now()));
        assert!(added.is_err(), "{corrects}");
    }
    let all = store.read(|conn| annotations::of_patient(conn, &here));
    assert_eq!(all.expect("read").len(), 1);
}

#[test]
fn what_is_said_again_adds_nothing_and_another_value_corrects() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let here = key("HERE", "007");
    let say = |label| {
        let (here, said) = (here.clone(), Said::Label(about("9.1"), label));
        let done = store.write(move |tx| {
            let act = annotations::new_act(tx)?;
            annotations::say(tx, act, &by(), &here, &said, now())
        });
        done.expect("said")
    };
    assert!(say(Label::Well) && !say(Label::Well));
    assert!(say(Label::RaisedConfirmed) && say(Label::Well));
    let all = store
        .read(|conn| annotations::of_patient(conn, &here))
        .expect("read");
    let corrects: Vec<_> = all.iter().map(|one| one.corrects).collect();
    assert_eq!(corrects, [None, Some(1), Some(2)]);
    assert_eq!(Counting::of(&all).labels, [(about("9.1"), Label::Well)]);
}

#[test]
fn a_damaged_entry_is_named_and_a_stray_correction_too() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let (here, there) = (key("HERE", "007"), key("THERE", "007"));
    add(
        &store,
        vec![draft(&here, None, Said::Label(about("9.1"), Label::Well))],
    );
    let stray = Said::Label(about("9.1"), Label::RaisedConfirmed);
    add(&store, vec![draft(&there, Some(1), stray)]);
    let verified = |store: &Store| {
        let done = crate::verify::Looker::open(file_of(store)).expect("opens");
        let done = done.verify(|_, _| ()).expect("verified");
        done.damages
            .iter()
            .map(|one| format!("{}: {}", one.part, one.how))
            .collect::<Vec<_>>()
    };
    let found = verified(&store);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0].contains("entry 2 corrects none of this patient"),
        "{found:?}"
    );
    let damage = |tx: &crate::Tx| {
        tx.execute_batch("drop trigger entry_stays; update entry set value = 'fine' where id = 1")?;
        Ok(())
    };
    store.write(damage).expect("damaged");
    let read = store.read(|conn| annotations::of_patient(conn, &here));
    assert!(matches!(read, Err(StoreError::Damaged { .. })));
    let found = verified(&store);
    assert!(
        found[0].contains("entry 1: a value that no label has"),
        "{found:?}"
    );
}
