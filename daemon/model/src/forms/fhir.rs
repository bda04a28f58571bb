//! The result as a FHIR R4 transaction (JSON): DiagnosticReport, Observations, Device, Provenance.
//!
//! Report and Observations are updates by identifier (`PUT Observation?identifier=…`), and the
//! identifiers are those of the exam: a repeat changes nothing and a newer version replaces the
//! older one in place. The statement of origin is created once for each version, found by its tag.

pub mod bulk;
mod element;

use element::{
    DICOM_UIDS, OWN_SYSTEM, concept, date_time, interpretation, laterality, quantity, site, source,
    token,
};

use super::codes;
use super::facts::{self, Topic};
use super::ids::{Of, uid, uuid};
use super::values::{self, Row, Which};
use super::{Context, FormError, dicom};
use crate::domain::Moment;
use crate::history::ExamMeasurement;
use crate::render::text;
use crate::results::{Content, Envelope, cautions};
use chrono::SecondsFormat;
use maud::html;
use serde_json::{Map, Value, json};

/// The bundle.
///
/// Observations that the previous version had and this one has not become `entered-in-error`.
///
/// # Errors
///
/// When context and result do not belong together.
pub fn transaction(result: &Envelope, context: &Context) -> Result<Value, FormError> {
    let maker = maker(result, context)?;
    let now = maker.observations();
    let mut gone = Vec::new();
    if let Some(previous) = &context.previous {
        let before = Maker {
            result: previous,
            context,
            issued: maker.issued.clone(),
            status: "entered-in-error",
        };
        gone = before.observations();
        gone.retain(|(name, _)| !now.iter().any(|(other, _)| other == name));
    }
    let results: Vec<Value> = now.iter().map(|(name, _)| maker.reference(name)).collect();
    let mut entries = vec![maker.device()];
    entries.extend(
        now.into_iter()
            .chain(gone)
            .map(|(name, observation)| maker.put(&name, observation)),
    );
    entries.push(maker.put("report", maker.report(results.clone())));
    entries.push(maker.provenance(results));
    Ok(json!({
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": entries,
    }))
}

fn maker<'a>(result: &'a Envelope, context: &'a Context) -> Result<Maker<'a>, FormError> {
    context.check(result)?;
    let issued = values::created(result)?.to_rfc3339_opts(SecondsFormat::Secs, true);
    Ok(Maker {
        result,
        context,
        issued,
        status: match (result.version, result.content.is_preliminary()) {
            (2.., _) => "corrected",
            (_, true) => "preliminary",
            _ => "final",
        },
    })
}

struct Maker<'a> {
    result: &'a Envelope,
    context: &'a Context,
    issued: String,
    status: &'static str,
}

/// The name of a resource within its exam, and the resource.
type Named = (String, Value);

