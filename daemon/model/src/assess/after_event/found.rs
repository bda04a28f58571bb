//! From the exams since an event to what is told of the time since.

use super::level::{baseline, choice, level, newest, of_a_kind, today_against};
use super::{AfterEvent, AfterState, Difference, Nadir};
use crate::assess::compare::Case;
use crate::assess::eligible::{Earlier, Session};
use crate::assess::normal::limit_of_largest;
use crate::assess::pair::{Pair, pair};
use crate::assess::since_event::{SinceEvent, in_doubt, since_event};
use crate::assess::{Assessment, DecidedBy, Modality, Notice, Status};
use crate::domain::Label;
use chrono::{Days, NaiveDate};

/// Days that a level must have lasted to be called settled: two exams so far apart agree on it.
const SETTLED_DAYS: i64 = 60;

/// Keeps a difference that prints as exactly the limit on the side of the flag.
const HAIR: f64 = 1e-9;

/// What is known of the time since the last event before today.
///
/// `None` without an event between the exams: one before all of them leaves nothing to compare with.
/// The exams since such a one are still held against each other while there is no other comparison,
/// as in the days after a first operation.
pub(in crate::assess) fn after_event(case: &Case<'_>, answer: &Assessment) -> Option<AfterEvent> {
    let p = case.parameters;
    let today = case.today;
    if today.usable.is_empty()
        || today.before_birth()
        || today.exam.modality != Modality::Ultrasound
    {
        return None;
    }
    let since = since_event(case)?;
    let compared = answer.reason.is_none();
    let exams: Vec<&Earlier<'_>> = since
        .exams
        .iter()
        .copied()
        .filter(|e| e.may_testify())
        .collect();
    if !since.any_before && (compared || exams.is_empty()) {
        return None;
    }
    let washed_out = add_days(since.last, p.washout_days)?;
    let nadir = nadir(case, from_where_a_person_settled(&exams));
    let in_doubt = in_doubt(case, answer);
    let fall = fall(case, &since).filter(|_| !in_doubt);

    let mut new: Vec<&Session<'_>> = exams.iter().map(|earlier| earlier.session).collect();
    if !in_doubt {
        new.push(today);
    }
    new.retain(|session| session.exam.date >= washed_out && of_a_kind(session, case));
    let too_early = new.is_empty();
    if let Some((from, _)) = &fall {
        new.retain(|session| follows(session, from));
    }
    let old: Vec<&Session<'_>> = since
        .before
        .iter()
        .filter(|earlier| earlier.barred(case.today, case.events, p).is_none())
        .map(|earlier| earlier.session)
        .filter(|session| of_a_kind(session, case))
        .collect();
    let on = choice(case, &old);
    let old = on.map_or_else(Vec::new, |on| baseline(case, &old, on));
    let new = on.map_or_else(|| new.clone(), |on| newest(case, &new, on));
    let shift = on.and_then(|on| level(case, on, &old, &new));
    let residual = on.and_then(|on| today_against(case, on, old.clone()));

    let spans = new
        .first()
        .zip(new.last())
        .is_some_and(|(first, last)| (last.exam.date - first.exam.date).num_days() >= SETTLED_DAYS);
    let returned_before = exams.iter().find(|earlier| earlier.had_returned());
    let returned_before = returned_before.map(|earlier| earlier.session.exam.date);
    let state = if nadir.as_ref().is_some_and(|nadir| nadir.status.flagged()) {
        AfterState::WideningAgain
    } else if too_early {
        AfterState::TooEarly
    } else if in_doubt {
        AfterState::Unclear
    } else if shift
        .as_ref()
        .is_some_and(|d| d.upper_mm < p.returned_margin)
    {
        AfterState::Returned
    } else if fall.is_some() && !spans {
        AfterState::Narrowing
    } else if spans && returned_before.is_none() && shift.as_ref().is_some_and(|d| d.lower_mm > 0.0)
    {
        AfterState::SettledWider
    } else {
        AfterState::Unclear
    };
    let ids = |sessions: &[&Session<'_>]| -> Vec<String> {
        let ids = sessions.iter().map(|session| session.exam.id.clone());
        ids.collect()
    };
    let started = exams
        .iter()
        .find(|e| e.barred(case.today, case.events, p).is_none());
    Some(AfterEvent {
        event: since.first,
        state,
        exams: listed(&exams, today),
        new_baseline: started.map(|earlier| earlier.session.exam.date),
        new_baseline_from: add_days(
            since.what.last().map_or(since.last, |last| last.date),
            p.washout_days,
        )?,
        level_exams: match shift {
            Some(_) => ids(&new),
            None => Vec::new(),
        },
        level: shift,
        residual,
        since: since_the_crisis(case, &since),
        narrowed: fall.map(|(_, fall)| fall),
        nadir,
        returned_on: returned_before
            .or_else(|| (state == AfterState::Returned).then_some(today.exam.date)),
        proposed_baseline: match state {
            AfterState::SettledWider => ids(&new),
            _ => Vec::new(),
        },
        margin_mm: p.returned_margin,
        what: since.what,
    })
}

