//! What the text and the page say in the same words.

use super::Content;
use super::content::NotCompared;
use crate::assess::{Basis, Comparison, DecidedBy, Reason, Row, Status, Unused, Why};
use crate::domain::time::written;
use crate::domain::{Device, Eye, Millimetres, Moment, Remark, RemarkCode, Severity, written_name};
use crate::results::statement;
use chrono::FixedOffset;

/// A status in words: `above expected`.
pub(crate) fn status(status: Status) -> String {
    status.word().replace('_', " ")
}

/// Who measured, as people write a name.
pub(crate) fn operator(name: Option<&str>) -> String {
    let written = name.map(written_name).unwrap_or_default();
    if written.is_empty() {
        "unknown".to_owned()
    } else {
        written
    }
}

/// Maker, model and serial number of a device, as far as they are known.
pub(crate) fn device(device: &Device) -> String {
    let parts = [&device.manufacturer, &device.model, &device.serial];
    let known: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
    if known.is_empty() {
        "unknown".to_owned()
    } else {
        known.join(", ")
    }
}

/// Millimetres of a reading: one decimal at least, more only if there are more.
pub(crate) fn millimetres(length: Millimetres) -> String {
    if length.um() % 100 == 0 {
        format!("{:.1}", length.mm())
    } else {
        length.mm().to_string()
    }
}

/// Rows that exist, the one of both eyes first.
pub(crate) fn named_rows(content: &Content) -> impl Iterator<Item = (&'static str, &Row)> {
    let rows = &content.assessment.rows;
    [
        ("Both eyes", &rows.both),
        ("Right eye", &rows.right),
        ("Left eye", &rows.left),
    ]
    .into_iter()
    .filter_map(|(name, row)| Some((name, row.as_ref()?)))
}

/// The first letter small.
pub(crate) fn small(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_lowercase());
    first.into_iter().flatten().chain(letters).collect()
}

/// The first letter as a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_uppercase());
    first.into_iter().flatten().chain(letters).collect()
}

/// The day and time of an exam: `2024-05-07 10:00`, with the offset where the report states one.
pub(crate) fn moment(at: Moment) -> String {
    let local = written(at.date(), at.time());
    match at.offset_s.and_then(FixedOffset::east_opt) {
        Some(offset) => format!("{local} (UTC{offset})"),
        None => local,
    }
}

/// Neighbours in one line whose times are all named.
const NAMED_MOST: usize = 3;

/// Earlier exams that were not used: when, and why; neighbours with one reason in one line, save those whose
/// widths are shown.
pub(crate) fn not_used(content: &Content) -> Vec<String> {
    let bare = |one: &NotCompared| one.right_mm.is_empty() && one.left_mm.is_empty();
    let alike = |one: &NotCompared, next: &NotCompared| {
        one.reason == next.reason && bare(one) && bare(next)
    };
    let runs = content.not_compared.chunk_by(alike);
    runs.map(|run| not_used_for_one(content, run)).collect()
}

fn not_used_for_one(content: &Content, run: &[NotCompared]) -> String {
    let at = |one: &NotCompared| written(one.date, one.time);
    let times: Vec<String> = run.iter().map(at).collect();
    let times = match (times.as_slice(), times.first(), times.last()) {
        ([one], _, _) => one.clone(),
        (all, Some(first), Some(last)) if all.len() > NAMED_MOST => {
            format!("{} exams, {first} to {last}, each", all.len())
        }
        (all, _, _) => format!("{}, each", all.join(", ")),
    };
    let why = match run.first().map(|one| &one.reason) {
        Some(Why::Found(Unused::BeyondMaxSessions)) => format!(
            "Not needed: the {} newest exams are used.",
            content.parameters.max_sessions
        ),
        Some(reason) => reason.sentence(),
        None => String::new(),
    };
    let then = run.first().map(measured_then).unwrap_or_default();
    format!("{times}: {why}{then}")
}

/// What an exam that was measured otherwise found, as it is: ` Measured then: right 4.9 4.8, left 4.7 mm.`
fn measured_then(exam: &NotCompared) -> String {
    let eyes = [("right", &exam.right_mm), ("left", &exam.left_mm)];
    let eyes = eyes.into_iter().filter(|(_, values)| !values.is_empty());
    let eyes: Vec<String> = eyes
        .map(|(eye, values)| {
            let values: Vec<String> = values.iter().copied().map(millimetres).collect();
            format!("{eye} {}", values.join(" "))
        })
        .collect();
    if eyes.is_empty() {
        String::new()
    } else {
        format!(" Measured then: {} mm.", eyes.join(", "))
    }
}

/// What a row says, and whether it decided nothing: `well above expected`.
pub(crate) fn row_status(row: &Row) -> String {
    match (row.comparison, row.too_wide) {
        (Some(c), _) => status(c.status),
        (None, Some(_)) => "interval too wide".to_owned(),
        (None, None) => "not compared".to_owned(),
    }
}

