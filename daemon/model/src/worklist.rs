//! Lists of work: how the rise of an exam stands, and the one line by which an exam is shown.
//!
//! A rise is a run of flagged versions of one exam's result. Somebody acknowledges it, and perhaps
//! settles what came of it; a version without the flag withdraws it, and that is acknowledged again.
//! A version that is worse than what somebody had before them is new again: nobody has seen that. So a
//! rise is a function of the versions and of what was said, whenever and in whatever order that
//! became known.

mod line;
mod worse;

pub use line::{Line, Makings, Second, Uncompared};
pub use worse::{ERROR_MM, Weight, Worse};

use crate::annotations::{Entry, Outcome, Said};
use crate::assess::Assessment;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// How the rise of an exam stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Rise {
    /// The newest version is flagged, and nobody has acknowledged it.
    New,
    /// Somebody has seen it.
    Acknowledged {
        /// Who.
        by: String,
        /// When.
        at: DateTime<Utc>,
        /// The version that was before them.
        version: u32,
    },
    /// It is known what came of it.
    Settled {
        /// What.
        outcome: Outcome,
        /// Who says so.
        by: String,
        /// When.
        at: DateTime<Utc>,
        /// Why.
        reason: String,
    },
    /// The flag was taken back, and nobody has acknowledged that.
    Withdrawn,
}

impl Rise {
    /// The words of the store and of JSON.
    pub const WORDS: [&'static str; 4] = ["new", "acknowledged", "settled", "withdrawn"];

    /// Its word.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Rise::New => "new",
            Rise::Acknowledged { .. } => "acknowledged",
            Rise::Settled { .. } => "settled",
            Rise::Withdrawn => "withdrawn",
        }
    }

    /// Whether somebody has to acknowledge it.
    #[must_use]
    pub fn waits(&self) -> bool {
        matches!(self, Rise::New | Rise::Withdrawn)
    }
}

/// What of one version of a result counts for a rise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VersionFacts {
    /// Its number.
    pub version: u32,
    /// How grave the rise is that it tells; `None`: it is not flagged.
    pub flagged: Option<Weight>,
    /// When it was made.
    pub made_at: DateTime<Utc>,
}

impl VersionFacts {
    /// Of a version that says this.
    #[must_use]
    pub fn of(version: u32, assessment: &Assessment, made_at: DateTime<Utc>) -> Self {
        VersionFacts {
            version,
            flagged: assessment.flagged.then(|| Weight::of(assessment)),
            made_at,
        }
    }
}

/// A rise, since when it stands so, and why it is new although somebody has seen it.
#[derive(Debug, Clone, PartialEq)]
pub struct Stands {
    /// How.
    pub rise: Rise,
    /// Since when.
    pub since: DateTime<Utc>,
    /// It is worse than what was seen; of a new one alone.
    pub worse: Option<Worse>,
}

/// How the rise of one exam stands, and since when; `None` where there never was one, or where nothing
/// is left to do.
///
/// `versions` are those of the exam, `entries` what counts of what was said of it (see
/// [`standing`](crate::annotations::standing)); the order of neither matters.
#[must_use]
pub fn rise(versions: &[VersionFacts], entries: &[&Entry]) -> Option<Stands> {
    let mut versions = versions.to_vec();
    versions.sort_unstable_by_key(|one| one.version);
    let newest = *versions.last()?;
    let last_flagged = versions.iter().rposition(|one| one.flagged.is_some())?;
    let mut entries = entries.to_vec();
    entries.sort_by_key(|one| one.id);
    if newest.flagged.is_some() {
        let before = versions.iter().rposition(|one| one.flagged.is_none());
        let run = versions.get(before.map_or(0, |at| at + 1)..)?;
        return standing(run, &entries);
    }
    // The first version that took the flag back.
    let withdrawn = versions.get(last_flagged + 1)?;
    let is_seen = entries.iter().any(|one| match &one.said {
        Said::Acknowledged(_, version) => *version >= withdrawn.version,
        // Whoever says what came of it has seen that it was withdrawn.
        Said::Settled(..) => one.recorded_at >= withdrawn.made_at,
        _ => false,
    });
    (!is_seen).then_some(Stands {
        rise: Rise::Withdrawn,
        since: withdrawn.made_at,
        worse: None,
    })
}

