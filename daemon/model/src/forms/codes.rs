//! Every code that our forms write.
//!
//! Standard codes are those that DICOM lists; the context group or template stands beside each
//! group (PS3.16 2025e, 2026a). [`PRIVATE`] is the whole of our own scheme, with what each means.

/// A coded concept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Coded {
    /// Code Value, at most 16 characters.
    pub value: &'static str,
    /// Coding Scheme Designator.
    pub scheme: &'static str,
    /// Code Meaning in English, at most 64 characters.
    pub meaning: &'static str,
}

const fn coded(value: &'static str, scheme: &'static str, meaning: &'static str) -> Coded {
    Coded {
        value,
        scheme,
        meaning,
    }
}

macro_rules! codes {
    ($($name:ident = $value:literal, $scheme:literal, $meaning:literal;)*) => {
        $(pub(super) const $name: Coded = coded($value, $scheme, $meaning);)*
    };
}

// TID 1500, 1501, 300, 1000, 1002, 1004, 1005, 1204.
codes! {
    MEASUREMENT_REPORT = "126000", "DCM", "Imaging Measurement Report";
    LANGUAGE = "121049", "DCM", "Language of Content Item and Descendants";
    OBSERVER_TYPE = "121005", "DCM", "Observer Type";
    PERSON = "121006", "DCM", "Person";
    DEVICE = "121007", "DCM", "Device";
    PERSON_NAME = "121008", "DCM", "Person Observer Name";
    PERSON_ROLE = "121011", "DCM", "Person Observer's Role in this Procedure";
    DEVICE_UID = "121012", "DCM", "Device Observer UID";
    DEVICE_NAME = "121013", "DCM", "Device Observer Name";
    DEVICE_MANUFACTURER = "121014", "DCM", "Device Observer Manufacturer";
    DEVICE_MODEL = "121015", "DCM", "Device Observer Model Name";
    DEVICE_SERIAL = "121016", "DCM", "Device Observer Serial Number";
    STUDY_UID = "121018", "DCM", "Procedure Study Instance UID";
    ACCESSION = "121022", "DCM", "Accession Number";
    MEASUREMENTS = "126010", "DCM", "Imaging Measurements";
    GROUP = "125007", "DCM", "Measurement Group";
    TRACKING_ID = "112039", "DCM", "Tracking Identifier";
    TRACKING_UID = "112040", "DCM", "Tracking Unique Identifier";
    FINDING_SITE = "363698007", "SCT", "Finding Site";
    LATERALITY = "272741003", "SCT", "Laterality";
    TOPOGRAPHY = "106233006", "SCT", "Topographical modifier";
    METHOD = "370129005", "SCT", "Measurement Method";
    DERIVATION = "121401", "DCM", "Derivation";
    ORIENTATION = "125105", "DCM", "Measurement Orientation";
    QUOTATION_MODE = "121001", "DCM", "Quotation Mode";
    DOCUMENT = "121003", "DCM", "Document";
    QUOTED_SOURCE = "121002", "DCM", "Quoted Source";
    TABLE_OF_VALUES = "121424", "DCM", "Table of Values";
    EVALUATIONS = "C0034375", "UMLS", "Qualitative Evaluations";
    FINDING = "121071", "DCM", "Finding";
    COMMENT = "121106", "DCM", "Comment";
}

// Language: RFC 5646 (CID 5000).
codes! { ENGLISH = "en", "RFC5646", "English"; }

// CID 7706, 244, 7470, 3627, 12118 and the views of CID 4.5 in SNOMED CT as DICOM lists them.
codes! {
    OPTIC_NERVE = "18234004", "SCT", "Optic nerve";
    RIGHT = "24028007", "SCT", "Right";
    LEFT = "7771000", "SCT", "Left";
    BILATERAL = "51440002", "SCT", "Bilateral";
    DIAMETER = "81827009", "SCT", "Diameter";
    MEAN = "373098007", "SCT", "Mean";
    MEDIAN = "373099004", "SCT", "Median";
    MINIMUM = "255605001", "SCT", "Minimum";
    MAXIMUM = "56851009", "SCT", "Maximum";
    BEST_VALUE = "371912002", "SCT", "Best value";
    CALCULATED = "258090004", "SCT", "Calculated";
    TRANSVERSE = "62824007", "SCT", "Transverse";
    SAGITTAL = "30730003", "SCT", "Sagittal";
    OBLIQUE = "21114003", "SCT", "Oblique";
}

