//! Versions of results on their way to destinations: which wait, which arrived, which failed.

mod by_hand;
mod entered;

pub use by_hand::{Which, asked, drop_some, list, replay, retry};
pub use entered::{begin_entered, entered, is_behind, replay_entered};

use super::{StoreError, stamp};
use crate::session::{Row, values};
use crate::view::{Tx, View};
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use std::time::Duration;

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// It is tried, now or later.
    Waiting,
    /// The destination took it.
    Delivered,
    /// It failed for good, and is not tried by itself.
    Dead,
    /// A person took it out.
    Dropped,
}

impl State {
    /// All of them.
    pub const ALL: [State; 4] = [
        State::Waiting,
        State::Delivered,
        State::Dead,
        State::Dropped,
    ];

    /// The word of the store and of commands.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            State::Waiting => "waiting",
            State::Delivered => "delivered",
            State::Dead => "dead",
            State::Dropped => "dropped",
        }
    }

    fn of(word: &str) -> Result<State, StoreError> {
        let mut all = State::ALL.into_iter();
        all.find(|state| state.word() == word)
            .ok_or_else(|| StoreError::Damaged {
                what: "the state of a delivery".to_owned(),
            })
    }
}

/// What is delivered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// The version.
    Result,
    /// That nobody has acknowledged the rise that it tells.
    Reminder,
    /// The reports that people typed and that it rests on, those that went with no version before it.
    Entered,
}

impl What {
    /// All of them.
    pub const ALL: [What; 3] = [What::Result, What::Reminder, What::Entered];

    /// The word of the store and of commands.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            What::Result => "result",
            What::Reminder => "reminder",
            What::Entered => "entered",
        }
    }

    /// For a person, where it is not the result itself.
    #[must_use]
    pub fn beside(self) -> Option<&'static str> {
        match self {
            What::Result => None,
            What::Reminder => Some("reminder"),
            What::Entered => Some("typed reports"),
        }
    }

    fn of(word: &str) -> Result<What, StoreError> {
        let mut all = What::ALL.into_iter();
        all.find(|what| what.word() == word)
            .ok_or_else(|| StoreError::Damaged {
                what: "what a delivery is of".to_owned(),
            })
    }
}

/// A failed attempt, as the store keeps it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Failed {
    /// How far it came.
    pub stage: String,
    /// Short code.
    pub code: String,
    /// In the receiver's own words, where it said something. May quote patient data.
    pub words: String,
}

/// One delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Delivery {
    /// Its number.
    pub id: i64,
    /// Name of the destination.
    pub destination: String,
    /// Number of the result in the store.
    #[serde(skip)]
    pub result_id: i64,
    /// The exam.
    pub exam_id: String,
    /// Version of its result.
    pub version: u32,
    /// Key of the result, by which the receiver recognises it.
    pub key: String,
    /// What of it is delivered.
    pub what: What,
    /// How it stands.
    pub state: State,
    /// Since when.
    pub since: DateTime<Utc>,
    /// Failed attempts since it waits.
    pub attempts: u32,
    /// How long it was put off in all.
    #[serde(skip)]
    pub waited: Duration,
    /// Not before, if that was said.
    pub due_at: Option<DateTime<Utc>>,
    /// When it failed last.
    pub failed_at: Option<DateTime<Utc>>,
    /// How.
    pub failed: Option<Failed>,
}

const DELIVERY: &str =
    "select d.id, d.destination, d.result_id, r.exam_id, r.version, r.key, d.state,
                               d.since, d.attempts, d.waited_s, d.due_at, d.failed_at, d.stage,
                               d.code, d.words, d.what
                        from delivery as d join result as r on r.id = d.result_id";

fn delivery(row: &Row<'_>) -> Result<Delivery, StoreError> {
    let time = |at: usize| -> Result<Option<DateTime<Utc>>, StoreError> {
        let text: Option<String> = row.get(at)?;
        text.map(|text| stamp::time(&text)).transpose()
    };
    let waited: i64 = row.get(9)?;
    let code: Option<String> = row.get(13)?;
    let failed = code.map(|code| -> Result<Failed, StoreError> {
        Ok(Failed {
            stage: row.get::<Option<String>>(12)?.unwrap_or_default(),
            code,
            words: row.get::<Option<String>>(14)?.unwrap_or_default(),
        })
    });
    Ok(Delivery {
        id: row.get(0)?,
        destination: row.get(1)?,
        result_id: row.get(2)?,
        exam_id: row.get(3)?,
        version: row.get(4)?,
        key: row.get(5)?,
        what: What::of(&row.get::<String>(15)?)?,
        state: State::of(&row.get::<String>(6)?)?,
        since: stamp::time(&row.get::<String>(7)?)?,
        attempts: row.get(8)?,
        waited: Duration::from_secs(waited.try_into().unwrap_or(0)),
        due_at: time(10)?,
        failed_at: time(11)?,
        failed: failed.transpose()?,
    })
}

