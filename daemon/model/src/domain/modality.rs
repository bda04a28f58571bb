//! With what kind of imaging a width was measured.

use serde::{Deserialize, Serialize};

/// Kind of imaging, as the report states it. Different ones read up to 2 mm apart and are never
/// compared with each other.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum Modality {
    /// Ultrasound.
    Ultrasound,
    /// Magnetic resonance imaging.
    Mri,
    /// Computed tomography.
    Ct,
    /// Any other kind that is stated.
    Other,
    /// Several kinds are stated for the same thing, and nobody can tell which it was.
    Unresolved,
    /// Nothing states it.
    #[default]
    Unspecified,
}

impl Modality {
    /// Every kind, in the order they are documented.
    pub const ALL: [Modality; 6] = [
        Modality::Ultrasound,
        Modality::Mri,
        Modality::Ct,
        Modality::Other,
        Modality::Unresolved,
        Modality::Unspecified,
    ];

    /// What people read.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Modality::Ultrasound => "ultrasound",
            Modality::Mri => "MRI",
            Modality::Ct => "CT",
            Modality::Other => "another kind of imaging",
            Modality::Unresolved => "contradictory",
            Modality::Unspecified => "not stated",
        }
    }

    /// Whether it is known to be something else than ultrasound.
    #[must_use]
    pub fn is_foreign(self) -> bool {
        matches!(self, Modality::Mri | Modality::Ct | Modality::Other)
    }

    /// What the class of a picture says (PS3.4 B.5, PS3.6 annex A); `None` for classes that say
    /// nothing of how the body was seen: secondary captures, documents, segmentations, waveforms.
    #[must_use]
    pub fn of_class(class: &str) -> Option<Modality> {
        let storage = class.trim().strip_prefix("1.2.840.10008.5.1.4.1.1.")?;
        let mut parts = storage.split('.');
        match (parts.next()?, parts.next()) {
            // Ultrasound and multi-frame ultrasound with their retired forms, enhanced volumes.
            ("3", _) | ("6", None | Some("1" | "2")) => Some(Modality::Ultrasound),
            ("2", _) => Some(Modality::Ct),
            ("4", _) => Some(Modality::Mri),
            // Photoacoustic; X-ray, nuclear medicine, OCT, visible light, ophthalmic, PET, portal.
            ("6" | "1" | "5" | "12" | "13" | "14" | "20" | "77" | "78" | "128" | "130", _)
            | ("481", Some("1")) => Some(Modality::Other),
            // A class of later editions says nothing, rather than something wrong.
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use dicom_dictionary_std::uids;

    /// Classes by the names that the standard's registry of UIDs (PS3.6 annex A) gives them.
    #[test]
    fn classes_of_pictures_say_how_the_body_was_seen() {
        for (class, says) in [
            (uids::ULTRASOUND_IMAGE_STORAGE, Some(Modality::Ultrasound)),
            (
                uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE,
                Some(Modality::Ultrasound),
            ),
            (uids::ENHANCED_US_VOLUME_STORAGE, Some(Modality::Ultrasound)),
            ("1.2.840.10008.5.1.4.1.1.6", Some(Modality::Ultrasound)),
            ("1.2.840.10008.5.1.4.1.1.3", Some(Modality::Ultrasound)),
            (uids::MR_IMAGE_STORAGE, Some(Modality::Mri)),
            (uids::ENHANCED_MR_IMAGE_STORAGE, Some(Modality::Mri)),
            (uids::ENHANCED_MR_COLOR_IMAGE_STORAGE, Some(Modality::Mri)),
            (
                uids::LEGACY_CONVERTED_ENHANCED_MR_IMAGE_STORAGE,
                Some(Modality::Mri),
            ),
            (uids::CT_IMAGE_STORAGE, Some(Modality::Ct)),
            (uids::ENHANCED_CT_IMAGE_STORAGE, Some(Modality::Ct)),
            (
                uids::POSITRON_EMISSION_TOMOGRAPHY_IMAGE_STORAGE,
                Some(Modality::Other),
            ),
            (
                uids::OPHTHALMIC_TOMOGRAPHY_IMAGE_STORAGE,
                Some(Modality::Other),
            ),
            (uids::NUCLEAR_MEDICINE_IMAGE_STORAGE, Some(Modality::Other)),
            (uids::SECONDARY_CAPTURE_IMAGE_STORAGE, None),
            (uids::COMPREHENSIVE_SR_STORAGE, None),
            (uids::SEGMENTATION_STORAGE, None),
            (uids::ENCAPSULATED_PDF_STORAGE, None),
            ("1.2.840.10008.5.1.4.1.1.9.2.1", None),
            ("1.2.3", None),
            ("", None),
        ] {
            assert_eq!(Modality::of_class(class), says, "{class}");
        }
    }
}
