//! One object from bytes to what was read from it: extraction and normalisation together, and the
//! word on what becomes of the object.

mod charsets;
mod documents;
mod facts;
pub mod left_unread;
pub mod other_eye;
pub mod own;
mod presented;
mod sessions;
mod subject;
pub mod transcribed;
pub mod trial;

#[cfg(test)]
mod by_sender;
#[cfg(test)]
mod fixtures;
#[cfg(test)]
mod scanners;
#[cfg(test)]
mod tests;

pub use charsets::Charsets;
pub use documents::{Documents, Policy};

use crate::domain::{
    Derivation, Device, Disposition, ExamFacts, Measurement, Millimetres, Modality, ObjectReading,
    Quantity, Remark, RemarkCode, Severity, derived,
};
use crate::extract::presentation;
use crate::extract::{Extraction, Outside, extract_beside};
use crate::normalise::{self, Bounds, Technique, plausible};
use crate::sr::{self, Document, FallbackCharset, Limits, Tree};
use crate::template::{Templates, Vocabulary};

/// SR classes whose tree is read: those that can hold numbers, and Basic Text, which cannot
/// (PS3.3 A.35).
const CLASSES: [&str; 5] = [
    "1.2.840.10008.5.1.4.1.1.88.11",
    "1.2.840.10008.5.1.4.1.1.88.22",
    "1.2.840.10008.5.1.4.1.1.88.33",
    "1.2.840.10008.5.1.4.1.1.88.34",
    "1.2.840.10008.5.1.4.1.1.88.35",
];

/// How objects are read.
#[derive(Debug, Clone)]
pub struct Rules {
    /// Templates, vocabulary and site dictionaries.
    pub templates: Templates,
    /// Limits of technique.
    pub technique: Technique,
    /// Smallest and largest width a sheath can have.
    pub plausible: (Millimetres, Millimetres),
    /// Which documents count.
    pub documents: Documents,
    /// Character sets of reports that declare none.
    pub charsets: Charsets,
    /// Whether lines of presentation states are read.
    pub presentation_states: bool,
    /// Limits of one object.
    pub limits: Limits,
}

/// What is assumed of all objects from one source where they do not say it themselves.
#[derive(Debug, Clone, Copy, Default)]
pub struct Assumed<'a> {
    /// Issuer of patient ids that come without one.
    pub default_issuer: &'a str,
    /// Character set of text that comes without one.
    pub fallback_charset: Option<&'a FallbackCharset>,
    /// Calling AE title it came under, if any: dictionaries by sender ask for it.
    pub ae_title: Option<&'a str>,
}

impl<'a> From<&'a str> for Assumed<'a> {
    /// A default issuer and nothing else.
    fn from(default_issuer: &'a str) -> Self {
        Assumed {
            default_issuer,
            ..Assumed::default()
        }
    }
}

impl Rules {
    /// These templates with the defaults of everything else.
    #[must_use]
    pub fn new(templates: Templates) -> Rules {
        Rules {
            templates,
            technique: Technique::default(),
            plausible: plausible::GATE,
            documents: Documents::default(),
            charsets: Charsets::default(),
            presentation_states: false,
            limits: Limits::default(),
        }
    }
}

/// Reads one object. `syntax` is the transfer syntax when the bytes do not say it themselves.
#[must_use]
pub fn read_object<'a>(
    bytes: &[u8],
    syntax: Option<&str>,
    assumed: impl Into<Assumed<'a>>,
    rules: &Rules,
) -> ObjectReading {
    let assumed = assumed.into();
    match sr::read_assuming(bytes, syntax, assumed.fallback_charset, &rules.limits) {
        Ok(document) => read_document(&document, assumed, rules),
        Err(error) => ObjectReading::quarantined(error.remark()),
    }
}

