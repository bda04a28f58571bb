//! Why a new version of a result differs from the one before it.

mod reports;

use super::Content;
use super::content::{BaselineExam, NotCompared};
use crate::assess::{Counted, Why};
use crate::domain::{Millimetres, Remark};
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Reasons in words; `before` is `None` for a first version.
#[must_use]
pub fn why(before: Option<&Content>, now: &Content) -> Vec<String> {
    let Some(before) = before else {
        return vec!["first result of this exam".into()];
    };
    let mut reasons = Vec::new();
    reports::reports(before, now, &mut reasons);
    let shown = reports::pictures(before, now);
    reasons.extend(reports::counted(
        shown.len(),
        now,
        "what the pictures of",
        "show became known or changed",
    ));
    if before.exam.label != now.exam.label {
        reasons.push(match now.exam.label {
            Some(label) => format!("the exam is now labelled {}", label.word()),
            None => "the label of the exam was taken back".into(),
        });
    }
    baseline(before, now, &mut reasons);
    if before.events != now.events {
        reasons.push("the events of the patient changed".into());
    }
    readers(before, now, &mut reasons);
    identity(before, now, &mut reasons);
    if before.patient.birth_date != now.patient.birth_date
        || before.patient.sex != now.patient.sex
        || before.exam.performed_at != now.exam.performed_at
    {
        reasons.push("identity or date of the exam was corrected".into());
    }
    if before.parameters != now.parameters || before.technique != now.technique {
        reasons.push("the site's settings of the comparison changed".into());
    }
    beside(before, now, &mut reasons);
    unused(before, now, &mut reasons);
    let of_exam = remarks("the exam", &before.remarks, &now.remarks);
    reasons.extend(of_exam);
    reports::readings(before, now, &shown, &mut reasons);
    if reasons.is_empty() {
        rest(before, now, &mut reasons);
    }
    reasons
}

/// Exams of one kind that are named one by one; of more, their number and the last day.
const NAMED: usize = 3;

/// The list of exams that did not serve, as far as [`baseline`] has not told of them.
fn unused(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    type Unused<'c> = BTreeMap<&'c str, &'c NotCompared>;
    let list = |content: &'_ Content| -> BTreeSet<String> {
        let baseline = content.baseline.iter();
        baseline.map(|exam| exam.exam.clone()).collect()
    };
    fn by_exam(content: &Content) -> Unused<'_> {
        let all = content.not_compared.iter();
        all.map(|one| (one.exam.as_str(), one)).collect()
    }
    // Their values are listed or not as today's exam can be compared; told is what they became.
    fn measured(one: &NotCompared) -> Option<[&[Millimetres]; 2]> {
        let values = [one.right_mm.as_slice(), one.left_mm.as_slice()];
        values.iter().any(|eye| !eye.is_empty()).then_some(values)
    }
    let amended = |was, one| {
        let pair = measured(was).zip(measured(one));
        pair.is_some_and(|(was, now)| was != now)
    };
    // What is too old to be listed was neither added nor taken out.
    let is_unlisted = |content: &Content, date| content.assessment.set_aside_until >= Some(date);
    let (served, serves) = (list(before), list(now));
    let (old, new) = (by_exam(before), by_exam(now));
    let mut added = Vec::new();
    let mut otherwise = Vec::new();
    let mut gone = Vec::new();
    for one in &now.not_compared {
        let date = one.date;
        match old.get(one.exam.as_str()) {
            None if served.contains(&one.exam) || is_unlisted(before, date) => {}
            None => added.push((date, format!(": {}", sentence(&one.reason)))),
            Some(was) if was.reason != one.reason => {
                otherwise.push((date, format!(": {}", sentence(&one.reason))));
            }
            Some(was) if was.date != date || amended(was, one) => {
                otherwise.push((date, String::new()));
            }
            Some(_) => {}
        }
    }
    for one in &before.not_compared {
        let is_told = new.contains_key(one.exam.as_str()) || serves.contains(&one.exam);
        if !is_told && !is_unlisted(now, one.date) {
            gone.push((one.date, String::new()));
        }
    }
    for (exams, what) in [
        (added, "added to those not used"),
        (otherwise, "told otherwise among those not used"),
        (gone, "taken out of those not used"),
    ] {
        reasons.extend(counted(exams, what));
    }
    let until = |content: &Content| content.assessment.set_aside_until;
    if reasons.is_empty() && until(before) != until(now) {
        reasons.push("there are more or fewer exams not used than are listed".into());
    }
}

