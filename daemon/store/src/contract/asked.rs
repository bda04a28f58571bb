//! What is asked of one object, one id or one exam: where it was filed, who else has the id, what is newest.

use super::{Place, add, at, contracts, file, keep, key, report, result};
use crate::exam_lines::{self, Due};
use crate::namesakes::{self, Born, MOST};
use crate::objects::{self, Incoming, Kept, ObjectId, Slim};
use crate::{StoreError, annotations, assessment_queue, heard, overview, readings, results};
use sheathline_model::annotations::{Author, By, Draft, Kind, Said};
use sheathline_model::domain::{About, Disposition, Event, EventKind, Label, PatientKey, Sex};

contracts! {
    an_id_under_other_issuers_is_told_by_issuer_and_bounded,
    reports_under_the_default_issuer_are_told_as_they_came,
    those_who_wait_are_told_to_whom_they_belong,
    a_reading_that_is_taken_away_is_made_anew,
    a_body_without_its_pixels_takes_the_place_of_the_whole,
    versions_of_an_exam_tell_what_became_of_it,
    entries_are_found_by_id_and_by_kind,
    lines_and_results_are_counted_in_short,
    somebody_is_due_until_reminded_of_this_version,
    a_source_is_known_with_its_first_and_last_object,
}

fn an_id_under_other_issuers_is_told_by_issuer_and_bounded(place: &dyn Place) {
    let store = place.open().expect("opens");
    // Capitals before small letters, and these before accents, whatever a language says of them.
    let issuers = ["b", "Z", "a", "\u{e9}", "A"];
    for (n, issuer) in issuers.iter().enumerate() {
        file(&store, &report(&key(issuer, "7"), &format!("1.{n}"), "9.1"));
    }
    file(&store, &report(&key("other", "70"), "1.70", "9.1"));
    let others = |issuer: &str| {
        let key = key(issuer, "7");
        let found = store.read(move |view| namesakes::others(view, &key));
        let found: Vec<String> = found
            .expect("read")
            .into_iter()
            .map(|one| one.issuer)
            .collect();
        found
    };
    assert_eq!(others("a"), ["A", "Z", "b", "\u{e9}"]);
    assert_eq!(others("nowhere"), ["A", "Z", "a", "b", "\u{e9}"]);
    for n in 0..20 {
        let issuer = format!("c{n:02}");
        file(
            &store,
            &report(&key(&issuer, "7"), &format!("2.{n}"), "9.1"),
        );
    }
    assert_eq!(others("a").len(), MOST as usize);
    // Of reports that can be used alone, each pair once.
    let mut refused = report(&key("a", "7"), "3.1", "9.1");
    refused.disposition = Disposition::Quarantined;
    let patient = refused.patient.as_mut().expect("a patient");
    patient.sex = Some(Sex::M);
    file(&store, &refused);
    file(&store, &report(&key("a", "7"), "3.2", "9.2"));
    let born = store.read(|view| namesakes::born(view, &key("a", "7")));
    let date = "1980-02-03".parse().expect("a day");
    let expected = [Born { date, sex: Sex::F }];
    assert_eq!(born.expect("read"), expected);
}

fn reports_under_the_default_issuer_are_told_as_they_came(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("", "7");
    let known = |id: &'static str| {
        let known = store.read(move |view| assessment_queue::is_known(view, id));
        known.expect("read")
    };
    assert!(!known("7"));
    let first = file(&store, &report(&patient, "1.1", "9.1"));
    let mut refused = report(&patient, "1.2", "9.1");
    refused.disposition = Disposition::Quarantined;
    file(&store, &refused);
    file(&store, &report(&key("HERE", "7"), "1.3", "9.1"));
    let last = file(&store, &report(&patient, "1.4", "9.1"));
    assert!(known("7") && !known("70"));
    let under = store.read(|view| assessment_queue::under_default_issuer(view, &patient));
    let under = under.expect("read");
    let ids: Vec<ObjectId> = under.iter().map(|one| one.id).collect();
    assert_eq!(ids, [first, last]);
    assert_eq!(under[0].source.to_string(), "folder");
    assert_eq!(under[0].transfer_syntax, None);
}

fn those_who_wait_are_told_to_whom_they_belong(place: &dyn Place) {
    let store = place.open().expect("opens");
    for (n, id) in ["1", "2", "3", "4"].into_iter().enumerate() {
        let minutes = 9 - i64::try_from(n).expect("few");
        store
            .write(move |tx| assessment_queue::mark_dirty(tx, &key("HERE", id), at(minutes)))
            .expect("marked");
    }
    let of = |odd: bool, limit: u32| -> Vec<String> {
        let is_ours = move |key: &PatientKey| {
            let number: u32 = key.id.parse().expect("a number");
            number.is_multiple_of(2) != odd
        };
        let found = store.read(move |view| assessment_queue::dirty_of(view, is_ours, limit));
        found
            .expect("read")
            .into_iter()
            .map(|one| one.key.id)
            .collect()
    };
    // Who waits longest first.
    assert_eq!(of(true, 9), ["3", "1"]);
    assert_eq!(of(false, 9), ["4", "2"]);
    assert_eq!(of(false, 1), ["4"]);
    assert!(of(false, 0).is_empty());
    store
        .write(|tx| assessment_queue::mark_dirty(tx, &key("HERE", "4"), at(20)))
        .expect("marked again");
    store
        .write(|tx| assessment_queue::unmark(tx, &key("HERE", "4")))
        .expect("taken away, however often it was set");
    assert_eq!(of(false, 9), ["2"]);
}

