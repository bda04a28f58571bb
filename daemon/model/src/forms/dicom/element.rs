//! Elements to be written.

use crate::forms::codes::Coded;
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;

type Element = DataElement<InMemDicomObject>;

pub(in crate::forms) fn sequence(tag: Tag, items: Vec<InMemDicomObject>) -> Element {
    DataElement::new(tag, VR::SQ, DataSetSequence::from(items))
}

/// A text element; an empty text makes an element without a value.
pub(in crate::forms) fn text(tag: Tag, vr: VR, value: &str) -> Element {
    let value = match value {
        "" => PrimitiveValue::Empty,
        value => PrimitiveValue::from(value),
    };
    DataElement::new(tag, vr, value)
}

/// A code sequence of one item.
pub(in crate::forms) fn coded(tag: Tag, code: Coded) -> Element {
    let item = InMemDicomObject::from_element_iter([
        text(tags::CODE_VALUE, VR::SH, code.value),
        text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, code.scheme),
        text(tags::CODE_MEANING, VR::LO, code.meaning),
    ]);
    sequence(tag, vec![item])
}
