//! What is left of an event: today's width beside the baseline from before it.
//!
//! The comparison itself allows for a lasting shift (`sigma_step`) and so cannot say whether there
//! is one. Here the same readings are compared without that allowance.

use super::compare::{Case, Compared, solve};
use super::eligible::{Session, expired, same_borders, same_modality};
use super::model::Setting;
use super::planes::{self, Choice};
use super::verdict::rows;
use super::{Parameters, PerEye, Status, rounded};
use chrono::{Days, NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// The time since the last event: where it has led, and what today adds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AfterEvent {
    /// First day of the last event; those with no eligible exam between them count as one.
    pub event: NaiveDate,
    /// What happened then, oldest first; empty only in results made before it was told.
    #[serde(default)]
    pub what: Vec<Happened>,
    /// What is known of the time since.
    pub state: AfterState,
    /// Ids of the exams since the event, this one included and the exam at the event left out, oldest
    /// first; empty only in results made before they were told.
    #[serde(default)]
    pub exams: Vec<String>,
    /// First exam after the event that serves as baseline: the new baseline starts there.
    pub new_baseline: Option<NaiveDate>,
    /// Earliest day on which an exam can start a new baseline.
    pub new_baseline_from: NaiveDate,
    /// The level since the event minus what the baseline from before it leads one to expect; `None`
    /// without one of the two.
    #[serde(default)]
    pub level: Option<Difference>,
    /// Ids of the exams that this level is pooled from, oldest first.
    #[serde(default)]
    pub level_exams: Vec<String>,
    /// Today alone minus what the baseline from before the event leads one to expect; `None` without
    /// one.
    pub residual: Option<Difference>,
    /// Today minus what the exam at the event, or the first one after it, leads one to expect;
    /// `None` without such an exam.
    pub since: Option<Difference>,
    /// Today minus the last exam since the event, or at it, that lies above today by more than error;
    /// `None` when there is none.
    #[serde(default)]
    pub narrowed: Option<Difference>,
    /// Today beside the narrowest exam since the event; `None` without an earlier one.
    #[serde(default)]
    pub nadir: Option<Nadir>,
    /// Day of the first exam since the event by which the width had returned; what rises after it is new.
    #[serde(default)]
    pub returned_on: Option<NaiveDate>,
    /// Ids of the exams proposed as the new baseline, oldest first; they serve once a person has
    /// labelled them.
    #[serde(default)]
    pub proposed_baseline: Vec<String>,
    /// Width under which a remainder counts as gone, mm: `returned_margin`.
    #[serde(serialize_with = "rounded::plain")]
    pub margin_mm: f64,
}

/// One fact that the time of a patient is divided by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Happened {
    /// The day.
    pub date: NaiveDate,
    /// What it was.
    pub kind: HappenedKind,
}

/// A recorded event, or what the label of an exam tells of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HappenedKind {
    /// An exam is labelled as taken while raised pressure was confirmed.
    RaisedConfirmed,
    /// Surgery that changes the flow of cerebrospinal fluid.
    CsfSurgery,
    /// Revision of a shunt.
    ShuntRevision,
    /// Another recorded event.
    Other,
    /// An exam is labelled as taken after the pressure had been relieved.
    AfterDecompression,
}

/// Today beside the narrowest exam since the event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Nadir {
    /// Id of that exam.
    pub exam: String,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Earlier exams since the event that today was held against: the limit is that of the largest of
    /// so many differences.
    pub comparisons: usize,
    /// Today minus that exam, growth in between taken off, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// SD of the difference in a patient in whom nothing happened in between, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// Difference from which on today counts as wider, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub limit_mm: f64,
    /// Difference from which on it counts as much wider, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub well_limit_mm: f64,
    /// What it says on its own: within, above or well above expected.
    pub status: Status,
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

/// What is known of the time after an event. Tested in this order; the first that holds is told, so
/// that no state can hide a new rise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AfterState {
    /// Today exceeds the narrowest exam since the event by more than error: a rise, whatever the
    /// baseline from before the event says.
    WideningAgain,
    /// No exam lies beyond the days after the event in which nothing is settled.
    TooEarly,
    /// The upper limit of what may be left of the event lies below the margin.
    Returned,
    /// An exam since the event, or at it, lies above today by more than error, and the exams since then
    /// do not span the time after which a level counts as settled.
    #[serde(alias = "recovering")]
    Narrowing,
    /// The whole interval of the new level lies above the old one, over at least two exams and the time
    /// after which a level counts as settled.
    SettledWider,
    /// None of these: the numbers stand alone.
    #[serde(alias = "residual", alias = "undecided")]
    Unclear,
}

impl AfterState {
    /// All of them, in the order in which they are tested.
    pub const ALL: [AfterState; 6] = [
        AfterState::WideningAgain,
        AfterState::TooEarly,
        AfterState::Returned,
        AfterState::Narrowing,
        AfterState::SettledWider,
        AfterState::Unclear,
    ];

    /// The word used in JSON and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            AfterState::WideningAgain => "widening_again",
            AfterState::TooEarly => "too_early",
            AfterState::Returned => "returned",
            AfterState::Narrowing => "narrowing",
            AfterState::SettledWider => "settled_wider",
            AfterState::Unclear => "unclear",
        }
    }

    fn of(residual: Option<&Difference>, since: Option<&Difference>, margin: f64) -> Self {
        if residual.is_some_and(|r| r.upper_mm < margin) {
            AfterState::Returned
        } else if since.is_some_and(|since| since.upper_mm < 0.0) {
            AfterState::Narrowing
        } else {
            AfterState::Unclear
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
            AfterState::Narrowing => format!(
                "After the event of {event} the sheath is recovering: it has narrowed beyond error and \
                 is not shown to be back at the old baseline."
            ),
            _ => format!(
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
    let margin_mm = p.returned_margin;
    Some(AfterEvent {
        event,
        what: Vec::new(),
        exams: Vec::new(),
        level: None,
        level_exams: Vec::new(),
        narrowed: None,
        nadir: None,
        returned_on: None,
        proposed_baseline: Vec::new(),
        new_baseline: of_epoch(episode).map(|session| session.exam.date).next(),
        new_baseline_from: last_event + Days::new(u64::try_from(p.washout_days).ok()?),
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
        .filter(|s| !expired(s.age, case.parameters));
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
