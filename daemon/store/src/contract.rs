//! What any store must do, whichever database stands behind it: one battery of tests, run against each.
//!
//! A kind of store comes with a [`Place`] and one line: `battery!(|| Box::new(MyPlace::new()))`. What
//! a contract says is its name; it uses the functions of the topics as the daemon does, and no SQL.

// A contract fails by a panic, as a test does.
#![allow(clippy::expect_used, clippy::indexing_slicing, clippy::panic)]

mod asked;
mod assessment;
mod brought;
mod delivery;
mod entered;
mod export;
mod gists;
mod intake;
mod lines;
mod members;
mod people;
mod upkeep;
mod visitors;

use crate::objects::{self, Incoming, Kept, ObjectId};
use crate::readings;
use crate::results::{self, NewResult};
use crate::{Store, StoreError};
use chrono::{DateTime, TimeDelta, Utc};
use sheathline_model::domain::{ObjectReading, PatientKey};
use sheathline_model::history::testing;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Where one store can be: at first nothing is there.
pub trait Place {
    /// Opens the store as its owner, and makes it if there is none.
    ///
    /// # Errors
    /// As [`Store::open`].
    fn open(&self) -> Result<Store, StoreError>;

    /// Opens the store as a guest.
    ///
    /// # Errors
    /// As [`Store::open`].
    fn beside(&self) -> Result<Store, StoreError>;

    /// Copies the store, in use or not, as `backup` does, to a place of its own.
    ///
    /// # Errors
    /// It cannot be copied.
    fn copy(&self) -> Result<Box<dyn Place>, StoreError>;
}

/// Makes a fresh place.
pub type Fresh<'f> = &'f dyn Fn() -> Box<dyn Place>;

/// What the daemon needs of a store, by the part of its work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Group {
    /// Objects received, and what a commit promises.
    Intake,
    /// Readings, patients, entries, merges and results.
    Assessment,
    /// The outbox and the destinations.
    Delivery,
    /// Tables for analysts and the audit trail: what was added since.
    Export,
    /// Owners, guests, copies, room, and the store in numbers.
    Upkeep,
    /// Accounts, sessions, who did what in the pages, and tables that were brought in.
    Visitors,
    /// Several daemons on one store.
    Members,
}

/// One contract: its name, and the test of it.
type Contract = (&'static str, fn(&dyn Place));

/// Names the contracts of a group.
macro_rules! contracts {
    ($($name:ident),+ $(,)?) => {
        pub(super) const ALL: &[super::Contract] = &[$((stringify!($name), $name)),+];
    };
}
use contracts;

impl Group {
    /// All of them.
    pub const ALL: [Group; 7] = [
        Group::Intake,
        Group::Assessment,
        Group::Delivery,
        Group::Export,
        Group::Upkeep,
        Group::Visitors,
        Group::Members,
    ];

    fn contracts(self) -> impl Iterator<Item = &'static Contract> {
        let all: &[&'static [Contract]] = match self {
            Group::Intake => &[intake::ALL],
            Group::Assessment => &[assessment::ALL, people::ALL, asked::ALL],
            Group::Delivery => &[delivery::ALL, entered::ALL, lines::ALL],
            Group::Export => &[export::ALL],
            Group::Upkeep => &[upkeep::ALL, gists::ALL],
            Group::Visitors => &[visitors::ALL, brought::ALL],
            Group::Members => &[members::ALL],
        };
        all.iter().copied().flatten()
    }
}

/// Whether a kind of store holds one contract.
fn holds((_, test): &Contract, fresh: Fresh<'_>) -> bool {
    catch_unwind(AssertUnwindSafe(|| test(&*fresh()))).is_ok()
}

/// Fails unless a kind of store holds every contract of a group; names those that it does not.
///
/// # Panics
/// It does not.
pub fn hold(group: Group, fresh: Fresh<'_>) {
    let broken = group.contracts().filter(|one| !holds(one, fresh));
    let broken: Vec<&str> = broken.map(|(name, _)| *name).collect();
    assert!(
        broken.is_empty(),
        "{group:?}: contracts not held: {broken:#?}"
    );
}

/// Whether a store with a fault is found out by the contract of this name.
#[cfg(test)]
pub(crate) fn finds(group: Group, name: &str, fresh: Fresh<'_>) -> bool {
    let mut named = group.contracts().filter(|(one, _)| *one == name);
    !holds(named.next().expect("a contract of that name"), fresh)
}