impl AfterEvent {
    /// Makes a width that rises again since the event a flagged one, whatever the older baseline says.
    pub(in crate::assess) fn raise(&self, answer: &mut Assessment) {
        let Some(nadir) = self.nadir.as_ref().filter(|nadir| nadir.status.flagged()) else {
            return;
        };
        if let Err(at) = answer.notices.binary_search(&Notice::WideningAgain) {
            answer.notices.insert(at, Notice::WideningAgain);
        }
        answer.flagged = true;
        let already = match answer.status {
            Status::WellAboveExpected => true,
            Status::AboveExpected => nadir.status == Status::AboveExpected,
            _ => false,
        };
        if !already {
            answer.status = nadir.status;
            answer.decided_by = Some(DecidedBy::SinceEvent);
        }
    }
}

/// The exams from the last one on that was flagged and that a person has called well or ruled out: they
/// have seen that width and say that it is no rise.
fn from_where_a_person_settled<'e, 'a>(exams: &'e [&'a Earlier<'a>]) -> &'e [&'a Earlier<'a>] {
    let settled = exams.iter().rposition(|earlier| {
        let label = earlier.session.exam.label;
        earlier.rose() && matches!(label, Some(Label::Well | Label::RaisedRuledOut))
    });
    exams.get(settled.unwrap_or(0)..).unwrap_or_default()
}

/// Today held against each of the exams that it can be held against, in order.
fn pairs<'a>(
    case: &Case<'_>,
    exams: impl Iterator<Item = &'a Earlier<'a>>,
) -> impl Iterator<Item = (&'a Session<'a>, Pair)> {
    exams.filter_map(|earlier| {
        let then = earlier.session;
        Some((then, pair(then, case.today, case.parameters).ok()?))
    })
}

/// Exams at the event or since that may speak.
fn around<'a>(since: &SinceEvent<'a>) -> impl Iterator<Item = &'a Earlier<'a>> {
    since.around.iter().copied().filter(|one| one.may_testify())
}

/// Today beside the narrowest of the exams since the event; the limit is that of the largest of all
/// differences from them.
fn nadir(case: &Case<'_>, exams: &[&Earlier<'_>]) -> Option<Nadir> {
    let p = case.parameters;
    let pairs: Vec<_> = pairs(case, exams.iter().copied()).collect();
    let comparisons = pairs.len();
    // Of equals the newest.
    let (then, pair) = pairs
        .into_iter()
        .max_by(|(_, a), (_, b)| a.mm.total_cmp(&b.mm))?;
    let above = limit_of_largest(p.z_above, comparisons);
    let well = limit_of_largest(p.z_well, comparisons);
    let reaches = |limit: f64| pair.z() + HAIR >= limit;
    Some(Nadir {
        exam: then.exam.id.clone(),
        date: then.exam.date,
        time: then.exam.time,
        comparisons,
        mm: pair.mm,
        sd_mm: pair.sd_mm,
        limit_mm: above * pair.sd_mm,
        well_limit_mm: well * pair.sd_mm,
        status: if reaches(well) {
            Status::WellAboveExpected
        } else if reaches(above) {
            Status::AboveExpected
        } else {
            Status::WithinExpected
        },
    })
}

/// The last exam at the event or since that lies above today by more than error, and today minus it;
/// the limit is that of the largest of all differences.
fn fall<'a>(case: &Case<'_>, since: &SinceEvent<'a>) -> Option<(&'a Session<'a>, Difference)> {
    let p = case.parameters;
    let pairs: Vec<_> = pairs(case, around(since)).collect();
    let limit = limit_of_largest(p.z_above, pairs.len());
    let mut newest = pairs.into_iter().rev();
    let (then, pair) = newest.find(|(_, pair)| pair.z() - HAIR <= -limit)?;
    let fall = Difference::of(then.exam.date, 1, pair.mm, pair.sd_mm, p.z_above);
    Some((then, fall))
}

/// Today against the exam at the event or the first one after it, whatever its label: it shows the crisis.
fn since_the_crisis(case: &Case<'_>, since: &SinceEvent<'_>) -> Option<Difference> {
    let (then, found) = pairs(case, around(since)).next()?;
    let z = case.parameters.z_above;
    Some(Difference::of(then.exam.date, 1, found.mm, found.sd_mm, z))
}

/// Ids of the newest exams since the event and of today's: without a limit the results of a patient would
/// grow with the square of the number of exams.
fn listed(exams: &[&Earlier<'_>], today: &Session<'_>) -> Vec<String> {
    const NEWEST: usize = 39;
    let older = exams.len().saturating_sub(NEWEST);
    let newest = exams.iter().skip(older).map(|earlier| earlier.session);
    let all = newest.chain([today]);
    all.map(|session| session.exam.id.clone()).collect()
}

/// Whether an exam was taken after another one.
fn follows(session: &Session<'_>, from: &Session<'_>) -> bool {
    (session.exam.date, session.exam.time) > (from.exam.date, from.exam.time)
}

fn add_days(day: NaiveDate, days: i64) -> Option<NaiveDate> {
    day.checked_add_days(Days::new(u64::try_from(days).ok()?))
}

impl Difference {
    pub(super) fn of(with: NaiveDate, exams: usize, mm: f64, sd_mm: f64, z: f64) -> Self {
        Difference {
            with,
            exams,
            mm,
            sd_mm,
            lower_mm: mm - z * sd_mm,
            upper_mm: mm + z * sd_mm,
        }
    }
}
