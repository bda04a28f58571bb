//! Several daemons on one store, in steps of any order, some of which stand still: the same results as one
//! alone makes.

use super::*;
use sheathline_model::identity::{Act, Pair, Statement};
use sheathline_store::identity::{Recorded, state};
use sheathline_store::members::{self, Membership};
use sheathline_store::readings::StoredDisposition;
use sheathline_store::results::by_number;
use std::collections::BTreeMap;
use std::path::Path;

/// Numbers that look random, the same each time: SplitMix64 (doi:10.1145/2660193.2660195).
struct Dice(u64);

impl Dice {
    fn throw(&mut self, below: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % below as u64) as usize
    }

    fn shuffle<T>(&mut self, all: &mut [T]) {
        for at in (1..all.len()).rev() {
            all.swap(at, self.throw(at + 1));
        }
    }
}

/// Every report of the fixtures, and some of them once more as other bytes with the same content.
fn reports() -> Vec<Vec<u8>> {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/sr");
    let mut cases: Vec<_> = std::fs::read_dir(root)
        .unwrap()
        .map(|entry| entry.unwrap().path().join("report.dcm"))
        .filter(|path| path.exists())
        .collect();
    cases.sort();
    let mut all: Vec<Vec<u8>> = cases
        .iter()
        .map(|path| std::fs::read(path).unwrap())
        .collect();
    let again: Vec<_> = all
        .iter()
        .step_by(3)
        .filter(|one| one.len() > 132)
        .cloned()
        .collect();
    all.extend(again.into_iter().map(|mut one| {
        // The preamble of a file says nothing (PS3.10 section 7.1).
        one[0] = one[0].wrapping_add(1);
        one
    }));
    all
}

/// What comes in from outside, at some moment.
enum Comes {
    Report(Vec<u8>),
    Stated(Act, i64),
}

fn stated(act: Act, second: i64) -> Recorded {
    let key = |id: &str| PatientKey {
        issuer: "TARNHOLT".to_owned(),
        id: id.to_owned(),
    };
    Recorded {
        statement: Statement {
            pair: Pair {
                from: key("SL-0042"),
                into: key("SL-0043"),
            },
            act,
            stated_at: chrono::DateTime::from_timestamp(second, 0).unwrap(),
            source: "command".to_owned(),
        },
        message: String::new(),
        who: String::new(),
        why: "test".to_owned(),
    }
}

fn come(store: &Store, comes: Comes, at: DateTime<Utc>) {
    match comes {
        Comes::Report(bytes) => {
            let object = Incoming::new(&bytes, None, "folder", "TARNHOLT", at).unwrap();
            store.write(move |tx| objects::keep(tx, &object)).unwrap();
        }
        Comes::Stated(act, second) => {
            let recorded = stated(act, second);
            store.write(move |tx| state(tx, &recorded, at)).unwrap();
        }
    }
}

fn pipeline(store: Store, outbox: &Path, share: Share) -> Pipeline {
    let rules = Rules::new(Templates::builtin().unwrap());
    let beside = Beside::default();
    Pipeline::new(store, rules, Site::default(), outbox.to_owned(), beside).sharing(share)
}

/// A daemon among several.
struct Daemon {
    id: String,
    pipeline: Pipeline,
    share: Share,
    membership: Option<Membership>,
}

impl Daemon {
    fn join(&mut self) {
        self.share.set(None);
        self.membership = Some(self.pipeline.store().join(&self.id, "").unwrap());
    }

    /// As the roster does, without its clock.
    fn look(&mut self) {
        if self.pipeline.store().is_put_out() {
            return self.join();
        }
        let membership = self.membership.clone().unwrap();
        let looking = membership.clone();
        let looked = self.pipeline.store().write(move |tx| {
            let single = Duty::SINGLE.into_iter().collect();
            members::look(tx, &looking, &single, &BTreeSet::new())
        });
        match looked {
            Ok(found) => self.share.set(Some((membership, found.held))),
            Err(StoreError::PutOut) => self.share.set(None),
            Err(error) => panic!("{error}"),
        }
    }

    /// One step; whether it did anything.
    fn step(&mut self, which: usize) -> bool {
        let done = match which {
            0 => self.pipeline.read_some(),
            1 => self.pipeline.assess_some(),
            _ => self.pipeline.publish(),
        };
        match done {
            Ok(done) => done > 0,
            Err(
                PipelineError::Store(error) | PipelineError::Publish(PublishError::Store(error)),
            ) if crate::duties::has_moved(&error) => true,
            Err(error) => panic!("{error}"),
        }
    }
}

/// The exams that have results, and what was read of each object.
type Outcome = (
    BTreeSet<String>,
    BTreeMap<i64, (StoredDisposition, ObjectReading)>,
);