/// The battery as tests, one a group: `$fresh` makes a fresh [`Place`], boxed.
#[macro_export]
macro_rules! battery {
    ($fresh:expr) => {
        #[test]
        fn intake() {
            $crate::contract::hold($crate::contract::Group::Intake, &$fresh);
        }

        #[test]
        fn assessment() {
            $crate::contract::hold($crate::contract::Group::Assessment, &$fresh);
        }

        #[test]
        fn delivery() {
            $crate::contract::hold($crate::contract::Group::Delivery, &$fresh);
        }

        #[test]
        fn export() {
            $crate::contract::hold($crate::contract::Group::Export, &$fresh);
        }

        #[test]
        fn upkeep() {
            $crate::contract::hold($crate::contract::Group::Upkeep, &$fresh);
        }

        #[test]
        fn visitors() {
            $crate::contract::hold($crate::contract::Group::Visitors, &$fresh);
        }

        #[test]
        fn members() {
            $crate::contract::hold($crate::contract::Group::Members, &$fresh);
        }
    };
}

/// Pages asked for at most: a store that goes round in a circle fails, and does not hang.
const ROUNDS: usize = 100;

/// Text as a stranger may send it: every plane, quotes, wildcards, control characters, noughts.
const STRANGE: [&str; 10] = [
    "",
    " ",
    "o'Brien \"x\" \\ %_?1 $1 :a; --",
    "Ünïcödé ﬁ ß İ ı",
    "日本語 ヤマダ^太郎",
    "e\u{301} \u{e9}",
    "\u{10ffff}\u{1f9e0}",
    "line\r\nbreak\ttab\u{1b}[0m\u{7f}",
    "nought \0 inside",
    "null",
];

/// A time to the microsecond.
fn at(minutes: i64) -> DateTime<Utc> {
    let start: DateTime<Utc> = "2026-03-01T08:00:00.000001Z".parse().expect("a time");
    start + TimeDelta::minutes(minutes)
}

fn key(issuer: &str, id: &str) -> PatientKey {
    PatientKey {
        issuer: issuer.to_owned(),
        id: id.to_owned(),
    }
}

fn object(bytes: &[u8]) -> Incoming {
    Incoming::new(bytes, None, "folder", "", at(0)).expect("it packs")
}

fn keep(store: &Store, bytes: &[u8]) -> ObjectId {
    let object = object(bytes);
    let kept = store.write(move |tx| objects::keep(tx, &object));
    let (Kept::New(id) | Kept::Repeat(id)) = kept.expect("kept");
    id
}

/// A report of a patient.
fn report(key: &PatientKey, uid: &str, study: &str) -> ObjectReading {
    let mut reading = testing::reading(uid, study, "2024-05-01", &[5.1], &[5.2]);
    reading.patient.as_mut().expect("a patient").key = key.clone();
    reading
}

/// Keeps a report and files what was read of it.
fn file(store: &Store, reading: &ObjectReading) -> ObjectId {
    let uid = reading.sop_instance_uid.clone().expect("a UID");
    let id = keep(store, uid.as_bytes());
    let reading = reading.clone();
    store
        .write(move |tx| readings::finish_read(tx, id, &reading, reading.disposition.into()))
        .expect("filed");
    id
}

/// A result of an exam that differs from others by its number.
fn result(exam: &str, patient: &PatientKey, number: u32) -> NewResult {
    let content = format!("{{\"n\":{number}}}");
    NewResult {
        exam_id: exam.to_owned(),
        patient: patient.clone(),
        key: results::key_of(&content),
        content,
        why: vec![format!("reason {number}")],
    }
}

/// Puts a report, a published result with a delivery, and an entry into a store.
#[cfg(test)]
pub(crate) fn something_of_each(store: &Store) {
    use sheathline_model::annotations::{Author, By, Draft, Said};
    use sheathline_model::domain::{Event, EventKind};
    let patient = key("HERE", "007");
    file(store, &report(&patient, "1.1", "9.1"));
    let version = add(store, result("e", &patient, 1), 1);
    let said = Said::Event(Event {
        date: "2024-05-01".parse().expect("a day"),
        kind: EventKind::CsfSurgery,
    });
    let by = By {
        author: Author::Account("Dr Amber Vantongeren".to_owned()),
        entered_by: "amber (uid 1000)".to_owned(),
        source: "command".to_owned(),
        reason: "seen in clinic".to_owned(),
    };
    let draft = Draft {
        patient,
        corrects: None,
        said,
    };
    let put = store.write(move |tx| {
        results::mark_published(tx, "e", version, &["archive".to_owned()], at(2))?;
        let act = crate::annotations::new_act(tx)?;
        crate::annotations::record(tx, act, &by, std::slice::from_ref(&draft), at(3))
    });
    put.expect("put");
}

/// Stores a result; returns its version.
fn add(store: &Store, result: NewResult, minutes: i64) -> u32 {
    let added = store.write(move |tx| results::insert(tx, &result, at(minutes)));
    added.expect("stored")
}
