//! Which exams lie after the last event of a patient, in the order of time.

use super::Assessment;
use super::after_event::{Happened, HappenedKind};
use super::compare::Case;
use super::eligible::{Earlier, Session, same_modality};
use crate::domain::{EventKind, Label};
use chrono::{NaiveDate, NaiveTime};

/// An event with the time of day, where one is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Moment {
    date: NaiveDate,
    /// Of an exam that tells of the event. What was done about a crisis on its day followed it, and what
    /// was measured later that day counts as measured after both.
    time: Option<NaiveTime>,
    kind: HappenedKind,
}

impl Moment {
    /// Whether an exam was taken after it. Without times an exam of the same day was taken before,
    /// unless it is itself labelled as taken after the pressure had been relieved.
    fn before(&self, exam: &super::Exam) -> bool {
        if self.date != exam.date {
            return self.date < exam.date;
        }
        let relieved = exam.label == Some(Label::AfterDecompression);
        match (self.time, exam.time) {
            (Some(event), Some(exam)) if self.kind == HappenedKind::AfterDecompression => {
                event <= exam
            }
            (Some(event), Some(exam)) => event < exam,
            _ => relieved,
        }
    }
}

/// The time since the last event before today's exam.
#[derive(Debug)]
pub(super) struct SinceEvent<'a> {
    /// First day of the event; those with no eligible exam between them count as one.
    pub(super) first: NaiveDate,
    /// Day from which the exams since are counted: of the last of those events that is more than the
    /// label of an exam taken afterwards.
    pub(super) last: NaiveDate,
    /// What happened, oldest first.
    pub(super) what: Vec<Happened>,
    /// Exams before today that were taken after all of it, oldest first.
    pub(super) exams: Vec<&'a Earlier<'a>>,
    /// Exams before today from the first day of the event on, those at the event included.
    pub(super) around: Vec<&'a Earlier<'a>>,
    /// Exams from before the first event, back to the event before it.
    pub(super) before: Vec<&'a Earlier<'a>>,
    /// Whether any exam lies before the last of these events, or at it.
    pub(super) any_before: bool,
}

/// The last event before today, and the exams since; `None` without an event.
pub(super) fn since_event<'a>(case: &Case<'a>) -> Option<SinceEvent<'a>> {
    let today = case.today.exam;
    let known = known(case);
    let past: Vec<Moment> = moments(case, &known)
        .into_iter()
        .filter(|moment| moment.before(today))
        .collect();
    let apart = |one: &Moment, next: &Moment| {
        known.iter().any(|earlier| {
            one.before(earlier.session.exam)
                && !next.before(earlier.session.exam)
                && tells_apart(case, earlier)
        })
    };
    let mut groups: Vec<Vec<Moment>> = Vec::new();
    for moment in past {
        match groups.last_mut() {
            Some(group) if group.last().is_some_and(|last| !apart(last, &moment)) => {
                group.push(moment);
            }
            _ => groups.push(vec![moment]),
        }
    }
    let group = groups.pop()?;
    let first = *group.first()?;
    let treated = group
        .iter()
        .rev()
        .find(|moment| moment.kind != HappenedKind::AfterDecompression);
    let last = *treated.unwrap_or(&first);
    let of = |keep: &dyn Fn(&Session<'_>) -> bool| -> Vec<&'a Earlier<'a>> {
        let kept = known.iter().filter(|earlier| keep(earlier.session));
        kept.copied().collect()
    };
    let before = of(&|session| !first.before(session.exam));
    // The newest stretch between events that still has an exam which may serve: what lies before
    // further events has shifted since.
    let stretch = groups.iter().rev().find_map(|group| {
        let end = *group.last()?;
        let since: Vec<_> = before
            .iter()
            .copied()
            .filter(|earlier| end.before(earlier.session.exam))
            .collect();
        let serves = since.iter().any(|earlier| tells_apart(case, earlier));
        serves.then_some(since)
    });
    Some(SinceEvent {
        first: first.date,
        last: last.date,
        what: group
            .iter()
            .map(|moment| Happened {
                date: moment.date,
                kind: moment.kind,
            })
            .collect(),
        exams: of(&|session| last.before(session.exam)),
        around: of(&|session| session.exam.date >= first.date),
        any_before: known.iter().any(|one| !last.before(one.session.exam)),
        before: stretch.unwrap_or(before),
    })
}

/// The exams before today's in the order of time: those of earlier days, and those of the day of which
/// times tell that they were earlier.
pub(super) fn known<'a>(case: &Case<'a>) -> Vec<&'a Earlier<'a>> {
    let now = case.today.exam.time;
    let of_the_day = case.earlier_today.iter().filter(|earlier| {
        let then = earlier.session.exam.time;
        then.zip(now).is_some_and(|(then, now)| then < now)
    });
    case.earlier.iter().chain(of_the_day).collect()
}

/// Whether an exam that may serve keeps two events apart.
fn tells_apart(case: &Case<'_>, earlier: &Earlier<'_>) -> bool {
    same_modality(earlier.session.exam.modality, case.today.exam.modality)
        && earlier
            .barred(case.today, case.events, case.parameters)
            .is_none()
}

/// Every event in order: the recorded ones, and those that labels tell of.
fn moments(case: &Case<'_>, known: &[&Earlier<'_>]) -> Vec<Moment> {
    let exams = known.iter().map(|earlier| earlier.session.exam);
    let own = Some(case.today.exam).filter(|exam| exam.label == Some(Label::AfterDecompression));
    let told = exams.chain(own).filter_map(|exam| {
        let kind = match exam.label? {
            Label::RaisedConfirmed => HappenedKind::RaisedConfirmed,
            Label::AfterDecompression => HappenedKind::AfterDecompression,
            Label::Well | Label::RaisedRuledOut => return None,
        };
        Some(Moment {
            date: exam.date,
            time: exam.time,
            kind,
        })
    });
    let told: Vec<Moment> = told.collect();
    let recorded = case.dated_events.iter().map(|event| Moment {
        date: event.date,
        time: told
            .iter()
            .filter(|one| one.date == event.date && one.kind == HappenedKind::RaisedConfirmed)
            .filter_map(|one| one.time)
            .max(),
        kind: match event.kind {
            EventKind::CsfSurgery => HappenedKind::CsfSurgery,
            EventKind::ShuntRevision => HappenedKind::ShuntRevision,
            EventKind::Other => HappenedKind::Other,
        },
    });
    let mut moments: Vec<Moment> = recorded.collect();
    moments.extend(told);
    // Of one day: by time, then the crisis before what was done about it.
    moments.sort_unstable();
    moments.dedup();
    moments
}

/// Whether today's exam says nothing of a level: a width under doubt must not read as one that returned.
pub(super) fn in_doubt(case: &Case<'_>, answer: &Assessment) -> bool {
    let exam = case.today.exam;
    let doubted = answer.notices.iter().any(|notice| notice.is_doubt());
    exam.excluded.is_some() || (case.heeds_doubts && exam.label.is_none() && doubted)
}
