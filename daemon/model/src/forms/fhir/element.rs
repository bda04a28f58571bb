//! Elements of FHIR R4 that resources are made of.

use crate::domain::Moment;
use crate::forms::codes::{self, Coded};
use crate::forms::facts::{Fact, Said};
use crate::forms::values::{self, Which};
use serde_json::{Map, Value, json};

/// System of identifiers that are DICOM UIDs (FHIR R4, 4.3.14).
pub(super) const DICOM_UIDS: &str = "urn:dicom:uid";

/// The system of our own identifiers and tags; no address, and never another.
pub(super) const OWN_SYSTEM: &str = "urn:oid:2.25.275501168181434313086704720533362512759";

/// The same of our own codes, [`codes::SCHEME`] in DICOM.
pub(super) const OWN_CODES: &str = "urn:oid:2.25.218580710557377448001893913596146184831";

/// `system|value` for a search, so far escaped as our systems and values need it.
pub(super) fn token(system: &str, value: &str) -> String {
    format!("{system}%7C{}", value.replace('/', "%2F"))
}

/// A report of a machine, by its UID.
pub(super) fn source(sop_instance_uid: &str) -> Value {
    json!({
        "type": "DocumentReference",
        "identifier": { "system": DICOM_UIDS, "value": format!("urn:oid:{sop_instance_uid}") },
    })
}

pub(super) fn system(scheme: &str) -> &'static str {
    match scheme {
        "SCT" => "http://snomed.info/sct",
        "LN" => "http://loinc.org",
        "DCM" => "http://dicom.nema.org/resources/ontology/DCM",
        _ => OWN_CODES,
    }
}

pub(super) fn concept(codes: &[Coded]) -> Value {
    let codings = codes.iter().map(|code| {
        json!({ "system": system(code.scheme), "code": code.value, "display": code.meaning })
    });
    let text = codes.first().map_or("", |code| code.meaning);
    json!({ "coding": codings.collect::<Vec<_>>(), "text": text })
}

pub(super) fn quantity(value: f64, unit: Coded) -> Value {
    let told = values::three(value);
    let digits = told.as_deref().unwrap_or(values::LEAST);
    let digits: Value = serde_json::from_str(digits).unwrap_or(Value::Null);
    let mut quantity = json!({
        "value": digits,
        "unit": unit.meaning,
        "system": "http://unitsofmeasure.org",
        "code": unit.value,
    });
    if let (None, Some(fields)) = (told, quantity.as_object_mut()) {
        fields.insert("comparator".to_owned(), json!("<"));
    }
    quantity
}

/// A fact as a component, or as the value of an Observation. The time of day of an earlier exam has no
/// zone, so the day alone is a dateTime (FHIR R4) and the time stands beside it.
pub(super) fn said(said: Said) -> (&'static str, Value) {
    match said {
        Said::Code(code) => ("valueCodeableConcept", concept(&[code])),
        Said::Number(value, unit) => ("valueQuantity", quantity(value, unit)),
        Said::At(day, _) => ("valueDateTime", json!(day.to_string())),
    }
}

/// A fact as components: its own, and the time of day where it has one.
pub(super) fn components((code, what): Fact) -> Vec<Value> {
    let component = |name: &str, value: Value| {
        let mut fields = Map::new();
        fields.insert("code".to_owned(), concept(&[code]));
        fields.insert(name.to_owned(), value);
        Value::Object(fields)
    };
    let (name, value) = said(what);
    let mut all = vec![component(name, value)];
    if let Said::At(_, Some(time)) = what {
        all.push(component(
            "valueTime",
            json!(time.format("%H:%M:%S").to_string()),
        ));
    }
    all
}

/// R4 has no field for the side of a site, so the site says it in words and a component in a code.
pub(super) fn site(which: Which) -> Value {
    let mut site = concept(&[codes::OPTIC_NERVE]);
    if let Some(fields) = site.as_object_mut() {
        fields.insert("text".to_owned(), json!(which.title()));
    }
    site
}

pub(super) fn laterality(which: Which) -> Value {
    json!({
        "code": concept(&[codes::LATERALITY]),
        "valueCodeableConcept": concept(&[which.laterality()]),
    })
}

pub(super) fn interpretation(change: &str) -> Value {
    let display = match change {
        "U" => "Significant change up",
        _ => "Significant change down",
    };
    json!({ "coding": [{
        "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation",
        "code": change,
        "display": display,
    }] })
}

/// A time of day needs its zone (FHIR R4, dateTime); without one the day is what is known.
pub(super) fn date_time(at: Moment) -> String {
    match at.offset_s {
        Some(_) => at.to_string(),
        None => at.date().to_string(),
    }
}
