//! A worker with a receiver that answers as it is told, and a clock that goes as it is told.

mod entered;

use super::*;
use crate::observe::failures::CountFailures;
use crate::parcel::Parcel;
use sheathline_model::domain::PatientKey;
use sheathline_model::forms::hl7::{Route, oru_r01};
use sheathline_model::results::samples;
use sheathline_net::connect::Code;
use sheathline_store::deliveries::{State, Which};
use sheathline_store::results::{self, NewResult};
use sheathline_store::{Mode, assessment_queue};
use std::sync::{Arc, Mutex};
use tempfile::TempDir;
use tracing_subscriber::layer::SubscriberExt;

const RETRY: Retry = Retry {
    first: Duration::from_secs(4),
    longest: Duration::from_secs(600),
    give_up: Some(Duration::from_secs(3600)),
};

type Answer = dyn Fn(&str) -> Result<(), Failure> + Send;

/// What a site looks like: a store, one destination, its receiver and the clocks.
pub(super) struct Site {
    _folder: TempDir,
    pub(super) store: Store,
    observed: Observed,
    clock: Arc<Mutex<Moment>>,
    /// Exam, version and bytes of everything that reached the receiver, in order.
    got: Arc<Mutex<Vec<(String, String)>>>,
    /// How it answers, by exam and version.
    answer: Arc<Mutex<Box<Answer>>>,
    results: u32,
}

struct Clock(Arc<Mutex<Moment>>);

impl World for Clock {
    fn now(&self) -> Moment {
        *self.0.lock().unwrap()
    }

    fn dice(&mut self) -> f64 {
        0.0
    }
}

struct Fake {
    got: Arc<Mutex<Vec<(String, String)>>>,
    answer: Arc<Mutex<Box<Answer>>>,
}

impl Carrier for Fake {
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure> {
        let name = parcel.result.why.first().expect("a name").clone();
        let mut bytes = oru_r01(&parcel.result, &parcel.context, &Route::default())
            .map_err(crate::deliver::unformed)?;
        bytes.push_str(&serde_json::to_string(&parcel.others).expect("JSON"));
        self.got.lock().unwrap().push((name.clone(), bytes));
        (self.answer.lock().unwrap())(&name)
    }

    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        Ok(Vec::new())
    }
}

pub(super) fn failure(stage: Stage, lasts: bool) -> Failure {
    Failure::new(stage, Code::Http(418), "said the receiver").lasting(lasts)
}

impl Site {
    pub(super) fn new() -> Self {
        let folder = TempDir::new().expect("temp");
        let store = Store::open(&folder.path().join("store.db"), Mode::Owner).expect("opens");
        Site {
            _folder: folder,
            store,
            observed: Observed::default(),
            clock: Arc::new(Mutex::new(Moment {
                wall: "2026-03-01T08:00:00Z".parse().expect("a time"),
                ran: Duration::ZERO,
            })),
            got: Arc::default(),
            answer: Arc::new(Mutex::new(Box::new(|_| Ok(())))),
            results: 0,
        }
    }

    pub(super) fn worker(&self) -> Worker {
        let (got, answer) = (Arc::clone(&self.got), Arc::clone(&self.answer));
        let make: MakeCarrier = Box::new(move || {
            Box::new(Fake {
                got: Arc::clone(&got),
                answer: Arc::clone(&answer),
            })
        });
        Worker::new(
            "archive".to_owned(),
            Receiver::Title("ARCHIVE".to_owned()),
            RETRY,
            make,
            self.store.clone(),
            self.observed.clone(),
            Box::new(Clock(Arc::clone(&self.clock))),
        )
    }