/// A sentence as the end of another one.
fn sentence(why: &Why) -> String {
    let text = why.sentence();
    let mut letters = text.trim_end_matches('.').chars();
    let first = letters.next().map(|first| first.to_lowercase());
    first.into_iter().flatten().chain(letters).collect()
}

fn counted(exams: Vec<(NaiveDate, String)>, what: &str) -> Vec<String> {
    let count = exams.len();
    match exams.iter().map(|(date, _)| date).max() {
        Some(last) if count > NAMED => {
            vec![format!("{count} exams were {what}, the last of {last}")]
        }
        _ => exams
            .into_iter()
            .map(|(date, why)| format!("the exam of {date} was {what}{why}"))
            .collect(),
    }
}

/// Remarks that came, went, or say something else.
fn remarks(of: &str, before: &[Remark], now: &[Remark]) -> Vec<String> {
    let only = |these: &[Remark], those: &[Remark]| -> Vec<Remark> {
        let these = these.iter().filter(|one| !those.contains(one));
        these.cloned().collect()
    };
    let mut went = only(before, now);
    let mut told = Vec::new();
    for one in only(now, before) {
        let code = &one.code;
        let was = went.iter().position(|old| &old.code == code);
        told.push(match was.map(|at| went.remove(at)) {
            Some(_) => format!("a remark on {of} changed ({code}): {}", one.text),
            None => format!("a remark on {of} was added ({code}): {}", one.text),
        });
    }
    told.extend(
        went.iter()
            .map(|old| format!("a remark on {of} was taken back ({})", old.code)),
    );
    told
}