/// What a row is about: `both eyes`, `right eye`.
pub(crate) fn row_name(content: &Content, by: DecidedBy) -> String {
    let rows = &content.assessment.rows;
    let name = match (by, &rows.both, &rows.right) {
        (DecidedBy::Right, _, _) => "right eye",
        (DecidedBy::Left, _, _) => "left eye",
        (_, Some(_), _) => "both eyes",
        (_, None, Some(_)) => "right eye",
        (_, None, None) => "left eye",
    };
    name.to_owned()
}

/// The eye that a title names; `None` for the mean of both.
pub(crate) fn eye_named(content: &Content, by: DecidedBy) -> Option<String> {
    let rows = &content.assessment.rows;
    let measured = (rows.right.is_some(), rows.left.is_some());
    match (row_name(content, by).as_str(), measured) {
        ("both eyes", _) => None,
        (eye, (true, true)) => Some(eye.to_owned()),
        (eye, _) => Some(format!("{eye} only")),
    }
}

/// What the status means, with the earlier exams it rests on. Empty where nothing was compared, which
/// [`not_compared`] explains.
pub(crate) fn answer(content: &Content) -> String {
    let assessment = &content.assessment;
    let compared = assessment.decided().is_some();
    if assessment.decided_by == Some(DecidedBy::SinceEvent) || !compared && !assessment.flagged {
        return baseline(content);
    }
    let sentence = assessment.sentence();
    let Some(span) = span(content).filter(|_| compared) else {
        return [sentence, baseline(content)]
            .join(" ")
            .trim_end()
            .to_owned();
    };
    let sentence = sentence.trim_end_matches('.');
    [format!("{sentence} ({span})."), unconfirmed(content)]
        .join(" ")
        .trim_end()
        .to_owned()
}

/// Why nothing was compared, and what to do about it.
pub(crate) fn not_compared(content: &Content) -> String {
    let reason = content.assessment.reason;
    let dated = match reason {
        Some(Reason::DateImplausible) => content
            .remarks
            .iter()
            .find(|remark| remark.code == RemarkCode::DateImplausible),
        _ => None,
    };
    match (unusable(content), dated) {
        (Some(why), _) => why,
        (None, Some(remark)) => said_of_it(remark),
        (None, None) => content.assessment.sentence(),
    }
}

/// Why no value of the exam could be used, by the first of them.
fn unusable(content: &Content) -> Option<String> {
    if content.assessment.reason != Some(Reason::NoUsableMeasurement) {
        return None;
    }
    let remarks = content
        .measurements_not_used
        .iter()
        .flat_map(|m| &m.value.remarks);
    let first = remarks
        .into_iter()
        .find(|remark| remark.severity == Severity::Blocking)?;
    let mut why = said_of_it(first);
    if first.action.is_none() {
        // What to do is told with the exam.
        let mut of_exam = content.remarks.iter().filter(|one| one.code == first.code);
        let action = of_exam.find_map(|one| one.action.as_deref());
        why.extend(action.map(|action| format!(" {action}")));
    }
    Some(match content.measurements_not_used.len() {
        1 => format!("The only value could not be used. Reason: {why}"),
        n => format!("None of the {n} values could be used. Reason: {why}"),
    })
}

/// The eye that is out of bounds while the other was compared and is not.
pub(crate) fn only_eye(content: &Content) -> Option<(Eye, Comparison)> {
    let of = |eye: Eye| content.assessment.rows.of(eye)?.comparison;
    let out = |c: &Comparison| c.status != Status::WithinExpected;
    let (right, left) = (of(Eye::Right)?, of(Eye::Left)?);
    match (out(&right), out(&left)) {
        (true, false) => Some((Eye::Right, right)),
        (false, true) => Some((Eye::Left, left)),
        _ => None,
    }
}

/// How often chance alone gives a value as high as the flagged one that decided. Empty when no row
/// is flagged.
pub(crate) fn chance(content: &Content) -> String {
    let decided = content.assessment.decided();
    let Some((by, c)) = decided.and_then(|(by, row)| Some((by, row.comparison?))) else {
        return String::new();
    };
    if !c.status.flagged() {
        return String::new();
    }
    let of = match by {
        DecidedBy::Right | DecidedBy::Left => format!(" in the {}", row_name(content, by)),
        DecidedBy::Both => String::new(),
        // It is the chance of another comparison than the one that decided.
        DecidedBy::SinceEvent => return String::new(),
    };
    format!(
        "A value this high{of} comes up by chance in {} % of stable exams; that is not the \
         probability of raised pressure.",
        percent(c.probability_high)
    )
}

