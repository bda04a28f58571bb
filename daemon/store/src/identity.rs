//! What was stated of patient ids, and whose they are by all of it.

mod spread;

pub use spread::{Concerned, concerned, note_spread};

use super::audited::{Audited, Untold};
use super::{StoreError, assessment_queue, stamp};
use crate::session::{Row, values};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::{self, Act, Merge, Pair, Person, Persons, Statement};
use std::collections::{BTreeMap, BTreeSet};

/// A statement with what is kept beside it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// What is stated.
    pub statement: Statement,
    /// Control id of the message it came in; empty for none.
    pub message: String,
    /// Who stated it; empty when that is unknown.
    pub who: String,
    /// The reason given; empty for none.
    pub why: String,
}

/// Adds a statement and marks its two ids. Returns whether it was new; the same statement again
/// changes nothing. Costs the same however many ids the person has: `spread` works out later who
/// else is concerned.
///
/// # Errors
/// The store cannot be written.
pub fn state(tx: &Tx, recorded: &Recorded, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let Statement {
        pair,
        act,
        stated_at,
        source,
    } = &recorded.statement;
    let added = tx
        .prepare(
            "insert into id_statement (act, from_issuer, from_id, into_issuer, into_id, stated_at,
                                       recorded_at, source, message, who, why)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11) on conflict do nothing",
        )
        .execute(values![
            act.word(),
            pair.from.issuer,
            pair.from.id,
            pair.into.issuer,
            pair.into.id,
            stamp::text(*stated_at),
            stamp::text(now),
            source,
            recorded.message,
            recorded.who,
            recorded.why,
        ])?;
    if added == 0 {
        return Ok(false);
    }
    for key in [&pair.from, &pair.into] {
        assessment_queue::mark_dirty(tx, key, now)?;
    }
    Ok(true)
}

/// The person of an id.
///
/// # Errors
/// The store cannot be read.
pub fn person(view: &View, key: &PatientKey) -> Result<Person, StoreError> {
    Ok(Person::of(key, merges_around(view, key)?))
}

/// The persons of several ids, each worked out once.
///
/// # Errors
/// The store cannot be read.
pub fn persons<'k>(
    view: &View,
    keys: impl IntoIterator<Item = &'k PatientKey>,
) -> Result<Persons, StoreError> {
    let mut persons = Persons::default();
    for key in keys {
        if persons.of(key).is_none() {
            persons.add(key, merges_around(view, key)?);
        }
    }
    Ok(persons)
}

/// Everybody of whom an object was read, each under one id.
///
/// # Errors
/// The store cannot be read.
pub fn survivors(view: &View) -> Result<BTreeSet<PatientKey>, StoreError> {
    let keys = assessment_queue::list(view)?;
    let persons = persons(view, &keys)?;
    let surviving = |key| persons.of(key).map(|person| person.surviving.clone());
    Ok(keys.iter().filter_map(surviving).collect())
}

/// The merges in force that concern an id or, step by step, any id that it is joined with.
fn merges_around(view: &View, key: &PatientKey) -> Result<Vec<Merge>, StoreError> {
    let mut seen = BTreeSet::from([key.clone()]);
    let mut open = vec![key.clone()];
    let mut found: BTreeMap<(PatientKey, PatientKey), Merge> = BTreeMap::new();
    while let Some(key) = open.pop() {
        // All statements of a pair name both its ids, so none of a pair is missed.
        for merge in identity::in_force(&of_id(view, &key)?) {
            for other in [&merge.from, &merge.into] {
                if seen.insert(other.clone()) {
                    open.push(other.clone());
                }
            }
            found.insert((merge.from.clone(), merge.into.clone()), merge);
        }
    }
    Ok(found.into_values().collect())
}

const STATEMENT: &str = "select from_issuer, from_id, into_issuer, into_id, act, stated_at, source,
                                message, who, why, id, recorded_at from id_statement";

/// How far the audit trail was told of statements.
pub const AUDITED: Audited = Audited {
    noted: "audit_told_statement",
    table: "id_statement",
};

fn of_id(view: &View, key: &PatientKey) -> Result<Vec<Statement>, StoreError> {
    let mut all = Vec::new();
    for side in ["from", "into"] {
        let sql = format!("{STATEMENT} where {side}_id = ?1 and {side}_issuer = ?2");
        let statement = view.prepare(sql);
        statement.each([&key.id, &key.issuer], |row| {
            all.push(recorded(row)?.statement);
            Ok(())
        })?;
    }
    Ok(all)
}

/// Every statement, in the order they came.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Recorded>, StoreError> {
    let statement = view.prepare(format!("{STATEMENT} order by id"));
    statement.all((), recorded)
}

/// The statements after the last one told of, in the order they came; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn untold(view: &View, limit: u32) -> Result<Vec<Untold<Recorded>>, StoreError> {
    AUDITED.untold(view, STATEMENT, limit, recorded)
}

/// When the latest statement of a pair was decided.
///
/// # Errors
/// The store cannot be read.
pub fn last_stated(view: &View, pair: &Pair) -> Result<Option<DateTime<Utc>>, StoreError> {
    let all = of_id(view, &pair.from)?;
    let of_pair = all.iter().filter(|one| one.pair == *pair);
    Ok(of_pair.map(|one| one.stated_at).max())
}

fn recorded(row: &Row<'_>) -> Result<Recorded, StoreError> {
    let (act, stated_at): (String, String) = (row.get(4)?, row.get(5)?);
    let pair = Pair {
        from: PatientKey {
            issuer: row.get(0)?,
            id: row.get(1)?,
        },
        into: PatientKey {
            issuer: row.get(2)?,
            id: row.get(3)?,
        },
    };
    Ok(Recorded {
        statement: Statement {
            pair,
            act: Act::of_word(&act).ok_or_else(|| StoreError::Damaged {
                what: "a statement about ids that is none".to_owned(),
            })?,
            stated_at: stamp::time(&stated_at)?,
            source: row.get(6)?,
        },
        message: row.get(7)?,
        who: row.get(8)?,
        why: row.get(9)?,
    })
}