// Roles of people (CID 7453).
codes! {
    PERFORMING = "121094", "DCM", "Performing";
    RECORDING = "121097", "DCM", "Recording";
}

// UCUM; CID 7460 for millimetres, 7461 for degrees.
codes! {
    MILLIMETRE = "mm", "UCUM", "millimeter";
    DEGREE = "deg", "UCUM", "degree";
    PERCENT = "%", "UCUM", "percent";
    ONE = "1", "UCUM", "no units";
    HOUR = "h", "UCUM", "hour";
}

// Messages and resources: titles of CID 12320 and 7000; attributes of PS3.6 as concepts.
codes! {
    ULTRASOUND_REPORT = "25061-3", "LN", "Ultrasound Report";
    MRI_REPORT = "25056-3", "LN", "MRI Report";
    CT_REPORT = "25045-6", "LN", "CT Report";
    IMAGING_REPORT = "18748-4", "LN", "Diagnostic Imaging Report";
    STUDY_INSTANCE_UID = "110180", "DCM", "Study Instance UID";
}

/// Designator of our own scheme.
pub const SCHEME: &str = "99SHEATHLINE";

macro_rules! private {
    ($($name:ident = $value:literal, $meaning:literal;)*) => {
        $(pub(crate) const $name: Coded = coded($value, SCHEME, $meaning);)*
        /// Every code of our own scheme that our forms write. None is ever used again with another
        /// meaning. Those for reports that come in stand in `sr-templates/vocabulary.toml`.
        pub const PRIVATE: &[Coded] = &[$($name),*];
    };
}

