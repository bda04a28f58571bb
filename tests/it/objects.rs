//! Reports for the tests, made from one fixture by changing whose and when it is.

use super::harness::fixture;
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::{FileDicomObject, InMemDicomObject, open_file};
use std::path::{Path, PathBuf};

/// What sets one report apart.
#[derive(Debug, Clone)]
pub(crate) struct Report {
    pub(crate) uid: String,
    pub(crate) study: String,
    pub(crate) patient: String,
    pub(crate) date: String,
    /// Added to every value, tenths of a millimetre.
    pub(crate) tenths: i32,
    /// SOP Instance UID of the report it replaces.
    pub(crate) replaces: Option<String>,
    /// Content time; `Some("")` for a report without any time.
    pub(crate) time: Option<&'static str>,
    /// Preliminary Flag.
    pub(crate) flag: &'static str,
    /// The only eye it measures.
    pub(crate) eye: Option<&'static str>,
}

impl Report {
    /// The nth report: a patient, a study and a UID of its own.
    pub(crate) fn numbered(n: usize) -> Self {
        Report {
            uid: format!("2.25.1000{n}"),
            study: format!("2.25.2000{n}"),
            patient: format!("T-{n}"),
            date: "20240501".into(),
            tenths: 0,
            replaces: None,
            time: None,
            flag: "FINAL",
            eye: None,
        }
    }

    /// Writes it as a Part 10 file and returns the path.
    pub(crate) fn write(&self, folder: &Path) -> PathBuf {
        let path = folder.join(format!("{}.dcm", self.uid));
        self.object().write_to_file(&path).expect("written");
        path
    }

    /// It as a Part 10 file in memory.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        self.object().write_all(&mut bytes).expect("written");
        bytes
    }

    fn object(&self) -> FileDicomObject<InMemDicomObject> {
        let mut object = open_file(fixture("sr/tid1500/report.dcm")).expect("fixture");
        for (tag, vr, value) in [
            (tags::SOP_INSTANCE_UID, VR::UI, &self.uid),
            (tags::STUDY_INSTANCE_UID, VR::UI, &self.study),
            (tags::PATIENT_ID, VR::LO, &self.patient),
            (tags::STUDY_DATE, VR::DA, &self.date),
            (tags::CONTENT_DATE, VR::DA, &self.date),
        ] {
            object.put(DataElement::new(
                tag,
                vr,
                PrimitiveValue::from(value.as_str()),
            ));
        }
        let text = |tag, vr, value: &str| DataElement::new(tag, vr, PrimitiveValue::from(value));
        object.put(text(tags::PRELIMINARY_FLAG, VR::CS, self.flag));
        match self.time {
            None => {}
            Some("") => {
                object.remove_element(tags::CONTENT_TIME);
                object.remove_element(tags::STUDY_TIME);
            }
            Some(time) => {
                object.put(text(tags::CONTENT_TIME, VR::TM, time));
            }
        }
        if let Some(eye) = self.eye {
            object.update_value(tags::CONTENT_SEQUENCE, |root| {
                for item in root.items_mut().into_iter().flatten() {
                    item.update_value(tags::CONTENT_SEQUENCE, |groups| {
                        if let Some(groups) = groups.items_mut() {
                            groups.retain(|group| names(group, eye));
                        }
                    });
                }
            });
        }
        object.remove_element(tags::PREDECESSOR_DOCUMENTS_SEQUENCE);
        if let Some(replaced) = &self.replaces {
            object.put(predecessor(replaced));
        }
        let mut inner = (*object).clone();
        shift(&mut inner, self.tenths);
        let mut meta = object.meta().clone();
        meta.media_storage_sop_instance_uid.clone_from(&self.uid);
        meta.update_information_group_length();
        inner.with_exact_meta(meta)
    }
}

/// Whether a group says a word anywhere below it.
fn names(group: &InMemDicomObject, word: &str) -> bool {
    let below = |tag| group.element(tag).ok().and_then(|below| below.items());
    let own = group.element(tags::CODE_MEANING).ok();
    own.and_then(|own| own.to_str().ok())
        .is_some_and(|own| own.eq_ignore_ascii_case(word))
        || [tags::CONTENT_SEQUENCE, tags::CONCEPT_CODE_SEQUENCE]
            .into_iter()
            .filter_map(below)
            .flatten()
            .any(|item| names(item, word))
}

fn predecessor(uid: &str) -> DataElement<InMemDicomObject> {
    let text = |tag, value: &str| DataElement::new(tag, VR::UI, PrimitiveValue::from(value));
    let sequence = |tag, item| {
        DataElement::new(
            tag,
            VR::SQ,
            dicom_core::value::DataSetSequence::from(vec![item]),
        )
    };
    let instance = InMemDicomObject::from_element_iter([
        text(
            tags::REFERENCED_SOP_CLASS_UID,
            "1.2.840.10008.5.1.4.1.1.88.33",
        ),
        text(tags::REFERENCED_SOP_INSTANCE_UID, uid),
    ]);
    let series =
        InMemDicomObject::from_element_iter([sequence(tags::REFERENCED_SOP_SEQUENCE, instance)]);
    let study =
        InMemDicomObject::from_element_iter([sequence(tags::REFERENCED_SERIES_SEQUENCE, series)]);
    sequence(tags::PREDECESSOR_DOCUMENTS_SEQUENCE, study)
}

/// Adds so many tenths to every numeric value below, and drops its binary twin.
fn shift(object: &mut InMemDicomObject, tenths: i32) {
    if let Ok(element) = object.element(tags::NUMERIC_VALUE) {
        let value: f64 = element.to_float64().expect("a number");
        let text = format!("{:.2}", value + f64::from(tenths) / 10.0);
        object.put(DataElement::new(
            tags::NUMERIC_VALUE,
            VR::DS,
            PrimitiveValue::from(text),
        ));
        object.remove_element(tags::FLOATING_POINT_VALUE);
    }
    for tag in [tags::CONTENT_SEQUENCE, tags::MEASURED_VALUE_SEQUENCE] {
        object.update_value(tag, |value| {
            for item in value.items_mut().into_iter().flatten() {
                shift(item, tenths);
            }
        });
    }
}
