//! What is stored, topic by topic.

use super::{keep, now, open};
use crate::objects::{self, ObjectId};
use crate::readings::{self, StoredDisposition};
use crate::results::{self, NewResult};
use crate::{StoreError, assessment_queue, dropped, heard};
use chrono::{DateTime, Utc};
use sheathline_model::domain::{
    Device, Disposition, ExamFacts, ObjectReading, Patient, PatientKey, Remark, RemarkCode,
};
use tempfile::TempDir;

pub(super) fn patient(issuer: &str, id: &str) -> PatientKey {
    PatientKey {
        issuer: issuer.to_owned(),
        id: id.to_owned(),
    }
}

pub(super) fn reading(key: &PatientKey, sop: &str, study: &str) -> ObjectReading {
    ObjectReading {
        sop_instance_uid: Some(sop.to_owned()),
        sop_class_uid: None,
        series_instance_uid: None,
        disposition: Disposition::AcceptedWithRemarks,
        template: None,
        dictionaries: Vec::new(),
        patient: Some(Patient {
            key: key.clone(),
            birth_date: None,
            sex: None,
        }),
        exam: Some(ExamFacts {
            study_instance_uid: study.to_owned(),
            performed_at: None,
            content_at: None,
            study_at: None,
            operator: None,
            device: Device::default(),
            accession: None,
        }),
        state: sheathline_model::domain::DocumentState::default(),
        machine: None,
        predecessors: Vec::new(),
        content_sha256: Some("aa".to_owned()),
        measurements: Vec::new(),
        image: None,
        unexplained: Vec::new(),
        remarks: vec![Remark::of(RemarkCode::AngleUnknown, "A sentence.")],
    }
}

#[test]
fn readings_come_back_by_patient_instance_and_study() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let (here, there) = (patient("HERE", "007"), patient("THERE", "007"));
    for bytes in [b"a", b"b", b"c"] {
        keep(&store, bytes).expect("kept");
    }
    let stored = store
        .write({
            let (here, there) = (here.clone(), there.clone());
            move |tx| {
                let accepted = Disposition::AcceptedWithRemarks.into();
                let mut bad = reading(&there, "1.3", "9.2");
                bad.disposition = Disposition::Quarantined;
                readings::finish_read(tx, ObjectId(1), &reading(&here, "1.1", "9.1"), accepted)?;
                readings::finish_read(
                    tx,
                    ObjectId(2),
                    &reading(&here, "1.1", "9.1"),
                    StoredDisposition::Repeat,
                )?;
                readings::finish_read(tx, ObjectId(3), &bad, bad.disposition.into())?;
                readings::of_patient(tx, &here)
            }
        })
        .expect("stored");
    assert_eq!(stored.len(), 2);
    assert_eq!(stored[0].reading, reading(&here, "1.1", "9.1"));
    assert_eq!(stored[1].disposition, StoredDisposition::Repeat);
    assert_eq!(stored[0].body_sha256.len(), 64);
    store
        .read(|conn| {
            assert_eq!(readings::by_sop_instance(conn, "1.1")?.len(), 2);
            assert_eq!(readings::by_study(conn, "9.2")?.len(), 1);
            assert_eq!(readings::quarantined(conn)?[0].id, ObjectId(3));
            assert_eq!(readings::reading_of(conn, ObjectId(9))?, None);
            assert_eq!(
                assessment_queue::with_id(conn, "007")?,
                [here.clone(), there.clone()]
            );
            assert_eq!(assessment_queue::with_id(conn, "7")?, []);
            let counts = readings::counts(conn)?;
            assert_eq!(counts.unread, 0);
            assert_eq!(counts.read[&StoredDisposition::Repeat], 1);
            assert_eq!(
                counts.read[&StoredDisposition::As(Disposition::Quarantined)],
                1
            );
            Ok(())
        })
        .expect("read");
    store.write(objects::read_all_again).expect("sent back");
    assert_eq!(
        store
            .read(|conn| Ok(objects::next_again(conn, 9)?.map(|all| all.len())))
            .expect("read"),
        Some(3)
    );
    // What was read before stays in use until it is read again.
    assert_eq!(store.read(assessment_queue::list).expect("read").len(), 2);
}

#[test]
fn a_reading_of_nothing_is_refused() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let done = store.write(|tx| {
        let read = reading(&patient("", "1"), "1.1", "9.1");
        readings::finish_read(tx, ObjectId(5), &read, read.disposition.into())
    });
    assert!(matches!(done, Err(StoreError::Work(_))));
}

#[test]
fn a_patient_marked_again_meanwhile_stays_marked() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    store
        .write(|tx| {
            let (one, two) = (patient("", "1"), patient("", "2"));
            assessment_queue::mark_dirty(tx, &one, now())?;
            assessment_queue::mark_dirty(tx, &two, now())?;
            let seen = assessment_queue::dirty(tx, 9)?;
            assert_eq!(seen.len(), 2);
            assessment_queue::mark_dirty(tx, &one, now())?;
            assert!(!assessment_queue::clear_dirty(tx, &seen[0])?);
            assert!(assessment_queue::clear_dirty(tx, &seen[1])?);
            assert_eq!(assessment_queue::count_dirty(tx)?, 1);
            assert_eq!(assessment_queue::take_dirty(tx, 9)?, [one]);
            assert_eq!(assessment_queue::take_dirty(tx, 9)?, []);
            Ok(())
        })
        .expect("done");
}

