//! What people say of exams and patients: entries that are only ever added, and what counts of them.
//!
//! An entry counts until another one names it. Whoever mends or takes back what was said adds an
//! entry that names the old one, so that both can be read later. A correction stands under the
//! patient id of the entry that it names, also where ids are joined: whoever separates them again
//! finds under each id what was said of it, and what was mended. So what counts is a function of the
//! set of entries, whichever ids they are gathered from and in whatever order.

mod counting;
mod said;

use crate::domain::{About, PatientKey};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};

pub use counting::Counting;
pub use said::{Judgement, Kind, Of, Outcome, Said, SecondReading, USUAL_DECIMALS};

/// Who says something.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Author {
    /// Somebody by a name or an account, as whoever typed it says.
    Account(String),
    /// The user of the operating system who typed it.
    SystemUser(String),
    /// Nobody knows: recorded before authors were kept.
    Unknown,
}

impl Author {
    /// The word for the kind of author, in the store and in JSON.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Author::Account(_) => "account",
            Author::SystemUser(_) => "system_user",
            Author::Unknown => "unknown",
        }
    }

    /// The name; empty where nobody knows.
    #[must_use]
    pub fn name(&self) -> &str {
        match self {
            Author::Account(name) | Author::SystemUser(name) => name,
            Author::Unknown => "",
        }
    }

    /// The author of a kind and a name.
    #[must_use]
    pub fn of(kind: &str, name: String) -> Option<Author> {
        match kind {
            "account" => Some(Author::Account(name)),
            "system_user" => Some(Author::SystemUser(name)),
            "unknown" => Some(Author::Unknown),
            _ => None,
        }
    }
}

/// Who says something, how it came here, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct By {
    /// Who says it.
    pub author: Author,
    /// The user of the operating system who entered it; empty where nobody knows.
    pub entered_by: String,
    /// By which way: `command`, `table`, `page`, `demo`; `earlier` for what was recorded before.
    pub source: String,
    /// The reason given; empty for none.
    pub reason: String,
}

/// An entry to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Draft {
    /// Under which id.
    pub patient: PatientKey,
    /// The entry that it mends or takes back.
    pub corrects: Option<i64>,
    /// What it says.
    pub said: Said,
}

/// An entry as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its number: entries are numbered as they came.
    pub id: i64,
    /// The number of the act it belongs to: all entries of one command.
    pub act: i64,
    /// Under which id.
    pub patient: PatientKey,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// Who says it, and why.
    pub by: By,
    /// The entry that it mends or takes back.
    pub corrects: Option<i64>,
    /// What it says.
    pub said: Said,
}

/// The entries that count: those that say something and that no other entry names.
pub fn standing(entries: &[Entry]) -> impl Iterator<Item = &Entry> {
    let named: BTreeSet<i64> = entries.iter().filter_map(|one| one.corrects).collect();
    entries
        .iter()
        .filter(move |one| !matches!(one.said, Said::Nothing(..)) && !named.contains(&one.id))
}

/// Entries that name none before them of the same id and kind: no command writes such.
pub fn strays(entries: &[Entry]) -> impl Iterator<Item = &Entry> {
    let kinds: BTreeMap<i64, Kind> = entries
        .iter()
        .map(|one| (one.id, one.said.kind()))
        .collect();
    entries.iter().filter(move |one| {
        one.corrects
            .is_some_and(|named| named >= one.id || kinds.get(&named) != Some(&one.said.kind()))
    })
}

