//! Byte order and value representations, as the decoder takes them.

use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry, VirtualVr};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{StandardDataDictionary, tags};

/// How elements are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Encoding {
    /// PS3.5 A.1.
    ImplicitLittle,
    /// PS3.5 A.2.
    ExplicitLittle,
    /// PS3.5 A.3, retired.
    ExplicitBig,
}

impl Encoding {
    pub(super) fn explicit(self) -> bool {
        self != Encoding::ImplicitLittle
    }

    pub(crate) fn is_big(self) -> bool {
        self == Encoding::ExplicitBig
    }

    pub(super) fn u16(self, bytes: [u8; 2]) -> u16 {
        match self {
            Encoding::ExplicitBig => u16::from_be_bytes(bytes),
            _ => u16::from_le_bytes(bytes),
        }
    }

    pub(super) fn u32(self, bytes: [u8; 4]) -> u32 {
        match self {
            Encoding::ExplicitBig => u32::from_be_bytes(bytes),
            _ => u32::from_le_bytes(bytes),
        }
    }

    pub(super) fn u32_bytes(self, number: u32) -> [u8; 4] {
        match self {
            Encoding::ExplicitBig => number.to_be_bytes(),
            _ => number.to_le_bytes(),
        }
    }
}

/// The value representation the decoder takes for a tag when none is on the wire.
pub(crate) fn dictionary_vr(tag: Tag) -> VR {
    usual_vr(tag).unwrap_or_else(|| looked_up_vr(tag))
}

fn looked_up_vr(tag: Tag) -> VR {
    if tag == tags::PIXEL_DATA || (tag.0 >> 8 == 0x60 && tag.1 == 0x3000) {
        return VR::OW;
    }
    StandardDataDictionary
        .by_tag(tag)
        .map_or(VR::UN, |entry| entry.vr().relaxed())
}

/// US or SS by Pixel Representation: the decoder overrules the letters on the wire for these.
pub(super) fn is_signed_or_not(tag: Tag) -> bool {
    usual_vr(tag).is_none() && looked_up_signed_or_not(tag)
}

fn looked_up_signed_or_not(tag: Tag) -> bool {
    StandardDataDictionary
        .by_tag(tag)
        .is_some_and(|entry| entry.vr() == VirtualVr::Xs)
}

/// What the dictionary says of the elements that a report is made of, hundreds of each: asking it
/// took a sixth of the time of reading one.
fn usual_vr(tag: Tag) -> Option<VR> {
    Some(match tag {
        tags::VALUE_TYPE
        | tags::RELATIONSHIP_TYPE
        | tags::CONTINUITY_OF_CONTENT
        | tags::GRAPHIC_TYPE
        | tags::TEMPLATE_IDENTIFIER
        | tags::MAPPING_RESOURCE
        | tags::COMPLETION_FLAG
        | tags::VERIFICATION_FLAG => VR::CS,
        tags::CODE_VALUE | tags::CODING_SCHEME_DESIGNATOR | tags::CODING_SCHEME_VERSION => VR::SH,
        tags::CODE_MEANING => VR::LO,
        tags::LONG_CODE_VALUE => VR::UC,
        tags::URN_CODE_VALUE => VR::UR,
        tags::NUMERIC_VALUE => VR::DS,
        tags::FLOATING_POINT_VALUE => VR::FD,
        tags::TEXT_VALUE => VR::UT,
        tags::PERSON_NAME => VR::PN,
        tags::OBSERVATION_DATE_TIME | tags::DATE_TIME => VR::DT,
        tags::UID
        | tags::OBSERVATION_UID
        | tags::REFERENCED_SOP_CLASS_UID
        | tags::REFERENCED_SOP_INSTANCE_UID => VR::UI,
        tags::CONCEPT_NAME_CODE_SEQUENCE
        | tags::CONCEPT_CODE_SEQUENCE
        | tags::CONTENT_SEQUENCE
        | tags::MEASURED_VALUE_SEQUENCE
        | tags::MEASUREMENT_UNITS_CODE_SEQUENCE
        | tags::NUMERIC_VALUE_QUALIFIER_CODE_SEQUENCE
        | tags::EQUIVALENT_CODE_SEQUENCE
        | tags::CONTENT_TEMPLATE_SEQUENCE
        | tags::REFERENCED_SOP_SEQUENCE => VR::SQ,
        _ => return None,
    })
}

/// Whether the length field has 16 bits in an explicit syntax (PS3.5 table 7.1-2).
pub(super) fn has_short_length(vr: VR) -> bool {
    matches!(
        vr,
        VR::AE
            | VR::AS
            | VR::AT
            | VR::CS
            | VR::DA
            | VR::DS
            | VR::DT
            | VR::FL
            | VR::FD
            | VR::IS
            | VR::LO
            | VR::LT
            | VR::PN
            | VR::SH
            | VR::SL
            | VR::SS
            | VR::ST
            | VR::TM
            | VR::UI
            | VR::UL
            | VR::US
    )
}

/// Whether the decoder splits the value at backslashes, each part an allocation.
pub(super) fn splits(vr: VR) -> bool {
    matches!(
        vr,
        VR::AE
            | VR::AS
            | VR::CS
            | VR::DA
            | VR::DS
            | VR::DT
            | VR::IS
            | VR::LO
            | VR::PN
            | VR::SH
            | VR::TM
            | VR::UC
            | VR::UI
    )
}

/// Bytes of one number of a binary value, 1 for bytes and text (PS3.5 table 6.2-1).
pub(crate) fn word(vr: VR) -> u32 {
    match vr {
        VR::US | VR::SS | VR::OW => 2,
        VR::UL | VR::SL | VR::FL | VR::OL | VR::OF | VR::AT => 4,
        VR::UV | VR::SV | VR::FD | VR::OD | VR::OV => 8,
        _ => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn usual_elements_are_what_the_dictionary_says() {
        let mut usual = 0;
        for group in [0x0008, 0x0040, 0x0070] {
            for element in 0..=u16::MAX {
                let tag = Tag(group, element);
                if let Some(vr) = usual_vr(tag) {
                    assert_eq!(vr, looked_up_vr(tag), "{tag}");
                    assert!(!looked_up_signed_or_not(tag), "{tag}");
                    usual += 1;
                }
            }
        }
        assert_eq!(usual, 33);
        assert!(is_signed_or_not(tags::PIXEL_PADDING_VALUE));
        assert_eq!(dictionary_vr(tags::PIXEL_DATA), VR::OW);
        assert_eq!(dictionary_vr(tags::SOP_CLASS_UID), VR::UI);
    }
}