private! {
    // Also in the vocabulary for reports that come in.
    SHEATH = "sheath", "Optic nerve sheath";
    BORDER = "border", "Border";
    OUTER_BORDER = "outer-border", "Outer border of the sheath";
    INNER_BORDER = "inner-border", "Inner border of the sheath";
    DEPTH = "depth-from-globe", "Depth behind the globe";
    ANGLE = "caliper-angle", "Caliper angle to the line across the nerve";

    // Typed reports: from which older record their values were copied.
    TRANSCRIBED_FROM = "transcribed-from", "Copied by hand from an older record";

    // How an exam compares with the patient's own earlier ones; marks a document as ours.
    RESULT_STATUS = "result-status", "Comparison with the patient's own earlier exams";
    WITHIN = "within", "Within expected; does not exclude raised pressure";
    ABOVE = "above", "Above expected";
    WELL_ABOVE = "well-above", "Well above expected";
    BELOW = "below", "Below expected";
    NO_BASELINE = "no-baseline", "No earlier exam to compare with";
    NOT_COMPARABLE = "not-comparable", "Not comparable";
    FLAG = "flag", "Flag for a rise";
    FLAGGED = "flagged", "Rise found";
    NOT_FLAGGED = "not-flagged", "No rise found; does not exclude raised pressure";
    OWN_BASELINE = "own-baseline", "Prediction from the patient's own earlier exams";

    // Numbers of the comparison.
    EXPECTED = "expected", "Diameter expected from own earlier exams";
    EXPECTED_LOWER = "expected-lower", "Lower end of the expected interval";
    EXPECTED_UPPER = "expected-upper", "Upper end of the expected interval";
    CHANGE = "change", "Measured minus expected diameter";
    CHANGE_PERCENT = "change-percent", "Measured minus expected in percent of expected";
    LEAST_CHANGE = "least-change", "Change needed for a flag";
    Z = "z", "Change in standard deviations of its error";
    CHANCE = "chance-high", "Chance of a value this high if nothing has changed";

    EIGHT_OF_TEN = "eight-of-ten", "True rise found in eight of ten such exams";

    // What a status rests on.
    BASIS = "basis", "What the own baseline rests on";
    CONFIRMED = "confirmed", "Confirmed: a baseline exam is labelled as not raised";
    PROVISIONAL = "provisional", "Provisional: nobody has labelled a baseline exam";
    NO_BASIS = "no-basis", "No baseline";
    DECIDED_BY = "decided-by", "Comparison that decided the status";
    SINCE_EVENT = "since-event", "Narrowest exam since the last event";
    DOUBT = "doubt", "Doubt about what was measured";
    NERVE_SUSPECTED = "nerve-suspected", "The nerve may have been measured without its sheath";
    SAME_AS_EARLIER = "same-as-earlier", "All readings equal those of an earlier exam";
    SIDES_EXCHANGED = "sides-exchanged", "Right and left may have been exchanged";
    FAR_FROM_OWN = "far-from-own", "Far from the patient's own level";
    DEPTH_DIFFERS = "depth-differs", "The baseline was measured at another depth";
    DATE_DOUBTED = "date-doubted", "The date of the exam is in doubt";
    REPORT_STATE = "report-state", "State of the reports that the result rests on";
    PRELIMINARY = "preliminary", "Preliminary or partial; values may change";
    NOT_PRELIMINARY = "not-preliminary", "Neither preliminary nor partial";
    UNREAD = "unread", "Left unread at the eye; a rise there would not be seen";
    UNREAD_OTHER_EYE = "other-eye", "One eye is used; values that may be of the other are not";
    UNREAD_AT_THE_EYE = "at-the-eye", "Values that may be sheath diameters";
    REPLACED_STATUS = "replaced-status", "Status told by the version that this one replaces";
    REPLACED_VALUE = "replaced-value", "Diameter told by the version that this one replaces";

    // Since the last exam, and earlier flags.
    SINCE_LAST = "since-last", "Change since the latest earlier exam";
    SINCE_LAST_LOW = "since-last-low", "Lower end of the change since the latest earlier exam";
    SINCE_LAST_HIGH = "since-last-high", "Upper end of the change since the latest earlier exam";
    LAST_AT = "last-at", "When the latest earlier exam was done";
    LAST_HOURS = "last-hours", "Hours since the latest earlier exam";
    EARLIER_FLAGS = "earlier-flags", "Earlier exams flagged and not settled since";
    FLAGS_OF = "flags-of", "Exams from the first of these flags on";
    FIRST_FLAG = "first-flag", "When the first of these flags was";
    LAST_FLAG = "last-flag", "When the last of these flags was";

    // Since the last event.
    AFTER_EVENT = "after-event", "Course since the last event";
    TOO_EARLY = "too-early", "Too early to tell";
    NARROWING = "narrowing", "Narrowing by more than error";
    RETURNED = "returned", "Back at the width before the event, within the margin";
    SETTLED_WIDER = "settled-wider", "Settled wider than before the event";
    WIDENING_AGAIN = "widening-again", "Widening again since the event";
    UNCLEAR = "unclear", "Cannot be decided from these exams";
    EVENT_ON = "event-on", "Day of the last event";
    LEVEL = "level", "Level since the event minus the level before it";
    LEVEL_LOW = "level-low", "Lower end of level since minus level before the event";
    LEVEL_HIGH = "level-high", "Upper end of level since minus level before the event";
    RESIDUAL = "residual", "This exam minus the level before the event";
    RESIDUAL_LOW = "residual-low", "Lower end of this exam minus the level before the event";
    RESIDUAL_HIGH = "residual-high", "Upper end of this exam minus the level before the event";
    NARROWED = "narrowed", "This exam minus a wider one since the event";
    NARROWED_LOW = "narrowed-low", "Lower end of this exam minus a wider one since the event";
    NARROWED_HIGH = "narrowed-high", "Upper end of this exam minus a wider one since the event";
    NADIR = "nadir", "This exam minus the narrowest one since the event";
    NADIR_LIMIT = "nadir-limit", "Difference from the narrowest exam that counts as a rise";
    NADIR_AT = "nadir-at", "When the narrowest exam since the event was done";
    RETURNED_ON = "returned-on", "Day by which the width had returned";

    // Texts.
    REASON = "reason", "Why there is no comparison";
    CAUTION = "caution", "Caution";
    VERSION = "version", "Version of the result";
    KIND_OF_CHANGE = "change-kind", "Kind of change";
    NEW_RISE = "new-rise", "New rise";
    WITHDRAWN_RISE = "withdrawn-rise", "Withdrawn rise";
    REMINDER = "reminder", "Reminder: nobody has acknowledged the rise";

    // Named by eye, for forms where the side has no field of its own.
    DIAMETER_RIGHT = "diameter-right", "Optic nerve sheath diameter, right eye";
    DIAMETER_LEFT = "diameter-left", "Optic nerve sheath diameter, left eye";
    DIAMETER_BOTH = "diameter-both", "Optic nerve sheath diameter, mean of both eyes";
    READING_RIGHT = "reading-right", "Optic nerve sheath diameter, one reading, right eye";
    READING_LEFT = "reading-left", "Optic nerve sheath diameter, one reading, left eye";
    EYE_RIGHT = "row-right", "Right eye";
    EYE_LEFT = "row-left", "Left eye";
    EYE_BOTH = "row-both", "Both eyes";
}
