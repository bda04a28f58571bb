//! What a wish says of one exam: the entries, whether it can be said, and in which words.

use super::error::ActError;
use super::found::Gone;
use super::person::{Person, about, about_all, moment};
use super::prepare::{Serves, Step};
use super::{Order, Wish};
use crate::known::content_of;
use sheathline_model::annotations::{self, Draft, Judgement, Kind, Of, Outcome, Said};
use sheathline_model::domain::{About, Label};
use sheathline_model::history::{Exam, Places};
use sheathline_model::worklist::Rise;
use sheathline_store::{Store, exam_lines, results};
use std::collections::BTreeSet;

/// One thing that a wish says of an exam.
pub(super) enum Saying {
    /// That counts from now on.
    Say(Said),
    /// That counts too, beside whatever was said of other readings.
    Add(Said),
    /// Nothing of the kind counts any more.
    TakeBack(Said),
}

impl Saying {
    /// Of which kind it is.
    pub(super) fn kind(&self) -> Kind {
        match self {
            Saying::Say(said) | Saying::Add(said) | Saying::TakeBack(said) => said.kind(),
        }
    }

    /// The entries that say it of exam `own`; `together` are the exams of which the same act says
    /// something of that kind too.
    pub(super) fn drafts(
        &self,
        person: &Person,
        places: &Places<'_>,
        own: usize,
        together: &BTreeSet<usize>,
    ) -> Vec<Draft> {
        let Some(exam) = person.exams.get(own) else {
            return Vec::new();
        };
        let rest = |old: &_| person.rest(places, old, own, together);
        match self {
            Saying::Say(said) => annotations::say(&person.entries, &exam.patient, said, rest),
            Saying::Add(said) => vec![Draft {
                patient: exam.patient.clone(),
                corrects: None,
                said: said.clone(),
            }],
            Saying::TakeBack(said) => annotations::take_back(&person.entries, said, rest),
        }
    }
}

/// What a wish says of an exam of which `version` is the newest one.
pub(super) fn sayings(wish: &Wish, exam: &Exam, version: Option<u32>) -> Vec<Saying> {
    let about = about(exam);
    let nothing = |kind| Saying::TakeBack(Said::Nothing(kind, Of::Exam(about.clone())));
    let seen = version.map(|version| Saying::Say(Said::Acknowledged(about.clone(), version)));
    let label = |label| Saying::Say(Said::Label(about.clone(), label));
    match wish {
        Wish::Label(Some(one)) => vec![label(*one)],
        Wish::Label(None) => vec![nothing(Kind::Label)],
        Wish::Pressure(Some(one)) => vec![Saying::Say(Said::Pressure(about, one.clone()))],
        Wish::Pressure(None) => vec![nothing(Kind::Pressure)],
        Wish::Acknowledge(_) => seen.into_iter().collect(),
        Wish::Settle(outcome) => {
            let mut said: Vec<Saying> = seen.into_iter().collect();
            said.push(Saying::Say(Said::Settled(about.clone(), *outcome)));
            said.extend(outcome.label().map(label));
            said
        }
        Wish::Note => vec![Saying::Say(Said::Note(about))],
        Wish::LeaveOut => vec![Saying::Say(Said::LeftOut(about))],
        Wish::LeaveOutBack => vec![nothing(Kind::LeftOut)],
        // All of them, and of those alone that stand: some may have been taken back before.
        Wish::TakeBackReadings => vec![Saying::Add(Said::TakenBack(about_all(exam)))],
        Wish::SecondAsk => vec![Saying::Say(Said::SecondAsked(about))],
        Wish::SecondRead(one) => vec![Saying::Say(Said::SecondRead(about, one.clone()))],
        Wish::SecondJudge(one) => vec![Saying::Say(Said::SecondJudged(about, *one))],
        Wish::CountReadings | Wish::Event(_) | Wish::EventBack(_) | Wish::TakeBackEntry(_) => {
            Vec::new()
        }
    }
}

/// Whether what stands of an exam lets that be said of it.
pub(super) fn allowed(
    store: &Store,
    person: &Person,
    places: &Places<'_>,
    (own, exam): (usize, &Exam),
    order: &Order,
) -> Result<(), ActError> {
    if let Some(why) = order.wish.reason()
        && order.by.reason.is_empty()
    {
        return Err(ActError::Reason(why));
    }
    let id = || exam.id.clone();
    match &order.wish {
        Wish::Acknowledge(_) | Wish::Settle(_) => {
            was_a_rise(store, &exam.id, person.version(&exam.id), &order.wish)
        }
        Wish::SecondRead(one) if one.right.is_empty() && one.left.is_empty() => {
            Err(ActError::EmptySecond)
        }
        Wish::SecondJudge(_) => {
            let mut standing = annotations::standing(&person.entries);
            let is_read = standing.any(|entry| match &entry.said {
                Said::SecondRead(about, _) => places.exams(about).contains(&own),
                _ => false,
            });
            if is_read {
                Ok(())
            } else {
                Err(ActError::NoSecond(id()))
            }
        }
        _ => Ok(()),
    }
}

