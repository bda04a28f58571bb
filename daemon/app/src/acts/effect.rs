//! What an act would do to the results, and what has to be asked before.

use super::ActError;
use super::person::Person;
use super::prepare::{Look, Prepared, Serves};
use chrono::NaiveDateTime;
use sheathline_model::annotations::Kind;
use sheathline_model::domain::PatientKey;
use sheathline_model::results::{Content, Site, change, seen};
use std::collections::{BTreeMap, BTreeSet};

/// What an act would do to the results of one person.
#[derive(Debug)]
pub struct Changes {
    /// The person's surviving id.
    pub patient: PatientKey,
    /// The results that get a new version, oldest exam first.
    pub effects: Vec<Effect>,
    /// Of how many.
    pub of: usize,
    /// What has to be asked.
    pub questions: Vec<Question>,
}

/// A result that gets a new version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effect {
    /// The exam.
    pub exam: String,
    /// When it was performed.
    pub at: NaiveDateTime,
    /// What stands; `None` where the exam is told only by what is said now.
    pub now: Option<String>,
    /// What it would say; `None` where the exam would be told no more.
    pub then: Option<String>,
    /// In which words the new version tells why it was made.
    pub why: Vec<String>,
}

/// What somebody has to say yes to: either can hide a rise that is real.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Question {
    /// This exam is flagged and would be baseline.
    BecomesBaseline(String),
    /// This exam is flagged and would be no more.
    LosesFlag(String),
}

impl Question {
    /// The exam.
    pub fn exam(&self) -> &str {
        match self {
            Question::BecomesBaseline(exam) | Question::LosesFlag(exam) => exam,
        }
    }
}

/// What the act does, person by person. Persons are left out whom it does not touch, and where only
/// the questions matter also those of whom nothing can be asked.
pub(super) fn of(act: &Prepared, site: &Site, look: Look) -> Result<Vec<Changes>, ActError> {
    let mut all = Vec::new();
    for (number, person) in act.people().iter().enumerate() {
        let drafts: Vec<_> = act
            .drafts(number)
            .into_iter()
            .map(|(_, draft)| draft)
            .collect();
        let touches = drafts.iter().any(|draft| moves_results(draft.said.kind()));
        // What is known to hold no flag needs no work; what is not known is worked out.
        if drafts.is_empty() || look == Look::Asked && (!touches || person.is_calm()) {
            continue;
        }
        let asked: BTreeMap<&str, Serves> = act
            .steps
            .iter()
            .filter(|step| step.person == number && step.is_new())
            .flat_map(|step| &step.exams)
            .filter(|(_, serves)| *serves != Serves::No)
            .filter_map(|(n, serves)| Some((person.exams.get(*n)?.id.as_str(), *serves)))
            .collect();
        let (before, after) = person.results(&drafts, site)?;
        let mut questions = flagged_baseline(&asked, &before, &after);
        questions.extend(lost_flags(&questions, &before, &after));
        all.push(Changes {
            patient: person.ids.surviving.clone(),
            effects: effects(person, &before, &after)?,
            of: before.len(),
            questions,
        });
    }
    Ok(all)
}

/// Whether entries of a kind can change what the comparison says.
fn moves_results(kind: Kind) -> bool {
    match kind {
        Kind::Label | Kind::Event | Kind::LeftOut | Kind::TakenBack => true,
        Kind::Pressure
        | Kind::Acknowledged
        | Kind::Settled
        | Kind::Note
        | Kind::SecondAsked
        | Kind::SecondRead
        | Kind::SecondJudged => false,
    }
}

/// Exams that are flagged and would be baseline.
fn flagged_baseline(
    asked: &BTreeMap<&str, Serves>,
    before: &[Content],
    after: &[Content],
) -> Vec<Question> {
    let baseline = |contents: &[Content]| -> BTreeSet<String> {
        let all = contents.iter().flat_map(|content| &content.baseline);
        all.map(|one| one.exam.clone()).collect()
    };
    let (served, serve) = (baseline(before), baseline(after));
    let flagged = before.iter().filter(|content| content.assessment.flagged);
    let joins = flagged.filter(|content| {
        let id = &content.exam.id;
        match asked.get(id.as_str()) {
            Some(Serves::Yes) => true,
            Some(Serves::No) => false,
            // By taking something back, or by what is said of others.
            Some(Serves::Perhaps) | None => serve.contains(id) && !served.contains(id),
        }
    });
    joins
        .map(|content| Question::BecomesBaseline(content.exam.id.clone()))
        .collect()
}

/// Exams that are flagged and would be no more, beside those that are asked about already.
fn lost_flags(asked: &[Question], before: &[Content], after: &[Content]) -> Vec<Question> {
    let flagged = |contents: &[Content]| -> BTreeSet<String> {
        let flagged = contents.iter().filter(|content| content.assessment.flagged);
        flagged.map(|content| content.exam.id.clone()).collect()
    };
    let kept = flagged(after);
    let lost = before.iter().filter(|content| {
        let id = &content.exam.id;
        content.assessment.flagged
            && !kept.contains(id)
            && asked.iter().all(|question| question.exam() != id)
    });
    lost.map(|content| Question::LosesFlag(content.exam.id.clone()))
        .collect()
}

/// Which results get a new version, each with what it says now and what it would say.
fn effects(
    person: &Person,
    before: &[Content],
    after: &[Content],
) -> Result<Vec<Effect>, serde_json::Error> {
    let then: BTreeMap<&str, &Content> = after
        .iter()
        .map(|content| (content.exam.id.as_str(), content))
        .collect();
    let mut effects = Vec::new();
    for made in before {
        let id = made.exam.id.as_str();
        // What stands is what readers have before them.
        let now = person.current(id).unwrap_or(made);
        let then = then.get(id).copied();
        let why = match then {
            Some(then) if seen(now)? == seen(then)? => continue,
            Some(then) => change::why(Some(now), then),
            None => Vec::new(),
        };
        effects.push(Effect {
            exam: id.to_owned(),
            at: now.exam.performed_at.local,
            now: Some(now.in_figures()),
            then: then.map(Content::in_figures),
            why,
        });
    }
    let known: BTreeSet<&str> = before.iter().map(|one| one.exam.id.as_str()).collect();
    let told = after
        .iter()
        .filter(|one| !known.contains(one.exam.id.as_str()));
    effects.extend(told.map(|content| Effect {
        exam: content.exam.id.clone(),
        at: content.exam.performed_at.local,
        now: None,
        then: Some(content.in_figures()),
        why: Vec::new(),
    }));
    effects.sort_by(|a, b| (a.at, &a.exam).cmp(&(b.at, &b.exam)));
    Ok(effects)
}