/// What has to be added so that `said` counts under `patient` and nothing else of its kind for the
/// same exam; nothing if it counts already. Of a kind that [accumulates](Kind::accumulates) what was
/// said before counts beside it; of notes every one is new.
///
/// `entries` are all of the person, under all joined ids. `rest` says of the readings of an older
/// entry: `None`, it is not about this exam; else which other exams it is about as well. For those
/// what it says is said again, since the old entry counts no more.
#[must_use]
pub fn say(
    entries: &[Entry],
    patient: &PatientKey,
    said: &Said,
    rest: impl Fn(&About) -> Option<Vec<About>>,
) -> Vec<Draft> {
    let old = concerned(entries, said, &rest);
    let (same, mut other): (Vec<_>, Vec<_>) = old
        .into_iter()
        .partition(|(old, _)| old.said.agrees_with(said));
    if said.kind().accumulates() {
        other.clear();
    }
    let is_said = same.iter().any(|(old, _)| old.patient == *patient);
    let mut drafts = Vec::new();
    let mut mended = None;
    if !is_said {
        mended = other
            .iter()
            .find(|(old, _)| old.patient == *patient)
            .map(|(old, _)| old.id);
        drafts.push(Draft {
            patient: patient.clone(),
            corrects: mended,
            said: said.clone(),
        });
    }
    for (old, rest) in &other {
        if Some(old.id) != mended && rest.is_empty() {
            drafts.push(nothing(old));
        }
        drafts.extend(said_again(old, rest));
    }
    drafts
}

/// What has to be added so that nothing of the kind of `said` counts for the same exam or day;
/// nothing if that is so already. Of a kind that [accumulates](Kind::accumulates) only what says the
/// same. As [`say`].
#[must_use]
pub fn take_back(
    entries: &[Entry],
    said: &Said,
    rest: impl Fn(&About) -> Option<Vec<About>>,
) -> Vec<Draft> {
    let mut drafts = Vec::new();
    let concerned = concerned(entries, said, &rest).into_iter();
    let is_meant = |old: &Entry| !said.kind().accumulates() || old.said.agrees_with(said);
    for (old, rest) in concerned.filter(|(old, _)| is_meant(old)) {
        if rest.is_empty() {
            drafts.push(nothing(old));
        }
        drafts.extend(said_again(old, &rest));
    }
    drafts
}

/// Why an entry cannot be taken back.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotTaken {
    /// It takes another one back.
    #[error("entry {0} takes another one back; say again what is right")]
    TakesBack(i64),
    /// Another entry stands in its place.
    #[error("entry {0} was corrected by entry {1}; take that one back")]
    Corrected(i64, i64),
}

/// What has to be added so that one entry counts no more; nothing if it was taken back already.
///
/// # Errors
/// It says nothing itself, or another entry says something in its place.
pub fn take_back_one(entries: &[Entry], one: &Entry) -> Result<Vec<Draft>, NotTaken> {
    if matches!(one.said, Said::Nothing(..)) {
        return Err(NotTaken::TakesBack(one.id));
    }
    let naming = || {
        entries
            .iter()
            .filter(|other| other.corrects == Some(one.id))
    };
    let mut in_place = naming().filter(|other| !matches!(other.said, Said::Nothing(..)));
    match (in_place.next(), naming().next()) {
        (Some(other), _) => Err(NotTaken::Corrected(one.id, other.id)),
        (None, Some(_)) => Ok(Vec::new()),
        (None, None) => Ok(vec![nothing(one)]),
    }
}

/// The entries that count of the same kind and exam, or of the same event, each with the other exams
/// that it is about.
fn concerned<'e>(
    entries: &'e [Entry],
    said: &Said,
    rest: &impl Fn(&About) -> Option<Vec<About>>,
) -> Vec<(&'e Entry, Vec<About>)> {
    let same_kind = standing(entries).filter(|old| old.said.kind() == said.kind());
    same_kind
        .filter_map(|old| match old.said.about() {
            Some(about) => Some((old, rest(about)?)),
            None => old.said.agrees_with(said).then(|| (old, Vec::new())),
        })
        .collect()
}

fn nothing(old: &Entry) -> Draft {
    Draft {
        patient: old.patient.clone(),
        corrects: Some(old.id),
        said: Said::Nothing(old.said.kind(), old.said.of()),
    }
}

fn said_again<'d>(old: &'d Entry, rest: &'d [About]) -> impl Iterator<Item = Draft> + 'd {
    rest.iter().map(|about| Draft {
        patient: old.patient.clone(),
        corrects: Some(old.id),
        said: old.said.moved_to(about.clone()),
    })
}

#[cfg(test)]
mod tests;
