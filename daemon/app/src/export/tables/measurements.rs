//! One row for each sheath value of an exam, used or not, with its place in its report.

use super::lists::{BORDERS, DERIVATIONS, EYES, MODALITIES, PLANES, QUANTITIES};
use super::{code, date, direct, key, measure, quasi, technical, uid};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Described, Subject};
use crate::export::stored::{Arrival, SOFTWARE, StoredResult};
use sheathline_model::domain::{Geometry, Millimetres, Severity};
use sheathline_model::history::{ExamMeasurement, ObjectUse};

/// One value of an exam.
pub(super) struct Measurements;

/// Of which exam, and which value.
pub(super) struct Value<'a> {
    pub(super) told: &'a StoredResult,
    pub(super) one: &'a ExamMeasurement,
}

impl Subject for Measurements {
    type Of<'a> = Value<'a>;
}

impl Value<'_> {
    fn report(&self) -> Option<&ObjectUse> {
        let mut reports = self.told.content.reports.iter();
        reports.find(|one| one.sop_instance_uid == self.one.object)
    }

    fn arrival(&self) -> Option<&Arrival> {
        self.told.arrivals.get(&self.one.object)
    }

    fn template(&self) -> (Cell, Cell) {
        template(self.report().and_then(|one| one.template.as_ref()))
    }

    fn caliper(&self, of: fn(&Geometry) -> Option<Millimetres>) -> Cell {
        mm(self.one.value.geometry.as_ref().and_then(of))
    }

    /// Codes of the remarks that keep it from use: the blocking ones, else the one that came last.
    fn not_used_because(&self) -> Cell {
        let value = &self.one.value;
        if value.usable {
            return Cell::Empty;
        }
        let blocking = value.remarks.iter();
        let blocking = blocking.filter(|one| one.severity == Severity::Blocking);
        match Cell::codes(blocking.map(|one| one.code.as_ref())) {
            Cell::Empty => Cell::codes(value.remarks.last().map(|one| one.code.as_ref())),
            codes => codes,
        }
    }
}

/// Name and content hash of a template, from `tid1500@1f0c…`.
pub(super) fn template(template: Option<&String>) -> (Cell, Cell) {
    match template.and_then(|one| one.split_once('@')) {
        Some((name, hash)) => (Cell::text(name), Cell::text(hash)),
        None => (Cell::text_of(template), Cell::Empty),
    }
}

fn mm(length: Option<Millimetres>) -> Cell {
    Cell::number(length.map(Millimetres::mm))
}

const fn millimetres(name: &'static str, about: &'static str) -> Described {
    measure(name, Kind::Number, about).unit("mm")
}

