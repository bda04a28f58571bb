//! Which patient ids are one person's: a function of the set of statements about pairs of ids.
//!
//! A statement says that an id was merged into another, or that this was taken back, and when it was
//! decided. For a pair the latest statement counts, whenever it arrived; at equal times the one that
//! takes back does, since two records are only joined where nothing of the same moment says
//! otherwise. What is joined is resolved to its end: A into B and B into C make one person with the
//! id C. Merges that lead in a circle, or to more than one end, say nothing certain: then none of
//! them is applied, and the results of all these ids say so.

use crate::domain::PatientKey;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What is stated of two ids.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Act {
    /// They are one person's, and the second survives.
    Merge,
    /// A merge of them, if there was one, was a mistake.
    Unmerge,
}

impl Act {
    /// The word in the store, in tables and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Act::Merge => "merge",
            Act::Unmerge => "unmerge",
        }
    }

    /// The act of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Act> {
        let mut all = [Act::Merge, Act::Unmerge].into_iter();
        all.find(|act| act.word() == word)
    }
}

/// The two ids of a statement, which are never the same.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Pair {
    /// The id that goes.
    pub from: PatientKey,
    /// The id that survives.
    pub into: PatientKey,
}

/// One statement.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Statement {
    /// Which ids.
    pub pair: Pair,
    /// What of them.
    pub act: Act,
    /// When it was decided.
    pub stated_at: DateTime<Utc>,
    /// Who told us: `command`, `table`, or `hl7:` and the address.
    pub source: String,
}

/// A merge that is in force.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Merge {
    /// The id that goes.
    pub from: PatientKey,
    /// The id that survives.
    pub into: PatientKey,
    /// When it was decided.
    pub since: DateTime<Utc>,
    /// Who told us.
    pub source: String,
}

/// The merges in force, of any number of statements in any order. A merge that was stated again
/// keeps the first time since it was last taken back.
#[must_use]
pub fn in_force<'a>(statements: impl IntoIterator<Item = &'a Statement>) -> Vec<Merge> {
    let mut pairs: BTreeMap<&Pair, Vec<&Statement>> = BTreeMap::new();
    for statement in statements {
        pairs.entry(&statement.pair).or_default().push(statement);
    }
    let merge = |(pair, stated): (&Pair, Vec<&Statement>)| {
        let taken_back = stated.iter().filter(|one| one.act == Act::Unmerge);
        let taken_back = taken_back.map(|one| one.stated_at).max();
        let merges = stated.iter().filter(|one| one.act == Act::Merge);
        let standing = merges.filter(|one| Some(one.stated_at) > taken_back);
        let first = standing.min_by_key(|one| (one.stated_at, &one.source))?;
        Some(Merge {
            from: pair.from.clone(),
            into: pair.into.clone(),
            since: first.stated_at,
            source: first.source.clone(),
        })
    };
    pairs.into_iter().filter_map(merge).collect()
}

/// Why merges in force are not applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unsettled {
    /// They lead in a circle, so that no id survives.
    Circle,
    /// They lead to more than one surviving id.
    Ends,
}

/// Everything under whose ids one person is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// The surviving id.
    pub surviving: PatientKey,
    /// All ids, the surviving one among them.
    pub ids: BTreeSet<PatientKey>,
    /// The merges that make it so.
    pub merges: Vec<Merge>,
    /// Merges that concern these ids and are not applied; all of these ids share them.
    pub unsettled: Option<(Unsettled, Arc<[Merge]>)>,
}

impl Person {
    /// Of one id that no merge concerns.
    #[must_use]
    pub fn alone(key: PatientKey) -> Person {
        Person {
            ids: BTreeSet::from([key.clone()]),
            surviving: key,
            merges: Vec::new(),
            unsettled: None,
        }
    }

    /// The person of an id. `merges` are those in force that concern the id or, step by step, any id
    /// that it is joined with.
    #[must_use]
    pub fn of(key: &PatientKey, merges: Vec<Merge>) -> Person {
        if merges.is_empty() {
            return Person::alone(key.clone());
        }
        match surviving(&merges) {
            Ok(surviving) => Person {
                surviving,
                ids: ids(&merges),
                merges,
                unsettled: None,
            },
            Err(why) => Person {
                unsettled: Some((why, merges.into())),
                ..Person::alone(key.clone())
            },
        }
    }
}

/// Persons that were worked out, each group of ids that hang together once.
#[derive(Debug, Default)]
pub struct Persons(BTreeMap<PatientKey, Arc<Person>>);

impl Persons {
    /// The person of an id, if that was worked out.
    #[must_use]
    pub fn of(&self, key: &PatientKey) -> Option<&Arc<Person>> {
        self.0.get(key)
    }

    /// Adds the persons of every id that the merges name, and of `key`. `merges` are as in
    /// [`Person::of`].
    pub fn add(&mut self, key: &PatientKey, merges: Vec<Merge>) {
        let all = ids(&merges);
        let one = Arc::new(Person::of(key, merges));
        for id in all.iter().chain([key]) {
            let person = if one.ids.contains(id) {
                Arc::clone(&one)
            } else {
                Arc::new(Person {
                    unsettled: one.unsettled.clone(),
                    ..Person::alone(id.clone())
                })
            };
            self.0.insert(id.clone(), person);
        }
    }

    /// Every id with its person.
    pub fn all(&self) -> impl Iterator<Item = (&PatientKey, &Arc<Person>)> {
        self.0.iter()
    }
}

fn ids(merges: &[Merge]) -> BTreeSet<PatientKey> {
    let both = merges.iter().flat_map(|one| [&one.from, &one.into]);
    both.cloned().collect()
}

/// The one end of merges that hang together. Costs no more than sorting them, however they lead.
fn surviving(merges: &[Merge]) -> Result<PatientKey, Unsettled> {
    let mut leading: BTreeMap<&PatientKey, usize> = BTreeMap::new();
    let mut targets: BTreeMap<&PatientKey, Vec<&PatientKey>> = BTreeMap::new();
    for merge in merges {
        *leading.entry(&merge.into).or_default() += 1;
        targets.entry(&merge.from).or_default().push(&merge.into);
    }
    // Ids that nothing is merged into go first, each with its merges; a circle has none.
    let begins = |id: &&PatientKey| !leading.contains_key(id);
    let mut open: Vec<&PatientKey> = targets.keys().copied().filter(begins).collect();
    let mut ends = BTreeSet::new();
    let mut left = merges.len();
    while let Some(id) = open.pop() {
        let Some(into) = targets.get(id) else {
            ends.insert(id);
            continue;
        };
        for target in into {
            left -= 1;
            if let Some(count) = leading.get_mut(target) {
                *count -= 1;
                if *count == 0 {
                    open.push(target);
                }
            }
        }
    }
    if left > 0 {
        return Err(Unsettled::Circle);
    }
    let mut ends = ends.into_iter();
    match (ends.next(), ends.next()) {
        (Some(end), None) => Ok(end.clone()),
        _ => Err(Unsettled::Ends),
    }
}

#[cfg(test)]
mod tests;
