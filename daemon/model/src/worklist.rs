//! Lists of work: how the rise of an exam stands, and the one line by which an exam is shown.
//!
//! A rise is a run of flagged versions of one exam's result. Somebody acknowledges it, and perhaps
//! settles what came of it; a version without the flag withdraws it, and that is acknowledged again.
//! So a rise is a function of the versions and of what was said, whenever and in whatever order that
//! became known.

mod line;

pub use line::{Line, Makings, Second};

use crate::annotations::{Entry, Outcome, Said};
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct VersionFacts {
    /// Its number.
    pub version: u32,
    /// Whether it is flagged.
    pub flagged: bool,
    /// When it was made.
    pub made_at: DateTime<Utc>,
}

/// How the rise of one exam stands, and since when; `None` where there never was one, or where nothing
/// is left to do.
///
/// `versions` are those of the exam, `entries` what counts of what was said of it (see
/// [`standing`](crate::annotations::standing)); the order of neither matters.
#[must_use]
pub fn rise(versions: &[VersionFacts], entries: &[&Entry]) -> Option<(Rise, DateTime<Utc>)> {
    let mut versions = versions.to_vec();
    versions.sort_unstable_by_key(|one| one.version);
    let newest = *versions.last()?;
    let last_flagged = versions.iter().rposition(|one| one.flagged)?;
    let mut entries = entries.to_vec();
    entries.sort_by_key(|one| one.id);
    if newest.flagged {
        let before = versions.iter().rposition(|one| !one.flagged);
        let first = *versions.get(before.map_or(0, |at| at + 1))?;
        return Some(standing(first, newest.version, &entries));
    }
    // The first version that took the flag back.
    let withdrawn = versions.get(last_flagged + 1)?;
    let is_seen = entries.iter().any(|one| match &one.said {
        Said::Acknowledged(_, version) => *version >= withdrawn.version,
        // Whoever says what came of it has seen that it was withdrawn.
        Said::Settled(..) => one.recorded_at >= withdrawn.made_at,
        _ => false,
    });
    (!is_seen).then_some((Rise::Withdrawn, withdrawn.made_at))
}

/// How the rise that began with version `first` stands.
fn standing(first: VersionFacts, newest: u32, entries: &[&Entry]) -> (Rise, DateTime<Utc>) {
    let seen = |one: &&&Entry| match one.said {
        Said::Acknowledged(_, version) => (first.version..=newest).contains(&version),
        _ => false,
    };
    let acknowledged = || entries.iter().filter(seen);
    // What was said of a rise before this one is not said of this one. The clock of the machine may
    // have been set back in between; an acknowledgement of the same act names its version.
    let settled = entries.iter().rev().find_map(|one| match &one.said {
        Said::Settled(_, outcome)
            if one.recorded_at >= first.made_at
                || acknowledged().any(|other| other.act == one.act) =>
        {
            Some((*one, *outcome))
        }
        _ => None,
    });
    if let Some((one, outcome)) = settled {
        let rise = Rise::Settled {
            outcome,
            by: one.by.author.name().to_owned(),
            at: one.recorded_at,
            reason: one.by.reason.clone(),
        };
        return (rise, one.recorded_at);
    }
    let found = acknowledged().next().and_then(|one| match one.said {
        Said::Acknowledged(_, version) => Some((*one, version)),
        _ => None,
    });
    match found {
        Some((one, version)) => {
            let rise = Rise::Acknowledged {
                by: one.by.author.name().to_owned(),
                at: one.recorded_at,
                version,
            };
            (rise, one.recorded_at)
        }
        None => (Rise::New, first.made_at),
    }
}

/// One list of today's work: its first lines, and how many there are in all.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct List {
    /// The first of them.
    pub lines: Vec<Line>,
    /// How many there are.
    pub total: u64,
}

impl List {
    /// How many of them are not among the lines.
    #[must_use]
    pub fn more(&self) -> u64 {
        self.total
            .saturating_sub(u64::try_from(self.lines.len()).unwrap_or(u64::MAX))
    }
}

/// What waits for somebody. Exams of the history of archives alone are in none of the lists.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Today {
    /// Rises, and withdrawn rises, that nobody has acknowledged; those that wait longest first.
    pub rises: List,
    /// Exams that could not be compared, newest first.
    pub not_compared: List,
    /// Exams without a label, newest first.
    pub unlabelled: List,
}

#[cfg(test)]
mod tests;
