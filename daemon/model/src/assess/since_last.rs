//! Today beside the latest earlier exam, of whatever label: hours and days, not the baseline.

use super::compare::Case;
use super::eligible::Earlier;
use super::pair::pair;
use super::since_event::{known, since_event};
use super::{DecidedBy, Parameters, rounded};
use crate::domain::Label;
use crate::domain::time::written;
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// The change since the latest earlier exam. It flags nothing by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SinceLast {
    /// Id of that exam.
    pub exam: String,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Hours between the two, when the times of both are told or their days differ.
    #[serde(serialize_with = "rounded::optional")]
    pub hours: Option<f64>,
    /// What was compared: both eyes, or the only eye that both exams have.
    pub row: DecidedBy,
    /// Measured now minus measured then, of both eyes or of the only eye that both have, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// SD of the change in a patient in whom nothing happened: readings and exam error, operator and
    /// device where they differ; no drift, no growth. mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// mm - `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub lower_mm: f64,
    /// mm + `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub upper_mm: f64,
}

/// The latest earlier exam, and why today is not held against it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotSinceLast {
    /// Id of that exam; `None` when nobody can tell which was the latest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exam: Option<String>,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Why.
    pub reason: Apart,
}

/// Why two exams of one patient are not held against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Apart {
    /// The other exam is dated before the patient's birth.
    BeforeBirth,
    /// They measured between other borders of the sheath.
    DefinitionDiffers,
    /// The other exam is in doubt: what was measured, whose it is, or when.
    Doubted,
    /// No eye was measured at both.
    EyesDiffer,
    /// They were made with different kinds of imaging.
    ModalityDiffers,
    /// One is from the first weeks of life, when the sheath grows fastest.
    Newborn,
    /// One of them has no reading that can be used.
    NoUsableMeasurement,
    /// Not by ultrasound, whose errors are the only ones known here.
    NotUltrasound,
    /// Several exams of one day, and not of all of them the time is told.
    OrderUnknown,
    /// They share no plane.
    PlanesDiffer,
}

/// The flagged exams before today's, since the last event and the last exam that a person has settled as
/// well or ruled out, within a year.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Flags {
    /// How many there are.
    pub count: usize,
    /// Exams from the first of them on, today's not counted.
    pub of: usize,
    /// Day of the last.
    pub last: NaiveDate,
    /// Its time, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_time: Option<NaiveTime>,
    /// Whether this exam is flagged as well.
    pub now: bool,
    /// Day of the first.
    pub since: NaiveDate,
    /// Its time, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since_time: Option<NaiveTime>,
}

/// Days beyond which the latest earlier exam is no longer one of the same course of days.
const RECENT_DAYS: i64 = 30;

/// Days after which a flag that nobody has settled is left to the list of exams.
const REMEMBERED_DAYS: i64 = 365;

const MINUTES_PER_HOUR: f64 = 60.0;
const HOURS_PER_DAY: f64 = 24.0;

impl SinceLast {
    /// How much it changed and since when, in one sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let eye = match self.row {
            DecidedBy::Right => ", right eye",
            DecidedBy::Left => ", left eye",
            DecidedBy::Both | DecidedBy::SinceEvent => "",
        };
        let ago = match self.hours {
            Some(hours) => format!(", {} before", ago(hours, self.time.is_some())),
            None => String::new(),
        };
        let error = match self.mm {
            _ if self.lower_mm > 0.0 => "wider by more than error explains",
            _ if self.upper_mm < 0.0 => "narrower by more than error explains",
            _ => "within the error of two exams",
        };
        format!(
            "Since the last exam ({}{ago}{eye}): {:+.2} mm ({:+.2} to {:+.2}), {error}. This alone \
             flags nothing.",
            written(self.date, self.time),
            self.mm,
            self.lower_mm,
            self.upper_mm
        )
    }
}

impl NotSinceLast {
    /// Which exam was the last and why there is no change since, in one sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let at = written(self.date, self.time);
        format!(
            "No change since the last exam ({at}) is given: {}.",
            self.reason.phrase()
        )
    }
}

impl Apart {
    /// Every reason, by the alphabet.
    pub const ALL: [Apart; 10] = [
        Apart::BeforeBirth,
        Apart::DefinitionDiffers,
        Apart::Doubted,
        Apart::EyesDiffer,
        Apart::ModalityDiffers,
        Apart::Newborn,
        Apart::NoUsableMeasurement,
        Apart::NotUltrasound,
        Apart::OrderUnknown,
        Apart::PlanesDiffer,
    ];

    /// Why two exams are not held against each other, without a full stop.
    #[must_use]
    pub fn phrase(self) -> &'static str {
        match self {
            Apart::BeforeBirth => "one of the two is dated before the patient's birth",
            Apart::DefinitionDiffers => "it measured between other borders of the sheath",
            Apart::Doubted => "it is in doubt and nobody has settled that",
            Apart::EyesDiffer => "no eye was measured at both",
            Apart::ModalityDiffers => "it was made with another kind of imaging",
            Apart::Newborn => "it is from the first weeks of life, when the sheath grows fastest",
            Apart::NoUsableMeasurement => "one of the two has no reading that can be used",
            Apart::NotUltrasound => "only measurements by ultrasound are compared",
            Apart::OrderUnknown => {
                "there are several exams of that day, and the time of one is not told"
            }
            Apart::PlanesDiffer => "it was measured in other planes",
        }
    }
}

