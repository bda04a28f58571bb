//! At which change this patient's pressure was raised before, and at which it was not.
//!
//! It describes. No status is taken from it.

use super::{Comparison, normal, rounded};
use crate::domain::OpeningPressure;
use crate::domain::time::written;
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// Grid of thresholds: from, step and number of points; -2 to 4 mm.
const GRID_FROM: f64 = -2.0;
const GRID_STEP: f64 = 0.01;
const GRID_POINTS: u32 = 601;

/// What is assumed of a threshold before any episode, mm: mean and SD. Changes with and without
/// shunt failure were published as +0.89 and +0.16 mm (JAMA Netw Open 2025;8(5):e2511009,
/// doi:10.1001/jamanetworkopen.2025.11009); the middle, and an SD as wide as the two.
const PRIOR_MEAN: f64 = 0.5;
const PRIOR_SD: f64 = 0.4;

/// SD by which one patient's threshold may differ from episode to episode, mm; an assumption.
const WITHIN_SD: f64 = 0.2;

/// Episodes below which an estimate would mostly repeat the assumption.
const EPISODES_FOR_ESTIMATE: usize = 5;

/// A symptomatic episode that a person has settled, with the exam's own comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Episode {
    /// Id of the exam.
    pub exam: String,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Whether raised pressure was confirmed; else it was ruled out.
    pub raised: bool,
    /// Measured minus expected, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub change_mm: f64,
    /// SD of that change, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// The level that the change is counted from: what the baseline of that time led one to expect, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub level_mm: f64,
    /// Day of the first baseline exam of that time.
    pub baseline_from: NaiveDate,
    /// Day of the last one.
    pub baseline_to: NaiveDate,
    /// The opening pressure that a person recorded with the exam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opening_pressure: Option<OpeningPressure>,
}

/// What earlier episodes say of this patient's own threshold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Threshold {
    /// Episodes with raised pressure ruled out.
    pub ruled_out: usize,
    /// Episodes with raised pressure confirmed.
    pub confirmed: usize,
    /// Highest change with raised pressure ruled out, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub highest_ruled_out_mm: Option<f64>,
    /// Lowest change with raised pressure confirmed, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub lowest_confirmed_mm: Option<f64>,
    /// Raised pressure was ruled out at a higher change than it was confirmed at.
    pub overlap: bool,
    /// Estimate from five or more episodes of both kinds.
    pub estimate: Option<ThresholdEstimate>,
    /// The newest twenty episodes and the two that set the numbers above, oldest first, each with the level
    /// that its change is counted from.
    #[serde(default)]
    pub episodes: Vec<Episode>,
    /// Where this exam's change lies; `None` without a comparison, and until an episode of each kind is
    /// known.
    pub today: Option<Position>,
}

/// A threshold estimated from episodes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ThresholdEstimate {
    /// Half of the belief lies below, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub median_mm: f64,
    /// 10 % of the belief lies below, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub lower_mm: f64,
    /// 90 % of the belief lies below, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub upper_mm: f64,
    /// Share of the assumed variance that the episodes removed: 0 says nothing, 1 all.
    #[serde(serialize_with = "rounded::plain")]
    pub information: f64,
}

/// Where a change lies among those of earlier episodes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// The change of this exam, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub change_mm: f64,
    /// SD of that change, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// Below, inside or above what earlier episodes span.
    pub place: Place,
    /// This change minus the highest with raised pressure ruled out, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub over_ruled_out_mm: Option<f64>,
    /// This change minus the lowest with raised pressure confirmed, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub over_confirmed_mm: Option<f64>,
}

/// Below, inside or above the bracket. In results of before both kinds were asked for, the one number
/// known is the bracket.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Under both numbers.
    Below,
    /// Between them, or at one of them.
    Inside,
    /// Over both numbers.
    Above,
}

