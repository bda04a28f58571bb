//! Classes of objects that are not taken: their names, and which of them may be dropped. Pure.

use dicom_core::dictionary::{UidDictionary, UidDictionaryEntryRef, UidType};
use dicom_dictionary_std::sop_class::registry;

/// Where the classes of stored objects lie in the tree of UIDs (PS3.6 table A-1).
const STORED: &str = "1.2.840.10008.5.1.4.";

/// Where those of structured reports lie (PS3.3 A.35), procedure logs among them.
const REPORTS: &str = "1.2.840.10008.5.1.4.1.1.88.";

/// Words in the names of classes that hold measurements, or lines drawn over pictures: dropped, they
/// might be a sheath that nobody looks at.
const MEASURED: [&str; 5] = [
    " SR ",
    "Report",
    "Measurements",
    "Presentation State",
    "Content Assessment",
];

fn entry(class: &str) -> Option<&'static UidDictionaryEntryRef<'static>> {
    registry().by_uid(class)
}

/// The class as PS3.6 has it, if its objects may be read to their end and not kept: it is a storage
/// class of the standard, and holds neither reports nor measurements nor what is drawn over pictures.
/// What a private class holds nobody knows.
pub(super) fn droppable(class: &str) -> Option<&'static str> {
    let entry = entry(class)?;
    let is_stored = entry.r#type == UidType::SopClass
        && entry.uid.starts_with(STORED)
        && entry.name.contains("Storage");
    let is_measured =
        entry.uid.starts_with(REPORTS) || MEASURED.iter().any(|word| entry.name.contains(word));
    (is_stored && !is_measured).then_some(entry.uid)
}

/// A class as it may stand in a log, by name and UID: a stranger chose it.
pub(crate) fn shown(class: &str) -> String {
    match entry(class) {
        Some(entry) => format!("{} ({})", entry.name, entry.uid),
        None => match sheathline_net::dicom::dimse::uid(class.as_bytes()) {
            Some(uid) => format!("unknown class ({uid})"),
            None => "no UID".to_owned(),
        },
    }
}

/// The same as a label of a number: only what the standard names, or strangers could make labels.
pub(super) fn label(class: &str) -> &'static str {
    entry(class).map_or("unknown", |entry| entry.uid)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::receive::negotiate::CLASSES;
    use dicom_dictionary_std::uids;

    #[test]
    fn pictures_of_others_may_be_dropped_and_reports_never() {
        for class in [
            uids::CT_IMAGE_STORAGE,
            uids::SECONDARY_CAPTURE_IMAGE_STORAGE,
            uids::ENCAPSULATED_PDF_STORAGE,
            uids::RAW_DATA_STORAGE,
            uids::DIGITAL_X_RAY_IMAGE_STORAGE_FOR_PRESENTATION,
            uids::TWELVE_LEAD_ECG_WAVEFORM_STORAGE,
            uids::RT_DOSE_STORAGE,
            // PS3.6: retired.
            "1.2.840.10008.5.1.4.1.1.6",
        ] {
            assert_eq!(droppable(class), Some(class), "{}", shown(class));
        }
        for class in [
            uids::VERIFICATION,
            uids::COMPREHENSIVE_SR_STORAGE,
            uids::X_RAY_RADIATION_DOSE_SR_STORAGE,
            uids::SIMPLIFIED_ADULT_ECHO_SR_STORAGE,
            uids::PROCEDURE_LOG_STORAGE,
            uids::MACULAR_GRID_THICKNESS_AND_VOLUME_REPORT_STORAGE,
            uids::OPHTHALMIC_AXIAL_MEASUREMENTS_STORAGE,
            uids::GRAYSCALE_SOFTCOPY_PRESENTATION_STATE_STORAGE,
            uids::PSEUDO_COLOR_SOFTCOPY_PRESENTATION_STATE_STORAGE,
            uids::KEY_OBJECT_SELECTION_DOCUMENT_STORAGE,
            // PS3.6: trial, retired.
            "1.2.840.10008.5.1.4.1.1.88.4",
            uids::STORAGE_COMMITMENT_PUSH_MODEL,
            uids::MEDIA_STORAGE_DIRECTORY_STORAGE,
            uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_FIND,
            // Not a class, one instance of one.
            "1.2.840.10008.5.1.4.1.1.201.1.1",
            "1.2.3.4",
            "",
        ] {
            assert_eq!(droppable(class), None, "{}", shown(class));
        }
        for class in CLASSES {
            let is_picture = class.starts_with("1.2.840.10008.5.1.4.1.1.3")
                || class.starts_with("1.2.840.10008.5.1.4.1.1.6");
            assert!(is_picture || droppable(class).is_none(), "{class}");
        }
    }

    #[test]
    fn what_a_stranger_names_is_shown_only_as_a_uid() {
        let capture = "Secondary Capture Image Storage (1.2.840.10008.5.1.4.1.1.7)";
        assert_eq!(shown("1.2.840.10008.5.1.4.1.1.7"), capture);
        assert_eq!(shown("1.2.3"), "unknown class (1.2.3)");
        assert_eq!(shown("A\nB"), "no UID");
        assert_eq!(label("1.2.3"), "unknown");
    }
}
