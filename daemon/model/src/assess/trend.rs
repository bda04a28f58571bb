//! How a patient's exams run over time: a slope, and the one place where they may have shifted.
//!
//! Growth is taken off first. Known events leave no step in the covariance here, so that a step
//! shows as what it is.

use super::compare::{Case, Compared};
use super::eligible::{Session, expired, same_borders, same_modality};
use super::gls::{Estimate, effect};
use super::model::{Identities, Observed, Setting, values};
use super::pair::pair;
use super::planes;
use super::since_event::since_event;
use super::{Parameters, Unlabelled, rounded};
use chrono::NaiveDate;
use nalgebra::DVector;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Exams below which neither is looked for.
const LEAST_EXAMS: usize = 4;

/// Days that exams must span for a slope: a slope a year from a few days misleads, and what changed within
/// days is told since the last exam.
const LEAST_DAYS: i64 = 30;

/// z from which a slope is called a rise: one stable patient in a hundred.
const Z_TREND: f64 = 2.326;

/// |z| from which a shift is called; higher, since it is the largest of all splits.
const Z_SHIFT: f64 = 3.0;

/// Exams that must lie after a shift: a single one is an exam, not a shift.
const LEAST_AFTER: usize = 2;

/// Two-sided 95 % of the standard normal distribution.
const Z_95: f64 = 1.959_963_985;

/// The slope of a patient's exams over time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Trend {
    /// Exams it rests on, this one included.
    pub exams: usize,
    /// Day of the first of them.
    pub from: NaiveDate,
    /// Day of the last of them: this exam.
    pub to: NaiveDate,
    /// Change a year beyond growth, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub slope_mm_per_year: f64,
    /// Its standard error.
    #[serde(serialize_with = "rounded::plain")]
    pub se_mm_per_year: f64,
    /// Lower end of its 95 % interval.
    #[serde(serialize_with = "rounded::plain")]
    pub lower_mm_per_year: f64,
    /// Upper end of its 95 % interval.
    #[serde(serialize_with = "rounded::plain")]
    pub upper_mm_per_year: f64,
    /// Slope / standard error.
    #[serde(serialize_with = "rounded::plain")]
    pub z: f64,
    /// z is at least 2.326: a rise over time is called.
    pub rising: bool,
    /// A recorded event lies among the exams, and a step would look like a trend.
    pub event_among: bool,
}

/// The place among a patient's exams where a lasting shift fits best.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChangePoint {
    /// Day of the last exam before the shift.
    pub last_before: NaiveDate,
    /// Day of the first exam after it.
    pub first_after: NaiveDate,
    /// Exams before.
    pub exams_before: usize,
    /// Exams after, this one included.
    pub exams_after: usize,
    /// The shift beyond growth, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub shift_mm: f64,
    /// Its standard error, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub se_mm: f64,
    /// Shift / standard error.
    #[serde(serialize_with = "rounded::plain")]
    pub z: f64,
    /// |z| is at least 3: the shift is called.
    pub called: bool,
    /// First recorded event that lies between the two exams.
    pub recorded_event: Option<NaiveDate>,
}

impl Trend {
    /// Whether its exams span the days that a slope needs; only in older results they may not.
    #[must_use]
    pub fn is_long_enough(&self) -> bool {
        (self.to - self.from).num_days() >= LEAST_DAYS
    }

    /// What the slope says, in plain sentences.
    #[must_use]
    pub fn sentence(&self) -> String {
        let called = if self.rising {
            "Widths increased over time by more than growth and error explain (a single wide last exam can \
             cause this)"
        } else {
            "No trend was found, which does not exclude a slow rise"
        };
        let event = if self.event_among {
            " An event lies in between; a step would look like a trend."
        } else {
            ""
        };
        format!(
            "{called}: {:+.2} mm a year (95 % interval {:+.2} to {:+.2}) over {} exams from {} to {}.{event}",
            self.slope_mm_per_year,
            self.lower_mm_per_year,
            self.upper_mm_per_year,
            self.exams,
            self.from,
            self.to
        )
    }
}