    /// Publishes a further version of an exam. Its name, told as the reason of the version, is how
    /// tests know it.
    pub(super) fn publish(&mut self, patient: &str, exam: &str) -> String {
        self.results += 1;
        let contents = samples::all(&samples::flagged());
        let content = contents.first().expect("a sample");
        let text = serde_json::to_string(content).expect("JSON");
        let exam_id = format!("{patient}-{exam}");
        let name = format!("{exam_id}-{}", self.results);
        let result = NewResult {
            exam_id: exam_id.clone(),
            patient: PatientKey {
                issuer: "HERE".to_owned(),
                id: patient.to_owned(),
            },
            key: results::key_of(&text),
            content: text,
            why: vec![name.clone()],
        };
        let now = self.now();
        self.store
            .write(move |tx| {
                let version = results::insert(tx, &result, now)?;
                let to = ["archive".to_owned(), "other".to_owned()];
                results::mark_published(tx, &exam_id, version, &to, now)
            })
            .expect("published");
        name
    }

    pub(super) fn now(&self) -> DateTime<Utc> {
        self.clock.lock().unwrap().wall
    }

    pub(super) fn pass(&self, time: Duration) {
        let mut clock = self.clock.lock().unwrap();
        clock.ran += time;
        clock.wall += time;
    }

    pub(super) fn answers(&self, answer: impl Fn(&str) -> Result<(), Failure> + Send + 'static) {
        *self.answer.lock().unwrap() = Box::new(answer);
    }

    pub(super) fn got(&self) -> Vec<String> {
        let got = self.got.lock().unwrap();
        got.iter().map(|(name, _)| name.clone()).collect()
    }

    /// How the deliveries to `archive` stand, by the name of the version.
    fn stand(&self) -> Vec<(String, State)> {
        let all = self.list();
        let named = |one: &Delivery| {
            let row = self
                .store
                .read(|conn| results::by_number(conn, one.result_id))
                .expect("read")
                .expect("there");
            (row.why[0].clone(), one.state)
        };
        all.iter().map(named).collect()
    }

    pub(super) fn list(&self) -> Vec<Delivery> {
        let which = Which {
            destination: Some("archive".to_owned()),
            ..Which::default()
        };
        let all = self.store.read(|conn| deliveries::list(conn, &which));
        all.expect("read").into_iter().flatten().collect()
    }

    fn count(&self, state: State) -> usize {
        self.list().iter().filter(|one| one.state == state).count()
    }
}

/// Steps until there is nothing to do now; returns for how long.
pub(super) fn work(worker: &mut Worker) -> Option<Duration> {
    for _ in 0..1000 {
        if let Step::Wait(wait) = worker.step().expect("the store works") {
            return wait;
        }
    }
    panic!("a worker that never rests");
}

/// Steps and lets the clock go on as the worker asks, for so long. Returns the steps taken.
fn work_for(site: &Site, worker: &mut Worker, time: Duration) -> u32 {
    let end = site.clock.lock().unwrap().ran + time;
    let mut steps = 0;
    while site.clock.lock().unwrap().ran < end {
        steps += 1;
        if let Step::Wait(wait) = worker.step().expect("the store works") {
            let left = end - site.clock.lock().unwrap().ran;
            site.pass(wait.unwrap_or(left).clamp(Duration::from_millis(1), left));
        }
    }
    steps
}

#[test]
fn everything_arrives_once_and_in_order() {
    let mut site = Site::new();
    let names: Vec<String> = (0..20)
        .map(|n| site.publish(["a", "b", "c"][n % 3], ["1", "2"][n % 2]))
        .collect();
    let mut worker = site.worker();
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), names);
    assert_eq!(site.count(State::Delivered), 20);
    assert_eq!(work(&mut site.worker()), None);
    assert_eq!(site.got().len(), 20, "a new start repeats nothing");
}

