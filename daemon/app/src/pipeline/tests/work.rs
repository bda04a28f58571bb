//! Lists of work and notices, beside results that come and go and people who say something of them.

use super::*;
use crate::lines;
use crate::routes::destination::Taker;
use chrono::TimeDelta;
use sheathline_model::annotations::{Author, By, Outcome, Said};
use sheathline_model::domain::{About, Label, ReadingRef};
use sheathline_model::history::testing::reading;
use sheathline_model::results::{Change, Wanted};
use sheathline_model::worklist::{Line, Rise, Today, Uncompared};
use sheathline_store::deliveries::{self, What, Which};
use sheathline_store::exam_lines::{self, Filter, Pages};
use sheathline_store::{annotations, results};

fn key() -> PatientKey {
    PatientKey {
        issuer: "NOWHERE".to_owned(),
        id: "P1".to_owned(),
    }
}

fn taker(name: &str, statuses: &[Status], changes: &[Change]) -> Taker {
    Taker {
        name: name.to_owned(),
        wanted: Wanted {
            statuses: statuses.to_vec(),
            changes: changes.to_vec(),
            ..Wanted::default()
        },
    }
}

struct Place {
    _temp: TempDir,
    pipeline: Pipeline,
}

impl Place {
    fn new(takers: Vec<Taker>) -> Place {
        let temp = TempDir::new().unwrap();
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
        let rules = Rules::new(Templates::builtin().unwrap());
        let outbox = temp.path().join("outbox");
        let pipeline = Pipeline::new(store, rules, Site::default(), outbox, Beside::default());
        Place {
            pipeline: pipeline.delivering_to(takers).reminding_after(30),
            _temp: temp,
        }
    }

    /// Report `n` of a year of its own.
    fn report(&self, n: u32, mm: f64) {
        let apart = 0.1 + 0.001 * f64::from(n);
        let mm = [mm, mm + apart, mm - apart];
        let uid = format!("2.25.{n}.1");
        let day = format!("20{:02}-03-01", 10 + n);
        let read = reading(&uid, &study(n), &day, &mm, &mm);
        let bytes = Incoming::new(uid.as_bytes(), None, "folder", "", Utc::now()).unwrap();
        let store = self.pipeline.store();
        store
            .write(move |tx| keep_as_read(tx, &bytes, &read))
            .unwrap();
        self.work();
    }

    fn work(&self) {
        self.pipeline.drain(Duration::ZERO, |_| {}).unwrap();
    }

    /// Says something, and makes the lines anew in the same transaction, as commands and pages do.
    fn say(&self, said: Said) {
        let by = By {
            author: Author::Account("Dr Amber Vantongeren".to_owned()),
            entered_by: String::new(),
            source: "page".to_owned(),
            reason: "seen".to_owned(),
        };
        let said = self.pipeline.store().write(move |tx| {
            let act = annotations::new_act(tx)?;
            annotations::say(tx, act, &by, &key(), &said, Utc::now())?;
            assessment_queue::mark_dirty(tx, &key(), Utc::now())?;
            lines::renew(tx, &identity::person(tx, &key())?)
        });
        said.unwrap();
    }

    /// Takes back what was said last.
    fn take_back(&self) {
        let store = self.pipeline.store();
        let taken = store.write(|tx| {
            let all = annotations::of_patient(tx, &key())?;
            let last = all.last().expect("an entry");
            let drafts = sheathline_model::annotations::take_back_one(&all, last);
            let drafts = drafts.expect("it can be taken back");
            let act = annotations::new_act(tx)?;
            annotations::record(tx, act, &last.by, &drafts, Utc::now())?;
            assessment_queue::mark_dirty(tx, &key(), Utc::now())?;
            lines::renew(tx, &identity::person(tx, &key())?)
        });
        taken.unwrap();
    }

    fn today(&self) -> Today {
        let store = self.pipeline.store();
        store
            .read(|conn| exam_lines::today(conn, &Filter::default(), &Pages::first(99)))
            .unwrap()
    }

    fn rises(&self) -> Vec<(&'static str, u32)> {
        let lines = self.today().rises.lines;
        let word = |line: &Line| line.rise.as_ref().map_or("none", Rise::word);
        lines
            .iter()
            .map(|line| (word(line), line.version))
            .collect()
    }

    fn line(&self, n: u32) -> Option<Line> {
        let id = sheathline_model::history::exam_id(&key(), &study(n));
        let store = self.pipeline.store();
        store.read(|conn| exam_lines::of_exam(conn, &id)).unwrap()
    }