impl ChangePoint {
    /// What a called shift says, in plain sentences; `None` when none is called.
    #[must_use]
    pub fn sentence(&self) -> Option<String> {
        let cause = match self.recorded_event {
            Some(date) => format!("An event of {date} is recorded there."),
            None => "Was there an operation or illness about then? None is recorded.".to_owned(),
        };
        let side = if self.shift_mm > 0.0 {
            "wider"
        } else {
            "narrower"
        };
        self.called.then(|| {
            format!(
                "From {} on the sheath is {side} by {:.2} mm (standard error {:.2}, z {:+.1}) than up \
                 to {}: {} exams after, {} before. {cause}",
                self.first_after,
                self.shift_mm.abs(),
                self.se_mm,
                self.z,
                self.last_before,
                self.exams_after,
                self.exams_before
            )
        })
    }
}

/// Slope and best shift up to today; both `None` with fewer than four exams since the last event, or when
/// today's exam is in doubt, was taken in a crisis or too soon after one. No slope is told of exams that
/// span fewer than 30 days.
///
/// Neither is called across a recorded event, whose own step would be found again, nor from exams that
/// are in doubt. An exam that was set aside for what it measured takes no part either, unless the one
/// before or after it confirms it: then it belongs to the very shift that is looked for.
pub(super) fn trend(
    case: &Case<'_>,
    compared: Option<&Compared<'_>>,
    in_doubt: bool,
) -> (Option<Trend>, Option<ChangePoint>) {
    let run = Run::of(case, compared).filter(|_| !in_doubt);
    run.map_or((None, None), |run| {
        (run.trend(case), run.change_point(case))
    })
}

/// The exams in question as one set of observations.
struct Run<'a> {
    sessions: Vec<&'a Session<'a>>,
    observed: Vec<Observed<'a>>,
    y: DVector<f64>,
    v: nalgebra::Cholesky<f64, nalgebra::Dyn>,
}

impl<'a> Run<'a> {
    fn of(case: &Case<'a>, compared: Option<&Compared<'_>>) -> Option<Self> {
        let (today, p) = (case.today, case.parameters);
        // An unlabelled exam that was itself above expected cannot serve as baseline, but leaving
        // it out here would hide the very shift that is looked for.
        let serves =
            |session: &'a Session<'a>, p: &Parameters| session.barred(case.events, p).is_none();
        let provisional = Parameters {
            unlabelled: Unlabelled::Provisional,
            ..*p
        };
        if !serves(today, &provisional) {
            return None;
        }
        let since = match since_event(case) {
            Some(since) => since.exams,
            None => case.earlier.iter().collect(),
        };
        let sessions: Vec<&Session<'_>> = since
            .into_iter()
            .filter(|earlier| earlier.may_testify())
            .map(|earlier| earlier.session)
            .filter(|session| session.exam.date < today.exam.date)
            .filter(|session| serves(session, p))
            .filter(|s| same_modality(s.exam.modality, today.exam.modality))
            .filter(|s| same_borders(s.exam.definition, today.exam.definition))
            .filter(|s| !expired(s.age, p))
            .collect();
        let theirs: Vec<_> = sessions.iter().map(|session| session.planes).collect();
        let choice = planes::choose(&today.planes, &theirs)?;
        let mut sessions = sessions;
        sessions.retain(|session| choice.serves(&session.planes));
        sessions.drain(..sessions.len().saturating_sub(p.max_sessions));
        sessions.push(today);
        let aside = set_aside(case, compared);
        let sessions = less_the_lonely(&sessions, &aside, p);
        if sessions.len() < LEAST_EXAMS {
            return None;
        }
        let setting = Setting {
            parameters: p,
            episodes: &[],
            choice,
        };
        let observed = setting.observe(&sessions, Identities::AsGiven);
        Some(Run {
            y: values(&observed),
            v: setting.v(&observed).cholesky()?,
            sessions,
            observed,
        })
    }