/// What is left when nothing that a result rests on explains the difference.
fn rest(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    let facts = |content: &Content| {
        let exam = &content.exam;
        let who = (exam.operator.clone(), exam.device.clone());
        (who, exam.accession.clone(), exam.definition, exam.modality)
    };
    if facts(before) != facts(now) {
        reasons.push(
            "operator, device, accession number, borders or kind of imaging of the exam are told \
             otherwise"
                .into(),
        );
    }
    let (old, new) = (&before.assessment.notices, &now.assessment.notices);
    let added = new.iter().filter(|notice| !old.contains(notice));
    reasons.extend(added.map(|notice| format!("the comparison now says: {}", notice.sentence())));
    let gone = old.iter().filter(|notice| !new.contains(notice));
    reasons
        .extend(gone.map(|notice| format!("the comparison no longer says: {}", notice.sentence())));
    if !reasons.is_empty() {
        return;
    }
    reasons.push(
        if differ(&before.assessment, &now.assessment) { "the comparison gives other numbers, by what other exams tell of the patient or by another version of the software" } else { "another version of the software words the result differently" }
        .into(),
    );
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
        let of = |content: &Content| -> BTreeSet<(String, bool)> {
            let threshold = content.course.threshold.iter();
            let episodes = threshold.flat_map(|threshold| &threshold.episodes);
            episodes.map(|one| (one.exam.clone(), one.raised)).collect()
        };
        let (old, new) = (of(before), of(now));
        let because = match (new.is_subset(&old), old.is_subset(&new)) {
            (false, _) => " because an earlier episode was labelled",
            (true, false) => " because the label of an earlier episode was taken back",
            (true, true) => "",
        };
        reasons.push(format!("the own-threshold estimate changed{because}"));
    }
    if differ(&before.companions, &now.companions) {
        reasons
            .push("values measured beside the sheath changed, here or at an earlier exam".into());
    }
    if before.exam.history_only != now.exam.history_only {
        reasons.push(if !now.exam.history_only {
            "the exam came by itself as well, not only from an archive's history or a table of old values".into()
        } else {
            "the exam counts as history".into()
        });
    }
    if before.context.is_some() != now.context.is_some() {
        reasons.push("the site switched published figures on or off".into());
    }
    let rest = |content: &Content| {
        let course = content.course.clone();
        (
            course.growth,
            (course.since_last, course.not_since_last, course.flags),
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

fn baseline(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    let ids = |content: &Content| -> BTreeSet<String> {
        content
            .baseline
            .iter()
            .map(|exam| exam.exam.clone())
            .collect()
    };
    let (old, new) = (ids(before), ids(now));
    let of = |exams: Vec<&BaselineExam>| exams.iter().map(|exam| exam.date).collect::<Vec<_>>();
    let before_exams = before.baseline.iter();
    let stayed = before_exams.filter(|exam| new.contains(&exam.exam));
    // What is known of operators and devices is told by itself.
    let plain = |exam: &BaselineExam| BaselineExam {
        counted: Counted::default(),
        ..exam.clone()
    };
    let changed = stayed.filter(|exam| {
        let mut all = now.baseline.iter();
        !all.any(|other| plain(other) == plain(exam))
    });
    let (relabelled, corrected): (Vec<_>, Vec<_>) = changed.partition(|exam| {
        let told = now.baseline.iter().find(|other| other.exam == exam.exam);
        told.is_some_and(|other| {
            let label = other.label;
            BaselineExam {
                label,
                ..plain(exam)
            } == plain(other)
        })
    });
    let joined = now.baseline.iter();
    let joined = joined.filter(|exam| !old.contains(&exam.exam));
    let left = before.baseline.iter();
    let left = left.filter(|exam| !new.contains(&exam.exam));
    for (exams, what) in [
        (joined.collect(), "joined the baseline"),
        (left.collect(), "left the baseline"),
        (relabelled, "of the baseline got another label"),
        (corrected, "of the baseline was corrected"),
    ] {
        reasons.extend(named(&of(exams), what));
    }
}

/// Names, offsets and scatters of operators and devices as the site knows them, of the exam and of
/// baseline exams that are in both.
fn readers(before: &Content, now: &Content, reasons: &mut Vec<String>) {
    let mut pairs = vec![(&before.exam.counted, &now.exam.counted)];
    for exam in &before.baseline {
        let mut all = now.baseline.iter();
        let same = all.find(|other| other.exam == exam.exam);
        pairs.extend(same.map(|other| (&exam.counted, &other.counted)));
    }
    let differs = |one: fn(&Counted) -> (Option<String>, Option<String>)| {
        pairs.iter().any(|(old, new)| one(old) != one(new))
    };
    if differs(|one| (one.operator_as.clone(), one.device_as.clone())) {
        reasons.push("the site joined or parted spellings of an operator or a device".into());
    }
    // As written: stored numbers are rounded.
    if pairs
        .iter()
        .any(|(old, new)| differ(&old.known, &new.known))
    {
        reasons
            .push("the site changed what is known of the errors of an operator or a device".into());
    }
}

/// Exams by their days, or how many there are of them.
fn named(dates: &[NaiveDate], what: &str) -> Vec<String> {
    match dates.iter().max() {
        Some(last) if dates.len() > NAMED => {
            let what = what.replacen("was ", "were ", 1);
            vec![format!("{} exams {what}, the last of {last}", dates.len())]
        }
        _ => dates
            .iter()
            .map(|date| format!("the exam of {date} {what}"))
            .collect(),
    }
}
