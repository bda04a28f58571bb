//! One row for each object that was received and read, whatever became of it.

use super::measurements::template;
use super::{code, date, direct, measure, quasi, technical, uid};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Subject};
use crate::export::stored::Received;

/// One object.
pub(super) struct Objects;

impl Subject for Objects {
    type Of<'a> = Received;
}

pub(super) const COLUMNS: &[Column<Objects>] = &[
    technical("object_id", "number of the object in the store")
        .integer()
        .key()
        .from(|o| Cell::Integer(o.arrival.object)),
    date("received_at", Kind::Instant, "when it came first")
        .required()
        .from(|o| Cell::Instant(o.arrival.received_at)),
    quasi(
        "source",
        Kind::Text,
        "where it came from: folder, file, or dicom: and the calling AE title",
    )
    .required()
    .from(|o| Cell::text(o.arrival.source.to_string())),
    code("disposition", "what became of it")
        .required()
        .one_of(&[
            "accepted",
            "accepted_with_remarks",
            "no_sheath_measurement",
            "quarantined",
            "repeat",
        ])
        .from(|o| Cell::text(o.disposition)),
    uid("sop_instance_uid", "SOP Instance UID")
        .from(|o| Cell::text_of(o.reading.sop_instance_uid.as_ref())),
    code("sop_class_uid", "SOP Class UID")
        .from(|o| Cell::text_of(o.reading.sop_class_uid.as_ref())),
    uid("series_instance_uid", "Series Instance UID")
        .from(|o| Cell::text_of(o.reading.series_instance_uid.as_ref())),
    uid("study_instance_uid", "Study Instance UID")
        .from(|o| Cell::text_of(o.reading.exam.as_ref().map(|exam| &exam.study_instance_uid))),
    quasi(
        "patient_issuer",
        Kind::Text,
        "issuer of the patient id it came under",
    )
    .from(|o| Cell::text_of(o.reading.patient.as_ref().map(|one| &one.key.issuer))),
    direct("patient_id", "patient id it came under")
        .from(|o| Cell::text_of(o.reading.patient.as_ref().map(|one| &one.key.id))),
    uid(
        "predecessors",
        "documents that it replaces, separated by spaces",
    )
    .from(|o| Cell::codes(o.reading.predecessors.iter().map(String::as_str))),
    code("template", "template that understood it")
        .from(|o| template(o.reading.template.as_ref()).0),
    code("template_hash", "content hash of that template")
        .from(|o| template(o.reading.template.as_ref()).1),
    measure(
        "values",
        Kind::Integer,
        "values found in it, of any quantity",
    )
    .at_least(0.0)
    .from(|o| Cell::count(o.reading.measurements.len())),
    code(
        "remarks",
        "codes of remarks on the object, separated by spaces",
    )
    .from(|o| Cell::codes(o.reading.remarks.iter().map(|one| one.code.as_ref()))),
    uid("body_sha256", "SHA-256 of the bytes as received, hex")
        .required()
        .from(|o| Cell::text(&o.body_sha256)),
    uid(
        "content_sha256",
        "SHA-256 of the content whatever its transfer syntax, hex",
    )
    .from(|o| Cell::text_of(o.reading.content_sha256.as_ref())),
];