    fn effect(&self, x: impl Fn(&Observed<'_>) -> f64) -> Option<Estimate> {
        let x = DVector::from_iterator(self.observed.len(), self.observed.iter().map(x));
        effect(&self.v, &self.y, &x)
    }

    fn trend(&self, case: &Case<'_>) -> Option<Trend> {
        let slope = self.effect(|observed| observed.point.place.tau)?;
        let (from, to) = (self.sessions.first()?.exam.date, case.today.exam.date);
        let z = slope.value / slope.se;
        let trend = Trend {
            exams: self.sessions.len(),
            from,
            to,
            slope_mm_per_year: slope.value,
            se_mm_per_year: slope.se,
            lower_mm_per_year: slope.value - Z_95 * slope.se,
            upper_mm_per_year: slope.value + Z_95 * slope.se,
            z,
            rising: z >= Z_TREND,
            event_among: case.events.first_between(from, to).is_some(),
        };
        Some(trend).filter(Trend::is_long_enough)
    }

    fn change_point(&self, case: &Case<'_>) -> Option<ChangePoint> {
        let exams = self.sessions.len();
        let dates: Vec<NaiveDate> = self.sessions.iter().map(|s| s.exam.date).collect();
        let splits = dates.windows(2).zip(1_usize..);
        let splits = splits.filter_map(|(pair, at)| match pair {
            [before, after] if before < after && exams - at >= LEAST_AFTER => {
                let shift = self.effect(|o| f64::from(u8::from(o.point.place.exam >= at)))?;
                Some((*before, *after, at, shift, shift.value / shift.se))
            }
            _ => None,
        });
        let best = splits.reduce(|best, next| {
            if next.4.abs() > best.4.abs() {
                next
            } else {
                best
            }
        });
        best.map(|(last_before, first_after, at, shift, z)| ChangePoint {
            last_before,
            first_after,
            exams_before: at,
            exams_after: exams - at,
            shift_mm: shift.value,
            se_mm: shift.se,
            z,
            called: z.abs() >= Z_SHIFT,
            recorded_event: case.events.first_between(last_before, first_after),
        })
    }
}

/// Exams that are no baseline of today's for what they measured: they did not fit the others, or were
/// flagged and nobody has labelled them.
fn set_aside<'a>(case: &Case<'a>, compared: Option<&Compared<'_>>) -> BTreeSet<&'a str> {
    let kept = |id: &str| {
        let mut kept = compared.iter().flat_map(|compared| &compared.kept);
        kept.any(|session| session.exam.id == id)
    };
    let judged = |id: &str| {
        let mut fits = compared.iter().flat_map(|compared| &compared.fits);
        fits.any(|fit| fit.exam == id)
    };
    let exams = case.earlier.iter().filter(|earlier| {
        let exam = earlier.session.exam;
        let flagged = exam.label.is_none() && earlier.rose();
        (flagged || judged(&exam.id)) && !kept(&exam.id)
    });
    exams
        .map(|earlier| earlier.session.exam.id.as_str())
        .collect()
}

/// The exams without those set aside that neither the one before nor the one after agrees with.
fn less_the_lonely<'a>(
    sessions: &[&'a Session<'a>],
    aside: &BTreeSet<&str>,
    p: &Parameters,
) -> Vec<&'a Session<'a>> {
    let agree = |one: Option<&&Session<'_>>, other: &Session<'_>| {
        let pair = one.and_then(|one| pair(one, other, p).ok());
        pair.is_some_and(|pair| pair.z().abs() <= p.z_pair)
    };
    let all = sessions.iter().enumerate();
    let confirmed = all.filter(|(at, session)| {
        let before = at.checked_sub(1).and_then(|at| sessions.get(at));
        let after = sessions.get(at + 1);
        !aside.contains(session.exam.id.as_str()) || agree(before, session) || agree(after, session)
    });
    confirmed.map(|(_, session)| *session).collect()
}