impl Threshold {
    /// From earlier episodes, oldest first, and this exam's comparison. `None` without an episode.
    #[must_use]
    pub fn of(episodes: &[Episode], today: Option<&Comparison>) -> Option<Self> {
        let changes = |raised: bool| {
            let of_kind = episodes.iter().filter(move |one| one.raised == raised);
            of_kind.map(|one| one.change_mm)
        };
        let highest = changes(false).reduce(f64::max);
        let lowest = changes(true).reduce(f64::min);
        let edges = || highest.into_iter().chain(lowest);
        let (from, to) = (edges().reduce(f64::min)?, edges().reduce(f64::max)?);
        let both = highest.is_some() && lowest.is_some();
        Some(Threshold {
            ruled_out: changes(false).count(),
            confirmed: changes(true).count(),
            highest_ruled_out_mm: highest,
            lowest_confirmed_mm: lowest,
            overlap: highest.zip(lowest).is_some_and(|(high, low)| high > low),
            estimate: (both && episodes.len() >= EPISODES_FOR_ESTIMATE)
                .then(|| posterior(episodes))
                .flatten(),
            episodes: told(episodes),
            // From one kind alone nothing is known of the other side of a threshold.
            today: today.filter(|_| both).map(|row| Position {
                change_mm: row.change_mm,
                sd_mm: row.sd_mm,
                place: if row.change_mm < from {
                    Place::Below
                } else if row.change_mm > to {
                    Place::Above
                } else {
                    Place::Inside
                },
                over_ruled_out_mm: highest.map(|high| row.change_mm - high),
                over_confirmed_mm: lowest.map(|low| row.change_mm - low),
            }),
        })
    }

    /// What is known and what is not, in plain sentences.
    #[must_use]
    pub fn sentence(&self) -> String {
        let (out, yes) = (self.counted(false), self.counted(true));
        let bracket = match (self.highest_ruled_out_mm, self.lowest_confirmed_mm) {
            (Some(high), Some(low)) if self.overlap => format!(
                "In this patient raised pressure was ruled out at a change as high as {high:+.2} mm \
                 ({out}) and confirmed at one as low as {low:+.2} mm ({yes}). The two overlap, as \
                 errors of a few tenths of a millimetre make likely: no single change parts them."
            ),
            (Some(high), Some(low)) => format!(
                "In this patient raised pressure was ruled out at changes up to {high:+.2} mm ({out}) \
                 and confirmed from {low:+.2} mm on ({yes}). What lies between is not known."
            ),
            (Some(high), None) => format!(
                "In this patient raised pressure was ruled out at changes up to {high:+.2} mm ({out}). \
                 It was never confirmed, so it is not known from which change on it is raised."
            ),
            (None, Some(low)) => format!(
                "In this patient raised pressure was confirmed at changes from {low:+.2} mm on ({yes}). \
                 It is not known whether smaller changes also meant raised pressure."
            ),
            (None, None) => String::new(),
        };
        let estimate = self.estimate.map(|e| {
            format!(
                " The patient's own threshold is estimated at {:+.2} mm (10 to 90 %: {:+.2} to \
                 {:+.2}). This rests mostly on the patient's own episodes ({:.0} %), the rest on \
                 published figures.",
                e.median_mm,
                e.lower_mm,
                e.upper_mm,
                100.0 * e.information
            )
        });
        let today = self.today.map(|today| format!(" {}", today.sentence()));
        format!(
            "{bracket}{}{} This never changes the status.",
            estimate.unwrap_or_default(),
            today.unwrap_or_default()
        )
    }
}

impl Threshold {
    /// "1 episode: 2022-06-01, counted from 5.05 mm, opening pressure 31 cm[H2O]". Named is the episode
    /// that sets the number, since each is counted from the baseline of its own time.
    fn counted(&self, raised: bool) -> String {
        let number = count(if raised {
            self.confirmed
        } else {
            self.ruled_out
        });
        match edge(&self.episodes, raised) {
            Some(one) => format!("{number}; this one {}", one.phrase()),
            None => number,
        }
    }
}

impl Episode {
    /// When it was, from which level it is counted and which opening pressure was recorded.
    fn phrase(&self) -> String {
        let baseline = if self.baseline_from == self.baseline_to {
            format!("the exam of {} predicts", self.baseline_from)
        } else {
            format!(
                "the exams of {} to {} predict",
                self.baseline_from, self.baseline_to
            )
        };
        let pressure = match &self.opening_pressure {
            Some(pressure) => format!(", opening pressure {pressure}"),
            None => String::new(),
        };
        format!(
            "on {}, counted from the {:.2} mm that {baseline}{pressure}",
            written(self.date, self.time),
            self.level_mm
        )
    }
}

