//! What became of the reports of an exam since the version before.

use crate::domain::RemarkCode;
use crate::history::{ExamMeasurement, ObjectUse};
use crate::results::Content;
use std::collections::BTreeSet;

/// Reports that came, took another's place, or are none of ours any more.
pub(super) fn reports(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    fn of<'c>(content: &'c Content, uid: &str) -> Option<&'c ObjectUse> {
        let mut reports = content.reports.iter();
        reports.find(|one| one.sop_instance_uid == uid)
    }
    let mut amending = BTreeSet::new();
    let (mut amended, mut completed, mut stands) = (0, 0, 0);
    for report in &now.reports {
        let old = of(before, &report.sop_instance_uid);
        let was_standing = old.is_none_or(|old| old.superseded_by.is_empty());
        match (was_standing, report.superseded_by.is_empty()) {
            (true, false) => {
                amending.extend(&report.superseded_by);
                let mut remarks = report.remarks.iter();
                if remarks.any(|remark| remark.code == RemarkCode::DocumentPreliminary) {
                    completed += usize::from(old.is_some())
                } else {
                    amended += usize::from(old.is_some())
                }
            }
            (false, true) => stands += 1,
            _ => {}
        }
    }
    let unknown = now.reports.iter().filter(|report| {
        let uid = &report.sop_instance_uid;
        of(before, uid).is_none() && !amending.contains(uid)
    });
    let arrived = unknown.count();
    // What replaced something that was not here before is news as well.
    let arrived = match arrived + amended + completed {
        0 => {
            let all = now.reports.iter();
            all.filter(|report| of(before, &report.sop_instance_uid).is_none())
                .count()
        }
        _ => arrived,
    };
    let gone = before.reports.iter();
    let gone = gone.filter(|report| of(now, &report.sop_instance_uid).is_none());
    let gone = gone.count();
    let standing = before.reports.iter();
    let standing = standing.filter(|report| report.superseded_by.is_empty());
    let only = standing.count() == 1;
    let (one, many) = if only {
        ("the report", "the reports")
    } else {
        ("a report", "reports")
    };
    let of = |count: usize| if count == 1 { one } else { many };
    let verb = |count: usize| if count == 1 { "was" } else { "were" };
    if amended > 0 {
        reasons.push(format!("{} {} amended", of(amended), verb(amended)));
    }
    if completed > 0 {
        reasons.push("the final report took the place of the preliminary one".into());
    }
    if stands > 0 {
        let verb = if stands == 1 { "counts" } else { "count" };
        let what = if stands == 1 { "a report" } else { "reports" };
        reasons.push(format!("{what} that had been replaced {verb} again"));
    }
    match arrived {
        0 => {}
        1 => reasons.push("a report of this exam arrived".into()),
        count => reasons.push(format!("{count} reports of this exam arrived")),
    }
    if gone > 0 {
        let verb = if gone == 1 { "is" } else { "are" };
        let what = if gone == 1 { "one" } else { "such" };
        reasons.push(format!(
            "{} {verb} no longer read as {what} of this exam's sheath values",
            of(gone)
        ));
    }
}

/// Reports in both that pictures tell something else of.
pub(super) fn pictures<'c>(before: &Content, now: &'c Content) -> BTreeSet<&'c str> {
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
            let missing = report
                .remarks
                .iter()
                .filter(|one| one.code == RemarkCode::GeometryNotComputed);
            missing.map(|one| one.text.clone()).collect::<Vec<_>>()
        });
        remarks.map(|remarks| (geometry, remarks))
    };
    let uids = now.reports.iter().map(|one| one.sop_instance_uid.as_str());
    uids.filter(|uid| {
        let (old, new) = (shown(before, uid), shown(now, uid));
        old.is_some() && old != new
    })
    .collect()
}

/// What was read of reports that are in both, as far as no other report or picture explains it.
pub(super) fn readings(
    before: &Content,
    now: &Content,
    shown: &BTreeSet<&str>,
    reasons: &mut Vec<String>,
) {
    let values = |content: &Content, uid: &str, read: &dyn Fn(&ExamMeasurement) -> String| {
        let all = [&content.measurements_used, &content.measurements_not_used];
        let all = all.into_iter().flatten().filter(|one| one.object == uid);
        let mut all: Vec<String> = all.map(read).collect();
        all.sort_unstable();
        all
    };
    // Side and geometry may come from pictures, use and remarks from other reports.
    let as_read = |one: &ExamMeasurement| {
        let value = &one.value;
        let what = (value.quantity, value.value_mm, value.plane, value.depth_mm);
        let how = (value.derivation, value.definition, value.modality);
        let when = (value.observed_at, &value.observation_uid);
        format!("{} {what:?} {how:?} {when:?}", value.place)
    };
    let as_used = |one: &ExamMeasurement| {
        let value = &one.value;
        format!(
            "{} {:?} {} {:?} {:?}",
            value.place, value.eye, value.usable, value.remarks, value.geometry
        )
    };
    let mut read = 0;
    let mut by_template = 0;
    let mut used = 0;
    let mut remarked = Vec::new();
    for report in &now.reports {
        let uid = &report.sop_instance_uid;
        let mut old = before.reports.iter();
        let Some(old) = old.find(|old| &old.sop_instance_uid == uid) else {
            continue;
        };
        let told = shown.contains(uid.as_str()) || old.superseded_by != report.superseded_by;
        let differs = |read: &dyn Fn(&ExamMeasurement) -> String| {
            values(before, uid, read) != values(now, uid, read)
        };
        if differs(&as_read) {
            read += 1;
        } else if old.template != report.template {
            by_template += 1;
        } else if !told && reasons.is_empty() && differs(&as_used) {
            used += 1;
        } else if !told {
            let of = which(now, 1);
            remarked.extend(super::remarks(&of, &old.remarks, &report.remarks));
        }
    }
    for (count, what, how) in [
        (read, "templates or software read", "differently"),
        (by_template, "a changed template read", "again"),
        (used, "values of", "are used or remarked on differently"),
    ] {
        reasons.extend(counted(count, now, what, how));
    }
    reasons.extend(remarked);
}

/// So many reports of an exam in words: `the report`, `a report`, `2 reports`.
fn which(content: &Content, count: usize) -> String {
    match (count, content.reports.len()) {
        (1, 1) => "the report".to_owned(),
        (1, _) => "a report".to_owned(),
        (count, _) => format!("{count} reports"),
    }
}

/// A sentence on so many reports; none on none.
pub(super) fn counted(count: usize, content: &Content, what: &str, how: &str) -> Option<String> {
    (count > 0).then(|| format!("{what} {} {how}", which(content, count)))
}