pub(super) const COLUMNS: &[Column<Measurements>] = &[
    key("exam_id", "the exam")
        .key()
        .from(|v| Cell::text(&v.told.content.exam.id)),
    uid(
        "sop_instance_uid",
        "SOP Instance UID of the report that holds the value",
    )
    .key()
    .from(|v| Cell::text(&v.one.object)),
    code(
        "place",
        "where it stands in that report: ordinals of content items from the root",
    )
    .key()
    .from(|v| Cell::text(&v.one.value.place)),
    quasi("patient_issuer", Kind::Text, "issuer of the patient id")
        .from(|v| Cell::text(&v.told.content.patient.issuer)),
    direct(
        "patient_id",
        "patient id; of joined ids the one that survives",
    )
    .required()
    .from(|v| Cell::text(&v.told.content.patient.id)),
    date(
        "performed_at",
        Kind::Clock,
        "wall clock where the exam was done",
    )
    .required()
    .from(|v| Cell::clock(v.told.content.exam.performed_at.local)),
    code("quantity", "what was measured")
        .required()
        .one_of(QUANTITIES)
        .from(|v| Cell::word(&v.one.value.quantity)),
    code(
        "eye",
        "whose; unresolved where the report does not settle it",
    )
    .required()
    .one_of(EYES)
    .from(|v| Cell::word(&v.one.value.eye)),
    millimetres("value_mm", "the value as used").from(|v| mm(v.one.value.value_mm)),
    measure(
        "value_as_sent",
        Kind::Text,
        "digits as they stand in the report",
    )
    .from(|v| Cell::text_of(v.one.value.value_as_sent.as_ref())),
    code("unit_as_sent", "unit as it stands in the report")
        .from(|v| Cell::text_of(v.one.value.unit_as_sent.as_ref())),
    code("plane", "plane of the picture")
        .required()
        .one_of(PLANES)
        .from(|v| Cell::word(&v.one.value.plane)),
    code("derivation", "one reading, or made from readings")
        .required()
        .one_of(DERIVATIONS)
        .from(|v| Cell::word(&v.one.value.derivation)),
    code("definition", "borders measured between")
        .one_of(BORDERS)
        .from(|v| {
            v.one
                .value
                .definition
                .map_or(Cell::Empty, |one| Cell::word(&one))
        }),
    code("modality", "kind of imaging, as the report states it")
        .required()
        .one_of(MODALITIES)
        .from(|v| Cell::word(&v.one.value.modality)),
    millimetres("depth_mm", "depth behind the globe as the report states it")
        .from(|v| mm(v.one.value.depth_mm)),
    measure(
        "angle_deg",
        Kind::Number,
        "angle between caliper and a line straight across the nerve",
    )
    .unit("deg")
    .from(|v| Cell::number(v.one.value.geometry.as_ref().and_then(|one| one.angle_deg))),
    millimetres(
        "caliper_length_mm",
        "length of the caliper worked out from its coordinates",
    )
    .from(|v| v.caliper(|one| one.length_mm)),
    millimetres(
        "caliper_depth_mm",
        "depth behind the globe worked out from coordinates",
    )
    .from(|v| v.caliper(|one| one.depth_mm)),
    millimetres(
        "excess_mm",
        "by how much the caliper is too wide for its angle",
    )
    .from(|v| v.caliper(|one| one.excess_mm)),
    millimetres("excess_error_mm", "error of that for one pixel at each end")
        .from(|v| v.caliper(|one| one.excess_error_mm)),
    measure(
        "usable",
        Kind::Flag,
        "whether it may enter a baseline or an assessment",
    )
    .required()
    .from(|v| Cell::Flag(v.one.value.usable)),
    code(
        "not_used_because",
        "codes of the remarks that keep it from use, separated by spaces",
    )
    .from(|v| v.not_used_because()),
    code(
        "remarks",
        "codes of all remarks on the value, separated by spaces",
    )
    .from(|v| Cell::codes(v.one.value.remarks.iter().map(|one| one.code.as_ref()))),
    code("concept", "concept name as sent: value and scheme")
        .from(|v| Cell::text(&v.one.value.concept)),
    code("template", "template that understood the report").from(|v| v.template().0),
    code("template_hash", "content hash of that template").from(|v| v.template().1),
    code(
        "rule",
        "the rule of the template or site dictionary that took the value: file and line",
    )
    .from(|v| Cell::text_of(v.one.value.rule.as_ref())),
    date(
        "observed_at",
        Kind::Clock,
        "when it was measured, if the report says; wall clock",
    )
    .from(|v| {
        v.one
            .value
            .observed_at
            .map_or(Cell::Empty, |at| Cell::clock(at.local))
    }),
    uid("observation_uid", "Observation UID of the content item")
        .from(|v| Cell::text_of(v.one.value.observation_uid.as_ref())),
    uid(
        "pictures",
        "SOP Instance UIDs of the pictures it was read from, separated by spaces",
    )
    .from(|v| Cell::codes(v.one.value.pictures.iter().map(String::as_str))),
    uid(
        "superseded_by",
        "reports that replace this one, separated by spaces",
    )
    .from(|v| {
        let by = v.report().into_iter().flat_map(|one| &one.superseded_by);
        Cell::codes(by.map(String::as_str))
    }),
    technical("object_id", "the report in the store; see objects")
        .integer()
        .from(|v| {
            v.arrival()
                .map_or(Cell::Empty, |one| Cell::Integer(one.object))
        }),
    quasi(
        "source",
        Kind::Text,
        "where the report came from: folder, file, or dicom: and the calling AE title",
    )
    .from(|v| {
        v.arrival()
            .map_or(Cell::Empty, |one| Cell::text(one.source.to_string()))
    }),
    date("received_at", Kind::Instant, "when the report came").from(|v| {
        v.arrival()
            .map_or(Cell::Empty, |one| Cell::Instant(one.received_at))
    }),
    code(
        "parameters_key",
        "fingerprint of parameters and limits of technique",
    )
    .required()
    .from(|v| Cell::text(&v.told.parameters_key)),
    technical("software", "the program that wrote the row")
        .required()
        .from(|_| Cell::text(SOFTWARE)),
];
