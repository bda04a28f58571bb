//! An exam's readings in lines, in groups: what is used, and what is not with its reasons.

use crate::domain::{Derivation, Laterality, Measurement, Plane, Remark, Severity};
use crate::history::ExamMeasurement;
use crate::results::Content;
use crate::results::phrases::said_of_it as sentence;
use std::collections::BTreeMap;

/// Readings that are used, a line for each eye, plane and kind: `right, transverse: 5.9 6.0 mm`.
pub(super) fn used(content: &Content) -> Vec<String> {
    let in_time = in_time(&content.measurements_used);
    let values = || in_time.iter().copied();
    let kind = |m: &Measurement| (m.eye, m.plane, rank(m.derivation));
    let mut kinds: Vec<_> = values().map(kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let line = |wanted: &(Laterality, Plane, u8)| {
        let group: Vec<&Measurement> = values().filter(|m| kind(m) == *wanted).collect();
        let mm: Vec<String> = group.iter().filter_map(|m| digits(m)).collect();
        let made = group.first().map_or("", |m| made(m.derivation));
        let mut units: Vec<&str> = group
            .iter()
            .filter_map(|m| m.unit_as_sent.as_deref())
            .filter(|unit| *unit != "mm")
            .collect();
        units.sort_unstable();
        units.dedup();
        let sent = if units.is_empty() {
            String::new()
        } else {
            format!(" (sent in {})", units.join(", "))
        };
        let (eye, plane) = (eye(wanted.0), plane(wanted.1));
        format!("{eye}, {plane}{made}: {} mm{sent}", mm.join(" "))
    };
    kinds.iter().map(line).collect()
}

/// Readings in the order of their times, where all are told; else in that of the reports.
fn in_time(readings: &[ExamMeasurement]) -> Vec<&Measurement> {
    let mut values: Vec<&Measurement> = readings.iter().map(|m| &m.value).collect();
    if values.iter().all(|m| m.observed_at.is_some()) {
        values.sort_by_key(|m| m.observed_at);
    }
    values
}

/// What lowers the trust in readings that are used; the same words stand once.
pub(super) fn doubts(content: &Content) -> Vec<String> {
    let mut told: Vec<(String, Vec<String>)> = Vec::new();
    for m in content.measurements_used.iter().map(|m| &m.value) {
        for remark in &m.remarks {
            if remark.severity == Severity::Info {
                continue;
            }
            let (which, words) = (value(m), sentence(remark));
            match told.iter_mut().find(|(said, _)| *said == words) {
                Some((_, values)) => values.push(which),
                None => told.push((words, vec![which])),
            }
        }
    }
    let line = |(words, values): (String, Vec<String>)| format!("{}: {words}", values.join(", "));
    told.into_iter().map(line).collect()
}

/// Readings that are not used with the reasons, those of one report that differ in nothing but the number
/// in one line. What merely repeats other values is not among them; see [`beside`].
pub(super) fn not_used(content: &Content) -> Vec<String> {
    let all = content.measurements_not_used.iter();
    let mut groups: Vec<Vec<&ExamMeasurement>> = Vec::new();
    let mut known = BTreeMap::new();
    for one in all.filter(|m| repeats(&m.value).is_none()) {
        let m = &one.value;
        let kind = (m.eye, m.plane, rank(m.derivation));
        let sent = (&m.unit_as_sent, m.value_mm.is_some());
        let at = *known
            .entry((&one.object, kind, sent, reasons(m)))
            .or_insert(groups.len());
        match groups.get_mut(at) {
            Some(group) => group.push(one),
            None => groups.push(vec![one]),
        }
    }
    groups.iter().filter_map(|group| line(group)).collect()
}

/// Why a value is not used.
fn reasons(m: &Measurement) -> String {
    let weighty = |remark: &&Remark| remark.severity != Severity::Info;
    let heaviest = m.remarks.iter().filter(weighty);
    let mut reasons: Vec<String> = heaviest.map(sentence).collect();
    if reasons.is_empty() {
        reasons = m.remarks.iter().map(sentence).collect();
    }
    reasons.join(" ")
}

fn line(group: &[&ExamMeasurement]) -> Option<String> {
    let m = &group.first()?.value;
    let values = || group.iter().map(|one| &one.value);
    let mm: Vec<String> = values().filter_map(digits).collect();
    let value = if mm.is_empty() {
        format!("{}, no value", eye(m.eye))
    } else {
        format!("{} {} mm", eye(m.eye), mm.join(" "))
    };
    let sent = |m: &Measurement| m.value_as_sent.clone().unwrap_or("no number".to_owned());
    let sent: Vec<String> = values().map(sent).collect();
    let is_sent = values().any(|m| m.value_as_sent.is_some() || m.unit_as_sent.is_some());
    let sent = match m.unit_as_sent.as_deref().unwrap_or("no unit") {
        unit if is_sent || m.rule.is_some() => format!("sent as {} {unit}, ", sent.join(" ")),
        // A line of a presentation state: nobody sent a number.
        _ => String::new(),
    };
    let places: Vec<&str> = values().map(|m| m.place.as_str()).collect();
    Some(format!(
        "{value}, {}{} ({sent}{} {}): {}",
        plane(m.plane),
        made(m.derivation),
        if places.len() == 1 { "item" } else { "items" },
        places.join(" "),
        reasons(m)
    ))
}

/// Values that only repeat others (a mean beside its readings, a replaced report), counted.
pub(super) fn beside(content: &Content) -> Vec<String> {
    let mut counted: Vec<(&str, usize)> = Vec::new();
    for why in content
        .measurements_not_used
        .iter()
        .filter_map(|m| repeats(&m.value))
    {
        match counted.iter_mut().find(|(said, _)| *said == why) {
            Some((_, count)) => *count += 1,
            None => counted.push((why, 1)),
        }
    }
    let line = |(why, count): (&str, usize)| {
        let values = if count == 1 { "value" } else { "values" };
        format!("{count} more {values}: {why}")
    };
    counted.into_iter().map(line).collect()
}

/// Why a value only repeats others, if that alone keeps it out: the remark that set it aside comes
/// last, and it is of no weight.
fn repeats(m: &Measurement) -> Option<&str> {
    let blocked = m.remarks.iter().any(|r| r.severity == Severity::Blocking);
    let last = m.remarks.last()?;
    (!blocked && last.severity == Severity::Info).then_some(last.text.as_str())
}

fn value(m: &Measurement) -> String {
    match digits(m) {
        Some(mm) => format!("{} {mm} mm", eye(m.eye)),
        None => format!("{}, no value", eye(m.eye)),
    }
}

/// Millimetres with one decimal at least, so that 6.0 looks like a reading.
fn digits(m: &Measurement) -> Option<String> {
    m.value_mm.map(crate::results::phrases::millimetres)
}

fn eye(eye: Laterality) -> &'static str {
    match eye {
        Laterality::Unresolved => "side unresolved",
        side => side.word(),
    }
}

fn plane(plane: Plane) -> &'static str {
    match plane {
        Plane::Transverse => "transverse",
        Plane::Sagittal => "sagittal",
        Plane::Oblique => "oblique",
        Plane::Unspecified => "plane not stated",
    }
}

/// How a value was made, when it is no single reading.
fn made(derivation: Derivation) -> &'static str {
    match derivation {
        Derivation::Single => "",
        Derivation::Mean => ", mean",
        Derivation::Median => ", median",
        Derivation::Minimum => ", smallest",
        Derivation::Maximum => ", largest",
        Derivation::Selected => ", selected",
    }
}

/// Single readings first.
fn rank(derivation: Derivation) -> u8 {
    match derivation {
        Derivation::Single => 0,
        Derivation::Mean => 1,
        Derivation::Median => 2,
        Derivation::Selected => 3,
        Derivation::Minimum => 4,
        Derivation::Maximum => 5,
    }
}
