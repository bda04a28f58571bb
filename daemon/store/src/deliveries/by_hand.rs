//! What a person does with deliveries: look at them, have them tried again, drop them.

use super::{DELIVERY, Delivery, State, delivery};
use crate::session::values;
use crate::view::{Tx, View};
use crate::{StoreError, meta, stamp};
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::BTreeSet;

/// Name in `meta` of a number that grows when somebody asks a destination to be tried at once.
const ASKED: &str = "deliver_now:";

/// Which deliveries are meant; an absent part means any.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Which {
    /// These numbers; empty means any.
    pub ids: Vec<i64>,
    /// Of this destination.
    pub destination: Option<String>,
    /// In this state.
    pub state: Option<State>,
}

impl Which {
    /// The numbers that are meant, each once; one `None` for any.
    fn numbers(&self) -> Vec<Option<i64>> {
        let ids: BTreeSet<i64> = self.ids.iter().copied().collect();
        match ids.len() {
            0 => vec![None],
            _ => ids.into_iter().map(Some).collect(),
        }
    }

    fn state(&self) -> Option<&'static str> {
        self.state.map(State::word)
    }
}

/// The condition on `d`: its number is ?1, its destination ?2, its state ?3; null means any.
const MEANT: &str = "(cast(?1 as bigint) is null or d.id = ?1)
             and (cast(?2 as text) is null or d.destination = ?2)
             and (cast(?3 as text) is null or d.state = ?3)";

/// Deliveries in the order of their results; `None` for a row that cannot be read.
///
/// # Errors
/// The store cannot be read.
pub fn list(view: &View, which: &Which) -> Result<Vec<Option<Delivery>>, StoreError> {
    let statement = view.prepare(format!(
        "{DELIVERY} where {MEANT} order by d.result_id, d.destination, d.id"
    ));
    let mut found: Vec<((i64, String, i64), Option<Delivery>)> = Vec::new();
    for id in which.numbers() {
        let values = values![id, which.destination, which.state()];
        statement.each(values, |row| {
            let place = (row.get(2)?, row.get(1)?, row.get(0)?);
            found.push((place, delivery(row).ok()));
            Ok(())
        })?;
    }
    found.sort_by(|(one, _), (other, _)| one.cmp(other));
    Ok(found.into_iter().map(|(_, one)| one).collect())
}

/// Makes deliveries wait as if for the first time, and has their destinations tried at once. Those
/// that were delivered stay so: see [`replay`]. Returns how many.
///
/// # Errors
/// The store cannot be written.
pub fn retry(tx: &Tx, which: &Which, now: DateTime<Utc>) -> Result<usize, StoreError> {
    let matching = format!("from delivery as d where {MEANT} and d.state <> 'delivered'");
    let concerned = tx.prepare(format!(
        "select distinct d.destination {matching} order by d.destination"
    ));
    let change = tx.prepare(format!(
        "update delivery
         set since = ?4, state = 'waiting', attempts = 0, waited_s = 0, due_at = null
         where id in (select d.id {matching})"
    ));
    let mut destinations = BTreeSet::new();
    let mut count = 0;
    for id in which.numbers() {
        let (destination, state) = (&which.destination, which.state());
        let found = concerned.all(values![id, destination, state], |row| row.get::<String>(0))?;
        destinations.extend(found);
        count += change.execute(values![id, destination, state, stamp::text(now)])?;
    }
    for destination in destinations {
        ask(tx, &destination)?;
    }
    Ok(count)
}

/// Takes deliveries out that wait or failed for good. Returns how many.
///
/// # Errors
/// The store cannot be written.
pub fn drop_some(tx: &Tx, which: &Which, now: DateTime<Utc>) -> Result<usize, StoreError> {
    let change = tx.prepare(format!(
        "update delivery set state = 'dropped', since = ?4, due_at = null
         where id in (select d.id from delivery as d
                      where {MEANT} and d.state in ('waiting', 'dead'))"
    ));
    let mut count = 0;
    for id in which.numbers() {
        let (destination, state) = (&which.destination, which.state());
        count += change.execute(values![id, destination, state, stamp::text(now)])?;
    }
    Ok(count)
}

/// Makes every published version that was made on these days (UTC, both belong to it) wait for a
/// destination as if for the first time, whether it was delivered there or not; only what a person
/// dropped stays so. Returns how many wait.
///
/// # Errors
/// The store cannot be written.
pub fn replay(
    tx: &Tx,
    destination: &str,
    from: NaiveDate,
    to: NaiveDate,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let [from, until] = bounds(from, to);
    let count = tx.execute(
        "insert into delivery (destination, result_id, since)
         select ?1, id, ?4 from result
         where created_at >= ?2 and created_at < ?3
           and published_at is not null and damaged_at is null
         on conflict (destination, result_id, what) do update
         set state = 'waiting', since = excluded.since, attempts = 0, waited_s = 0, due_at = null
         where delivery.state <> 'dropped'",
        values![destination, from, until, stamp::text(now)],
    )?;
    ask(tx, destination)?;
    Ok(count)
}

/// From when, and until before when, these days last, as the store writes times.
pub(super) fn bounds(from: NaiveDate, to: NaiveDate) -> [String; 2] {
    let day = |day: NaiveDate| stamp::text(day.and_time(chrono::NaiveTime::MIN).and_utc());
    [day(from), day(to.succ_opt().unwrap_or(NaiveDate::MAX))]
}

pub(super) fn ask(tx: &Tx, destination: &str) -> Result<(), StoreError> {
    let number = asked(tx, destination)?.wrapping_add(1);
    meta::set(tx, &format!("{ASKED}{destination}"), &number.to_string())
}

/// A number that grows whenever somebody asks a destination to be tried at once.
///
/// # Errors
/// The store cannot be read.
pub fn asked(view: &View, destination: &str) -> Result<u64, StoreError> {
    let said = meta::get(view, &format!("{ASKED}{destination}"))?;
    Ok(said.and_then(|number| number.parse().ok()).unwrap_or(0))
}
