//! The page of the result as an Encapsulated PDF (PS3.3 A.45.1), in the study of the exam.

use super::dicom::{self, Object, element};
use super::{Context, FormError, values};
use crate::render::{html, pdf};
use crate::results::{Content, Envelope};
use dicom_core::value::PrimitiveValue;
use dicom_core::{DataElement, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;

const OBJECT: Object = Object {
    class: uids::ENCAPSULATED_PDF_STORAGE,
    modality: "DOC",
    series_number: "9702",
    series_description: "Optic nerve sheath, own baseline, page",
    purpose: "pdf",
};

/// The object as a DICOM file. `others` are results of the same patient, for the picture.
///
/// # Errors
///
/// When context and result do not belong together, or an identifier cannot be written in DICOM.
pub fn encapsulated_pdf(
    result: &Envelope,
    context: &Context,
    others: &[Content],
) -> Result<Vec<u8>, FormError> {
    context.check(result)?;
    let page = pdf::pdf(result, &html::trends(&result.content, others))?;
    let mut object = InMemDicomObject::new_empty();
    dicom::head(&mut object, result, context, &OBJECT)?;
    let texts = [
        // Made on a workstation (PS3.3 C.8.6.1).
        (tags::CONVERSION_TYPE, VR::CS, "WSD"),
        (tags::ACQUISITION_DATE_TIME, VR::DT, ""),
        // The page names the patient.
        (tags::BURNED_IN_ANNOTATION, VR::CS, "YES"),
        (tags::DOCUMENT_TITLE, VR::ST, OBJECT.series_description),
        (
            tags::MIME_TYPE_OF_ENCAPSULATED_DOCUMENT,
            VR::LO,
            "application/pdf",
        ),
    ];
    for (tag, vr, text) in texts {
        object.put(element::text(tag, vr, text));
    }
    object.put(element::coded(
        tags::CONCEPT_NAME_CODE_SEQUENCE,
        values::report(&result.content).0,
    ));
    let sources: Vec<InMemDicomObject> = context
        .sources
        .iter()
        .filter_map(|origin| {
            let (class, instance) = (&origin.sop_class_uid, &origin.sop_instance_uid);
            Some(dicom::reference(class.as_deref()?, instance.as_deref()?))
        })
        .collect();
    if !sources.is_empty() {
        object.put(element::sequence(tags::SOURCE_INSTANCE_SEQUENCE, sources));
    }
    let length = u32::try_from(page.len()).unwrap_or(u32::MAX);
    object.put(DataElement::new(
        tags::ENCAPSULATED_DOCUMENT_LENGTH,
        VR::UL,
        PrimitiveValue::from(length),
    ));
    let mut page = page;
    // An element has an even length (PS3.5 7.1.1).
    if page.len() % 2 == 1 {
        page.push(0);
    }
    object.put(DataElement::new(
        tags::ENCAPSULATED_DOCUMENT,
        VR::OB,
        PrimitiveValue::from(page),
    ));
    dicom::part10(object)
}
