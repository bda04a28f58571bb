//! What the text and the page say in the same words.

use super::Content;
use crate::assess::{Comparison, Reason, Row, Status};
use crate::domain::{Device, Eye, Millimetres, Severity, written_name};

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
        Some((eye, c)) => {
            let (word, status) = (eye.word(), status(c.status));
            format!("{sentence} Of the two eyes only the {word} one is out of bounds: {status}.")
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
    let values = content.measurements_not_used.len();
    Some(format!(
        "{values} values are kept and not used, the first because: {}",
        first.text
    ))
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

/// How often chance alone gives a value as high as the flagged one that leads: both eyes, or else
/// the first eye that is flagged. Empty when no row is.
pub(super) fn chance(content: &Content) -> String {
    let flagged = named_rows(content)
        .filter_map(|(name, row)| Some((name, row.comparison?)))
        .find(|(_, c)| c.status.flagged());
    let Some((name, c)) = flagged else {
        return String::new();
    };
    let of = match name {
        "Both eyes" => String::new(),
        eye => format!(" in the {}", eye.to_lowercase()),
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
    if count == 1 {
        let label = match unlabelled {
            0 => "",
            _ => " It carries no label that says the patient was well.",
        };
        return format!("Compared with one earlier exam, of {}.{label}", first.date);
    }
    let span = format!(
        "Compared with {count} earlier exams, {} to {}.",
        first.date, last.date
    );
    match unlabelled {
        0 => span,
        1 => format!("{span} One of them carries no label that says the patient was well."),
        n => format!("{span} {n} of them carry no label that says the patient was well."),
    }
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
    let stated = content.remarks.iter().chain(reports).map(|remark| {
        let place = remark
            .place
            .as_deref()
            .map_or(String::new(), |at| format!(" (at {at})"));
        let action = remark
            .action
            .as_deref()
            .map_or(String::new(), |action| format!(" {action}"));
        format!("{}{place}{action}", remark.text)
    });
    notices.chain(stated).collect()
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
pub(super) fn word(variant: &impl serde::Serialize) -> String {
    match serde_json::to_value(variant) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}
