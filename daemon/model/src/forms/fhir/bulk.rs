//! The resources of a result on their own, as files of HL7's Bulk Data Access hold them: an id each,
//! references by type and id, and the patient as a resource.

use super::{maker, transaction};
use crate::domain::Sex;
use crate::forms::ids::{Of, uuid};
use crate::forms::{Context, FormError};
use crate::history::Identity;
use crate::results::Envelope;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// What the resources of a result say, without what an earlier version said: Device,
/// Observations, DiagnosticReport, Provenance.
///
/// # Errors
///
/// As [`transaction`].
pub fn resources(result: &Envelope, context: &Context) -> Result<Vec<Value>, FormError> {
    let now = Context {
        sources: context.sources.clone(),
        previous: None,
        reminder: false,
    };
    let bundle = transaction(result, &now)?;
    let entries = bundle.get("entry").and_then(Value::as_array);
    let entries = entries.map_or(&[] as &[Value], Vec::as_slice);
    let names: BTreeMap<&str, String> = entries.iter().filter_map(name).collect();
    let patient = format!("Patient/{}", patient_id(result));
    let mut resources = Vec::with_capacity(entries.len());
    for entry in entries {
        let (Some(mut resource), Some((url, _))) = (entry.get("resource").cloned(), name(entry))
        else {
            continue;
        };
        refer(&mut resource, &names);
        if let Some(fields) = resource.as_object_mut() {
            let id = url.strip_prefix(UUID).unwrap_or(url);
            fields.insert("id".to_owned(), json!(id));
        }
        if let Some(subject) = resource.get_mut("subject").and_then(Value::as_object_mut) {
            subject.insert("reference".to_owned(), json!(patient));
        }
        resources.push(resource);
    }
    Ok(resources)
}

/// The patient of a result, with the birth date and sex that all exams agree on.
///
/// # Errors
///
/// As [`transaction`].
pub fn patient(
    result: &Envelope,
    context: &Context,
    agreed: &Identity,
) -> Result<Value, FormError> {
    let subject = maker(result, context)?.subject();
    let mut fields = Map::new();
    let mut put = |name: &str, value: Value| fields.insert(name.to_owned(), value);
    put("resourceType", json!("Patient"));
    put("id", json!(patient_id(result)));
    put(
        "identifier",
        json!([subject.get("identifier").cloned().unwrap_or_default()]),
    );
    if let Some(sex) = agreed.sex {
        let gender = match sex {
            Sex::F => "female",
            Sex::M => "male",
            Sex::O => "other",
        };
        put("gender", json!(gender));
    }
    if let Some(date) = agreed.birth_date {
        put("birthDate", json!(date.to_string()));
    }
    Ok(Value::Object(fields))
}

const UUID: &str = "urn:uuid:";

fn patient_id(result: &Envelope) -> String {
    uuid(&Of::Patient(result), "fhir patient")
}

/// `urn:uuid:…` of an entry, and `Type/…`.
fn name(entry: &Value) -> Option<(&str, String)> {
    let url = entry.get("fullUrl")?.as_str()?;
    let kind = entry.get("resource")?.get("resourceType")?.as_str()?;
    Some((url, format!("{kind}/{}", url.strip_prefix(UUID)?)))
}

fn refer(value: &mut Value, names: &BTreeMap<&str, String>) {
    match value {
        Value::Object(fields) => {
            for (field, value) in fields {
                match value.as_str().and_then(|text| names.get(text)) {
                    Some(name) if field == "reference" => *value = json!(name),
                    _ => refer(value, names),
                }
            }
        }
        Value::Array(values) => values.iter_mut().for_each(|value| refer(value, names)),
        _ => {}
    }
}