/// How the rise of a run of flagged versions stands, oldest first.
fn standing(run: &[VersionFacts], entries: &[&Entry]) -> Option<Stands> {
    let (first, newest) = (run.first()?, run.last()?);
    let seen: Vec<Seen<'_>> = entries
        .iter()
        .filter_map(|one| Seen::of(one, run, entries))
        .collect();
    let holds = |one: &&Seen<'_>| one.knows_all || !newest.is_worse_than(one.facts);
    let settled = seen.iter().rev().filter(holds).find_map(|one| {
        let outcome = one.outcome?;
        let rise = Rise::Settled {
            outcome,
            by: one.entry.by.author.name().to_owned(),
            at: one.entry.recorded_at,
            reason: one.entry.by.reason.clone(),
        };
        Some((rise, one.entry.recorded_at))
    });
    let acknowledged = || {
        let mut seen = seen.iter().filter(|one| one.outcome.is_none());
        let one = seen.find(holds)?;
        let rise = Rise::Acknowledged {
            by: one.entry.by.author.name().to_owned(),
            at: one.entry.recorded_at,
            version: one.facts.version,
        };
        Some((rise, one.entry.recorded_at))
    };
    if let Some((rise, since)) = settled.or_else(acknowledged) {
        return Some(Stands {
            rise,
            since,
            worse: None,
        });
    }
    // Somebody saw less. Of several the one who saw most: by the newest version, then by the last entry.
    let known = seen
        .iter()
        .max_by_key(|one| (one.facts.version, one.entry.id));
    let worse = known.and_then(|one| Worse::of(one.entry, one.facts, newest));
    let since = known.and_then(|one| {
        let mut later = run.iter().filter(|late| late.version > one.facts.version);
        later.find(|late| late.is_worse_than(one.facts))
    });
    Some(Stands {
        rise: Rise::New,
        since: since.unwrap_or(first).made_at,
        worse,
    })
}

/// An entry by which somebody has seen a rise, and the version that was before them.
struct Seen<'a> {
    entry: &'a Entry,
    facts: &'a VersionFacts,
    /// What came of it, where the entry says so.
    outcome: Option<Outcome>,
    /// That pressure was raised is confirmed: a wider value says nothing new.
    knows_all: bool,
}

impl<'a> Seen<'a> {
    /// `None` where the entry is of something else, or of a rise before this one.
    fn of(entry: &'a Entry, run: &'a [VersionFacts], entries: &[&Entry]) -> Option<Self> {
        let of_version = |version: u32| run.iter().find(|one| one.version == version);
        match entry.said {
            Said::Acknowledged(_, version) => Some(Seen {
                entry,
                facts: of_version(version)?,
                outcome: None,
                knows_all: false,
            }),
            Said::Settled(_, outcome) => {
                // The clock of the machine may have been set back in between; an acknowledgement of the
                // same act names its version.
                let named = entries.iter().filter(|other| other.act == entry.act);
                let named = named.filter_map(|other| match other.said {
                    Said::Acknowledged(_, version) => of_version(version),
                    _ => None,
                });
                let made = run.iter().filter(|one| one.made_at <= entry.recorded_at);
                Some(Seen {
                    entry,
                    facts: named.chain(made).max_by_key(|one| one.version)?,
                    outcome: Some(outcome),
                    knows_all: outcome == Outcome::Confirmed,
                })
            }
            _ => None,
        }
    }
}

/// One list of today's work: its first lines, and how many there are in all.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct List {
    /// The first of them.
    pub lines: Vec<Line>,
    /// How many there are.
    pub total: u64,
    /// How many of them stand before these lines.
    pub skipped: u64,
    /// How many more came before the days that were asked for, counted up to one beyond
    /// [`List::OLDER_MAX`].
    pub older: u64,
}

impl List {
    /// Older ones that are counted; beyond, there are more.
    pub const OLDER_MAX: u32 = 10_000;

    /// How many of them stand behind these lines.
    #[must_use]
    pub fn more(&self) -> u64 {
        let lines = u64::try_from(self.lines.len()).unwrap_or(u64::MAX);
        self.total
            .saturating_sub(self.skipped.saturating_add(lines))
    }
}

/// What waits for somebody. Exams of the history of archives alone are in none of the lists.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Today {
    /// Rises, and withdrawn rises, that nobody has acknowledged; those that wait longest first.
    pub rises: List,
    /// Exams that could not be compared though there are earlier ones, or for a reason of their own;
    /// newest first.
    pub not_compared: List,
    /// Exams with nothing earlier to compare with, newest first.
    pub first_exams: List,
    /// Exams without a label, newest first.
    pub unlabelled: List,
}

impl Today {
    /// Every list.
    #[must_use]
    pub fn lists(&self) -> [&List; 4] {
        [
            &self.rises,
            &self.not_compared,
            &self.first_exams,
            &self.unlabelled,
        ]
    }

    /// Every list, to be changed.
    pub fn lists_mut(&mut self) -> [&mut List; 4] {
        [
            &mut self.rises,
            &mut self.not_compared,
            &mut self.first_exams,
            &mut self.unlabelled,
        ]
    }
}

#[cfg(test)]
mod tests;
