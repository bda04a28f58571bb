//! What is left of an event: today's width beside the baseline from before it.
//!
//! The comparison itself allows for a lasting shift (`sigma_step`) and so cannot say whether there
//! is one. Here the same readings are compared without that allowance.

use super::compare::{Case, Compared, solve};
use super::eligible::{Session, expired, same_borders, same_modality};
use super::model::Setting;
use super::planes::{self, Choice};
use super::verdict::rows;
use super::{Parameters, PerEye, rounded};
use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

/// Today beside the time before the last event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AfterEvent {
    /// First day of the last event; those with no eligible exam between them count as one.
    pub event: NaiveDate,
    /// First exam after the event that serves as baseline: the new baseline starts there.
    pub new_baseline: Option<NaiveDate>,
    /// Earliest day on which an exam can start a new baseline.
    pub new_baseline_from: NaiveDate,
    /// Today minus what the baseline from before the event leads one to expect; `None` when no
    /// baseline exam from before it is in use.
    pub residual: Option<Difference>,
    /// Today minus what the exam at the event, or the first one after it, leads one to expect;
    /// `None` without such an exam of an earlier day.
    pub since: Option<Difference>,
    /// What the two say together.
    pub state: AfterState,
    /// Width under which a residual counts as gone, mm: `sigma_step`.
    #[serde(serialize_with = "rounded::plain")]
    pub margin_mm: f64,
}

/// A difference with its own interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Day of the last exam compared with.
    pub with: NaiveDate,
    /// Exams compared with.
    pub exams: usize,
    /// Measured minus expected, of both eyes or the only eye compared, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// SD of the difference, without an allowance for a lasting shift, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// mm - `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub lower_mm: f64,
    /// mm + `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub upper_mm: f64,
}

/// What is known of the time after an event. Decided by intervals, in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AfterState {
    /// The interval of the residual reaches zero and its upper end lies under the margin.
    Returned,
    /// Not returned, and the whole interval of the change since the event lies below zero.
    Recovering,
    /// Neither, and the whole interval of the residual lies above zero.
    Residual,
    /// None of these: the intervals are too wide to tell.
    Undecided,
}

impl AfterState {
    fn of(residual: Option<&Difference>, since: Option<&Difference>, margin: f64) -> Self {
        let returned = |r: &Difference| r.lower_mm <= 0.0 && r.upper_mm < margin;
        if residual.is_some_and(returned) {
            AfterState::Returned
        } else if since.is_some_and(|since| since.upper_mm < 0.0) {
            AfterState::Recovering
        } else if residual.is_some_and(|residual| residual.lower_mm > 0.0) {
            AfterState::Residual
        } else {
            AfterState::Undecided
        }
    }
}

impl AfterEvent {
    /// What is left of the event, in plain sentences with the numbers behind them.
    #[must_use]
    pub fn sentence(&self) -> String {
        let event = self.event;
        let state = match self.state {
            AfterState::Returned => format!(
                "After the event of {event} the sheath has returned to the old baseline: less than \
                 {:.2} mm is left.",
                self.margin_mm
            ),
            AfterState::Recovering => format!(
                "After the event of {event} the sheath is recovering: it has narrowed beyond error and \
                 is not shown to be back at the old baseline."
            ),
            AfterState::Residual => format!(
                "After the event of {event} a residual is left above the old baseline, and no narrowing \
                 since is shown."
            ),
            AfterState::Undecided => format!(
                "Whether the sheath has recovered from the event of {event} cannot be decided from \
                 these exams."
            ),
        };
        let residual = match &self.residual {
            Some(r) => format!(
                " Against the baseline from before it ({}, last {}): {}.",
                exams(r.exams),
                r.with,
                r.numbers()
            ),
            None => {
                " No baseline exam from before it is in use, so what is left cannot be measured."
                    .to_owned()
            }
        };
        let since = match &self.since {
            Some(since) => format!(" Since the exam of {}: {}.", since.with, since.numbers()),
            None => " There is no exam at the event or after it to show a course.".to_owned(),
        };
        let new = match self.new_baseline {
            Some(date) => format!(" The exam of {date} started a new baseline."),
            None => format!(
                " A new baseline starts with the first exam that may serve, from {} on.",
                self.new_baseline_from
            ),
        };
        format!("{state}{residual}{since}{new}")
    }
}

