//! Which destinations want a version of a result.

use crate::known::{content_of, sound_before};
use crate::routes::destination::Taker;
use sheathline_model::domain::Source;
use sheathline_model::results::{Change, Chosen, Content};
use sheathline_store::results::ResultRow;
use sheathline_store::{StoreError, View, deliveries, exam_lines, readings};

/// The names of the destinations that want a version. Of what cannot be read everybody is told.
pub(super) fn takers(
    view: &View,
    row: &ResultRow,
    all: &[Taker],
) -> Result<Vec<String>, StoreError> {
    let name = |one: &Taker| one.name.clone();
    if all.iter().all(|one| one.wanted.is_everything()) {
        return Ok(all.iter().map(name).collect());
    }
    let Ok(now) = content_of(row) else {
        return Ok(all.iter().map(name).collect());
    };
    let before = match row.supersedes {
        Some(_) => sound_before(view, row)?.map(|(_, before)| before),
        None => None,
    };
    let flagged = now.assessment.flagged;
    let known = Known::of(view, &now, all)?;
    let chosen = known.chosen(&now);
    let kinds = match (before, row.supersedes) {
        // Nobody was told of what was history.
        (Some(before), _) if before.exam.history_only => Change::of(None, flagged),
        (Some(before), _) => Change::of(Some(before.assessment.flagged), flagged),
        // The one before cannot be read: a flag may be new, or taken back.
        (None, Some(_)) => Change::of(Some(!flagged), flagged),
        (None, None) => Change::of(None, flagged),
    };
    let mut takers = Vec::new();
    for one in all {
        let was_told = deliveries::was_told(view, &one.name, &row.exam_id)?;
        if one.wanted.takes(kinds, &chosen, was_told) {
            takers.push(one.name.clone());
        }
    }
    Ok(takers)
}

/// What a destination may choose by and a result does not say.
pub(crate) struct Known {
    senders: Vec<Source>,
    department: Option<String>,
}

impl Known {
    /// Looks up what any of the destinations asks for.
    pub(crate) fn of(view: &View, now: &Content, all: &[Taker]) -> Result<Self, StoreError> {
        let mut senders = Vec::new();
        if all.iter().any(|one| !one.wanted.senders.is_empty()) {
            for report in &now.reports {
                let stored = readings::by_sop_instance(view, &report.sop_instance_uid)?;
                senders.extend(stored.into_iter().map(|one| one.source));
            }
        }
        let department = if all.iter().any(|one| !one.wanted.departments.is_empty()) {
            exam_lines::of_exam(view, &now.exam.id)?.and_then(|line| line.location)
        } else {
            None
        };
        Ok(Known {
            senders,
            department,
        })
    }

    pub(crate) fn chosen(&self, now: &Content) -> Chosen<'_> {
        Chosen {
            status: now.assessment.status,
            label: now.exam.label,
            senders: &self.senders,
            department: self.department.as_deref(),
        }
    }
}
