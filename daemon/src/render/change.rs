//! Why a new version of a result differs from the one before it.

use super::Content;
use crate::geometry::NOT_COMPUTED;
use serde::Serialize;
use std::collections::BTreeSet;

/// Reasons in words; `before` is `None` for a first version.
#[must_use]
pub fn why(before: Option<&Content>, now: &Content) -> Vec<String> {
    let Some(before) = before else {
        return vec!["first result of this exam".into()];
    };
    let mut reasons = Vec::new();
    reports(before, now, &mut reasons);
    pictures(before, now, &mut reasons);
    if before.exam.label != now.exam.label {
        let word = now.exam.label.map_or("no label", |label| label.word());
        reasons.push(format!("the exam is now labelled {word}"));
    }
    baseline(before, now, &mut reasons);
    if before.events != now.events {
        reasons.push("the events of the patient changed".into());
    }
    identity(before, now, &mut reasons);
    if before.patient.birth_date != now.patient.birth_date
        || before.patient.sex != now.patient.sex
        || before.exam.performed_at != now.exam.performed_at
    {
        reasons.push("identity or date of the exam was corrected".into());
    }
    if before.parameters != now.parameters || before.technique != now.technique {
        reasons.push("the parameters of the site changed".into());
    }
    beside(before, now, &mut reasons);
    if reasons.is_empty() {
        reasons.push("templates or software read the same reports differently".into());
    }
    reasons
}

/// Who the patient is by merges of ids.
fn identity(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    let id = |content: &Content| (content.patient.issuer.clone(), content.patient.id.clone());
    let pairs = |content: &Content| -> BTreeSet<_> {
        let merges = content.joined.iter();
        merges
            .map(|one| (one.from.clone(), one.into.clone()))
            .collect()
    };
    let (old, new) = (pairs(before), pairs(now));
    if !new.is_subset(&old) {
        reasons.push("patient ids were joined by a merge".into());
    }
    if !old.is_subset(&new) {
        reasons.push("a merge of patient ids was taken back".into());
    }
    if id(before) != id(now) {
        reasons.push("the exam is now filed under another patient id".into());
    }
}

/// What stands beside the comparison. Compared as it is written: a stored content has rounded numbers.
fn beside(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    if before.exam.opening_pressure != now.exam.opening_pressure {
        reasons.push(match &now.exam.opening_pressure {
            Some(pressure) => format!("an opening pressure of {pressure} was recorded"),
            None => "the opening pressure was taken back".into(),
        });
    }
    if differ(&before.course.threshold, &now.course.threshold) {
        reasons.push("earlier episodes say something else of the patient's own threshold".into());
    }
    if differ(&before.companions, &now.companions) {
        reasons
            .push("values measured beside the sheath changed, here or at an earlier exam".into());
    }
    if before.exam.history_only != now.exam.history_only {
        reasons.push(match now.exam.history_only {
            false => "the exam came by itself as well, not from an archive's history alone".into(),
            true => "the exam counts as history of an archive".into(),
        });
    }
    if before.context.is_some() != now.context.is_some() {
        reasons.push("the site switched published figures on or off".into());
    }
    let rest = |content: &Content| {
        let course = content.course.clone();
        (
            course.growth,
            course.after_event,
            course.trend,
            course.change_point,
        )
    };
    if reasons.is_empty() && differ(&rest(before), &rest(now)) {
        reasons.push("earlier exams give another course".into());
    }
}

fn differ<T: Serialize>(before: &T, now: &T) -> bool {
    serde_json::to_value(before).ok() != serde_json::to_value(now).ok()
}

fn reports(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    for report in &now.reports {
        let uid = &report.sop_instance_uid;
        match before
            .reports
            .iter()
            .find(|old| &old.sop_instance_uid == uid)
        {
            None => reasons.push(format!("report {uid} arrived")),
            Some(old) if old.superseded_by != report.superseded_by => {
                reasons.push(format!("report {uid} was replaced by an amended one"));
            }
            Some(_) => {}
        }
    }
    for old in &before.reports {
        if !now
            .reports
            .iter()
            .any(|report| report.sop_instance_uid == old.sop_instance_uid)
        {
            reasons.push(format!(
                "report {} is no longer read as one of sheath values",
                old.sop_instance_uid
            ));
        }
    }
}

/// What was worked out from pictures, for reports that are in both.
fn pictures(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    let shown = |content: &Content, uid: &str| {
        let values = [&content.measurements_used, &content.measurements_not_used];
        let values = values.into_iter().flatten().filter(|one| one.object == uid);
        let mut geometry: Vec<String> = values
            .map(|one| {
                format!(
                    "{} {:?} {:?}",
                    one.value.place, one.value.geometry, one.value.eye
                )
            })
            .collect();
        geometry.sort_unstable();
        let report = content
            .reports
            .iter()
            .find(|one| one.sop_instance_uid == uid);
        let remarks = report.map(|report| {
            let missing = report.remarks.iter().filter(|one| one.code == NOT_COMPUTED);
            missing.map(|one| one.text.clone()).collect::<Vec<_>>()
        });
        remarks.map(|remarks| (geometry, remarks))
    };
    for report in &now.reports {
        let uid = &report.sop_instance_uid;
        let (old, new) = (shown(before, uid), shown(now, uid));
        if old.is_some() && old != new {
            reasons.push(format!(
                "what the pictures of report {uid} show became known or changed"
            ));
        }
    }
}

fn baseline(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    let ids = |content: &Content| -> BTreeSet<String> {
        content
            .baseline
            .iter()
            .map(|exam| exam.exam.clone())
            .collect()
    };
    let (old, new) = (ids(before), ids(now));
    for exam in &now.baseline {
        if !old.contains(&exam.exam) {
            reasons.push(format!("the exam of {} joined the baseline", exam.date));
        }
    }
    for exam in &before.baseline {
        if !new.contains(&exam.exam) {
            reasons.push(format!("the exam of {} left the baseline", exam.date));
        } else if !now.baseline.contains(exam) {
            reasons.push(format!(
                "the baseline exam of {} was corrected or relabelled",
                exam.date
            ));
        }
    }
}