#[test]
fn one_that_is_put_off_holds_up_its_patient_and_nobody_else() {
    let mut site = Site::new();
    let a1 = site.publish("a", "1");
    let a2 = site.publish("a", "2");
    let b1 = site.publish("b", "1");
    let first = a1.clone();
    site.answers(move |name| {
        if name == first {
            Err(failure(Stage::Answer, false))
        } else {
            Ok(())
        }
    });
    let mut worker = site.worker();
    assert_eq!(work(&mut worker), Some(RETRY.first));
    assert_eq!(site.got(), [&*a1, &*b1]);
    site.pass(RETRY.first - Duration::from_millis(1));
    assert_eq!(work(&mut worker), Some(Duration::from_millis(1)));
    site.pass(Duration::from_millis(1));
    assert_eq!(work(&mut worker), Some(RETRY.first * 2), "twice as long");
    assert_eq!(site.got(), [&*a1, &*b1, &*a1]);
    site.answers(|_| Ok(()));
    site.pass(RETRY.first * 2);
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), [&*a1, &*b1, &*a1, &*a1, &*a2]);
    assert_eq!(site.count(State::Delivered), 3);
    let again = &site.list()[0];
    assert_eq!(again.attempts, 2);
    assert_eq!(
        again.failed.as_ref().expect("kept").words,
        "said the receiver"
    );
}

#[test]
fn one_that_is_refused_for_good_is_dead_with_the_receivers_words_and_holds_up_nobody() {
    let mut site = Site::new();
    let a1 = site.publish("a", "1");
    let a2 = site.publish("a", "1");
    let first = a1.clone();
    site.answers(move |name| {
        if name == first {
            Err(failure(Stage::Answer, true))
        } else {
            Ok(())
        }
    });
    let metrics = Arc::clone(&site.observed.metrics);
    let layer = CountFailures(Arc::clone(&metrics));
    let mut worker = site.worker();
    tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), || {
        assert_eq!(work(&mut worker), None);
    });
    assert_eq!(metrics.failures("delivery-dead"), 1);
    assert_eq!(site.got(), [&*a1, &*a2]);
    assert_eq!(
        site.stand(),
        [(a1.clone(), State::Dead), (a2, State::Delivered)]
    );
    let failed = site.list()[0].failed.clone().expect("kept");
    assert_eq!(
        (&*failed.code, &*failed.words),
        ("http-418", "said the receiver")
    );
    assert_eq!(failed.stage, Stage::Answer.to_string());

    // A person has it tried again.
    site.answers(|_| Ok(()));
    let dead = Which {
        state: Some(State::Dead),
        ..Which::default()
    };
    let now = site.now();
    let count = site
        .store
        .write(move |tx| deliveries::retry(tx, &dead, now));
    assert_eq!(count.expect("written"), 1);
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got().last(), Some(&a1));
    assert_eq!(site.count(State::Delivered), 2);
}

/// For half a day, in every stage before the answer, whatever the carrier says of how long it lasts.
#[test]
fn a_destination_that_is_down_is_probed_and_nothing_dies_of_it() {
    for (stage, lasts) in [
        (Stage::Files, true),
        (Stage::Name, false),
        (Stage::Connect, false),
        (Stage::Tls, true),
        (Stage::Association, true),
    ] {
        let mut site = Site::new();
        let mut names: Vec<String> = (0..30).map(|n| site.publish(&n.to_string(), "1")).collect();
        site.answers(move |_| Err(failure(stage, lasts)));
        let metrics = Arc::clone(&site.observed.metrics);
        let layer = CountFailures(Arc::clone(&metrics));
        let mut worker = site.worker();
        let half_a_day = Duration::from_secs(12 * 3600);
        let steps =
            tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), || {
                work_for(&site, &mut worker, half_a_day)
            });
        assert_eq!(metrics.failures("destination-down"), 1, "one line");
        let probes = site.got().len();
        // 12 hours of 10 minutes each, and the first short waits.
        assert!((72..=85).contains(&probes), "{probes}");
        assert!(steps <= 2 * 85, "{steps} steps are a busy loop");
        assert!(site.got().iter().all(|name| *name == names[0]));
        assert_eq!(site.count(State::Waiting), 30);
        // Published meanwhile: wakes the worker, and waits as well.
        names.push(site.publish("0", "2"));
        assert!(matches!(worker.step(), Ok(Step::Wait(Some(_)))));
        assert_eq!(site.got().len(), probes);
        // Up again: everything at once, in order.
        site.answers(|_| Ok(()));
        site.pass(RETRY.longest);
        assert_eq!(work(&mut worker), None);
        assert_eq!(site.got()[probes..], names);
        assert_eq!(site.count(State::Delivered), 31);
    }
}

