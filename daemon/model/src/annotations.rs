//! What people say of exams and patients: entries that are only ever added, and what counts of them.
//!
//! An entry counts until another one names it. Whoever mends or takes back what was said adds an
//! entry that names the old one, so that both can be read later. A correction stands under the
//! patient id of the entry that it names, also where ids are joined: whoever separates them again
//! finds under each id what was said of it, and what was mended. So what counts is a function of the
//! set of entries, whichever ids they are gathered from and in whatever order.

use crate::domain::{About, Event, Label, OpeningPressure, PatientKey};
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::{BTreeMap, BTreeSet};

/// What an entry is about. Further kinds may come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// The label of an exam.
    Label,
    /// A dated fact of the patient.
    Event,
    /// The opening pressure of an exam.
    Pressure,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 3] = [Kind::Label, Kind::Event, Kind::Pressure];

    /// The word in the store and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Kind::Label => "label",
            Kind::Event => "event",
            Kind::Pressure => "pressure",
        }
    }

    /// The kind of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// Of what an entry holds: the exam whose readings it was given for, or a day of the patient.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Of {
    /// These readings.
    Exam(About),
    /// This day.
    Day(NaiveDate),
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// The exam has this label.
    Label(About, Label),
    /// This happened.
    Event(Event),
    /// This opening pressure was measured with the exam.
    Pressure(About, OpeningPressure),
    /// The entry that it names counts no more. Kind and place are those of that entry.
    Nothing(Kind, Of),
}

impl Said {
    /// What it is about.
    #[must_use]
    pub fn kind(&self) -> Kind {
        match self {
            Said::Label(..) => Kind::Label,
            Said::Event(_) => Kind::Event,
            Said::Pressure(..) => Kind::Pressure,
            Said::Nothing(kind, _) => *kind,
        }
    }

    /// Of what it holds.
    #[must_use]
    pub fn of(&self) -> Of {
        match self {
            Said::Label(about, _) | Said::Pressure(about, _) => Of::Exam(about.clone()),
            Said::Event(event) => Of::Day(event.date),
            Said::Nothing(_, of) => of.clone(),
        }
    }

    /// The readings, if it is about an exam.
    #[must_use]
    pub fn about(&self) -> Option<&About> {
        match self {
            Said::Label(about, _) | Said::Pressure(about, _) => Some(about),
            Said::Nothing(_, Of::Exam(about)) => Some(about),
            Said::Event(_) | Said::Nothing(_, Of::Day(_)) => None,
        }
    }

    /// What is said, in a word of ours; `None` where it takes another back.
    #[must_use]
    pub fn value(&self) -> Option<String> {
        match self {
            Said::Label(_, label) => Some(label.word().to_owned()),
            Said::Event(event) => Some(event.kind.word().to_owned()),
            Said::Pressure(_, pressure) => Some(pressure.to_string()),
            Said::Nothing(..) => None,
        }
    }

    /// Whether both say the same, whichever readings they were given for.
    fn agrees_with(&self, other: &Said) -> bool {
        match (self, other) {
            (Said::Event(one), Said::Event(other)) => one == other,
            (one, other) => one.kind() == other.kind() && one.value() == other.value(),
        }
    }

    /// The same of other readings; an event has none.
    fn moved_to(&self, about: About) -> Said {
        match self {
            Said::Label(_, label) => Said::Label(about, *label),
            Said::Pressure(_, pressure) => Said::Pressure(about, pressure.clone()),
            Said::Event(event) => Said::Event(*event),
            Said::Nothing(kind, _) => Said::Nothing(*kind, Of::Exam(about)),
        }
    }
}

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
    /// By which way: `command`, `table`, `demo`; `earlier` for what was recorded before.
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

/// What counts of everything said under some ids.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counting {
    /// Labels, each with the readings it was given for.
    pub labels: Vec<(About, Label)>,
    /// Opening pressures, likewise.
    pub pressures: Vec<(About, OpeningPressure)>,
    /// Events by date, each once.
    pub events: Vec<Event>,
}

impl Counting {
    /// Of these entries. In an order of its own: that of the numbers leaves no trace.
    #[must_use]
    pub fn of(all: &[Entry]) -> Counting {
        let mut counting = Counting::default();
        for one in standing(all) {
            match &one.said {
                Said::Label(about, label) => counting.labels.push((about.clone(), *label)),
                Said::Pressure(about, pressure) => {
                    counting.pressures.push((about.clone(), pressure.clone()));
                }
                Said::Event(event) => counting.events.push(*event),
                Said::Nothing(..) => {}
            }
        }
        counting.labels.sort_unstable();
        counting.labels.dedup();
        let by_words = |one: &(About, OpeningPressure)| (one.0.clone(), one.1.to_string());
        counting.pressures.sort_by_key(by_words);
        counting.pressures.dedup();
        counting.events.sort_unstable();
        counting.events.dedup();
        counting
    }
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
/// same exam; nothing if it counts already.
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
    let (same, other): (Vec<_>, Vec<_>) = old
        .into_iter()
        .partition(|(old, _)| old.said.agrees_with(said));
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
/// nothing if that is so already. As [`say`].
#[must_use]
pub fn take_back(
    entries: &[Entry],
    said: &Said,
    rest: impl Fn(&About) -> Option<Vec<About>>,
) -> Vec<Draft> {
    let mut drafts = Vec::new();
    for (old, rest) in concerned(entries, said, &rest) {
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