impl Difference {
    fn numbers(&self) -> String {
        format!(
            "{:+.2} mm (interval {:+.2} to {:+.2})",
            self.mm, self.lower_mm, self.upper_mm
        )
    }
}

fn exams(count: usize) -> String {
    match count {
        1 => "1 exam".to_owned(),
        n => format!("{n} exams"),
    }
}

/// What is left of the last event before today; `None` when no event lies between the exams: one
/// before all of them, such as the first surgery, leaves nothing to compare with.
pub(super) fn after_event(case: &Case<'_>, compared: &Compared<'_>) -> Option<AfterEvent> {
    let p = case.parameters;
    let episode = u32::try_from(compared.episodes.len()).ok()?;
    let event = *compared.episodes.last()?;
    let mut earlier = case.earlier.iter().map(|earlier| earlier.session.exam.date);
    if !earlier.any(|date| date <= event) {
        return None;
    }
    let last_event = case.events.last(case.today.exam)?;
    let of_epoch = |wanted: u32| {
        let kept = compared.kept.iter().zip(&compared.shifts);
        let kept = kept.filter(move |(_, shift)| shift.epoch == wanted);
        kept.map(|(session, _)| *session)
    };
    // The newest stretch between events that still has baseline exams: older ones lie behind
    // further shifts.
    let old = (0..episode)
        .rev()
        .map(|epoch| of_epoch(epoch).collect::<Vec<_>>());
    let old = old.into_iter().find(|sessions| !sessions.is_empty());
    let residual = old.and_then(|old| difference(case, compared.choice, old));
    let since = reference(case, event)
        .and_then(|(session, choice)| difference(case, choice, vec![session]));
    let margin_mm = p.sigma_step;
    Some(AfterEvent {
        event,
        new_baseline: of_epoch(episode).map(|session| session.exam.date).next(),
        new_baseline_from: last_event + Days::new(u64::try_from(p.washout_days).ok()? + 1),
        state: AfterState::of(residual.as_ref(), since.as_ref(), margin_mm),
        residual,
        since,
        margin_mm,
    })
}

/// The exam at the event or the first one after it, whatever its label: it shows the crisis.
fn reference<'a>(case: &Case<'a>, event: NaiveDate) -> Option<(&'a Session<'a>, Choice)> {
    let today = case.today;
    let earlier = case.earlier.iter().map(|earlier| earlier.session);
    let mut since = earlier
        .filter(|s| s.exam.date >= event && s.exam.excluded.is_none() && !s.before_birth())
        .filter(|s| same_modality(s.exam.modality, today.exam.modality))
        .filter(|s| same_borders(s.exam.definition, today.exam.definition))
        .filter(|s| !expired(s.age, today.age, case.parameters));
    since.find_map(|session| {
        let choice = planes::choose(&today.planes, &[session.planes])?;
        choice.serves(&session.planes).then_some((session, choice))
    })
}

/// Today against the given exams, as if no event could leave a shift.
fn difference<'a>(
    case: &Case<'a>,
    choice: Choice,
    sessions: Vec<&'a Session<'a>>,
) -> Option<Difference> {
    let parameters = Parameters {
        sigma_step: 0.0,
        ..*case.parameters
    };
    let setting = Setting {
        parameters: &parameters,
        episodes: &[],
        choice,
    };
    let (exams, with) = (sessions.len(), sessions.last()?.exam.date);
    let compared = solve(case, &setting, sessions, Vec::new())?;
    let values = PerEye::from_fn(|eye| compared.measured.of(eye).map(|summary| summary.value));
    let rows = rows(values, &compared.expectation, &parameters);
    let row = rows.leading()?.comparison?;
    Some(Difference {
        with,
        exams,
        mm: row.change_mm,
        sd_mm: row.sd_mm,
        lower_mm: row.change_mm - row.smallest_change_mm,
        upper_mm: row.change_mm + row.smallest_change_mm,
    })
}
