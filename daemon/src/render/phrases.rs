//! What the text and the page say in the same words.

use super::Content;
use super::content::{BaselineExam, NotCompared};
use crate::assess::{Basis, Comparison, DecidedBy, Reason, Row, Status, Unused, Why};
use crate::domain::{Device, Eye, Millimetres, Moment, Remark, Severity, written_name};
use chrono::{FixedOffset, NaiveDate, NaiveTime};

/// A status in words: `above expected`.
pub(super) fn status(status: Status) -> String {
    status.word().replace('_', " ")
}

/// Who measured, as people write a name.
pub(super) fn operator(name: Option<&str>) -> String {
    let written = name.map(written_name).unwrap_or_default();
    match written.is_empty() {
        true => "unknown".to_owned(),
        false => written,
    }
}

/// Maker, model and serial number of a device, as far as they are known.
pub(super) fn device(device: &Device) -> String {
    let parts = [&device.manufacturer, &device.model, &device.serial];
    let known: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
    match known.is_empty() {
        true => "unknown".to_owned(),
        false => known.join(", "),
    }
}

/// Millimetres of a reading: one decimal at least, more only if there are more.
pub(super) fn millimetres(length: Millimetres) -> String {
    if length.um() % 100 == 0 {
        format!("{:.1}", length.mm())
    } else {
        length.mm().to_string()
    }
}

/// Rows that exist, the one of both eyes first.
pub(super) fn named_rows(content: &Content) -> impl Iterator<Item = (&'static str, &Row)> {
    let rows = &content.assessment.rows;
    [
        ("Both eyes", &rows.both),
        ("Right eye", &rows.right),
        ("Left eye", &rows.left),
    ]
    .into_iter()
    .filter_map(|(name, row)| Some((name, row.as_ref()?)))
}

/// The first letter as a capital.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_uppercase());
    first.into_iter().flatten().chain(letters).collect()
}

/// A day, with the time of day where one is told.
pub(super) fn when(date: NaiveDate, time: Option<NaiveTime>) -> String {
    match time {
        Some(time) => format!("{date} {}", time.format("%H:%M")),
        None => date.to_string(),
    }
}

/// The day and time of an exam: `2024-05-07 10:00`, with the offset where the report states one.
pub(super) fn moment(at: Moment) -> String {
    let local = when(at.date(), at.time());
    match at.offset_s.and_then(FixedOffset::east_opt) {
        Some(offset) => format!("{local} (UTC{offset})"),
        None => local,
    }
}

/// `not used` line of an earlier exam: when, and why.
pub(super) fn not_used(content: &Content, exam: &NotCompared) -> String {
    let at = when(exam.date, exam.time);
    match exam.reason {
        Why::Found(Unused::BeyondMaxSessions) => format!(
            "{at}: Not needed: the {} newest exams are used.",
            content.parameters.max_sessions
        ),
        _ => format!("{at}: {}", exam.reason.sentence()),
    }
}

/// What a row says, and whether it decided nothing: `well above expected`.
pub(super) fn row_status(row: &Row) -> String {
    match (row.comparison, row.too_wide) {
        (Some(c), _) => status(c.status),
        (None, Some(_)) => "interval too wide".to_owned(),
        (None, None) => "not compared".to_owned(),
    }
}