/// Reads one decoded object.
#[must_use]
pub fn read_document<'a>(
    document: &Document,
    assumed: impl Into<Assumed<'a>>,
    rules: &Rules,
) -> ObjectReading {
    let header = &document.header;
    let Assumed {
        default_issuer,
        ae_title,
        ..
    } = assumed.into();
    let templates = rules
        .templates
        .of(&facts::sender(header, ae_title, default_issuer));
    let mut dictionaries = Vec::new();
    let mut remarks = document.remarks.clone();
    let drawn = rules.presentation_states.then_some(document);
    let drawn = drawn.and_then(|document| presented::read(document, &templates));
    let (drawn, drawings) = drawn.unzip();
    if let Some(presentation) = document.presentation.as_ref().filter(|_| drawn.is_some()) {
        let texts = presentation::texts(presentation);
        dictionaries = templates.explained_by_texts(texts.iter().map(String::as_str));
    }
    let found = match readable_tree(document, &mut remarks) {
        _ if drawings.is_some() => drawings.unwrap_or_default(),
        Some(tree) => {
            let outside = Outside {
                modality: header.modality.as_deref(),
                evidence: &header.evidence,
            };
            let found = match templates.disputed(tree) {
                Some((at, what)) => disputed(tree.place(at), what),
                None => extract_beside(&facts::sides(header), outside, tree, &templates),
            };
            let rules = found.found.iter().map(|one| one.rule.as_str());
            dictionaries = templates.explained_by(tree, rules);
            found
        }
        None => Extraction::default(),
    };
    remarks.extend(found.remarks.iter().cloned());
    let verdicts: Vec<subject::Verdict> = found
        .stated
        .iter()
        .map(|stated| subject::judge(stated, header, default_issuer))
        .collect();
    let vocabulary = templates.vocabulary();
    let is_drawn = drawn.is_some();
    let mut measurements = match drawn {
        Some(drawn) => drawn,
        None => measurements(&found, document, rules, vocabulary, &verdicts),
    };
    remarks.extend(subject::of_the_document(&verdicts, &found));
    if measurements.iter().any(is_sheath) {
        documents::apply(&rules.documents, header, &mut measurements, &mut remarks);
    }
    let measurements = measurements;
    let sheath = || measurements.iter().filter(|one| is_sheath(one));
    let angle = |one: &Measurement| one.geometry.and_then(|known| known.angle_deg);
    if sheath().any(|one| is_reading(one) && angle(one).is_none()) {
        remarks.push(Remark::of(
            RemarkCode::AngleUnknown,
            "The report does not say at which angle the caliper lay; nothing was corrected for it.",
        ));
    }

    if sheath().any(|one| is_reading(one) && one.depth().is_none() && !is_depth_unclear(one)) {
        remarks.push(Remark::of(
            RemarkCode::DepthUnknown,
            "The report does not say at which depth behind the globe it was measured.",
        ));
    }
    let other_eye = other_eye::unread(&measurements, &found, rules.plausible);
    let left = || left_unread::of_report(&measurements, &found, &verdicts, rules.plausible);
    if is_drawn {
        // What becomes of its lines is known once their pictures are here; of lost labels, now.
        let mut doubts = found.remarks.iter();
        let lost = doubts.find(|one| one.code == RemarkCode::PresentationLabelUnclear);
        remarks.extend(lost.map(|_| left_unread::at_the_eye()));
    } else {
        remarks.extend(other_eye.or_else(left));
    }

    // Whoever types is asked for ultrasound alone, and Procedure reported (CID 100) has no code for it.
    if sheath().any(|one| one.modality == Modality::Unspecified) && !is_typed(header) {
        remarks.push(Remark::of(
            RemarkCode::ModalityUnstated,
            "The report does not say with what kind of imaging it was measured; it is taken for \
             ultrasound, which this service is for.",
        ));
    }

    let sheath_found: Vec<_> = found
        .found
        .iter()
        .filter(|one| one.quantity == Quantity::SheathDiameter)
        .collect();
    let copied = document.tree.as_ref().and_then(transcribed::remark);
    let copied = copied.filter(|_| sheath().next().is_some());
    // Years lie between an exam and its copy.
    if copied.is_none() && sheath().next().is_some() {
        remarks.extend(facts::dates_apart(header));
    }
    remarks.extend(copied);
    let creator = document.presentation.as_ref().filter(|_| is_drawn);
    let creator = creator.and_then(|presentation| presentation.creator.clone());
    let exam = header.study_instance_uid.clone().map(|uid| ExamFacts {
        study_instance_uid: uid,
        performed_at: facts::performed_at(sheath(), header),
        content_at: header.content_at.filter(|_| !header.day_only.content),
        study_at: header.study_at.filter(|_| !header.day_only.study),
        operator: creator.or_else(|| facts::operator(&sheath_found, header, &mut remarks)),
        // The header is that of the workstation; the machine is that of the picture.
        device: if is_drawn {
            Device::default()
        } else {
            facts::device(&sheath_found, header, &mut remarks)
        },
        accession: header.accession.clone(),
    });
    let patient = facts::patient(header, default_issuer);
    facts::missing(
        header,
        sheath().next().is_some(),
        patient.as_ref(),
        exam.as_ref(),
        &mut remarks,
    );
    ObjectReading {
        sop_instance_uid: header.sop_instance_uid.clone(),
        sop_class_uid: header.sop_class_uid.clone(),
        series_instance_uid: header.series_instance_uid.clone(),
        disposition: disposition(&measurements, &remarks, &found.remarks),
        template: found.template,
        dictionaries,
        patient,
        exam,
        machine: facts::machine(header),
        predecessors: header.predecessors.clone(),
        state: documents::state(header),
        content_sha256: Some(document.content_sha256.clone()),
        measurements,
        image: document.image.clone(),
        unexplained: found.unexplained,
        remarks,
    }
}

