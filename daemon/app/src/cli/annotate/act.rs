//! One act: what is said in one command, shown, asked about, and recorded in one transaction.

use super::effect;
use super::person::{People, Person};
use crate::cli::{Code, Failure, print};
use crate::pipeline::Pipeline;
use chrono::Utc;
use sheathline_model::annotations::{By, Draft, Entry};
use sheathline_model::domain::PatientKey;
use sheathline_model::results::Site;
use sheathline_store::{StoreError, Tx, annotations, assessment_queue};

/// How often an act is prepared again because somebody else said something of the same patient in
/// between.
const TRIES: usize = 5;

/// One thing that is said.
pub(super) struct Step {
    /// Number of the person among those of the act.
    pub(super) person: usize,
    /// What is shown before it is recorded.
    pub(super) shown: String,
    /// What is told once it is: of what, and what was said.
    pub(super) told: String,
    /// What is told when it is so already.
    pub(super) already: String,
    /// The exams, by their number among the person's, and whether they would be baseline by it.
    pub(super) exams: Vec<(usize, Serves)>,
    /// The entries; none where it is so already.
    pub(super) drafts: Vec<Draft>,
    /// Who says it, and why.
    pub(super) by: By,
}

/// Whether what is said lets an exam serve as baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Serves {
    /// A person says that the pressure was not raised.
    Yes,
    /// What was said against it is taken back; the comparison decides.
    Perhaps,
    /// It does not.
    No,
}

/// Everything of one command.
pub(super) struct Act {
    pub(super) people: People,
    pub(super) steps: Vec<Step>,
}

/// How a command wants it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct How {
    /// Show and record nothing.
    pub(super) dry_run: bool,
    /// Do not ask again.
    pub(super) yes: bool,
}

impl Act {
    /// The entries that a person gets, each once: of two exams that one older entry was about, both
    /// take it back, and both say it again of a third.
    fn drafts(&self, person: usize) -> Vec<(&By, Draft)> {
        let mut drafts: Vec<(&By, Draft)> = Vec::new();
        for step in self.steps.iter().filter(|step| step.person == person) {
            for draft in &step.drafts {
                if drafts.iter().all(|(_, other)| other != draft) {
                    drafts.push((&step.by, draft.clone()));
                }
            }
        }
        drafts
    }
}

/// What an act came to.
#[derive(Debug, Default)]
pub(super) struct Done {
    /// Nothing was recorded.
    pub(super) dry_run: bool,
    /// Entries that were recorded, or would be.
    pub(super) entries: usize,
    /// Number of the first of them.
    pub(super) first: Option<i64>,
    /// The surviving ids of whom something new was said.
    pub(super) of_whom: Vec<PatientKey>,
}

/// Prepares an act, shows it, asks where that is needed, and records it.
///
/// # Errors
/// Those of `prepare`; the answer to the question is no; the store failed.
pub(super) fn act(
    pipeline: &Pipeline,
    site: &Site,
    how: How,
    prepare: impl Fn() -> Result<Act, Failure>,
) -> Result<Done, Failure> {
    for _ in 0..TRIES {
        let act = prepare()?;
        show(&act);
        let all: Vec<Vec<Draft>> = (0..act.people.all.len())
            .map(|n| act.drafts(n).into_iter().map(|(_, draft)| draft).collect())
            .collect();
        effect::consider(&act, &all, site, how)?;
        let count: usize = all.iter().map(Vec::len).sum();
        if how.dry_run {
            print::line(format_args!(
                "dry run: {count} entries would be recorded; nothing was"
            ));
            return Ok(Done {
                dry_run: true,
                entries: count,
                ..Done::default()
            });
        }
        if count == 0 {
            return Ok(Done::default());
        }
        match write(pipeline, &act)? {
            Some(first) => {
                tell(&act, first);
                let of_whom = act.people.all.iter().zip(&all);
                let of_whom = of_whom.filter(|(_, drafts)| !drafts.is_empty());
                let surviving = of_whom.map(|(person, _)| person.ids.surviving.clone());
                return Ok(Done {
                    dry_run: false,
                    entries: count,
                    first: Some(first),
                    of_whom: surviving.collect(),
                });
            }
            None => print::line(
                "another entry of the same patient was recorded meanwhile; checked again",
            ),
        }
    }
    Err(Failure::new(
        Code::Incomplete,
        "others keep recording entries of the same patient; nothing was recorded, try again",
    ))
}

fn show(act: &Act) {
    let mut last = None;
    for step in &act.steps {
        if last != Some(step.person)
            && let Some(person) = act.people.all.get(step.person)
        {
            print::line(person.line());
            last = Some(step.person);
        }
        print::line(format_args!("  {}", step.shown));
        if step.drafts.is_empty() {
            print::line(format_args!("  {}", step.already));
        }
    }
}

/// What is recorded for one person: their ids, all that was said before, and what is added.
type OfPerson = (
    sheathline_model::identity::Person,
    Vec<Entry>,
    Vec<(By, Draft)>,
);

/// Records it all, or nothing: `None` if the store says something else of one of them than what was
/// shown. Returns the number of the first entry.
fn write(pipeline: &Pipeline, act: &Act) -> Result<Option<i64>, Failure> {
    let of_each: Vec<OfPerson> = act
        .people
        .all
        .iter()
        .enumerate()
        .map(|(n, person)| {
            let drafts = act.drafts(n).into_iter();
            let drafts = drafts.map(|(by, draft)| (by.clone(), draft));
            (person.ids.clone(), person.entries.clone(), drafts.collect())
        })
        .filter(|(_, _, drafts): &OfPerson| !drafts.is_empty())
        .collect();
    pipeline
        .store()
        .write(move |tx| record(tx, &of_each))
        .map_err(Failure::from)
}

fn record(tx: &Tx, of_each: &[OfPerson]) -> Result<Option<i64>, StoreError> {
    for (ids, entries, _) in of_each {
        if !Person::holds(tx, ids, entries)? {
            return Ok(None);
        }
    }
    let number = annotations::new_act(tx)?;
    let now = Utc::now();
    let mut first = None;
    for (ids, _, drafts) in of_each {
        for (by, draft) in drafts {
            let added = annotations::record(tx, number, by, std::slice::from_ref(draft), now)?;
            first = first.or_else(|| added.first().copied());
        }
        assessment_queue::mark_dirty(tx, &ids.surviving, now)?;
    }
    Ok(first)
}

fn tell(act: &Act, first: i64) {
    for step in act.steps.iter().filter(|step| !step.drafts.is_empty()) {
        print::line(&step.told);
    }
    let by = act.steps.iter().find(|step| !step.drafts.is_empty());
    if let Some(step) = by {
        let name = step.by.author.name();
        print::line(format_args!("recorded from entry {first} on, by {name}"));
    }
}