/// A rise is acknowledged and settled that was one, and of the version that was shown.
fn was_a_rise(store: &Store, exam: &str, newest: Option<u32>, wish: &Wish) -> Result<(), ActError> {
    if let (Wish::Acknowledge(Some(shown)), Some(newest)) = (wish, newest)
        && *shown != newest
    {
        let row = store.read(|view| results::latest(view, exam))?;
        let content = row.and_then(|row| content_of(&row).ok());
        return Err(ActError::Newer {
            exam: exam.to_owned(),
            shown: *shown,
            newest,
            says: content.map_or("what cannot be read".to_owned(), |one| one.in_short()),
        });
    }
    let flags = store.read(|view| results::flags(view, exam))?;
    if flags.iter().any(|version| version.flagged.is_some()) {
        Ok(())
    } else {
        Err(ActError::NoRise(exam.to_owned()))
    }
}

/// The entries by which the rise of exam `own` is settled, of those that were worked out. Settled so
/// already, its newest version is not acknowledged once more: the label of the first time made it. Where
/// the same outcome was said of a rise before this one it is said again of this one.
pub(super) fn settled(
    store: &Store,
    person: &Person,
    places: &Places<'_>,
    own: usize,
    outcome: Outcome,
    mut drafts: Vec<Draft>,
) -> Result<Vec<Draft>, ActError> {
    let Some(exam) = person.exams.get(own) else {
        return Ok(drafts);
    };
    let line = store.read(|view| exam_lines::of_exam(view, &exam.id))?;
    let is_said = drafts.iter().any(|one| one.said.kind() == Kind::Settled);
    match line.and_then(|line| line.rise) {
        Some(Rise::Settled { .. }) if !is_said => {
            drafts.retain(|one| one.said.kind() != Kind::Acknowledged);
            return Ok(drafts);
        }
        Some(_) if !is_said => {}
        _ => return Ok(drafts),
    }
    let standing = annotations::standing(&person.entries);
    let old = standing.filter_map(|entry| match &entry.said {
        Said::Settled(of, said) if *said == outcome => Some((entry, places.exams(of))),
        _ => None,
    });
    let of_own = old.filter(|(_, exams)| exams.contains(&own));
    drafts.extend(of_own.flat_map(|(entry, exams)| {
        let exams = exams.into_iter().filter_map(|n| person.exams.get(n));
        exams.map(|exam| Draft {
            patient: entry.patient.clone(),
            corrects: Some(entry.id),
            said: Said::Settled(about(exam), outcome),
        })
    }));
    Ok(drafts)
}

/// The step that acknowledges what became of an exam that is told no more.
pub(super) fn of_gone(
    store: &Store,
    person: &Person,
    number: usize,
    gone: &Gone,
    order: &Order,
) -> Result<Step, ActError> {
    let exam = &gone.content.exam;
    was_a_rise(store, &exam.id, Some(gone.version), &order.wish)?;
    // Of all of the study: which readings it had is told by the version that is named.
    let about = About {
        study_instance_uid: exam.study_instance_uid.clone(),
        readings: Vec::new(),
    };
    let said = Said::Acknowledged(about, gone.version);
    let drafts = annotations::say(&person.entries, &gone.patient, &said, |old| {
        (old.study_instance_uid == exam.study_instance_uid).then(Vec::new)
    });
    let at = exam.performed_at.local.format("%Y-%m-%d %H:%M");
    let (told, already, _) = words(&order.wish, gone.version);
    Ok(Step {
        person: number,
        shown: format!("exam {}, {at}: told no more", exam.id),
        told: format!("exam {} of {at}: {told}", exam.id),
        already: format!("exam {} {already} already", exam.id),
        exams: Vec::new(),
        drafts,
        by: order.by.clone(),
    })
}