fn outcome(store: &Store, outbox: &Path) -> Outcome {
    let mut exams = BTreeSet::new();
    let mut all = BTreeSet::new();
    for number in 1.. {
        let Some(row) = store.read(|view| by_number(view, number)).unwrap() else {
            break;
        };
        assert!(row.published_at.is_some(), "published in the end");
        all.insert(crate::outbox::folder_name(&row.exam_id, row.version));
        exams.insert(row.exam_id);
    }
    let there = std::fs::read_dir(outbox).unwrap();
    let there = there.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let there: BTreeSet<String> = there.filter(|name| !name.starts_with('.')).collect();
    assert_eq!(there, all, "each version once, and nothing else");
    let mut read = BTreeMap::new();
    let unbounded = |after| {
        store
            .read(|view| objects::with_bytes(view, after, 500))
            .unwrap()
    };
    for one in unbounded(None) {
        let reading = store
            .read(|view| readings::reading_of(view, one.id))
            .unwrap();
        let reading = reading.expect("read in the end");
        read.insert(one.id.0, (reading.disposition, reading.reading));
    }
    (exams, read)
}

fn arrivals(seed: u64) -> Vec<Comes> {
    let mut dice = Dice(seed);
    let mut all: Vec<Comes> = reports().into_iter().map(Comes::Report).collect();
    all.extend([
        Comes::Stated(Act::Merge, 10),
        Comes::Stated(Act::Unmerge, 20),
    ]);
    if seed.is_multiple_of(2) {
        all.push(Comes::Stated(Act::Merge, 30));
    }
    dice.shuffle(&mut all);
    all
}

fn arrived_at(number: usize) -> DateTime<Utc> {
    let start: DateTime<Utc> = "2026-03-01T08:00:00Z".parse().unwrap();
    start + chrono::TimeDelta::seconds(i64::try_from(number).unwrap())
}

fn place() -> TempDir {
    TempDir::new_in("/dev/shm")
        .or_else(|_| TempDir::new())
        .unwrap()
}

fn alone(seed: u64) -> Outcome {
    let temp = place();
    let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
    for (number, one) in arrivals(seed).into_iter().enumerate() {
        come(&store, one, arrived_at(number));
    }
    let outbox = temp.path().join("outbox");
    let pipeline = pipeline(store, &outbox, Share::all());
    pipeline.drain(Duration::ZERO, |_| {}).unwrap();
    outcome(pipeline.store(), &outbox)
}

fn several(seed: u64, count: usize) -> Outcome {
    let temp = place();
    let path = temp.path().join("store.db");
    drop(Store::open(&path, Mode::Owner).unwrap());
    let outbox = temp.path().join("outbox");
    let mut daemons: Vec<Daemon> = (0..count)
        .map(|number| {
            let share = Share::of_a_member();
            let store = Store::open(&path, Mode::Guest).unwrap();
            Daemon {
                id: number.to_string(),
                pipeline: pipeline(store, &outbox, share.clone()),
                share,
                membership: None,
            }
        })
        .collect();
    let visitor = Store::open(&path, Mode::Guest).unwrap();
    daemons.iter_mut().for_each(Daemon::join);
    let mut dice = Dice(seed ^ 0x5eed);
    let mut left = arrivals(seed).into_iter().enumerate().peekable();
    let mut idle = 0;
    while left.peek().is_some() || idle < 40 * count {
        let who = dice.throw(count);
        match dice.throw(12) {
            0..=2 => daemons[who].look(),
            // It stands still for as long as the others need to put it out.
            3 if left.peek().is_some() => {
                if let Some(membership) = daemons[who].membership.clone() {
                    let done = visitor.write(move |tx| members::let_lapse(tx, &membership));
                    done.unwrap();
                }
            }
            4..=6 => {
                for (number, one) in left.by_ref().take(3) {
                    come(&visitor, one, arrived_at(number));
                }
            }
            _ => {
                let did = daemons[who].step(dice.throw(3));
                idle = if did { 0 } else { idle + 1 };
            }
        }
    }
    for one in &mut daemons {
        one.look();
    }
    let unread = visitor.read(|view| objects::next_unread(view, 9)).unwrap();
    assert_eq!(unread, [], "everything is read in the end");
    assert_eq!(visitor.read(assessment_queue::count_dirty).unwrap(), 0);
    let newest = || {
        visitor
            .read(sheathline_store::results::newest_number)
            .unwrap()
    };
    let before = newest();
    visitor
        .write(|tx| assessment_queue::mark_all_dirty(tx, Utc::now()))
        .unwrap();
    let lone = pipeline(
        Store::open(&path, Mode::Guest).unwrap(),
        &outbox,
        Share::all(),
    );
    lone.drain(Duration::ZERO, |_| {}).unwrap();
    assert_eq!(
        newest(),
        before,
        "one alone would say the same of everybody"
    );
    outcome(&visitor, &outbox)
}

#[test]
fn three_daemons_make_the_results_of_one() {
    for seed in 0..4 {
        let one = alone(seed);
        let three = several(seed, 3);
        assert!(one.0.len() > 20, "{}", one.0.len());
        // An exam that was told for a while, and is not in the end, has a result that withdraws it.
        assert!(three.0.is_superset(&one.0), "{seed}");
        assert!(three.1 == one.1, "{seed}");
    }
}