/// The tree, if the object is of a class whose tree is read.
fn readable_tree<'a>(document: &'a Document, remarks: &mut Vec<Remark>) -> Option<&'a Tree> {
    let tree = document.tree.as_ref()?;
    match document.header.sop_class_uid.as_deref() {
        Some(class) if !CLASSES.contains(&class) => {
            remarks.push(Remark::of(
                RemarkCode::ClassNotRead,
                format!("Reports of the class {class} are kept and not read."),
            ));
            None
        }
        // Its values are quoted from reports: read again they would count twice.
        _ if own::is_own(tree) => {
            remarks.push(Remark::of(
                RemarkCode::OwnResult,
                "This is a result of this program that came back; its values are not read.",
            ));
            None
        }
        _ => Some(tree),
    }
}

/// Nothing is read of a document for which two dictionaries say different things.
fn disputed(place: String, what: String) -> Extraction {
    let remark = Remark::of(RemarkCode::DictionariesDisagree, what)
        .at(place)
        .act("Keep one of them in force for this sender, or make them agree.");
    Extraction {
        remarks: vec![remark],
        ..Extraction::default()
    }
}

fn is_depth_unclear(measurement: &Measurement) -> bool {
    let mut remarks = measurement.remarks.iter();
    remarks.any(|remark| remark.code == RemarkCode::DepthUnclear)
}

/// A mean has no caliper of its own.
fn is_reading(measurement: &Measurement) -> bool {
    measurement.derivation == Derivation::Single
}

fn is_sheath(measurement: &Measurement) -> bool {
    measurement.quantity == Quantity::SheathDiameter
}

fn measurements(
    found: &Extraction,
    document: &Document,
    rules: &Rules,
    vocabulary: &Vocabulary,
    verdicts: &[subject::Verdict],
) -> Vec<Measurement> {
    let bounds = Bounds {
        vocabulary,
        technique: &rules.technique,
        plausible: rules.plausible,
    };
    let header = &document.header;
    let mut measurements: Vec<Measurement> = found
        .found
        .iter()
        .map(|one| {
            let text = one.observed_at.as_deref();
            let moment = text.and_then(|text| sr::moment_from_dt(text, header.offset_s));
            let mut measurement = normalise::normalise(one, moment, &bounds);
            measurement.observed_day_only = moment.is_some() && text.is_some_and(sr::is_day_only);
            if text.is_some() && moment.is_none() {
                measurement.remarks.push(
                    Remark::of(
                        RemarkCode::ObservationTimeUnreadable,
                        "The observation date and time cannot be read; the exam's are used.",
                    )
                    .at(one.place.clone()),
                );
            }
            if facts::before_exam(moment, header) {
                measurement.set_aside(
                    Remark::of(
                        RemarkCode::ObservedBeforeExam,
                        "Observed before the study began, so it belongs to an earlier exam.",
                    )
                    .at(one.place.clone()),
                );
            }
            if facts::of_another_study(&one.procedure, header) && !normalise::is_apart(&measurement) {
                measurement.set_aside(
                    Remark::of(
                        RemarkCode::EarlierFinding,
                        "The report files the value under another study than its own; it is kept apart.",
                    )
                    .at(one.place.clone()),
                );
            }
            let verdict = one.stated.and_then(|stated| verdicts.get(stated));
            if let Some(subject::Verdict::Other(remark)) = verdict {
                measurement.set_aside(remark.clone().at(one.place.clone()));
            }
            measurement
        })
        .collect();
    sessions::separate(&mut measurements, &found.found, header);
    normalise::settle(&mut measurements);
    measurements
}

/// What becomes of the object. `doubts` are the remarks of extraction: with no value to show for
/// it, a blocking one means that nobody knows what the report holds.
fn disposition(measurements: &[Measurement], remarks: &[Remark], doubts: &[Remark]) -> Disposition {
    let blocking = |remark: &Remark| remark.severity == Severity::Blocking;
    let of_the_object = remarks
        .iter()
        .any(|remark| blocking(remark) && !doubts.contains(remark));
    if of_the_object {
        return Disposition::Quarantined;
    }
    if !measurements.iter().any(is_sheath) {
        return if doubts.iter().any(blocking) {
            Disposition::Quarantined
        } else {
            Disposition::NoSheathMeasurement
        };
    }
    let all = measurements.iter().flat_map(|one| &one.remarks);
    let matters = |remark: &Remark| remark.severity > Severity::Info;
    if all.chain(remarks).any(matters) {
        Disposition::AcceptedWithRemarks
    } else {
        Disposition::Accepted
    }
}

/// Whether a person typed the report, here or elsewhere.
fn is_typed(header: &sr::Header) -> bool {
    let uids = header.sop_instance_uid.as_deref();
    let uids = uids.zip(header.series_instance_uid.as_deref());
    uids.is_some_and(|(instance, series)| derived::typed_series(instance) == series)
}