/// The step of an exam of which readings were taken back: they count again, or nothing is left to take
/// back. `exam` is told with them; as things stand it may be told without them, or no more.
pub(super) fn counted_again(person: &Person, number: usize, exam: &Exam, order: &Order) -> Step {
    let all = about_all(exam);
    let said = Said::TakenBack(all.clone());
    let drafts = match order.wish {
        Wish::CountReadings => {
            annotations::take_back(&person.entries, &said, |old| old.without(&all))
        }
        // Taken back already.
        _ => Vec::new(),
    };
    let stands = person.exams.iter().find(|one| one.id == exam.id);
    let shown = match stands {
        Some(stands) => person.line_of(stands),
        None => format!("exam {}, {}: told no more", exam.id, moment(exam)),
    };
    let (told, already, _) = words(&order.wish, 0);
    Step {
        person: number,
        shown,
        told: format!("exam {} of {}: {told}", exam.id, moment(exam)),
        already: format!("exam {} {already} already", exam.id),
        exams: Vec::new(),
        drafts,
        by: order.by.clone(),
    }
}

/// Whether the same note of the same author stands: a command that was cut off is given again.
pub(super) fn is_noted(person: &Person, places: &Places<'_>, own: usize, order: &Order) -> bool {
    let mut standing = annotations::standing(&person.entries);
    order.wish == Wish::Note
        && standing.any(|entry| match &entry.said {
            Said::Note(about) => {
                entry.by.author == order.by.author
                    && entry.by.reason == order.by.reason
                    && places.exams(about).contains(&own)
            }
            _ => false,
        })
}

/// The step that says it of exam `own`.
pub(super) fn of_exam(
    person: &Person,
    number: usize,
    (own, exam): (usize, &Exam),
    order: &Order,
    drafts: Vec<Draft>,
) -> Step {
    let version = person.version(&exam.id).unwrap_or_default();
    let (told, already, serves) = words(&order.wish, version);
    Step {
        person: number,
        shown: person.line_of(exam),
        told: format!("exam {} of {}: {told}", exam.id, moment(exam)),
        already: format!("exam {} {already} already", exam.id),
        exams: vec![(own, serves)],
        drafts,
        by: order.by.clone(),
    }
}

/// What is told of an exam once it is recorded, how it stands where that is so already, and whether
/// the exam would be baseline by it.
fn words(wish: &Wish, version: u32) -> (String, String, Serves) {
    let of_label = |label: Label| match label {
        Label::Well | Label::RaisedRuledOut => Serves::Yes,
        Label::RaisedConfirmed | Label::AfterDecompression => Serves::No,
    };
    let (told, already, serves) = match wish {
        Wish::Label(Some(label)) => (label.title(), "has that label", of_label(*label)),
        Wish::Label(None) => ("no label", "has no label", Serves::Perhaps),
        Wish::Pressure(pressure) => {
            let said = match pressure {
                Some(one) => format!("opening pressure {one}"),
                None => "no opening pressure".to_owned(),
            };
            return (said.clone(), format!("has {said}"), Serves::No);
        }
        Wish::Acknowledge(_) => {
            let told = format!("version {version} acknowledged");
            let already = format!("has version {version} acknowledged");
            return (told, already, Serves::No);
        }
        Wish::Settle(outcome) => {
            let label = outcome.label();
            let word = outcome.word().replace('_', " ");
            let told = match label {
                Some(label) => format!("rise settled as {word}; label {}", label.title()),
                None => format!("rise settled as {word}; its label stays"),
            };
            let serves = label.map_or(Serves::No, of_label);
            return (told, format!("is settled as {word}"), serves);
        }
        Wish::Note => ("note kept", "has that note", Serves::No),
        Wish::LeaveOut => ("left out of the baseline", "is left out", Serves::No),
        Wish::LeaveOutBack => ("may be baseline again", "may be baseline", Serves::Perhaps),
        Wish::TakeBackReadings => ("its readings are taken back", "is taken back", Serves::No),
        Wish::CountReadings => (
            "its readings count again",
            "counts with all its readings",
            Serves::Perhaps,
        ),
        Wish::SecondAsk => ("second reading asked for", "has that request", Serves::No),
        Wish::SecondRead(_) => ("second reading kept", "has that second reading", Serves::No),
        Wish::SecondJudge(Judgement::Agrees) => {
            ("second reading agrees", "has that verdict", Serves::No)
        }
        Wish::SecondJudge(Judgement::Differs) => {
            ("second reading differs", "has that verdict", Serves::No)
        }
        Wish::Event(_) | Wish::EventBack(_) | Wish::TakeBackEntry(_) => ("", "", Serves::No),
    };
    (told.to_owned(), already.to_owned(), serves)
}