#[test]
fn whoever_mended_a_destination_need_not_wait() {
    let mut site = Site::new();
    site.publish("a", "1");
    site.answers(|_| Err(failure(Stage::Connect, false)));
    let mut worker = site.worker();
    work_for(&site, &mut worker, Duration::from_secs(7200));
    let probes = site.got().len();
    site.answers(|_| Ok(()));
    assert!(work(&mut worker).is_some(), "it waits");
    assert_eq!(site.got().len(), probes);
    let which = Which {
        destination: Some("archive".to_owned()),
        ..Which::default()
    };
    let now = site.now();
    site.store
        .write(move |tx| deliveries::retry(tx, &which, now))
        .expect("asked");
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.count(State::Delivered), 1);
}

#[test]
fn a_receiver_that_puts_everything_off_is_not_asked_for_each_of_a_thousand() {
    let mut site = Site::new();
    for n in 0..100 {
        site.publish(&n.to_string(), "1");
    }
    site.answers(|_| Err(failure(Stage::Answer, false)));
    let mut worker = site.worker();
    assert_eq!(work(&mut worker), Some(RETRY.first));
    assert_eq!(site.got().len(), SICK_AFTER as usize);
    work_for(&site, &mut worker, Duration::from_secs(1800));
    let asked = site.got().len();
    assert!(asked <= 25, "{asked} questions in half an hour");
    assert_eq!(site.count(State::Waiting), 100);
    site.answers(|_| Ok(()));
    work_for(&site, &mut worker, RETRY.longest * 2);
    assert_eq!(site.count(State::Delivered), 100);
}

#[test]
fn one_that_is_put_off_for_too_long_is_dead_by_the_sum_of_its_waits() {
    let mut site = Site::new();
    let a1 = site.publish("a", "1");
    let a2 = site.publish("a", "2");
    let first = a1.clone();
    site.answers(move |name| {
        if name == first {
            Err(failure(Stage::Answer, false))
        } else {
            Ok(())
        }
    });
    let mut worker = site.worker();
    // A clock that jumps by years changes nothing of it.
    work_for(&site, &mut worker, Duration::from_secs(600));
    site.clock.lock().unwrap().wall += chrono::TimeDelta::days(4000);
    work_for(&site, &mut worker, Duration::from_secs(600));
    assert_eq!(site.count(State::Waiting), 2);
    work_for(&site, &mut worker, Duration::from_secs(3600));
    assert_eq!(site.stand(), [(a1, State::Dead), (a2, State::Delivered)]);
    let words = site.list()[0].failed.clone().expect("kept").words;
    assert!(words.starts_with("put off for 1 hours in all"), "{words}");
    assert!(words.ends_with("said the receiver"), "{words}");
}

#[test]
fn a_clock_that_was_set_back_makes_nothing_wait_for_years() {
    let mut site = Site::new();
    site.publish("a", "1");
    site.answers(|_| Err(failure(Stage::Answer, false)));
    let mut worker = site.worker();
    assert!(work(&mut worker).is_some());
    site.answers(|_| Ok(()));
    site.clock.lock().unwrap().wall -= chrono::TimeDelta::days(4000);
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.count(State::Delivered), 1);
}

