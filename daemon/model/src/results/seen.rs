//! The part of a result that a reader sees: statement, numbers as they are printed, what the baseline
//! rests on, remarks. A version is made only where it differs; what merely tells where a result comes
//! from makes none.
//!
//! It is taken from the content as it stands in JSON, so that a content and its stored copy have the
//! same. What is not named here as unseen is seen: a fact that is added later makes versions until
//! somebody decides otherwise.

use super::Content;
use super::numbers::Printed;
use super::phrases;
use crate::assess::Rows;
use serde::Serialize;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};

/// What a reader sees. Equal ones read alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen(Value);

impl Seen {
    /// A name of it, 32 hex digits: equal for equal ones.
    #[must_use]
    pub fn key(&self) -> String {
        let hash = Sha256::digest(self.0.to_string());
        let bytes = hash.iter().take(16);
        bytes.fold(String::new(), |key, byte| format!("{key}{byte:02x}"))
    }
}

/// Fields of a content that tell where it comes from: earlier exams that did not serve, what a person
/// could add, settings.
const ORIGIN: [&str; 4] = ["not_compared", "would_change", "parameters", "technique"];

/// The same of an assessment; the baseline is told by its exams below.
const ORIGIN_OF_ASSESSMENT: [&str; 5] = [
    "assess",
    "baseline",
    "set_aside",
    "set_aside_until",
    "arithmetic",
];

/// What is seen of a value. Where it stands in its report and by which rule it was taken is not.
const OF_A_VALUE: [&str; 14] = [
    "quantity",
    "eye",
    "value_mm",
    "value_as_sent",
    "unit_as_sent",
    "plane",
    "depth_mm",
    "derivation",
    "definition",
    "modality",
    "usable",
    "angle_deg",
    "excess_mm",
    "remarks",
];

/// What a reader sees of a result.
///
/// # Errors
///
/// When the content cannot be written as JSON, which only a number that is none can cause.
pub fn seen(content: &Content) -> Result<Seen, serde_json::Error> {
    let mut fields = object(content)?;
    for name in ORIGIN {
        fields.remove(name);
    }
    let mut assessment = object(&content.assessment)?;
    for name in ORIGIN_OF_ASSESSMENT {
        assessment.remove(name);
    }
    // Of a stored content the rows are rounded, so they are taken as they are stored.
    if let Some(rows) = assessment.get("rows") {
        let rows: Rows = serde_json::from_value(rows.clone())?;
        let rows = [&rows.right, &rows.left, &rows.both];
        let rows = rows.map(|row| row.as_ref().map(|row| format!("{:?}", Printed::of(row))));
        assessment.insert("printed".into(), json!(rows));
    }
    assessment.insert("basis".into(), serde_json::to_value(content.basis())?);
    let decided = content.assessment.decided().map(|(by, _)| by);
    assessment.insert("decided_by".into(), serde_json::to_value(decided)?);
    for (name, value) in [
        ("assessment", Some(Value::Object(assessment))),
        ("course", fields.remove("course")),
        ("companions", fields.remove("companions")),
        ("context", fields.remove("context")),
    ] {
        if let Some(value) = value {
            fields.insert(name.to_owned(), printed(name, value));
        }
    }
    let standing = content.reports.iter();
    let standing = standing.filter(|report| report.superseded_by.is_empty());
    let reports: Vec<Value> = standing
        .map(|report| json!({ "remarks": report.remarks, "came_under": report.came_under }))
        .collect();
    fields.insert("reports".into(), words(Value::Array(reports)));
    if let Some(remarks) = fields.remove("remarks") {
        fields.insert("remarks".into(), words(remarks));
    }
    for name in ["measurements_used", "measurements_not_used"] {
        if let Some(Value::Array(values)) = fields.remove(name) {
            let values = values.into_iter().map(value).collect();
            fields.insert(name.to_owned(), Value::Array(values));
        }
    }
    // Who labelled or measured what is told by the basis and the remarks.
    let baseline = content.baseline.iter();
    let baseline: Vec<Value> = baseline
        .map(|exam| json!([exam.date, exam.right_mm, exam.left_mm]))
        .collect();
    fields.insert("baseline".into(), Value::Array(baseline));
    // Those that were measured otherwise are shown with their values.
    let otherwise = content.not_compared.iter();
    let otherwise = otherwise.filter(|exam| !exam.right_mm.is_empty() || !exam.left_mm.is_empty());
    let otherwise: Vec<Value> = otherwise
        .map(|exam| json!([exam.date, exam.right_mm, exam.left_mm]))
        .collect();
    if !otherwise.is_empty() {
        fields.insert("measured_otherwise".into(), Value::Array(otherwise));
    }
    let cautions = content.cautions.iter();
    let cautions: Vec<Value> = cautions.map(|one| json!(one.code)).collect();
    fields.insert("cautions".into(), Value::Array(cautions));
    Ok(Seen(Value::Object(fields)))
}

fn object(value: &impl Serialize) -> Result<Map<String, Value>, serde_json::Error> {
    Ok(match serde_json::to_value(value)? {
        Value::Object(fields) => fields,
        _ => Map::new(),
    })
}

/// Numbers as they are printed.
fn printed(name: &str, value: Value) -> Value {
    match value {
        Value::Number(number) if number.is_f64() => {
            json!(number.as_f64().map(|value| shown(name, value)))
        }
        Value::Array(values) => values
            .into_iter()
            .map(|value| printed(name, value))
            .collect(),
        Value::Object(fields) => fields
            .into_iter()
            .map(|(name, value)| {
                let value = printed(&name, value);
                (name, value)
            })
            .collect(),
        other => other,
    }
}

fn shown(name: &str, value: f64) -> String {
    match name {
        "probability_high" => phrases::percent(value),
        name if name.ends_with("_percent") => phrases::rounded(value, 1),
        _ => phrases::rounded(value, 2),
    }
}

/// One value with what is seen of it.
fn value(value: Value) -> Value {
    let Value::Object(mut fields) = value else {
        return value;
    };
    if let Some(Value::Object(geometry)) = fields.remove("geometry") {
        let of_it = geometry.into_iter();
        fields.extend(of_it.filter(|(name, _)| name == "angle_deg" || name == "excess_mm"));
    }
    fields.retain(|name, _| OF_A_VALUE.contains(&name.as_str()));
    words(Value::Object(fields))
}

/// Remarks without their places in the reports.
fn words(value: Value) -> Value {
    match value {
        Value::Array(values) => values.into_iter().map(words).collect(),
        Value::Object(mut fields) => {
            if fields.contains_key("code") && fields.contains_key("severity") {
                fields.remove("place");
            }
            fields
                .into_iter()
                .map(|(name, value)| (name, words(value)))
                .collect()
        }
        other => other,
    }
}

#[cfg(test)]
mod tests;