fn a_reading_that_is_taken_away_is_made_anew(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "7");
    let newest = || {
        let newest = store.read(|view| readings::newest_of_patient(view, &key("HERE", "7")));
        newest.expect("read")
    };
    assert_eq!(newest(), 0);
    let first = file(&store, &report(&patient, "1.1", "9.1"));
    let between = file(&store, &report(&patient, "1.2", "9.1"));
    let again = keep(&store, b"the same under the same UID");
    let reading = report(&patient, "1.1", "9.1");
    store
        .write(move |tx| {
            let disposition = readings::StoredDisposition::Repeat;
            readings::finish_read(tx, again, &reading, disposition)
        })
        .expect("filed");
    assert_eq!(newest(), again.0);
    let after = |id: ObjectId| {
        let after = store.read(move |view| readings::filed_after(view, "1.1", id));
        after.expect("read")
    };
    assert_eq!(after(first), [again]);
    assert_eq!(after(again), []);
    store
        .write(move |tx| readings::read_anew(tx, first))
        .expect("sent back");
    let there = store.read(|view| {
        assert_eq!(readings::reading_of(view, first)?, None);
        // Where it was filed is remembered, and others stay.
        assert!(readings::was_filed_as(
            view,
            first,
            "1.1",
            Some("hash of 1.1")
        )?);
        assert!(!readings::was_filed_as(view, first, "1.1", None)?);
        assert!(!readings::was_filed_as(
            view,
            first,
            "1.2",
            Some("hash of 1.1")
        )?);
        assert!(!readings::was_filed_as(view, ObjectId(99), "1.1", None)?);
        readings::reading_of(view, between)
    });
    assert!(there.expect("read").is_some());
    let waiting = store.read(|view| objects::next_unread(view, 9));
    let waiting: Vec<ObjectId> = waiting.expect("read").iter().map(|one| one.id).collect();
    assert_eq!(waiting, [first]);
}

fn a_body_without_its_pixels_takes_the_place_of_the_whole(place: &dyn Place) {
    let store = place.open().expect("opens");
    let id = keep(&store, b"with pixels");
    let is_whole = |id: ObjectId| {
        store
            .read(move |view| objects::is_whole(view, id))
            .expect("read")
    };
    assert!(is_whole(id) && !is_whole(ObjectId(99)));
    let slim = |id: ObjectId| {
        store.write(move |tx| {
            let slim = Slim::new(b"without")?;
            objects::slim_down(tx, id, &slim)
        })
    };
    slim(id).expect("slimmed down");
    assert!(!is_whole(id));
    let body = store
        .read(|view| objects::body(view, id))
        .expect("its own hash");
    assert_eq!(body, b"without");
    // The whole of it sent again is a repeat still.
    assert_eq!(keep(&store, b"with pixels"), id);
    let none = slim(ObjectId(99));
    assert!(matches!(none, Err(StoreError::Work(_))), "{none:?}");
}

fn versions_of_an_exam_tell_what_became_of_it(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (here, there) = (key("HERE", "7"), key("THERE", "7"));
    for n in 1..=3 {
        add(&store, result("e", &here, n), i64::from(n));
    }
    add(&store, result("d", &here, 1), 4);
    add(&store, result("f", &there, 1), 5);
    let damaged = store.write(|tx| {
        results::mark_published(tx, "e", 1, &[], at(6))?;
        results::note_damaged(tx, "e", 2, at(6))
    });
    damaged.expect("noted");
    let known = store.read(|view| {
        let flags = results::flags(view, "e")?;
        let versions: Vec<u32> = flags.iter().map(|one| one.version).collect();
        assert_eq!(versions, [1, 3], "one that is damaged tells nothing");
        assert_eq!(
            (flags[1].flagged.is_some(), flags[1].made_at),
            (false, at(3))
        );
        results::newest_versions(view, &here)
    });
    let expected = [("d".to_owned(), 1, 4), ("e".to_owned(), 3, 3)];
    assert_eq!(known.expect("read"), expected);
    store.write(results::forget_published).expect("forgotten");
    let row = store
        .read(|view| results::by_number(view, 1))
        .expect("read");
    assert_eq!(row.expect("there").published_at, None);
}