#[test]
fn versions_of_a_result_chain() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let key = patient("HERE", "1");
    let result = |exam: &str, why: &str| NewResult {
        exam_id: exam.to_owned(),
        patient: key.clone(),
        key: format!("key of {exam}"),
        content: r#"{"a":1}"#.to_owned(),
        why: vec![why.to_owned()],
    };
    let (first, second, other) = (
        result("e1", "new exam"),
        result("e1", "label"),
        result("e2", "new exam"),
    );
    store
        .write(move |tx| {
            assert_eq!(results::insert(tx, &first, now())?, 1);
            assert_eq!(results::insert(tx, &other, now())?, 1);
            assert_eq!(results::insert(tx, &second, now())?, 2);
            let latest = results::latest(tx, "e1")?.expect("there");
            assert_eq!((latest.version, latest.supersedes), (2, Some(1)));
            assert_eq!(latest.why, ["label"]);
            assert_eq!(latest.created_at, now());
            assert_eq!(results::versions(tx, "e1")?[0].supersedes, None);
            assert_eq!(results::latest(tx, "e9")?, None);
            Ok(())
        })
        .expect("stored");
    let names = |rows: Vec<results::ResultRow>| -> Vec<String> {
        rows.iter()
            .map(|row| format!("{}-v{}", row.exam_id, row.version))
            .collect()
    };
    store
        .write(|tx| {
            results::mark_published(tx, "e2", 1, &[], now())?;
            results::mark_published(tx, "e2", 1, &[], DateTime::UNIX_EPOCH)
        })
        .expect("marked");
    store
        .read(|conn| {
            assert_eq!(names(results::unpublished(conn, 9)?), ["e1-v1", "e1-v2"]);
            assert_eq!(
                names(results::latest_of_patient(conn, &key)?),
                ["e1-v2", "e2-v1"]
            );
            assert_eq!(
                names(results::latest_of_patient(conn, &patient("", "1"))?),
                [""; 0]
            );
            let published = results::latest(conn, "e2")?.expect("there").published_at;
            assert_eq!(published, Some(now()));
            Ok(())
        })
        .expect("read");
}

/// The source of objects here is the drop folder; each comes a minute after the other.
#[test]
fn the_first_and_the_last_object_of_a_sender_are_kept_in_any_order() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    for bytes in [b"a", b"b", b"c"] {
        keep(&store, bytes).expect("kept");
    }
    let came = "update object set received_at = '2024-05-07T10:0' || id || ':00.000Z'";
    let first = store.write(move |tx| {
        tx.execute(came, ())?;
        for id in [2, 3, 1, 2, 99] {
            heard::note(tx, ObjectId(id))?;
        }
        heard::all(tx)
    });
    let [one] = first.expect("noted").try_into().expect("one source");
    let heard::Heard {
        source,
        first,
        last,
    } = one;
    assert!(!source.is_empty());
    assert_eq!(first.to_rfc3339(), "2024-05-07T10:01:00+00:00");
    assert_eq!(last.to_rfc3339(), "2024-05-07T10:03:00+00:00");
}

/// A calling AE title may be any text, so that there may be any number.
#[test]
fn of_many_senders_the_one_that_was_silent_for_longest_goes() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    keep(&store, b"a").expect("kept");
    let found = store.write(|tx| {
        for number in 0..=heard::SOURCES {
            let at = chrono::DateTime::from_timestamp(60 * number as i64, 0).unwrap_or_default();
            let at = crate::stamp::text(at);
            tx.execute(
                "update object set source = ?1, received_at = ?2",
                [format!("dicom:AE{number}"), at],
            )?;
            heard::note(tx, ObjectId(1))?;
        }
        heard::all(tx)
    });
    let found = found.expect("noted");
    assert_eq!(found.len(), heard::SOURCES);
    assert!(found.iter().all(|one| one.source != "dicom:AE0"));
}

#[test]
fn what_was_dropped_is_counted_by_class_and_source_within_a_bound() {
    let folder = TempDir::new().expect("temp");
    let store = open(&folder);
    let at = |second: i64| DateTime::<Utc>::from_timestamp(second, 0).unwrap_or_default();
    let source = |name: String| sheathline_model::domain::Source::Dicom(name);
    let add = |name: String, class: &'static str, count: u64, second: i64| {
        let counts = std::collections::BTreeMap::from([(class, count)]);
        let source = source(name);
        let added = store.write(move |tx| dropped::add(tx, &source, &counts, at(second)));
        added.expect("added");
    };
    add("CART 1".to_owned(), "1.2", 3, 1);
    add("CART 1".to_owned(), "1.2", 4, 5);
    let found = store.read(dropped::all).expect("read");
    let expected = dropped::Dropped {
        source: "dicom:CART 1".to_owned(),
        class: "1.2".to_owned(),
        count: 7,
        first: at(1),
        last: at(5),
    };
    assert_eq!(found, [expected]);
    for n in 0..dropped::ROWS + 9 {
        add(format!("X{n}"), "1.2", 1, 6);
    }
    let found = store.read(dropped::all).expect("read");
    assert_eq!(found.len(), dropped::ROWS + 1);
    let other = found.iter().find(|one| one.source == dropped::OTHER);
    assert_eq!(other.map(|one| one.count), Some(10));
}
