//! What people say: merges of ids, and entries.

use super::{Place, at, contracts, key, object};
use crate::identity::{self, Recorded};
use crate::{Store, StoreError, annotations, assessment_queue, objects, readings};
use sheathline_model::annotations::{Author, By, Draft, Said};
use sheathline_model::domain::{About, Label, PatientKey};
use sheathline_model::identity::{Act, Pair, Statement};

contracts! {
    merges_join_ids_and_are_taken_back,
    a_statement_again_is_none_and_each_concerns_all_who_hang_together,
    entries_are_numbered_in_order_under_their_id,
    an_act_is_whole_or_not_at_all,
}

fn state(store: &Store, act: Act, from: &str, into: &str, minutes: i64) -> bool {
    let recorded = Recorded {
        statement: Statement {
            pair: Pair {
                from: key("HERE", from),
                into: key("HERE", into),
            },
            act,
            stated_at: at(minutes),
            source: "command".to_owned(),
        },
        message: "m".to_owned(),
        who: "Dr Ilse Farnwick".to_owned(),
        why: "twice registered".to_owned(),
    };
    let stated = store.write(move |tx| identity::state(tx, &recorded, at(99)));
    stated.expect("stated")
}

fn ids_of(store: &Store, id: &str) -> (String, Vec<String>) {
    let person = store.read(|view| identity::person(view, &key("HERE", id)));
    let person = person.expect("read");
    let ids = person.ids.into_iter().map(|key| key.id);
    (person.surviving.id, ids.collect())
}

fn merges_join_ids_and_are_taken_back(place: &dyn Place) {
    let store = place.open().expect("opens");
    assert!(state(&store, Act::Merge, "A", "B", 1));
    assert!(state(&store, Act::Merge, "B", "C", 2));
    let all = ["A", "B", "C"].map(str::to_owned);
    for id in ["A", "B", "C"] {
        assert_eq!(ids_of(&store, id), ("C".to_owned(), all.to_vec()));
    }
    // What was decided later counts, whenever it arrives.
    assert!(state(&store, Act::Unmerge, "A", "B", 5));
    assert!(state(&store, Act::Merge, "A", "B", 4));
    assert_eq!(ids_of(&store, "A"), ("A".to_owned(), vec!["A".to_owned()]));
    assert_eq!(ids_of(&store, "B").0, "C");
    // In the same way after a new start.
    drop(store);
    let store = place.open().expect("opens again");
    assert_eq!(ids_of(&store, "A").0, "A");
    let all = store.read(identity::all).expect("read");
    let times: Vec<_> = all.iter().map(|one| one.statement.stated_at).collect();
    assert_eq!(times, [1, 2, 5, 4].map(at), "in the order they came");
    assert_eq!(all[0].who, "Dr Ilse Farnwick");
}

fn a_statement_again_is_none_and_each_concerns_all_who_hang_together(place: &dyn Place) {
    let store = place.open().expect("opens");
    assert!(state(&store, Act::Merge, "A", "B", 1));
    assert!(!state(&store, Act::Merge, "A", "B", 1));
    let concerned = || store.read(identity::concerned).expect("read");
    let first = concerned().expect("somebody");
    assert_eq!(first.assessed, [key("HERE", "B")]);
    assert_eq!(first.gone, [key("HERE", "A")]);
    let last = first.last;
    store
        .write(move |tx| identity::note_spread(tx, last))
        .expect("noted");
    assert_eq!(concerned(), None);
    assert!(state(&store, Act::Merge, "B", "C", 2));
    let then = concerned().expect("somebody");
    assert!(then.last > first.last);
    assert_eq!(then.assessed, [key("HERE", "C")]);
    assert!(then.gone.contains(&key("HERE", "B")));
    // Its two ids were marked in the same commit.
    for id in ["A", "B", "C"] {
        let is_dirty = store.read(|view| assessment_queue::is_dirty(view, &key("HERE", id)));
        assert!(is_dirty.expect("read"), "{id}");
    }
}

fn draft(patient: &PatientKey, study: &str, label: Label, corrects: Option<i64>) -> Draft {
    let about = About {
        study_instance_uid: study.to_owned(),
        readings: Vec::new(),
    };
    Draft {
        patient: patient.clone(),
        corrects,
        said: Said::Label(about, label),
    }
}

fn by(reason: &str) -> By {
    By {
        author: Author::Account("Dr Ilse Farnwick".to_owned()),
        entered_by: "ilse (uid 1000)".to_owned(),
        source: "command".to_owned(),
        reason: reason.to_owned(),
    }
}

fn record(store: &Store, drafts: Vec<Draft>) -> (i64, Vec<i64>) {
    let recorded = store.write(move |tx| {
        let act = annotations::new_act(tx)?;
        Ok((
            act,
            annotations::record(tx, act, &by("seen"), &drafts, at(7))?,
        ))
    });
    recorded.expect("recorded")
}

fn entries_are_numbered_in_order_under_their_id(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (here, there) = (key("HERE", "1"), key("THERE", "1"));
    let well = |patient, study| draft(patient, study, Label::Well, None);
    let (first, numbers) = record(&store, vec![well(&here, "9.1"), well(&there, "9.2")]);
    let corrects = Some(numbers[0]);
    let mend = draft(&here, "9.1", Label::RaisedConfirmed, corrects);
    let (second, more) = record(&store, vec![mend]);
    assert!(second > first && numbers[0] < numbers[1] && numbers[1] < more[0]);
    drop(store);
    let store = place.open().expect("opens again");
    let said = store
        .read(|view| annotations::of_patient(view, &here))
        .expect("read");
    let told: Vec<_> = said
        .iter()
        .map(|one| (one.id, one.act, one.corrects))
        .collect();
    assert_eq!(
        told,
        [(numbers[0], first, None), (more[0], second, corrects)]
    );
    assert_eq!((&said[0].by, said[0].recorded_at), (&by("seen"), at(7)));
    let one = store
        .read(|view| annotations::by_number(view, numbers[1]))
        .expect("read");
    assert_eq!(one.expect("an entry").patient, there);
    assert_eq!(
        store.read(annotations::newest_number).expect("read"),
        more[0]
    );
}

fn an_act_is_whole_or_not_at_all(place: &dyn Place) {
    let store = place.open().expect("opens");
    let here = key("HERE", "1");
    let drafts = vec![
        draft(&here, "9.1", Label::Well, None),
        // Of an entry that is not there.
        draft(&here, "9.2", Label::Well, Some(99)),
    ];
    let done = store.write(move |tx| annotations::record(tx, 1, &by("seen"), &drafts, at(0)));
    assert!(done.is_err(), "{done:?}");
    assert_eq!(
        store
            .read(|view| annotations::of_patient(view, &here))
            .expect("read"),
        []
    );
    // And so is what is stored beside it in the same change.
    let done: Result<(), _> = store.write(move |tx| {
        annotations::record(
            tx,
            1,
            &by("seen"),
            &[draft(&here, "9.1", Label::Well, None)],
            at(0),
        )?;
        objects::keep(tx, &object(b"x"))?;
        Err(StoreError::Work("no".to_owned()))
    });
    assert!(done.is_err());
    assert_eq!(store.read(annotations::newest_number).expect("read"), 0);
    assert_eq!(store.read(readings::counts).expect("read").unread, 0);
}