/// What a row is about: `both eyes`, `right eye`.
pub(super) fn row_name(content: &Content, by: DecidedBy) -> String {
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
pub(super) fn eye_named(content: &Content, by: DecidedBy) -> Option<String> {
    let rows = &content.assessment.rows;
    let measured = (rows.right.is_some(), rows.left.is_some());
    match (row_name(content, by).as_str(), measured) {
        ("both eyes", _) => None,
        (eye, (true, true)) => Some(eye.to_owned()),
        (eye, _) => Some(format!("{eye} only")),
    }
}

/// The answer in one or two sentences, with the one eye that alone is out of bounds, if it is so.
pub(super) fn answer(content: &Content) -> String {
    let mut sentence = content.assessment.sentence();
    if let Some(why) = unusable(content) {
        sentence = format!("{sentence} {why}");
    }
    if content.is_date_doubted() && content.assessment.reason != Some(Reason::DateImplausible) {
        sentence = format!("{sentence} {}", Reason::DateImplausible.sentence());
    }
    match only_eye(content) {
        None => sentence,
        Some((eye, _)) => {
            let eye = eye.word();
            format!("{sentence} Only the {eye} eye is outside its expected range.")
        }
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
    Some(match content.measurements_not_used.len() {
        1 => format!("The only value could not be used. Reason: {}", first.text),
        n => format!(
            "None of the {n} values could be used. Reason: {}",
            first.text
        ),
    })
}

/// The eye that is out of bounds while the other was compared and is not.
pub(super) fn only_eye(content: &Content) -> Option<(Eye, Comparison)> {
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
pub(super) fn chance(content: &Content) -> String {
    let decided = content.assessment.decided();
    let Some((by, c)) = decided.and_then(|(by, row)| Some((by, row.comparison?))) else {
        return String::new();
    };
    if !c.status.flagged() {
        return String::new();
    }
    let of = match by {
        DecidedBy::Right | DecidedBy::Left => format!(" in the {}", row_name(content, by)),
        DecidedBy::Both | DecidedBy::SinceEvent => String::new(),
    };
    format!(
        "A value this high{of} comes up by chance in {} % of stable exams; that is not the \
         probability of raised pressure.",
        percent(c.probability_high)
    )
}

/// A chance in percent; a tiny one is not written as zero.
pub(super) fn percent(chance: f64) -> String {
    if chance < 0.0005 {
        "less than 0.05".into()
    } else {
        format!("{:.1}", 100.0 * chance)
    }
}

/// That more exams were not used than are listed; `None` when all are.
pub(super) fn not_listed(content: &Content) -> Option<String> {
    let until = content.assessment.set_aside_until?;
    Some(format!(
        "Further exams of {until} and before were not used; they are not listed here."
    ))
}

/// How many exams the comparison rests on, of when; empty when there is none.
pub(super) fn baseline(content: &Content) -> String {
    let (Some(first), Some(last)) = (content.baseline.first(), content.baseline.last()) else {
        return String::new();
    };
    let count = content.baseline.len();
    let unlabelled = content
        .baseline
        .iter()
        .filter(|exam| exam.label.is_none())
        .count();
    let at = |exam: &BaselineExam| when(exam.date, exam.time);
    let span = match count {
        1 => format!("Compared with one earlier exam, of {}.", at(first)),
        _ => format!(
            "Compared with {count} earlier exams, {} to {}.",
            first.date, last.date
        ),
    };
    // With no label at all the headline says so.
    let provisional = content.basis() == Basis::Provisional;
    match unlabelled {
        0 => span,
        _ if provisional => span,
        n if n == count => {
            let which = if n == 1 { "that exam" } else { "any of them" };
            format!("{span} Nobody has confirmed that the patient was well at {which}.")
        }
        // How many they are makes no version of a result, so it is not said.
        _ => format!("{span} Nobody has confirmed that the patient was well at some of them."),
    }
}

/// How long before this exam the latest baseline exam was.
pub(super) fn last_baseline(content: &Content) -> Option<String> {
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

/// Notices of the comparison, then remarks on the exam and on its reports that stand.
pub(super) fn remarks(content: &Content) -> Vec<String> {
    let notices = content
        .assessment
        .notices
        .iter()
        .map(|notice| notice.sentence().to_owned());
    let reports = content
        .reports
        .iter()
        .filter(|report| report.superseded_by.is_empty())
        .flat_map(|report| &report.remarks);
    let stated = content.remarks.iter().chain(reports).map(said);
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
pub(super) fn said(remark: &Remark) -> String {
    let place = remark.place.as_deref();
    let place = place.map_or(String::new(), |at| format!(" (at {at})"));
    let action = remark.action.as_deref();
    let action = action.map_or(String::new(), |action| format!(" {action}"));
    format!("{}{place}{action}", remark.text)
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