impl Maker<'_> {
    fn content(&self) -> &Content {
        &self.result.content
    }

    /// `E0123…/right`: the same for every version.
    fn identifier(&self, name: &str) -> String {
        format!("{}/{name}", self.content().exam.id)
    }

    fn url(&self, name: &str) -> String {
        format!(
            "urn:uuid:{}",
            uuid(&Of::Exam(self.result), &format!("fhir {name}"))
        )
    }

    fn reference(&self, name: &str) -> Value {
        json!({ "reference": self.url(name) })
    }

    /// An entry that updates the resource of that name, or makes it.
    fn put(&self, name: &str, mut resource: Value) -> Value {
        let identifier = self.identifier(name);
        let kind = resource.get("resourceType").and_then(Value::as_str);
        let kind = kind.unwrap_or_default().to_owned();
        if let Some(fields) = resource.as_object_mut() {
            let identifiers = json!([{ "system": OWN_SYSTEM, "value": identifier }]);
            fields.insert("identifier".to_owned(), identifiers);
        }
        json!({
            "fullUrl": self.url(name),
            "resource": resource,
            "request": {
                "method": "PUT",
                "url": format!("{kind}?identifier={}", token(OWN_SYSTEM, &identifier)),
            },
        })
    }

    fn device_url(&self) -> String {
        let software = Of::Software(&self.result.software);
        format!("urn:uuid:{}", uuid(&software, "fhir device"))
    }

    /// The program; its identifier is the Device Observer UID of the SR.
    fn device(&self) -> Value {
        let software = &self.result.software;
        let oid = format!("urn:oid:{}", uid(&Of::Software(software), "device"));
        let version = software.split_whitespace().last().unwrap_or_default();
        json!({
            "fullUrl": self.device_url(),
            "resource": {
                "resourceType": "Device",
                "identifier": [{ "system": DICOM_UIDS, "value": oid }],
                "manufacturer": dicom::MANUFACTURER,
                "deviceName": [{ "name": dicom::MANUFACTURER, "type": "user-friendly-name" }],
                "version": [{ "value": version }],
                "note": [{ "text": cautions::NOT_A_DEVICE }],
            },
            "request": {
                "method": "POST",
                "url": "Device",
                "ifNoneExist": format!("identifier={}", token(DICOM_UIDS, &oid)),
            },
        })
    }

    /// The patient by identifier: whoever keeps the patients knows the resource. The issuer is text
    /// unless the sources give it as an OID.
    fn subject(&self) -> Value {
        let patient = &self.content().patient;
        let mut identifier = Map::new();
        let universal = self.context.issuer_universal(self.result);
        if let Some((entity, kind)) = universal
            && kind == "ISO"
        {
            identifier.insert("system".to_owned(), json!(format!("urn:oid:{entity}")));
        }
        identifier.insert("value".to_owned(), json!(patient.id));
        if !patient.issuer.is_empty() {
            identifier.insert("assigner".to_owned(), json!({ "display": patient.issuer }));
        }
        json!({ "type": "Patient", "identifier": identifier })
    }

    /// What every Observation of the result has.
    fn observation(&self, code: Value, at: Moment) -> Map<String, Value> {
        let fields = json!({
            "resourceType": "Observation",
            "meta": { "tag": [self.tag()] },
            "status": self.status,
            "category": [{ "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                "code": "imaging",
                "display": "Imaging",
            }] }],
            "code": code,
            "subject": self.subject(),
            "effectiveDateTime": date_time(at),
            "issued": self.issued,
            "device": { "reference": self.device_url() },
        });
        match fields {
            Value::Object(fields) => fields,
            _ => Map::new(),
        }
    }

    /// The version as a tag.
    fn tag(&self) -> Value {
        json!({
            "system": OWN_SYSTEM,
            "code": format!("{}-v{}", self.result.key, self.result.version),
        })
    }

    /// Readings, then the value of each eye, then both.
    fn observations(&self) -> Vec<Named> {
        let rows = values::rows(self.content());
        let readings = rows.iter().flat_map(|row| {
            let numbered = (1..).zip(&row.readings);
            numbered.map(|(at, one)| self.reading(row.which, at, one))
        });
        let mut all: Vec<Named> = readings.collect();
        let rows = rows.iter().filter(|row| row.answer.is_some());
        all.extend(rows.map(|row| self.row(row)));
        all.push(self.topic(&facts::exam(self.result)));
        let beside = facts::beside(self.content());
        all.extend(beside.iter().map(|topic| self.topic(topic)));
        all
    }

    /// Facts of the exam that are no width of their own.
    fn topic(&self, topic: &Topic) -> Named {
        let (code, lead) = topic.lead;
        let mut fields = self.observation(concept(&[code]), self.content().exam.performed_at);
        let mut put = |name: &str, value: Value| fields.insert(name.to_owned(), value);
        let (name, value) = element::said(lead);
        put(name, value);
        let mut components = Vec::new();
        if let Some(which) = topic.which {
            put("bodySite", site(which));
            components.push(laterality(which));
        }
        components.extend(topic.facts.iter().copied().flat_map(element::components));
        if !components.is_empty() {
            put("component", Value::Array(components));
        }
        if let Some(change) = topic.significant {
            put("interpretation", json!([interpretation(change)]));
        }
        put("note", json!([{ "text": cautions::NOT_A_DEVICE }]));
        (topic.name.to_owned(), Value::Object(fields))
    }

    fn reading(&self, which: Which, at: usize, one: &ExamMeasurement) -> Named {
        let m = &one.value;
        let code = match which {
            Which::Left => codes::READING_LEFT,
            _ => codes::READING_RIGHT,
        };
        let when = m.observed_at.unwrap_or(self.content().exam.performed_at);
        let mut fields = self.observation(concept(&[code, codes::DIAMETER]), when);
        let mut put = |name: &str, value: Value| fields.insert(name.to_owned(), value);
        put("bodySite", site(which));
        put(
            "valueQuantity",
            quantity(m.value_mm.map_or(f64::NAN, |mm| mm.mm()), codes::MILLIMETRE),
        );
        let mut components = vec![laterality(which)];
        let plane = values::plane(m).map(|plane| (codes::ORIENTATION, plane));
        let how = values::derivation(m.derivation).map(|how| (codes::DERIVATION, how));
        components.extend([plane, how].into_iter().flatten().map(|(code, value)| {
            json!({ "code": concept(&[code]), "valueCodeableConcept": concept(&[value]) })
        }));
        put("component", Value::Array(components));
        put("derivedFrom", json!([source(&one.object)]));
        (format!("{}/{at}", which.word()), Value::Object(fields))
    }

    fn row(&self, row: &Row<'_>) -> Named {
        let which = row.which;
        let code = concept(&[which.diameter(), codes::DIAMETER]);
        let mut fields = self.observation(code, self.content().exam.performed_at);
        let mut put = |name: &str, value: Value| fields.insert(name.to_owned(), value);
        put("bodySite", site(which));
        let mm = row.answer.map_or(f64::NAN, |answer| answer.measured_mm);
        put("valueQuantity", quantity(mm, codes::MILLIMETRE));
        let (how, from) = row.derivation(self.content());
        let mut components = vec![
            laterality(which),
            json!({
                "code": concept(&[codes::DERIVATION]),
                "valueCodeableConcept": concept(&[how]),
            }),
        ];
        let from: Vec<String> = match which {
            Which::Both => vec!["right".to_owned(), "left".to_owned()],
            eye => from
                .iter()
                .map(|at| format!("{}/{}", eye.word(), at + 1))
                .collect(),
        };
        if !from.is_empty() {
            put(
                "derivedFrom",
                from.iter().map(|name| self.reference(name)).collect(),
            );
        }
        if let Some(c) = row.comparison() {
            put("method", concept(&[codes::OWN_BASELINE]));
            components.push(json!({
                "code": concept(&[codes::RESULT_STATUS]),
                "valueCodeableConcept": concept(&[values::status(c.status)]),
            }));
            components.extend(values::figures(&c).map(|(code, value, unit)| {
                json!({ "code": concept(&[code]), "valueQuantity": quantity(value, unit) })
            }));
            if let Some(change) = values::row_direction(self.content(), c.status) {
                put("interpretation", json!([interpretation(change)]));
            }
        }
        put("component", Value::Array(components));
        put("note", json!([{ "text": cautions::NOT_A_DEVICE }]));
        (which.word().to_owned(), Value::Object(fields))
    }

    fn report(&self, results: Vec<Value>) -> Value {
        let content = self.content();
        let exam = &content.exam;
        let study = format!("urn:oid:{}", exam.study_instance_uid);
        let coded = [
            values::status(content.assessment.status),
            values::flag(content),
        ];
        let (title, section, section_name) = values::report(content);
        let mut report = json!({
            "resourceType": "DiagnosticReport",
            "meta": { "tag": [self.tag()] },
            "text": { "status": "generated", "div": self.narrative() },
            "status": self.status,
            "category": [{ "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/v2-0074",
                "code": section,
                "display": section_name,
            }] }],
            "code": concept(&[title]),
            "subject": self.subject(),
            "effectiveDateTime": date_time(exam.performed_at),
            "issued": self.issued,
            "imagingStudy": [{
                "type": "ImagingStudy",
                "identifier": { "system": DICOM_UIDS, "value": study },
            }],
            "conclusion": format!("{} {}", text::summary_of(self.result), cautions::NOT_A_DEVICE),
            "conclusionCode": coded.map(|code| concept(&[code])),
        });
        if let Some(fields) = report.as_object_mut() {
            if !results.is_empty() {
                fields.insert("result".to_owned(), Value::Array(results));
            }
            if let Some(accession) = &exam.accession {
                let order = json!([{
                    "type": "ServiceRequest",
                    "identifier": {
                        "type": { "coding": [{
                            "system": "http://terminology.hl7.org/CodeSystem/v2-0203",
                            "code": "ACSN",
                        }] },
                        "value": accession,
                    },
                }]);
                fields.insert("basedOn".to_owned(), order);
            }
        }
        report
    }

    /// What a person reads of the report: everything that the text of the result says.
    fn narrative(&self) -> String {
        let content = self.content();
        let page = html! {
            div xmlns="http://www.w3.org/1999/xhtml" {
                p { (text::summary_of(self.result)) }
                @for (title, lines) in text::sections(content) {
                    @if !lines.is_empty() {
                        p { b { (title) } }
                        ul { @for line in &lines { li { (line) } } }
                    }
                }
                p { (values::version(self.result)) }
                p { (cautions::NOT_A_DEVICE) }
            }
        };
        // No control character is allowed in XHTML but these.
        page.into_string()
            .chars()
            .map(|c| match c {
                '\n' | '\t' => c,
                c if crate::legible::misleads(c) => crate::legible::UNREADABLE,
                c => c,
            })
            .collect()
    }

    fn provenance(&self, results: Vec<Value>) -> Value {
        let mut targets = vec![self.reference("report")];
        targets.extend(results);
        let reports = self.content().reports.iter();
        let entities: Vec<Value> = reports
            .map(|report| json!({ "role": "source", "what": source(&report.sop_instance_uid) }))
            .collect();
        let mut resource = json!({
            "resourceType": "Provenance",
            "meta": { "tag": [self.tag()] },
            "target": targets,
            "recorded": self.issued,
            "agent": [{
                "type": { "coding": [{
                    "system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type",
                    "code": "assembler",
                    "display": "Assembler",
                }] },
                "who": { "reference": self.device_url() },
            }],
        });
        if let Some(fields) = resource.as_object_mut()
            && !entities.is_empty()
        {
            fields.insert("entity".to_owned(), Value::Array(entities));
        }
        let tag = format!("{}-v{}", self.result.key, self.result.version);
        json!({
            "fullUrl": format!("urn:uuid:{}", uuid(&Of::Version(self.result), "fhir provenance")),
            "resource": resource,
            "request": {
                "method": "POST",
                "url": "Provenance",
                "ifNoneExist": format!("_tag={}", token(OWN_SYSTEM, &tag)),
            },
        })
    }
}

#[cfg(test)]
mod tests;