/// What a crash after the receiver's answer leaves behind is a delivery that still waits.
#[test]
fn a_repeated_delivery_is_the_same_bytes_whatever_came_since() {
    let mut site = Site::new();
    site.publish("a", "1");
    site.publish("a", "2");
    let a1 = site.publish("a", "1");
    let mut worker = site.worker();
    assert_eq!(work(&mut worker), None);
    site.publish("a", "2");
    site.publish("a", "3");
    site.publish("a", "1");
    assert_eq!(work(&mut worker), None);
    let third = site.list()[2].id;
    site.store
        .write(move |tx| {
            let waits = format!("update delivery set state = 'waiting' where id = {third}");
            sheathline_store::bare::run(tx, &waits)
        })
        .expect("as a crash leaves it");
    assert_eq!(work(&mut site.worker()), None);
    let got = site.got.lock().unwrap();
    assert_eq!((&got[2].0, &got[6].0), (&a1, &a1));
    assert_eq!(got[2].1, got[6].1);
    assert!(got[2].1.contains("MSH|"), "the message is in it");
    // The picture shows exam 2 as it was, and not exam 3.
    assert_eq!(got[2].1.matches("\"exam\":{").count(), 1);
    assert_eq!(
        got[5].1.matches("\"exam\":{").count(),
        2,
        "later it shows both"
    );
}

#[test]
fn a_panic_costs_one_attempt_and_not_the_thread() {
    let mut site = Site::new();
    let a1 = site.publish("a", "1");
    let b1 = site.publish("b", "1");
    let first = a1.clone();
    site.answers(move |name| {
        assert_ne!(name, first, "as told");
        Ok(())
    });
    let mut worker = site.worker();
    // The lock of the answer is poisoned by it; a new one is made with the new carrier.
    assert_eq!(worker.step().expect("stepped"), Step::Tried);
    site.answer.clear_poison();
    assert_eq!(work(&mut worker), Some(RETRY.first));
    assert_eq!(site.got(), [&*a1, &*b1]);
    assert_eq!(
        site.list()[0].failed.clone().expect("kept").code,
        "panicked"
    );
    site.answers(|_| Ok(()));
    site.pass(RETRY.first);
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.count(State::Delivered), 2);
}

#[test]
fn a_damaged_result_is_not_sent_and_its_patient_is_assessed_again() {
    let mut site = Site::new();
    site.publish("a", "1");
    let a2 = site.publish("a", "1");
    site.store
        .write(|tx| {
            let damage = "update result set content = '{}' where id = 1";
            sheathline_store::bare::run(tx, damage)
        })
        .expect("damaged");
    assert_eq!(work(&mut site.worker()), None);
    assert_eq!(site.got(), [&*a2]);
    let first = &site.list()[0];
    assert_eq!(first.state, State::Dead);
    assert_eq!(first.failed.clone().expect("kept").code, "result-damaged");
    let dirty = site.store.read(|conn| assessment_queue::dirty(conn, 9));
    assert_eq!(dirty.expect("read").len(), 1);
}

#[test]
fn what_a_person_dropped_stays_dropped_until_it_is_asked_for() {
    let mut site = Site::new();
    let a1 = site.publish("a", "1");
    let a2 = site.publish("a", "2");
    let number = site.list()[0].id;
    let now = site.now();
    let one = move || Which {
        ids: vec![number],
        ..Which::default()
    };
    let dropped = site
        .store
        .write(move |tx| deliveries::drop_some(tx, &one(), now));
    assert_eq!(dropped.expect("written"), 1);
    let mut worker = site.worker();
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), [&*a2]);
    let day = now.date_naive();
    let again = move |tx: &sheathline_store::Tx| deliveries::replay(tx, "archive", day, day, now);
    assert_eq!(site.store.write(again).expect("replayed"), 1);
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), [&*a2, &*a2]);
    site.store
        .write(move |tx| deliveries::retry(tx, &one(), now))
        .expect("asked");
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), [&*a2, &*a2, &*a1]);
}
