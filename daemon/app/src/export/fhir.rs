//! FHIR resources of everything that holds now: a file of JSON lines for each type, and the list of
//! them that HL7's Bulk Data Access describes (output manifest, version 2.0.0).

use super::ExportError;
use super::files::Hashed;
use super::folder::Folder;
use super::manifest::{Resources, Through};
use super::run::{Job, Phase, Watch};
use super::walk::{self, Step};
use crate::parcel;
use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::{Value, json};
use sheathline_model::assess::Reason;
use sheathline_model::domain::PatientKey;
use sheathline_model::forms::fhir::bulk;
use sheathline_model::forms::{Context, FormError};
use sheathline_model::history::Identity;
use sheathline_model::results::Envelope;
use sheathline_store::{Store, StoreError, results};
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::PathBuf;

/// Writes them all anew. Returns how many.
pub(super) fn write(
    job: &Job<'_>,
    folder: &mut Folder,
    until: &Through,
    watch: &mut dyn Watch,
) -> Result<u64, ExportError> {
    watch.begin(Phase::Fhir, u64::try_from(until.result).unwrap_or(0));
    // Nothing that changes after it is in the files.
    let begun = Utc::now();
    let mut lines = Lines {
        aside: folder.aside()?,
        files: BTreeMap::new(),
        devices: BTreeSet::new(),
    };
    let newest = |exams: &mut BTreeMap<String, Step>, step: Step| {
        if step.told.is_some() {
            exams.insert(step.row.exam_id.clone(), step);
        }
    };
    walk::by_patient(job.store, until.result, watch, newest, |key, exams| {
        patient(job.store, key, exams, &mut lines)
    })?;
    let files = lines.end()?;
    let rows = files.iter().map(|(_, file)| file.rows).sum();
    let listed = listed(&files, begun);
    folder.replace_fhir(files, until.clone(), &listed, &job.tell)?;
    Ok(rows)
}

/// Everything of the exams filed under one id.
fn patient(
    store: &Store,
    key: &PatientKey,
    exams: BTreeMap<String, Step>,
    lines: &mut Lines,
) -> Result<(), ExportError> {
    let told = exams.into_values().filter(|step| {
        let reason = step
            .told
            .as_ref()
            .and_then(|told| told.content.assessment.reason);
        reason != Some(Reason::Withdrawn)
    });
    let mut last: Option<(Envelope, Context)> = None;
    let mut identities = Vec::new();
    for step in told {
        let result = store.read(|conn| parcel::envelope(conn, &step.row))?;
        let context = parcel::context(store, &step.row)?;
        identities.push(Identity {
            birth_date: result.content.patient.birth_date,
            sex: result.content.patient.sex,
            contradictory: false,
        });
        match bulk::resources(&result, &context) {
            Ok(resources) => resources.iter().try_for_each(|one| lines.write(one))?,
            Err(error) => lines.write(&outcome(&result, &error))?,
        }
        last = Some((result, context));
    }
    let Some((result, context)) = last else {
        return Ok(());
    };
    if !tells_the_patient(store, key, &result)? {
        return Ok(());
    }
    let agreed = Identity::agreed(identities.into_iter());
    match bulk::patient(&result, &context, &agreed) {
        Ok(patient) => lines.write(&patient),
        Err(error) => lines.write(&outcome(&result, &error)),
    }
}

/// Of joined ids one tells who it is: the surviving one if exams are filed under it, else the first.
fn tells_the_patient(
    store: &Store,
    key: &PatientKey,
    result: &Envelope,
) -> Result<bool, StoreError> {
    let patient = &result.content.patient;
    let surviving = PatientKey {
        issuer: patient.issuer.clone(),
        id: patient.id.clone(),
    };
    let joined = result.content.joined.iter();
    let others: BTreeSet<&PatientKey> = joined.flat_map(|one| [&one.from, &one.into]).collect();
    store.read(|conn| {
        for id in std::iter::once(&surviving).chain(others) {
            if results::is_any_under(conn, id)? {
                return Ok(id == key);
            }
        }
        Ok(true)
    })
}

/// A result that cannot be told in FHIR.
fn outcome(result: &Envelope, error: &FormError) -> Value {
    json!({
        "resourceType": "OperationOutcome",
        "issue": [{
            "severity": "error",
            "code": "not-supported",
            "diagnostics": format!("exam {}: {error}", result.content.exam.id),
        }],
    })
}

/// The list of files. Places are those beside it, since nobody serves them.
fn listed(files: &[(PathBuf, Resources)], begun: DateTime<Utc>) -> Value {
    const ERRORS: &str = "OperationOutcome";
    let of = |is_error: bool| -> Vec<Value> {
        let files = files.iter().map(|(_, file)| file);
        let files = files.filter(|file| (file.kind == ERRORS) == is_error);
        files
            .map(|file| {
                let name = file.path.rsplit('/').next().unwrap_or_default();
                json!({ "type": file.kind, "url": name, "count": file.rows })
            })
            .collect()
    };
    json!({
        "transactionTime": begun.to_rfc3339_opts(SecondsFormat::Millis, true),
        "request": "sheathline export --fhir",
        "requiresAccessToken": false,
        "output": of(false),
        "deleted": [],
        "error": of(true),
    })
}

/// Files of resources being written, one for each type.
struct Lines {
    aside: PathBuf,
    files: BTreeMap<String, (Hashed, u64)>,
    /// Devices stand once, whatever the number of results that name them: they are this program.
    devices: BTreeSet<String>,
}

impl Lines {
    fn write(&mut self, resource: &Value) -> Result<(), ExportError> {
        let text = |name: &str| {
            resource
                .get(name)
                .and_then(Value::as_str)
                .unwrap_or_default()
        };
        let kind = text("resourceType");
        if kind == "Device" && !self.devices.insert(text("id").to_owned()) {
            return Ok(());
        }
        let path = self.aside.join(format!("{kind}.ndjson"));
        let (file, rows) = match self.files.entry(kind.to_owned()) {
            Entry::Occupied(open) => open.into_mut(),
            Entry::Vacant(place) => place.insert((Hashed::create(&path)?, 0)),
        };
        *rows += 1;
        writeln!(file, "{resource}").map_err(ExportError::at(&path))
    }

    fn end(self) -> Result<Vec<(PathBuf, Resources)>, ExportError> {
        let mut done = Vec::new();
        for (kind, (file, rows)) in self.files {
            let (from, bytes, sha256) = file.end()?;
            let file = Resources {
                path: format!("fhir/{kind}.ndjson"),
                kind,
                rows,
                bytes,
                sha256,
            };
            done.push((from, file));
        }
        Ok(done)
    }
}
