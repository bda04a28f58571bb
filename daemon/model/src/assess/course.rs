//! What stands beside a comparison: it explains and describes. None of it changes a status, except what
//! the time after an event shows, which `after_event` has put into it before.

use super::after_event::AfterEvent;
use super::compare::{Case, Compared};
use super::growth::{Growth, years_between};
use super::since_event::in_doubt;
use super::since_last::{Flags, NotSinceLast, SinceLast, flags, since_last};
use super::threshold::{Episode, Threshold};
use super::trend::{ChangePoint, Trend, trend};
use super::{Assessment, Comparison};
use crate::domain::Label;
use serde::{Deserialize, Serialize};

/// Growth, own threshold, what an event left, and how the exams run over time. Each is `None`, and
/// absent in JSON, when there is nothing to say.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// Growth since the last baseline exam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub growth: Option<Growth>,
    /// What earlier labelled episodes say of the patient's own threshold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub threshold: Option<Threshold>,
    /// The change since the latest earlier exam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since_last: Option<SinceLast>,
    /// Why today is not held against the latest earlier exam, where that one is recent enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_since_last: Option<NotSinceLast>,
    /// Earlier exams that were flagged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flags: Option<Flags>,
    /// What the last event left behind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_event: Option<AfterEvent>,
    /// Slope over time, from four exams on that span 30 days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trend: Option<Trend>,
    /// Best place for a lasting shift, from four exams on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_point: Option<ChangePoint>,
}

impl Course {
    /// Nothing to say.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Course::default()
    }

    /// Of one exam; `episodes` are those of earlier days.
    pub(super) fn of(
        case: &Case<'_>,
        answer: &Assessment,
        compared: Option<&Compared<'_>>,
        after_event: Option<AfterEvent>,
        episodes: &[Episode],
    ) -> Self {
        let (trend, change_point) = trend(case, compared, in_doubt(case, answer));
        let (since_last, not_since_last) = since_last(case);
        Course {
            growth: compared.map(|compared| {
                let (last, today) = (compared.last, case.today);
                let gap = years_between(last.exam.date, today.exam.date);
                Growth::between(last.age, today.age, gap, case.parameters)
            }),
            threshold: Threshold::of(episodes, leading(answer).as_ref()),
            since_last,
            not_since_last,
            flags: flags(case, answer.flagged),
            after_event,
            trend,
            change_point,
        }
    }
}

fn leading(answer: &Assessment) -> Option<Comparison> {
    answer.rows.leading()?.comparison
}

/// The episode an exam tells of: labelled, compared, and not excluded.
pub(super) fn episode(
    case: &Case<'_>,
    answer: &Assessment,
    compared: Option<&Compared<'_>>,
) -> Option<Episode> {
    let exam = case.today.exam;
    let raised = match exam.label? {
        Label::RaisedConfirmed => true,
        Label::RaisedRuledOut => false,
        Label::Well | Label::AfterDecompression => return None,
    };
    let row = leading(answer).filter(|_| exam.excluded.is_none())?;
    let kept = &compared?.kept;
    Some(Episode {
        exam: exam.id.clone(),
        date: exam.date,
        time: exam.time,
        change_mm: row.change_mm,
        sd_mm: row.sd_mm,
        level_mm: row.expected_mm,
        baseline_from: kept.first()?.exam.date,
        baseline_to: kept.last()?.exam.date,
        opening_pressure: None,
        raised,
    })
}