/// A chance in percent; a tiny one is not written as zero.
pub(crate) fn percent(chance: f64) -> String {
    if chance < 0.0005 {
        "less than 0.05".into()
    } else {
        format!("{:.1}", 100.0 * chance)
    }
}

/// That more exams were not used than are listed; `None` when all are.
pub(crate) fn not_listed(content: &Content) -> Option<String> {
    let until = content.assessment.set_aside_until?;
    Some(format!(
        "Further exams of {until} and before were not used; they are not listed here."
    ))
}

/// How many exams the comparison rests on, of when: `2 exams, 2022-05-04 to 2022-06-02`.
fn span(content: &Content) -> Option<String> {
    let (first, last) = (content.baseline.first()?, content.baseline.last()?);
    Some(match content.baseline.len() {
        1 => format!("one exam, {}", written(first.date, first.time)),
        count => format!("{count} exams, {} to {}", first.date, last.date),
    })
}

/// The same as a sentence; empty when there is none.
fn baseline(content: &Content) -> String {
    match span(content) {
        None => String::new(),
        Some(span) => {
            let said = format!("Compared with earlier exams of the patient ({span}).");
            [said, unconfirmed(content)].join(" ").trim_end().to_owned()
        }
    }
}

/// That nobody has confirmed that the patient was well at some of them; empty where the headline says so
/// of all.
fn unconfirmed(content: &Content) -> String {
    let count = content.baseline.len();
    let unlabelled = content.baseline.iter();
    let unlabelled = unlabelled.filter(|exam| exam.label.is_none()).count();
    let which = match unlabelled {
        0 => return String::new(),
        _ if content.basis() == Basis::Provisional => return String::new(),
        n if n == count => match n {
            1 => "that exam",
            _ => "any of them",
        },
        // How many they are makes no version of a result, so it is not said.
        _ => "some of them",
    };
    format!("Nobody has confirmed that the patient was well at {which}.")
}

/// How long before this exam the latest baseline exam was.
pub(crate) fn last_baseline(content: &Content) -> Option<String> {
    let last = content.baseline.last()?;
    let days = (content.exam.performed_at.date() - last.date).num_days();
    let ago = match days {
        ..=1 => "the day before".to_owned(),
        2..=60 => format!("{days} days before"),
        61..=730 => format!("{:.0} months before", days as f64 / 30.44),
        _ => format!("{:.1} years before", days as f64 / 365.25),
    };
    Some(format!("The latest was taken {ago} this exam."))
}

/// Remarks on the exam and on the reports that stand.
pub(crate) fn stated(content: &Content) -> impl Iterator<Item = &Remark> {
    let reports = content.reports.iter();
    let standing = reports.filter(|report| report.superseded_by.is_empty());
    content
        .remarks
        .iter()
        .chain(standing.flat_map(|report| &report.remarks))
}

/// Notices of the comparison, then remarks on the exam and on its reports that stand; those left out that
/// the statement tells.
pub(crate) fn remarks(content: &Content) -> Vec<String> {
    let assessment = &content.assessment;
    let notices = assessment.notices.iter();
    let notices = notices.filter(|notice| !statement::tells_notice(content, **notice));
    let notices = notices.map(|notice| notice.sentence().to_owned());
    let stated = stated(content).filter(|remark| !statement::tells_remark(content, remark));
    let stated = stated.map(said);
    let mut lines: Vec<String> = Vec::new();
    for line in notices.chain(stated) {
        // Several reports of an exam may say the same.
        if !lines.contains(&line) {
            lines.push(line);
        }
    }
    lines
}

/// A remark with its place and what a person can do about it.
fn said(remark: &Remark) -> String {
    let place = remark.place.as_deref();
    let place = place.map_or(String::new(), |at| format!(" (at {at})"));
    let action = remark.action.as_deref();
    let action = action.map_or(String::new(), |action| format!(" {action}"));
    format!("{}{place}{action}", remark.text)
}

/// The same without its place.
pub(crate) fn said_of_it(remark: &Remark) -> String {
    match &remark.action {
        Some(action) => format!("{} {action}", remark.text),
        None => remark.text.clone(),
    }
}

/// A number to so many decimals, half to even of what it is in full; never a minus nought.
pub(crate) fn rounded(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| matches!(c, '0' | '.')) => digits.to_owned(),
        _ => text,
    }
}

/// A number with at most six decimals and no zeros behind; a tiny chance is not written as zero.
pub(crate) fn exact(value: f64) -> String {
    let text = format!("{value:.6}");
    let short = text.trim_end_matches('0').trim_end_matches('.');
    match short {
        "-0" => "0".to_owned(),
        "0" if value > 0.0 => format!("{value:.3e}"),
        short => short.to_owned(),
    }
}

/// The word of a variant as it stands in JSON.
pub(crate) fn word(variant: &impl serde::Serialize) -> String {
    match serde_json::to_value(variant) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}