/// Makes a published version wait for each of these destinations. One that has a delivery there
/// keeps it, however it stands.
///
/// # Errors
/// The store cannot be written.
pub fn begin(
    tx: &Tx,
    exam_id: &str,
    version: u32,
    destinations: &[String],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    for destination in destinations {
        tx.prepare(
            "insert into delivery (destination, result_id, since)
             select ?3, id, ?4 from result where exam_id = ?1 and version = ?2
             on conflict (destination, result_id, what) do nothing",
        )
        .execute(values![exam_id, version, destination, stamp::text(now)])?;
    }
    Ok(())
}

/// Makes a destination wait for a reminder of a published version, once. Returns false where the version
/// is not published: nobody was told of it yet.
///
/// # Errors
/// The store cannot be written.
pub fn remind(
    tx: &Tx,
    exam_id: &str,
    version: u32,
    destination: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let published = "from result where exam_id = ?1 and version = ?2 and published_at is not null";
    let is_published = tx
        .prepare(format!("select 1 {published}"))
        .exists(values![exam_id, version])?;
    if is_published {
        tx.prepare(format!(
            "insert into delivery (destination, result_id, what, since)
             select ?3, id, 'reminder', ?4 {published}
             on conflict (destination, result_id, what) do nothing"
        ))
        .execute(values![exam_id, version, destination, stamp::text(now)])?;
    }
    Ok(is_published)
}

/// Whether a destination has a delivery that tells of any version of an exam, however it stands; typed
/// reports tell of none.
///
/// # Errors
/// The store cannot be read.
pub fn was_told(view: &View, destination: &str, exam_id: &str) -> Result<bool, StoreError> {
    view.prepare(
        "select 1 from result as r join delivery as d on d.result_id = r.id
         where r.exam_id = ?2 and d.destination = ?1 and d.what <> ?3 limit 1",
    )
    .exists(values![destination, exam_id, What::Entered.word()])
}

/// Forgets the deliveries of a version: it gets another number, and is another object to receivers. Its
/// typed reports are the same under any number.
///
/// # Errors
/// The store cannot be written.
pub(super) fn forget(tx: &Tx, exam_id: &str, version: u32) -> Result<(), StoreError> {
    tx.prepare(
        "delete from delivery
         where result_id = (select id from result where exam_id = ?1 and version = ?2)
           and what <> ?3",
    )
    .execute(values![exam_id, version, What::Entered.word()])?;
    Ok(())
}

/// What a destination has to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// This delivery, now.
    Due(Box<Delivery>),
    /// Nothing before this time.
    At(DateTime<Utc>),
    /// Nothing.
    Nothing,
}

/// The oldest delivery of a destination that is due, whose patient has no older one waiting there.
/// Results and typed reports wait for each other nowhere, and results go first: years of old values must
/// not hold up today's.
///
/// A time further away than `longest` comes from a clock that was wrong when it was written, or is
/// wrong now: such a delivery is due.
///
/// # Errors
/// The store cannot be read.
pub fn next(
    view: &View,
    destination: &str,
    now: DateTime<Utc>,
    longest: Duration,
) -> Result<Next, StoreError> {
    let longest = TimeDelta::from_std(longest).unwrap_or(TimeDelta::MAX);
    let latest = now.checked_add_signed(longest).unwrap_or(now);
    let statement = |is: &str| {
        view.prepare(format!(
            "{DELIVERY}
         where d.destination = ?1 and d.state = 'waiting' and d.what {is} ?4
           and (d.due_at is null or d.due_at <= ?2 or d.due_at > ?3)
           and not exists (
               select 1 from result as o
               join delivery as e on e.result_id = o.id and e.destination = d.destination
               where o.patient_id = r.patient_id and o.patient_issuer = r.patient_issuer
                 and (o.id < r.id or (o.id = r.id and e.id < d.id)) and e.state = 'waiting'
                 and e.what {is} ?4)
         order by d.result_id, d.id"
        ))
    };
    let (now_text, latest, entered) = (stamp::text(now), stamp::text(latest), What::Entered.word());
    for is in ["<>", "="] {
        // One that cannot be read holds up its patient alone; `verify` names it, `outbox retry` mends it.
        let due = statement(is)
            .find_map(values![destination, now_text, latest, entered], |row| {
                Ok(delivery(row).ok())
            })?;
        if let Some(due) = due {
            return Ok(Next::Due(Box::new(due)));
        }
    }
    // One that waits behind another of its patient is due already, or later than that one.
    let soonest: Option<String> = view
        .prepare(
            "select min(due_at) from delivery
             where destination = ?1 and state = 'waiting' and due_at > ?2",
        )
        .one(values![destination, stamp::text(now)], |row| row.get(0))?;
    Ok(match soonest {
        Some(text) => stamp::time(&text).map_or(Next::Nothing, Next::At),
        None => Next::Nothing,
    })
}