    /// Version and kind of what waits for a destination.
    fn sent(&self, to: &str) -> Vec<(u32, What)> {
        let store = self.pipeline.store();
        let all = store.read(|conn| deliveries::list(conn, &Which::default()));
        let all = all.unwrap().into_iter().flatten();
        let id = sheathline_model::history::exam_id(&key(), &study(3));
        let theirs = all.filter(|one| one.destination == to && one.exam_id == id);
        theirs.map(|one| (one.version, one.what)).collect()
    }
}

fn study(n: u32) -> String {
    format!("2.25.{n}")
}

fn about(n: u32) -> About {
    About {
        study_instance_uid: study(n),
        readings: (1..=6)
            .map(|place| ReadingRef {
                object: format!("2.25.{n}.1"),
                place: format!("1.{place}"),
            })
            .collect(),
    }
}

/// Two exams that agree, and one far above them.
fn risen(takers: Vec<Taker>) -> Place {
    let place = Place::new(takers);
    for (n, mm) in [(1, 5.0), (2, 5.0), (3, 6.4)] {
        place.report(n, mm);
    }
    assert!(place.line(3).unwrap().flagged);
    place
}

#[test]
fn a_rise_is_in_the_list_until_somebody_has_seen_it() {
    let place = risen(Vec::new());
    assert_eq!(place.rises(), [("new", 1)]);
    assert_eq!(place.today().unlabelled.total, 3);
    assert_eq!(place.today().first_exams.total, 1);
    assert_eq!(place.today().not_compared.total, 0);
    place.say(Said::Acknowledged(about(3), 1));
    assert_eq!(place.rises(), [], "in the transaction that recorded it");
    let line = place.line(3).unwrap();
    let word = line.rise.as_ref().map(Rise::word);
    assert_eq!(word, Some("acknowledged"));
    place.work();
    assert_eq!(place.line(3), Some(line), "made again it is the same");
    place.say(Said::Settled(about(3), Outcome::Confirmed));
    place.say(Said::Label(about(3), Label::RaisedConfirmed));
    place.work();
    let line = place.line(3).unwrap();
    assert_eq!(line.rise.as_ref().map(Rise::word), Some("settled"));
    assert_eq!(line.label, Some(Label::RaisedConfirmed));
    assert_eq!(place.today().unlabelled.total, 2);
    // What was said is taken back: it waits for somebody again.
    let place = risen(Vec::new());
    place.say(Said::Acknowledged(about(3), 1));
    place.take_back();
    assert_eq!(place.rises(), [("new", 1)]);
}

/// An acknowledgement of one exam is none of another, whatever its version.
#[test]
fn an_acknowledgement_is_of_the_exam_whose_readings_it_names() {
    let place = risen(Vec::new());
    place.say(Said::Acknowledged(about(2), 1));
    place.work();
    assert_eq!(place.rises(), [("new", 1)]);
    // The same study, and readings that its version never had.
    let mut foreign = about(2);
    foreign.study_instance_uid = study(3);
    place.say(Said::Acknowledged(foreign, 1));
    place.work();
    assert_eq!(place.rises(), [("new", 1)]);
}

#[test]
fn readings_that_are_taken_back_withdraw_the_rise_and_come_again() {
    let place = risen(Vec::new());
    place.say(Said::Acknowledged(about(3), 1));
    place.say(Said::TakenBack(about(3)));
    place.work();
    assert_eq!(place.rises(), [("withdrawn", 2)]);
    let today = place.today();
    assert_eq!((today.unlabelled.total, today.first_exams.total), (2, 1));
    // Said again it counts again, and its rise is another one.
    place.take_back();
    place.work();
    assert_eq!(place.rises(), [("new", 3)]);
    place.say(Said::TakenBack(about(3)));
    place.work();
    assert_eq!(place.rises(), [("withdrawn", 4)]);
    // Nothing is left of its readings: who acknowledges that names the study.
    place.say(Said::Acknowledged(About::of_study(study(3)), 4));
    assert_eq!(place.rises(), []);
    assert_eq!(place.line(3), None, "nothing is left to show");
}

/// The first exam has nothing earlier; one whose earlier exams may not serve says why not.
#[test]
fn a_first_exam_is_told_apart_from_one_without_a_baseline() {
    let place = risen(Vec::new());
    let first = place.line(1).unwrap();
    assert_eq!(first.uncompared(), Some(Uncompared::First));
    let why = first.why.as_deref();
    assert_eq!(why, Some("There is no earlier exam of this patient."));
    for n in [1, 2] {
        place.say(Said::LeftOut(about(n)));
    }
    place.work();
    let third = place.line(3).unwrap();
    assert_eq!(third.uncompared(), Some(Uncompared::Other));
    let why = third.why.as_deref().unwrap();
    assert_eq!(
        why,
        "None of the other exams of this patient serves as baseline: A person left it out of the baseline."
    );
    let listed = place.today().not_compared;
    assert!(listed.lines.iter().any(|one| one.exam_id == third.exam_id));
    let others = place.today().first_exams.lines;
    assert_eq!(others.len(), 1);
    assert_eq!(others[0].exam_id, first.exam_id);
}