impl Position {
    fn sentence(&self) -> String {
        let change = format!(
            "The change of this exam, {:+.2} mm (SD {:.2})",
            self.change_mm, self.sd_mm
        );
        let from = |mm: f64| {
            let side = if mm < 0.0 { "under" } else { "over" };
            format!("{:.2} mm {side}", mm.abs())
        };
        match (self.over_ruled_out_mm, self.over_confirmed_mm) {
            (Some(out), Some(yes)) => {
                let place = match self.place {
                    Place::Below => "below both",
                    Place::Inside => "between them",
                    Place::Above => "above both",
                };
                format!(
                    "{change}, lies {place}: {} the highest ruled out, {} the lowest confirmed.",
                    from(out),
                    from(yes)
                )
            }
            (Some(out), None) => format!("{change}, lies {} the highest ruled out.", from(out)),
            (None, Some(yes)) => format!("{change}, lies {} the lowest confirmed.", from(yes)),
            (None, None) => format!("{change}, has nothing to be set beside."),
        }
    }
}

/// The newest episodes, and those that set the bracket: without a limit the results of a patient would grow
/// with the square of the number of episodes.
fn told(episodes: &[Episode]) -> Vec<Episode> {
    const NEWEST: usize = 20;
    let older = episodes.len().saturating_sub(NEWEST);
    let edges = [true, false].map(|raised| edge(episodes, raised));
    let all = episodes.iter().enumerate();
    let kept = all.filter(|(at, one)| *at >= older || edges.contains(&Some(*one)));
    kept.map(|(_, one)| one.clone()).collect()
}

/// The confirmed episode with the lowest change, or the one ruled out with the highest; of equals the first.
fn edge(episodes: &[Episode], raised: bool) -> Option<&Episode> {
    let of_kind = episodes.iter().filter(|one| one.raised == raised);
    of_kind.reduce(|best, next| {
        let further = if raised {
            next.change_mm < best.change_mm
        } else {
            next.change_mm > best.change_mm
        };
        if further { next } else { best }
    })
}

fn count(episodes: usize) -> String {
    match episodes {
        1 => "1 episode".to_owned(),
        n => format!("{n} episodes"),
    }
}

/// The belief about the threshold once the episodes are known, on the grid. `None` when the
/// episodes contradict the assumption beyond what numbers can hold.
pub(super) fn posterior(episodes: &[Episode]) -> Option<ThresholdEstimate> {
    let point = |n: u32| GRID_FROM + GRID_STEP * f64::from(n);
    let log_belief = |t: f64| {
        let assumed = (t - PRIOR_MEAN) / PRIOR_SD;
        let seen = episodes.iter().map(|one| {
            let s = one.sd_mm.hypot(WITHIN_SD);
            let over = (one.change_mm - t) / s;
            // The lower tail at z is the upper tail at -z.
            normal::upper_tail(if one.raised { -over } else { over }).ln()
        });
        -0.5 * assumed * assumed + seen.sum::<f64>()
    };
    let logs: Vec<(f64, f64)> = (0..GRID_POINTS)
        .map(|n| (point(n), log_belief(point(n))))
        .collect();
    let most = logs.iter().map(|(_, log)| *log).reduce(f64::max)?;
    if !most.is_finite() {
        return None;
    }
    let belief = |log: f64| (log - most).exp();
    let total: f64 = logs.iter().map(|(_, log)| belief(*log)).sum();
    let weights: Vec<(f64, f64)> = logs
        .iter()
        .map(|(t, log)| (*t, belief(*log) / total))
        .collect();
    let mean: f64 = weights.iter().map(|(t, w)| t * w).sum();
    let variance: f64 = weights
        .iter()
        .map(|(t, w)| w * (t - mean) * (t - mean))
        .sum();
    Some(ThresholdEstimate {
        median_mm: quantile(&weights, 0.5)?,
        lower_mm: quantile(&weights, 0.1)?,
        upper_mm: quantile(&weights, 0.9)?,
        information: 1.0 - variance / (PRIOR_SD * PRIOR_SD),
    })
}

/// Where the summed weights pass a share; each weight is spread evenly over its step.
fn quantile(weights: &[(f64, f64)], share: f64) -> Option<f64> {
    let mut sum = 0.0;
    for (t, weight) in weights {
        if sum + weight >= share {
            return Some(t + GRID_STEP * ((share - sum) / weight - 0.5));
        }
        sum += weight;
    }
    weights.last().map(|(t, _)| *t)
}