/// Notes that the destination has a delivery, whatever was thought of it meanwhile.
///
/// # Errors
/// The store cannot be written.
pub fn delivered(tx: &Tx, id: i64, now: DateTime<Utc>) -> Result<(), StoreError> {
    tx.prepare("update delivery set state = 'delivered', since = ?2, due_at = null where id = ?1")
        .execute(values![id, stamp::text(now)])?;
    Ok(())
}

/// Notes a failed attempt of a waiting delivery. `wait`: so long until the next one, and that counts
/// towards giving it up; `None`: whenever the destination is reached.
///
/// # Errors
/// The store cannot be written.
pub fn failed(
    tx: &Tx,
    id: i64,
    failed: &Failed,
    wait: Option<Duration>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let wait = wait.map(|wait| TimeDelta::from_std(wait).unwrap_or(TimeDelta::MAX));
    let due = wait.and_then(|wait| now.checked_add_signed(wait));
    // Rounded up, or a short wait would count for nothing.
    let waited = wait.map_or(0, |wait| wait.num_milliseconds().div_euclid(1000) + 1);
    note_failure(tx, id, failed, now)?;
    tx.prepare(
        "update delivery set attempts = attempts + 1, waited_s = waited_s + ?3, due_at = ?2
         where id = ?1 and state = 'waiting'",
    )
    .execute(values![id, due.map(stamp::text), waited])?;
    Ok(())
}

/// Notes that a waiting delivery failed for good: later ones of its patient go on.
///
/// # Errors
/// The store cannot be written.
pub fn died(tx: &Tx, id: i64, failed: &Failed, now: DateTime<Utc>) -> Result<(), StoreError> {
    note_failure(tx, id, failed, now)?;
    tx.prepare(
        "update delivery set state = 'dead', since = ?2, attempts = attempts + 1, due_at = null
         where id = ?1 and state = 'waiting'",
    )
    .execute(values![id, stamp::text(now)])?;
    Ok(())
}

fn note_failure(tx: &Tx, id: i64, failed: &Failed, now: DateTime<Utc>) -> Result<(), StoreError> {
    tx.prepare(
        "update delivery set failed_at = ?2, stage = ?3, code = ?4, words = ?5
         where id = ?1 and state = 'waiting'",
    )
    .execute(values![
        id,
        stamp::text(now),
        failed.stage,
        failed.code,
        failed.words
    ])?;
    Ok(())
}

/// What waits for one destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Backlog {
    /// Its name.
    pub destination: String,
    /// How many wait.
    pub waiting: u64,
    /// Since when the oldest of them does.
    pub oldest: Option<DateTime<Utc>>,
    /// How many failed for good.
    pub dead: u64,
    /// How many of those that wait are of typed reports.
    pub waiting_entered: u64,
    /// How many of those that failed for good are.
    pub dead_entered: u64,
}

/// What waits and what is dead, for each destination that has either.
///
/// # Errors
/// The store cannot be read.
pub fn backlog(view: &View) -> Result<Vec<Backlog>, StoreError> {
    let statement = view.prepare(
        "select destination, cast(sum(waiting) as bigint), min(since), cast(sum(dead) as bigint),
                cast(sum(waiting_entered) as bigint), cast(sum(dead_entered) as bigint)
         from (select destination, count(*) as waiting, min(since) as since, 0 as dead,
                      cast(sum(case when what = ?1 then 1 else 0 end) as bigint) as waiting_entered,
                      0 as dead_entered
               from delivery where state = 'waiting' group by destination
               union all
               select destination, 0, null, count(*), 0, cast(sum(case when what = ?1 then 1 else 0 end) as bigint)
               from delivery where state = 'dead' group by destination) as counted
         group by destination order by destination",
    );
    let mut found = Vec::new();
    statement.each([What::Entered.word()], |row| {
        let count = |at: usize| -> Result<u64, StoreError> {
            Ok(row.get::<i64>(at)?.try_into().unwrap_or(0))
        };
        let oldest: Option<String> = row.get(2)?;
        found.push(Backlog {
            destination: row.get(0)?,
            waiting: count(1)?,
            oldest: oldest.and_then(|text| stamp::time(&text).ok()),
            dead: count(3)?,
            waiting_entered: count(4)?,
            dead_entered: count(5)?,
        });
        Ok(())
    })?;
    Ok(found)
}

/// Whether a delivery can be read, by its number; for checks of the store.
pub(super) fn check(view: &View, id: i64) -> Result<(), StoreError> {
    let found = view
        .prepare(format!("{DELIVERY} where d.id = ?1"))
        .first([id], |row| Ok(delivery(row).map(|_| ())))?;
    found.unwrap_or_else(|| {
        Err(StoreError::Damaged {
            what: "it is of a result that is not there".to_owned(),
        })
    })
}

#[cfg(test)]
mod tests;