#[test]
fn leaving_the_baseline_out_takes_the_flag_and_is_told() {
    let rises = [Change::NewRise];
    let high = [Status::AboveExpected, Status::WellAboveExpected];
    let place = risen(vec![
        taker("all", &[], &[]),
        taker("rises", &high, &rises),
        taker("first", &[], &[Change::First]),
        taker("reminded", &[], &[Change::Reminder]),
        taker("calm", &[Status::WithinExpected], &[]),
    ]);
    let result = |version| (version, What::Result);
    assert_eq!(place.sent("all"), [result(1)]);
    assert_eq!(place.sent("rises"), [result(1)]);
    assert_eq!(place.sent("first"), [result(1)]);
    assert_eq!(place.sent("reminded"), []);
    assert_eq!(place.sent("calm"), []);
    place.say(Said::LeftOut(about(1)));
    place.say(Said::LeftOut(about(2)));
    place.work();
    let line = place.line(3).unwrap();
    assert_eq!((line.flagged, line.status), (false, Status::NoBaseline));
    assert!(place.line(1).unwrap().left_out && !line.left_out);
    assert_eq!(place.rises(), [("withdrawn", 2)]);
    // Whoever has the rise gets its withdrawal; whoever has it not, does not.
    assert_eq!(place.sent("all"), [result(1), result(2)]);
    assert_eq!(place.sent("rises"), [result(1), result(2)]);
    assert_eq!(place.sent("first"), [result(1), result(2)]);
    assert_eq!(place.sent("reminded"), []);
    assert_eq!(place.sent("calm"), []);
}

#[test]
fn somebody_is_reminded_once_of_a_rise_that_nobody_has_acknowledged() {
    let takers = || {
        vec![
            taker("all", &[], &[]),
            taker("reminded", &[], &[Change::Reminder]),
            taker("both", &[], &[Change::NewRise, Change::Reminder]),
            taker("calm", &[Status::WithinExpected], &[Change::Reminder]),
        ]
    };
    let place = risen(takers());
    let soon = Utc::now() + TimeDelta::minutes(29);
    let late = Utc::now() + TimeDelta::minutes(31);
    let remind = |place: &Place, at| place.pipeline.remind(at).unwrap();
    assert_eq!(remind(&place, soon), 0);
    assert_eq!(remind(&place, late), 1);
    assert_eq!(remind(&place, late), 0, "once");
    assert_eq!(place.sent("all"), [(1, What::Result)]);
    assert_eq!(place.sent("reminded"), [(1, What::Reminder)]);
    assert_eq!(place.sent("both"), [(1, What::Result), (1, What::Reminder)]);
    assert_eq!(place.sent("calm"), []);
    // Made anew, the line still knows.
    place.say(Said::Note(about(3)));
    place.work();
    assert_eq!(remind(&place, late), 0);
    // Acknowledged in time there is nothing to remind of.
    let place = risen(takers());
    place.say(Said::Acknowledged(about(3), 1));
    assert_eq!(remind(&place, late), 0);
    assert_eq!(place.sent("reminded"), []);
    // Whoever was only reminded is told that it is withdrawn.
    let place = risen(takers());
    assert_eq!(remind(&place, late), 1);
    place.say(Said::TakenBack(about(3)));
    place.work();
    let told = [(1, What::Reminder), (2, What::Result)];
    assert_eq!(place.sent("reminded"), told);
}

/// The name stands on the line, and stays there when the bytes of the report are gone.
#[test]
fn a_line_has_the_name_of_the_report() {
    let place = Place::new(Vec::new());
    let bytes = report("tid1500");
    let object = Incoming::new(&bytes, None, "folder", "", Utc::now() - TimeDelta::days(9));
    arrives(&place.pipeline, object.unwrap());
    let limits = sheathline_model::sr::Limits::default();
    let name = sheathline_model::sr::origin(&bytes, None, &limits)
        .unwrap()
        .patient_name;
    assert!(name.is_some());
    let store = place.pipeline.store();
    let line = || {
        let row = store.read(|conn| results::latest_of_patient(conn, &patient()));
        let id = row.unwrap().pop().expect("a result").exam_id;
        let line = store.read(|conn| exam_lines::of_exam(conn, &id)).unwrap();
        line.expect("a line")
    };
    let told = line();
    assert_eq!(told.name, name);
    assert!(told.named_by.is_some());
    store
        .write(|tx| {
            objects::drop_bodies(tx, Utc::now(), 9, Utc::now())?;
            assessment_queue::mark_dirty(tx, &patient(), Utc::now())
        })
        .unwrap();
    place.work();
    assert_eq!(line(), told);
}
