//! Patient ids that are joined and separated, beside objects that arrive at any time.

use super::*;
use crate::known::{content_of, latest_results};
use proptest::prelude::*;
use sheathline_model::annotations::{Author, By, Said};
use sheathline_model::domain::{About, Event, EventKind, Label, Sex};
use sheathline_model::history::testing::reading;
use sheathline_model::identity::{Act, Pair, Statement};
use sheathline_model::results::Content;
use sheathline_store::annotations;
use sheathline_store::identity::{Recorded, state};
use std::collections::BTreeMap;

fn key(id: &str) -> PatientKey {
    PatientKey {
        issuer: "NOWHERE".to_owned(),
        id: id.to_owned(),
    }
}

/// One thing that a store can be told.
#[derive(Debug, Clone)]
enum Told {
    /// Id, number of the report, width.
    Report(&'static str, u32, f64),
    /// From, into, second.
    Stated(Act, &'static str, &'static str, i64),
    Event(&'static str),
    Label(&'static str, u32, Label),
    /// Assess and publish what there is so far.
    Work,
}
use Told::{Report, Stated, Work};

const MERGE: Act = Act::Merge;
const UNMERGE: Act = Act::Unmerge;

fn study(number: u32) -> String {
    format!("2.25.{number}")
}

struct Place {
    _temp: TempDir,
    pipeline: Pipeline,
}

impl Place {
    fn new() -> Self {
        let temp = TempDir::new().unwrap();
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
        let rules = Rules::new(Templates::builtin().unwrap());
        let outbox = temp.path().join("outbox");
        let beside = Beside::default();
        Place {
            pipeline: Pipeline::new(store, rules, Site::default(), outbox, beside),
            _temp: temp,
        }
    }

    fn tell(&self, told: &Told) {
        let store = self.pipeline.store();
        let told = told.clone();
        match told {
            Work => while self.pipeline.assess_some().unwrap() > 0 {},
            Report(id, number, mm) => {
                let day = format!("20{:02}-03-01", 10 + number);
                let uid = format!("{}.1", study(number));
                let mut read = reading(&uid, &study(number), &day, &[mm, mm], &[mm, mm]);
                if let Some(patient) = &mut read.patient {
                    patient.key = key(id);
                    // D is somebody else.
                    patient.sex = Some(if id == "D" { Sex::M } else { Sex::F });
                }
                let bytes = Incoming::new(uid.as_bytes(), None, "folder", "", Utc::now()).unwrap();
                store
                    .write(move |tx| keep_as_read(tx, &bytes, &read))
                    .unwrap();
            }
            Stated(act, from, into, second) => {
                let recorded = Recorded {
                    statement: Statement {
                        pair: Pair {
                            from: key(from),
                            into: key(into),
                        },
                        act,
                        stated_at: chrono::DateTime::from_timestamp(second, 0).unwrap(),
                        source: "command".to_owned(),
                    },
                    message: String::new(),
                    who: String::new(),
                    why: "test".to_owned(),
                };
                store
                    .write(move |tx| state(tx, &recorded, Utc::now()))
                    .unwrap();
            }
            Told::Event(id) => {
                let date = "2011-06-01".parse().unwrap();
                let kind = EventKind::CsfSurgery;
                self.say(key(id), Said::Event(Event { date, kind }));
            }
            Told::Label(id, number, label) => {
                let about = About::of_study(study(number));
                self.say(key(id), Said::Label(about, label));
            }
        }
    }

    fn say(&self, key: PatientKey, said: Said) {
        let by = By {
            author: Author::Account("somebody".to_owned()),
            entered_by: "uid 1000".to_owned(),
            source: "command".to_owned(),
            reason: String::new(),
        };
        let said = self.pipeline.store().write(move |tx| {
            assessment_queue::mark_dirty(tx, &key, Utc::now())?;
            let act = annotations::new_act(tx)?;
            annotations::say(tx, act, &by, &key, &said, Utc::now())
        });
        said.unwrap();
    }

    fn tell_all(told: &[Told]) -> Self {
        let site = Place::new();
        told.iter().for_each(|one| site.tell(one));
        site.tell(&Work);
        site
    }

    /// The newest result of each exam, withdrawn ones left out, and how many versions each has.
    fn newest(&self) -> BTreeMap<String, (Content, usize)> {
        let store = self.pipeline.store();
        let rows = store.read(|conn| sheathline_store::results::unpublished(conn, 999));
        let mut newest: BTreeMap<String, (Content, usize)> = BTreeMap::new();
        for row in rows.unwrap() {
            let versions = newest.get(&row.exam_id).map_or(0, |(_, count)| *count);
            newest.insert(
                row.exam_id.clone(),
                (content_of(&row).unwrap(), versions + 1),
            );
        }
        newest.retain(|_, (content, _)| !content.reports.is_empty());
        newest
    }

    fn of(&self, number: u32) -> (Content, usize) {
        let all = self.newest();
        let mut all = all.values();
        let found = all.find(|(one, _)| one.exam.study_instance_uid == study(number));
        found.unwrap().clone()
    }

    /// What a reader sees of the newest results: no version is made where only the rest differs.
    fn keys(&self) -> BTreeMap<String, String> {
        let newest = self.newest().into_iter();
        newest
            .map(|(exam, (content, _))| {
                (
                    exam,
                    sheathline_model::results::seen(&content).unwrap().key(),
                )
            })
            .collect()
    }
}

#[test]
fn a_merge_joins_histories_and_taking_it_back_separates_them_again() {
    let apart = [
        Report("A", 1, 5.0),
        Report("B", 2, 5.05),
        Report("B", 3, 5.1),
    ];
    let site = Place::tell_all(&apart);
    let before = site.keys();
    assert_eq!(site.of(3).0.baseline.len(), 1);

    site.tell(&Stated(MERGE, "A", "B", 1));
    site.tell(&Work);
    let (last, versions) = site.of(3);
    assert_eq!((last.baseline.len(), versions), (2, 2));
    assert_eq!(last.patient.id, "B");
    let (moved, versions) = site.of(1);
    assert_eq!((moved.patient.id.as_str(), versions), ("B", 2));
    assert_eq!(moved.reports[0].came_under, Some(key("A")));
    assert!(moved.cautions.iter().any(|one| one.code == "ids-joined"));
    let row = site
        .pipeline
        .store()
        .read(|conn| sheathline_store::results::latest(conn, &moved.exam.id));
    assert_eq!(
        row.unwrap().unwrap().why,
        [
            "patient ids were joined by a merge",
            "the exam is now filed under another patient id",
        ]
    );
    // Nothing is left to do, and the same statement again changes nothing.
    site.tell(&Stated(MERGE, "A", "B", 1));
    site.tell(&Work);
    assert_eq!(site.of(3).1, 2);

    site.tell(&Stated(UNMERGE, "A", "B", 2));
    site.tell(&Work);
    assert_eq!(site.keys(), before);
    assert_eq!(site.of(1).1, 3);
}

/// A delivery may be repeated long after: what is sent with a result is what stood when it was made.
#[test]
fn a_result_of_joined_ids_is_delivered_with_the_exams_of_all_of_them() {
    let exams = [
        Report("A", 1, 5.0),
        Report("B", 2, 5.0),
        Report("B", 3, 5.1),
    ];
    let site = Place::tell_all(&exams);
    site.tell(&Stated(MERGE, "A", "B", 1));
    site.tell(&Work);
    let store = site.pipeline.store();
    let (number, row) = store
        .read(|conn| {
            let number = sheathline_store::results::newest_number(conn)?;
            Ok((number, sheathline_store::results::by_number(conn, number)?))
        })
        .unwrap();
    let row = row.unwrap();
    let beside = || {
        let others = crate::parcel::parcel(store, number, &row)
            .unwrap()
            .others
            .into_iter();
        others.map(|one| one.key().unwrap()).collect::<Vec<_>>()
    };
    let first = beside();
    assert_eq!(first.len(), 2);
    site.tell(&Stated(UNMERGE, "A", "B", 2));
    site.tell(&Work);
    assert_eq!(beside(), first);
}

#[test]
fn labels_and_events_follow_their_id_and_come_back() {
    let site = Place::tell_all(&[
        Report("A", 1, 5.0),
        Report("B", 2, 5.0),
        Told::Event("A"),
        Told::Label("A", 1, Label::RaisedConfirmed),
        Stated(MERGE, "A", "B", 1),
    ]);
    let (last, _) = site.of(2);
    assert_eq!(last.events.len(), 1);
    assert_eq!(last.baseline.len(), 0, "the labelled exam is no baseline");
    site.tell(&Stated(UNMERGE, "A", "B", 2));
    site.tell(&Work);
    assert_eq!(site.of(2).0.events.len(), 0);
    assert_eq!(
        site.of(1).0.events.len(),
        0,
        "the event is later than the exam"
    );
    assert_eq!(site.of(1).0.exam.label, Some(Label::RaisedConfirmed));
}

#[test]
fn joined_ids_of_another_sex_are_shown_and_not_compared() {
    let all = [
        Report("D", 1, 5.0),
        Report("B", 2, 5.0),
        Stated(MERGE, "D", "B", 1),
    ];
    let site = Place::tell_all(&all);
    let (last, _) = site.of(2);
    assert_eq!(last.baseline.len(), 0);
    let remark = last
        .remarks
        .iter()
        .find(|one| one.code == "identity-differs")
        .unwrap();
    assert!(
        remark.text.contains("joined patient ids"),
        "{}",
        remark.text
    );
}

#[test]
fn merges_in_a_circle_are_told_and_join_nobody() {
    let circle = [Stated(MERGE, "A", "B", 1), Stated(MERGE, "B", "A", 2)];
    let mut all = vec![Report("A", 1, 5.0), Report("B", 2, 5.0)];
    all.extend(circle);
    let site = Place::tell_all(&all);
    for number in [1, 2] {
        let (content, _) = site.of(number);
        assert!(content.joined.is_empty() && content.baseline.is_empty());
        assert!(
            content
                .remarks
                .iter()
                .any(|one| one.code == "merges-unsettled")
        );
    }
    site.tell(&Stated(UNMERGE, "B", "A", 3));
    site.tell(&Work);
    assert_eq!(site.of(2).0.patient.id, "B");
    assert_eq!(site.of(2).0.baseline.len(), 1);
}

#[test]
fn different_labels_of_one_exam_under_joined_ids_count_as_none() {
    let site = Place::tell_all(&[
        Report("A", 1, 5.0),
        Report("B", 2, 5.0),
        Told::Label("A", 1, Label::Well),
        Told::Label("B", 1, Label::RaisedConfirmed),
        Stated(MERGE, "A", "B", 1),
    ]);
    let (exam, _) = site.of(1);
    assert_eq!(exam.exam.label, None);
    assert!(
        exam.remarks
            .iter()
            .any(|one| one.code == "joined-ids-contradict")
    );
    assert_eq!(site.of(2).0.baseline.len(), 0);
}

/// Those who hang on the circle are not named by the statement that closes it.
#[test]
fn a_circle_separates_whoever_was_joined_through_it() {
    let site = Place::tell_all(&[
        Report("A", 1, 5.0),
        Report("D", 2, 5.0),
        Stated(MERGE, "A", "B", 1),
        Stated(MERGE, "D", "C", 1),
        Stated(MERGE, "B", "C", 1),
    ]);
    assert!(site.of(1).0.patient.id == "C" && site.of(2).0.patient.id == "C");
    site.tell(&Stated(MERGE, "C", "B", 2));
    site.tell(&Work);
    assert!(site.of(1).0.patient.id == "A" && site.of(2).0.patient.id == "D");
}

/// Whoever is not concerned is not touched.
#[test]
fn other_patients_keep_their_versions() {
    let site = Place::tell_all(&[
        Report("A", 1, 5.0),
        Report("B", 2, 5.0),
        Report("C", 3, 5.0),
    ]);
    let before = site.of(3);
    site.tell(&Stated(MERGE, "A", "B", 1));
    site.tell(&Work);
    assert!(site.of(3) == before);
}

fn everything() -> Vec<Told> {
    vec![
        Report("A", 1, 5.0),
        Report("A", 2, 5.1),
        Report("B", 3, 5.0),
        Report("B", 4, 5.9),
        Report("C", 5, 5.2),
        Report("D", 6, 5.0),
        Told::Event("A"),
        Told::Label("C", 5, Label::Well),
        Stated(MERGE, "A", "B", 1),
        Stated(UNMERGE, "A", "B", 2),
        Stated(MERGE, "A", "B", 3),
        Stated(MERGE, "B", "C", 1),
        Stated(MERGE, "D", "C", 1),
        Stated(UNMERGE, "C", "D", 9),
        // A circle, which separates all that hangs on it.
        Stated(MERGE, "C", "B", 5),
        Stated(UNMERGE, "C", "B", 6),
        Stated(MERGE, "C", "E", 2),
        Stated(UNMERGE, "C", "E", 2),
    ]
}

/// A person of many ids that many small messages made, and one long chain: a bound that only a square
/// can miss. Working everybody out at each statement took minutes.
#[test]
fn a_person_of_many_ids_costs_no_more_than_their_number() {
    let place = Place::new();
    place.tell(&Report("A", 1, 5.0));
    place.tell(&Work);
    let begun = std::time::Instant::now();
    let pair = |from: String, into: String| Pair {
        from: key(&from),
        into: key(&into),
    };
    let into_one = (0..2_000).map(|number| pair(format!("B{number:05}"), "A".into()));
    let chain = (0..2_000).map(|at| pair(format!("C{at:05}"), format!("C{:05}", at + 1)));
    for pair in into_one.chain(chain) {
        let recorded = Recorded {
            statement: Statement {
                pair,
                act: MERGE,
                stated_at: Utc::now(),
                source: "hl7:192.0.2.7".to_owned(),
            },
            message: String::new(),
            who: String::new(),
            why: String::new(),
        };
        let store = place.pipeline.store();
        store
            .write(move |tx| state(tx, &recorded, Utc::now()))
            .unwrap();
    }
    place.tell(&Work);
    assert!(begun.elapsed().as_secs() < 60, "{:?}", begun.elapsed());
    let read = place.pipeline.store().read(|conn| {
        let chain = identity::person(conn, &key("C00000"))?;
        Ok((latest_results(conn, &key("B00007"))?, chain.surviving))
    });
    let (results, surviving) = read.unwrap();
    assert_eq!(surviving, key("C02000"));
    let content = content_of(&results[0]).unwrap();
    assert_eq!((content.joined.len(), results[0].version), (2_000, 2));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The results depend on what was told, not on when, in which order or how often.
    #[test]
    fn any_order_of_the_same_set_ends_in_the_same_results(
        (some, other) in proptest::sample::subsequence(everything(), 9..=everything().len())
            .prop_flat_map(|some| {
                let mut again: Vec<Told> = some.iter().chain(some.iter().step_by(3)).cloned().collect();
                again.extend([Work, Work, Work]);
                (Just(some), Just(again).prop_shuffle())
            })
    ) {
        prop_assert_eq!(Place::tell_all(&some).keys(), Place::tell_all(&other).keys());
    }
}