fn entries_are_found_by_id_and_by_kind(place: &dyn Place) {
    let store = place.open().expect("opens");
    let event = || {
        Said::Event(Event {
            date: "2024-05-01".parse().expect("a day"),
            kind: EventKind::CsfSurgery,
        })
    };
    let about = About {
        study_instance_uid: "9.1".to_owned(),
        readings: Vec::new(),
    };
    let label = || Said::Label(about.clone(), Label::Well);
    let said = [
        ("b", event()),
        ("a", label()),
        ("a", event()),
        ("B", event()),
    ];
    let drafts: Vec<Draft> = said
        .into_iter()
        .map(|(id, said)| Draft {
            patient: key("HERE", id),
            corrects: None,
            said,
        })
        .collect();
    let by = By {
        author: Author::Account("Dr Amber Vantongeren".to_owned()),
        entered_by: "amber (uid 1000)".to_owned(),
        source: "command".to_owned(),
        reason: "seen in clinic".to_owned(),
    };
    let added = store.write(move |tx| {
        let act = annotations::new_act(tx)?;
        annotations::record(tx, act, &by, &drafts, at(3))
    });
    assert_eq!(added.expect("added"), [1, 2, 3, 4]);
    let ids = store.read(|view| {
        let both = [key("HERE", "a"), key("HERE", "B"), key("THERE", "a")].into();
        assert_eq!(annotations::numbers_of_ids(view, &both)?, [2, 3, 4]);
        assert_eq!(
            annotations::ids_with(view, Kind::Label)?,
            [key("HERE", "a")]
        );
        annotations::ids_with(view, Kind::Event)
    });
    let expected = ["B", "a", "b"].map(|id| key("HERE", id));
    assert_eq!(ids.expect("read"), expected, "by bytes");
}

fn lines_and_results_are_counted_in_short(place: &dyn Place) {
    let store = place.open().expect("opens");
    let quick = || store.read(overview::quick).expect("read");
    assert_eq!(quick(), overview::Overview::default());
    let patient = key("HERE", "7");
    file(&store, &report(&patient, "1.1", "9.1"));
    super::lines::put(
        &store,
        &patient,
        &[
            super::lines::calm("a", &patient),
            super::lines::calm("b", &patient),
        ],
    );
    for (n, exam) in ["a", "b", "c"].into_iter().enumerate() {
        add(
            &store,
            result(exam, &patient, 1),
            i64::try_from(n).expect("few"),
        );
    }
    // Of those that were written the one stored last, not the one written last.
    store
        .write(|tx| {
            results::mark_published(tx, "a", 1, &[], at(30))?;
            results::mark_published(tx, "b", 1, &[], at(20))
        })
        .expect("published");
    let found = quick();
    assert_eq!(
        found.exams.into_iter().collect::<Vec<_>>(),
        [("within_expected".to_owned(), 2)]
    );
    assert_eq!(
        (found.last_received, found.last_published),
        (Some(at(0)), Some(at(20)))
    );
}

fn somebody_is_due_until_reminded_of_this_version(place: &dyn Place) {
    let store = place.open().expect("opens");
    let patient = key("HERE", "7");
    let line = super::lines::rising("a", &patient, sheathline_model::worklist::Rise::New, at(1));
    super::lines::put(&store, &patient, &[line, super::lines::calm("b", &patient)]);
    let is_due = |exam: &'static str, version: u32| {
        let due = Due {
            exam_id: exam.to_owned(),
            version,
        };
        store
            .read(move |view| exam_lines::is_due(view, &due))
            .expect("read")
    };
    assert!(is_due("a", 1));
    assert!(!is_due("a", 2) && !is_due("b", 1) && !is_due("c", 1));
    let due = Due {
        exam_id: "a".to_owned(),
        version: 1,
    };
    let reminded = store.write(move |tx| exam_lines::note_reminded(tx, &due));
    assert!(reminded.expect("reminded"));
    assert!(!is_due("a", 1));
}

fn a_source_is_known_with_its_first_and_last_object(place: &dyn Place) {
    let store = place.open().expect("opens");
    let came = |bytes: &'static [u8], source: &'static str, minutes: i64| {
        let noted = store.write(move |tx| {
            let object = Incoming::new(bytes, None, source, "", at(minutes))?;
            let (Kept::New(id) | Kept::Repeat(id)) = objects::keep(tx, &object)?;
            heard::note(tx, id)
        });
        noted.expect("noted");
    };
    // Not in the order in which they came.
    came(b"1", "dicom:B", 5);
    came(b"2", "dicom:a", 2);
    came(b"3", "dicom:B", 9);
    came(b"4", "dicom:B", 1);
    let all = store.read(heard::all).expect("read");
    let told: Vec<_> = all
        .iter()
        .map(|one| (one.source.as_str(), one.first, one.last))
        .collect();
    assert_eq!(told, [("dicom:B", at(1), at(9)), ("dicom:a", at(2), at(2))]);
}