impl Flags {
    /// "Flagged 5 times since 2024-09-02 06:00, now not flagged."
    #[must_use]
    pub fn sentence(&self) -> String {
        let times = match self.count {
            1 => "once".to_owned(),
            2 => "twice".to_owned(),
            n => format!("{n} times"),
        };
        let since = written(self.since, self.since_time);
        let now = if self.now { "and now again" } else { "not now" };
        let last = match self.count {
            1 => format!("on {since}"),
            _ => format!(
                "since {since}, last on {}",
                written(self.last, self.last_time)
            ),
        };
        let share = if self.of > self.count {
            format!(" ({} of {} exams)", self.count, self.of)
        } else {
            String::new()
        };
        format!("Flagged {times} {last}{share}, {now}.")
    }
}

/// How long between, as one says it.
fn ago(hours: f64, to_the_minute: bool) -> String {
    let several = |n: f64, unit: &str| match n.round() {
        1.0 => format!("1 {unit}"),
        n => format!("{n:.0} {unit}s"),
    };
    if hours < 1.0 && to_the_minute {
        several(hours * MINUTES_PER_HOUR, "minute")
    } else if hours < 2.0 * HOURS_PER_DAY && to_the_minute {
        several(hours, "hour")
    } else {
        several(hours / HOURS_PER_DAY, "day")
    }
}

/// Today beside the latest earlier exam of the last 30 days; beside it why not, where it cannot be.
pub(super) fn since_last(case: &Case<'_>) -> (Option<SinceLast>, Option<NotSinceLast>) {
    let today = case.today.exam;
    let all = known(case);
    let Some(last) = all.last().copied() else {
        return (None, None);
    };
    let then = last.session.exam;
    if (today.date - then.date).num_days() > RECENT_DAYS {
        return (None, None);
    }
    let not = |exam: Option<&str>, time, reason| {
        let not = NotSinceLast {
            exam: exam.map(str::to_owned),
            date: then.date,
            time,
            reason,
        };
        (None, Some(not))
    };
    if !is_latest(last, &all) {
        return not(None, None, Apart::OrderUnknown);
    }
    if today.id != then.id && !last.may_testify() {
        return not(Some(&then.id), then.time, Apart::Doubted);
    }
    let parameters = Parameters {
        q: 0.0,
        growth_g: 0.0,
        growth_sd: 0.0,
        age_unknown_rate: 0.0,
        sigma_step: 0.0,
        ..*case.parameters
    };
    match pair(last.session, case.today, &parameters) {
        Err(reason) => not(Some(&then.id), then.time, reason),
        Ok(found) => {
            let z = case.parameters.z_above;
            let told = SinceLast {
                exam: then.id.clone(),
                date: then.date,
                time: then.time,
                hours: hours_between(then, today),
                row: found.row,
                mm: found.mm,
                sd_mm: found.sd_mm,
                lower_mm: found.mm - z * found.sd_mm,
                upper_mm: found.mm + z * found.sd_mm,
            };
            (Some(told), None)
        }
    }
}

/// Whether an exam is known to be the latest of its day.
fn is_latest(last: &Earlier<'_>, all: &[&Earlier<'_>]) -> bool {
    let exam = last.session.exam;
    let others = all.iter().map(|earlier| earlier.session.exam);
    let mut of_the_day = others.filter(|other| other.date == exam.date && other.id != exam.id);
    of_the_day.all(|other| other.time.zip(exam.time).is_some_and(|(a, b)| a < b))
}

/// Hours from one exam to a later one; by whole days where a time is not told.
fn hours_between(then: &super::Exam, now: &super::Exam) -> Option<f64> {
    match (then.time, now.time) {
        (Some(before), Some(after)) => {
            let minutes = (now.date.and_time(after) - then.date.and_time(before)).num_seconds();
            Some(minutes as f64 / (MINUTES_PER_HOUR * MINUTES_PER_HOUR))
        }
        _ if then.date == now.date => None,
        _ => Some((now.date - then.date).num_days() as f64 * HOURS_PER_DAY),
    }
}

/// The flagged exams before today's that nobody has settled: since the last event, and since the last
/// exam that a person has called well or ruled out, that exam not counted.
pub(super) fn flags(case: &Case<'_>, now: bool) -> Option<Flags> {
    let today = case.today.exam;
    let exams = match since_event(case) {
        Some(since) => since.exams,
        None => known(case),
    };
    let settled = exams.iter().rposition(|earlier| {
        let label = earlier.session.exam.label;
        matches!(label, Some(Label::Well | Label::RaisedRuledOut))
    });
    let open = exams.get(settled.map_or(0, |at| at + 1)..)?;
    let counted: Vec<_> = open
        .iter()
        .filter(|earlier| earlier.session.exam.excluded.is_none())
        .filter(|earlier| (today.date - earlier.session.exam.date).num_days() <= REMEMBERED_DAYS)
        .collect();
    let flagged: Vec<_> = counted.iter().filter(|earlier| earlier.rose()).collect();
    let first = flagged.first()?.session.exam;
    let last = flagged.last()?.session.exam;
    let from = counted
        .iter()
        .position(|one| one.session.exam.id == first.id)?;
    Some(Flags {
        count: flagged.len(),
        of: counted.len() - from,
        last: last.date,
        last_time: last.time,
        now,
        since: first.date,
        since_time: first.time,
    })
}
