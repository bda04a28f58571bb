//! An act before it is recorded: what would be said, and what that would do.

use super::effect::{self, Changes, Question};
use super::person::{People, Person};
use super::seen::short;
use super::{ActError, Order, steps};
use sha2::{Digest, Sha256};
use sheathline_model::annotations::{By, Draft, Kind};
use sheathline_model::results::Site;
use sheathline_store::Store;

/// One thing that is said.
#[derive(Debug)]
pub struct Step {
    /// Number of the person among those of the act.
    pub person: usize,
    /// What is shown before it is recorded.
    pub shown: String,
    /// What is told once it is: of what, and what was said.
    pub told: String,
    /// What is told when it is so already.
    pub already: String,
    /// The exams, by their number among the person's, and whether they would be baseline by it.
    pub(super) exams: Vec<(usize, Serves)>,
    /// The entries; none where it is so already.
    pub(super) drafts: Vec<Draft>,
    /// Who says it, and why.
    pub by: By,
}

impl Step {
    /// Whether it says anything that is not so already.
    pub fn is_new(&self) -> bool {
        !self.drafts.is_empty()
    }
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

/// How much of what an act would do is worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// As much as the questions need: a table names thousands of people.
    Asked,
    /// Everything.
    All,
}

/// An act that is worked out and not recorded.
pub struct Prepared {
    people: People,
    pub(super) steps: Vec<Step>,
    changes: Vec<Changes>,
}

impl Prepared {
    /// Of whom something is said.
    pub fn people(&self) -> &[Person] {
        &self.people.all
    }

    /// What is said, person by person.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// What it would do to the results of each person for whom that was worked out.
    pub fn changes(&self) -> &[Changes] {
        &self.changes
    }

    /// What somebody has to say yes to before it is recorded.
    pub fn questions(&self) -> impl Iterator<Item = &Question> {
        self.changes.iter().flat_map(|one| &one.questions)
    }

    /// How many entries it would add.
    pub fn entries(&self) -> usize {
        (0..self.people.all.len())
            .map(|number| self.drafts(number).len())
            .sum()
    }

    /// Whether all of it is so already.
    pub fn is_nothing(&self) -> bool {
        self.steps.iter().all(|step| !step.is_new())
    }

    /// What stands of the people of the act as a word: another one wherever something came since.
    pub fn stamp(&self) -> String {
        let each: Vec<String> = self.people.all.iter().map(Person::stamp).collect();
        each.join(" ")
    }

    /// What is asked, on what stands, as a word: a yes belongs to this question alone. `None` where
    /// nothing is asked.
    pub fn asked(&self) -> Option<String> {
        let mut questions = self.questions().peekable();
        questions.peek()?;
        let mut hash = Sha256::new_with_prefix(self.stamp());
        for question in questions {
            hash.update(format!("{question:?}"));
        }
        for step in &self.steps {
            hash.update(format!("{:?}", step.drafts));
        }
        Some(short(&hash.finalize()))
    }

    /// Whether it mends or takes back what somebody other than this account entered.
    pub fn corrects_others(&self, account: &str) -> bool {
        let drafts = self.steps.iter().flat_map(|step| {
            let person = self.people.all.get(step.person);
            step.drafts.iter().map(move |draft| (person, draft))
        });
        let mut named = drafts.filter_map(|(person, draft)| Some((person?, draft.corrects?)));
        named.any(|(person, number)| {
            let old = person.entries.iter().find(|entry| entry.id == number);
            old.is_some_and(|entry| entry.by.entered_by != account)
        })
    }

    /// The kinds of the entries that it adds.
    pub fn kinds(&self) -> impl Iterator<Item = Kind> {
        let drafts = self.steps.iter().flat_map(|step| &step.drafts);
        drafts.map(|draft| draft.said.kind())
    }

    /// The entries that a person gets, each once: of two exams that one older entry was about, both
    /// take it back, and both say it again of a third.
    pub(super) fn drafts(&self, person: usize) -> Vec<(&By, Draft)> {
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

/// Works out what some orders, said as one act, would record and do.
///
/// # Errors
/// An order means nothing that the store knows, or what is recorded speaks against it; the store or
/// the comparison failed.
pub fn prepare(
    store: &Store,
    site: &Site,
    orders: &[Order],
    look: Look,
) -> Result<Prepared, ActError> {
    let (people, steps) = steps::of(store, site, orders)?;
    let mut prepared = Prepared {
        people,
        steps,
        changes: Vec::new(),
    };
    prepared.changes = effect::of(&prepared, site, look)?;
    Ok(prepared)
}
