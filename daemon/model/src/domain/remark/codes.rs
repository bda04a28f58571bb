//! Every code of a remark: what it means, how grave it is, what a person can do.

use super::Severity;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::cmp::Ordering;
use std::fmt;
use std::ops::Deref;

macro_rules! codes {
    ($($name:ident = $word:literal, $severity:ident: $means:literal, $action:literal;)*) => {
        /// The code of a remark, in kebab case where it is written. The page `daemon/docs/codes.md`
        /// explains each.
        #[derive(Debug, Clone, PartialEq, Eq, Hash)]
        pub enum RemarkCode {
            $(#[doc = $means] $name,)*
            /// A code that an earlier version of the program stored and this one does not make.
            Earlier(Box<str>),
        }

        impl RemarkCode {
            /// All that this version makes, by the alphabet of their words.
            pub const ALL: &[RemarkCode] = &[$(RemarkCode::$name,)*];

            /// As it is written.
            #[must_use]
            pub fn word(&self) -> &str {
                match self {
                    RemarkCode::Earlier(word) => word,
                    listed => listed.listed(),
                }
            }

            /// The same of a code that this version makes; of others that they are of an earlier one.
            #[must_use]
            pub fn listed(&self) -> &'static str {
                match self {
                    $(RemarkCode::$name => $word,)*
                    RemarkCode::Earlier(_) => "earlier",
                }
            }

            /// How grave a remark of this code is where its place says nothing else.
            #[must_use]
            pub fn severity(&self) -> Severity {
                match self {
                    $(RemarkCode::$name => Severity::$severity,)*
                    RemarkCode::Earlier(_) => Severity::Caution,
                }
            }

            /// What it means: one sentence.
            #[must_use]
            pub fn means(&self) -> &'static str {
                match self {
                    $(RemarkCode::$name => $means,)*
                    RemarkCode::Earlier(_) => "A code of an earlier version.",
                }
            }

            /// What a person can do: one sentence.
            #[must_use]
            pub fn action(&self) -> &'static str {
                match self {
                    $(RemarkCode::$name => $action,)*
                    RemarkCode::Earlier(_) => "Nothing.",
                }
            }

            fn of(word: &str) -> Self {
                match word {
                    $($word => RemarkCode::$name,)*
                    word => RemarkCode::Earlier(word.into()),
                }
            }
        }
    };
}

// One row for each, by the alphabet: code, how grave, what it means, what a person can do.
codes! {
    AmendedWithoutValues = "amended-without-values", Caution:
        "A report names this one as its predecessor and holds no sheath value; the values of this one are still used.",
        "If they were withdrawn, send a report that says so in numbers, or remove the label.";
    AngleUnclear = "angle-unclear", Caution:
        "Several angles contradict each other, or the angle is no number of degrees up to 90; none is used.",
        "Have the sender write one angle, in degrees.";
    AngleUnknown = "angle-unknown", Info:
        "The report does not say at which angle the caliper lay; nothing was corrected for it.",
        "Look at the picture: the caliper belongs straight across the nerve.";
    BordersMixed = "borders-mixed", Blocking:
        "Values of one exam were taken between different borders of the sheath; they are not used.",
        "Measure between the same borders each time.";
    CaliperAngleDiffers = "caliper-angle-differs", Caution:
        "The picture shows another angle of the caliper than the report states.",
        "Look at the picture.";
    CaliperDepthDiffers = "caliper-depth-differs", Caution:
        "The picture shows another depth behind the globe than the report states.",
        "Look at the picture.";
    CaliperInClip = "caliper-in-clip", Info:
        "The caliper lies in a clip; a zoom within it would not show.",
        "Look at the clip.";
    CaliperLengthDiffers = "caliper-length-differs", Caution:
        "The caliper in the picture has another length than the value: value, caliper or calibration belong to something else.",
        "Look at the picture: value, caliper or calibration belong to something else.";
    CaliperUnclear = "caliper-unclear", Info:
        "What is drawn for the value is not one line between two points in one picture; nothing was worked out from it.",
        "Nothing: the reported value stands.";
    CharsetAssumed = "charset-assumed", Caution:
        "No character set is declared; letters outside ASCII are read as the configuration says.",
        "Compare the text with the sending system.";
    CharsetUndeclared = "charset-undeclared", Caution:
        "Letters outside ASCII without a declared character set are shown as octal numbers.",
        "Name the character set of the sender: fallback_charset in the configuration.";
    CharsetUnsupported = "charset-unsupported", Caution:
        "The declared character set is unknown; letters outside ASCII may be wrong.",
        "Compare names and free text with the sending system.";
    ClassNotRead = "class-not-read", Info:
        "Reports of this class are kept and not read.",
        "Nothing, unless it holds measurements: then have them sent as a structured report.";
    CodeIncomplete = "code-incomplete", Caution:
        "A code lacks its value or its coding scheme and is not used.",
        "Have the sender write codes with value and scheme.";
    CodeTooLong = "code-too-long", Caution:
        "A code is longer than any code can be; nothing explains it.",
        "Have the sender correct the code.";
    ContentUnreadable = "content-unreadable", Blocking:
        "Content below an item is not sent as a sequence and cannot be read.",
        "Ask the sender for the report in Explicit VR Little Endian.";
    DateConfirmed = "date-confirmed", Info:
        "A person has labelled an exam whose date was in doubt; the date counts.",
        "Nothing.";
    DateImplausible = "date-implausible", Caution:
        "The date of the exam cannot be right, or may not be: after receipt, before birth, or far from the date of its own report. No baseline, and not the newest, until it is corrected or confirmed by a label.",
        "Send a corrected report, or label the exam if its date is right.";
    DateInvalid = "date-invalid", Caution:
        "A date is malformed and is left out.",
        "Correct the date at its source.";
    DatesFarApart = "dates-far-apart", Caution:
        "Study and report are dated more than a year apart.",
        "Send a corrected report, or label the exam if its date is right.";
    DecodeFailed = "decode-failed", Blocking:
        "The bytes passed the gate and are no DICOM data set all the same; quarantine.",
        "Keep the object and report it.";
    DefinitionConflict = "definition-conflict", Caution:
        "Outer and inner borders are both named for one value.",
        "Correct the report at its source.";
    DepthOff = "depth-off", Caution:
        "Measured at another depth behind the globe than the one wanted; beyond the larger limit the value is not used.",
        "Measure again at the right depth.";
    DepthUnclear = "depth-unclear", Caution:
        "Several depths contradict each other, or the depth is no readable length; none is used.",
        "Have the sender write one depth, with its unit.";
    DepthUnknown = "depth-unknown", Info:
        "The report does not say how far behind the globe some reading was taken.",
        "Measure 3 mm behind the globe, and have the sender write the depth.";
    DerivationUnclear = "derivation-unclear", Blocking:
        "Nobody can tell how the value was made, or it is not compared with a reading.",
        "Add a [[term]] for the derivation's code to the site dictionary.";
    DerivedBesideDerived = "derived-beside-derived", Info:
        "Another value made from the same readings is here and is used instead.",
        "Nothing.";
    DerivedBesideReadings = "derived-beside-readings", Info:
        "A mean or the like of readings that are here themselves; the readings are used.",
        "Nothing.";
    DerivedFromUnusable = "derived-from-unusable", Blocking:
        "Made from readings of which none can be used.",
        "See the remarks on the readings.";
    DerivedWithoutReadings = "derived-without-readings", Caution:
        "Made from readings that are not here; it counts as one reading.",
        "Have the sender write the single readings.";
    DevicesDiffer = "devices-differ", Caution:
        "Reports or values of one exam name different machines; it counts as one of unknown machine.",
        "Measure one exam with one machine.";
    DictionariesDisagree = "dictionaries-disagree", Blocking:
        "Two site dictionaries in force for the report say different things of one of its codes; none was picked.",
        "Keep one of them in force for this sender, or make them agree.";
    DocumentHeld = "document-held", Blocking:
        "The report is partial, preliminary or unverified, and this site waits for its successor.",
        "Wait for the final report.";
    DocumentPartial = "document-partial", Caution:
        "The report calls itself partial.",
        "Expect a further version.";
    DocumentPreliminary = "document-preliminary", Caution:
        "The report calls itself preliminary: PRELIMINARY REPORT in the headline.",
        "Expect the final report.";
    DocumentUnverified = "document-unverified", Caution:
        "The report calls itself unverified.",
        "Have the report verified.";
    EarlierFinding = "earlier-finding", Blocking:
        "The report says that the value belongs to an earlier exam; it is kept apart.",
        "If it is of this exam, list the words under [[name]] with `nothing = true` in the site dictionary.";
    EdgeShadowSuspected = "edge-shadow-suspected", Caution:
        "The caliper may span the shadows of the globe's edges instead of the sheath.",
        "Look at the picture, and measure again across the nerve's own axis.";
    ElementNotNumber = "element-not-number", Caution:
        "An element that holds one number holds something else.",
        "Have the sender correct the element.";
    ElementNotSequence = "element-not-sequence", Caution:
        "A sequence is sent as something else and cannot be read.",
        "Have the sender correct the element.";
    ElementNotText = "element-not-text", Caution:
        "An element that holds text is sent as something else.",
        "Have the sender correct the element.";
    EntryOfSeveralExams = "entry-of-several-exams", Caution:
        "A label or pressure was given for a study of several exams, and nobody said for which; it counts for each where it says raised, for none otherwise.",
        "Say for which exam it is meant.";
    ExamDateMissing = "exam-date-missing", Blocking:
        "Neither values nor study nor document have a date.",
        "Have the sender write the date of the study.";
    ExamPartial = "exam-partial", Caution:
        "The exam rests on a partial report.",
        "Expect a further version.";
    ExamPreliminary = "exam-preliminary", Caution:
        "The exam rests on a preliminary report; expect a new version when the final one comes.",
        "Expect the final report.";
    ExamUnverified = "exam-unverified", Caution:
        "The exam rests on an unverified report.",
        "Have the report verified.";
    ExtremeWithoutReadings = "extreme-without-readings", Caution:
        "A smallest or largest value without its readings, which is not comparable; it is not used.",
        "Have the sender write the single readings.";
    FileMetaInstanceDiffers = "file-meta-instance-differs", Caution:
        "The file names another SOP Instance UID than the data set in it; the data set's is used.",
        "Find out whether the file was altered after it was exported.";
    FileMetaLengthWrong = "file-meta-length-wrong", Info:
        "The length of the file meta group is not what its first element says.",
        "Nothing.";
    FinalOfWhich = "final-of-which", Caution:
        "Nobody can tell which of several preliminary reports was made final; nothing was replaced.",
        "Send the final report with its predecessor named.";
    GateDelimiterMisplaced = "gate-delimiter-misplaced", Blocking:
        "A delimiter has a length, or stands where nothing is open.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateDuplicateElement = "gate-duplicate-element", Blocking:
        "An element stands twice in one data set or item.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateEmpty = "gate-empty", Blocking:
        "There is no data set.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateEncapsulatedPixels = "gate-encapsulated-pixels", Blocking:
        "Pixel data come in fragments, which none of the syntaxes of reports has (PS3.5 A.4).",
        "Have the sender use Implicit or Explicit VR Little Endian.";
    GateForbiddenGroup = "gate-forbidden-group", Blocking:
        "An element has a group number that no data set may use (PS3.5 7.1, 7.8).",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateInflateBroken = "gate-inflate-broken", Blocking:
        "The object is no complete deflated data set (PS3.5 A.5).",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateInflatedTooBig = "gate-inflated-too-big", Blocking:
        "Inflating the object was stopped at the limit.",
        "No measurement report is like this: find out what was sent, and raise the limit only if it is genuine.";
    GateItemOutsideSequence = "gate-item-outside-sequence", Blocking:
        "An item stands outside a sequence.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateLengthOverrun = "gate-length-overrun", Blocking:
        "An element is longer than what is left of the data set or item around it.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateMetaBroken = "gate-meta-broken", Blocking:
        "The file meta group (0002) cannot be read.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateNoPreamble = "gate-no-preamble", Blocking:
        "The file lacks the preamble of DICOM Part 10.",
        "Export it again as a DICOM Part 10 file, or send it over the network.";
    GateNoTransferSyntax = "gate-no-transfer-syntax", Blocking:
        "The file meta group names no transfer syntax.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateNotAnItem = "gate-not-an-item", Blocking:
        "A sequence holds something that is not an item.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateNotDicom = "gate-not-dicom", Blocking:
        "Nothing in the bytes looks like DICOM.",
        "Send DICOM Part 10 files only, or send over the network.";
    GateTooBig = "gate-too-big", Blocking:
        "The object has more bytes than allowed.",
        "No measurement report is like this: find out what was sent, and raise the limit only if it is genuine.";
    GateTooDeep = "gate-too-deep", Blocking:
        "More sequences lie inside each other than allowed.",
        "No measurement report is like this: find out what was sent, and raise the limit only if it is genuine.";
    GateTooManyElements = "gate-too-many-elements", Blocking:
        "There are more elements, items and texts than allowed.",
        "No measurement report is like this: find out what was sent, and raise the limit only if it is genuine.";
    GateTrailingBytes = "gate-trailing-bytes", Blocking:
        "There are bytes after the end of the data set.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateTruncated = "gate-truncated", Blocking:
        "The bytes end too early.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateUndefinedLength = "gate-undefined-length", Blocking:
        "An element has an undefined length where none is allowed.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GateVrLetters = "gate-vr-letters", Blocking:
        "A value representation is not two capital letters.",
        "Check that the transfer syntax named is the one the data set is written in.";
    GateWordLength = "gate-word-length", Blocking:
        "A binary value is no whole number of its words.",
        "Ask the sender for the object again; if it comes back the same, the sending system writes it wrong.";
    GeometryNotComputed = "geometry-not-computed", Info:
        "What could not be worked out of calipers and pictures, and why.",
        "Nothing: the reported values stand.";
    HistoryOnly = "history-only", Info:
        "The exam came from an archive's history or a table of old values alone, long after it was done; its result is not delivered by itself.",
        "Nothing; `outbox replay` delivers it.";
    IdInBytes = "id-in-bytes", Info:
        "The patient id or its issuer holds more than ASCII; other bytes are shown as octal numbers and compared as they are.",
        "Name the character set of the sender: `fallback_charset`.";
    IdentityContradictory = "identity-contradictory", Blocking:
        "Reports of one exam give different birth dates or sexes for one patient id.",
        "Find out whose reports they are and send corrected ones.";
    IdentityDiffers = "identity-differs", Caution:
        "Exams under the same id give another birth date or sex; they were not compared with.",
        "Find out which exams are filed under the wrong patient.";
    IdentityTooLong = "identity-too-long", Blocking:
        "An id or issuer of the patient is longer than DICOM allows; the object goes to quarantine.",
        "Correct the object at its source and send it again.";
    ImageLateralityConflict = "image-laterality-conflict", Caution:
        "The picture and its series name different sides; neither is used.",
        "Correct the picture at its source.";
    Implausible = "implausible", Blocking:
        "The value is outside the widths that a sheath can have; it is kept and not used.",
        "Compare with the picture; nothing was converted.";
    JoinedIdsContradict = "joined-ids-contradict", Caution:
        "Ids that were joined have different labels or pressures for one exam; none counts.",
        "Say which label or pressure is right.";
    JoinedReadingsContradict = "joined-readings-contradict", Caution:
        "Readings with different labels or pressures have become one exam; none counts.",
        "Say which label or pressure is right.";
    KnownOffset = "known-offset", Info:
        "The operator or the machine is known to read wider or narrower; the expected widths allow for it.",
        "Nothing.";
    LabelConflict = "label-conflict", Blocking:
        "A label beside a number contradicts another label or the codes of the number.",
        "Correct the report at its source, or the [[label]] in the site dictionary.";
    LabelUnclear = "label-unclear", Blocking:
        "A label that the site dictionary lists stands where nobody can tell which number it is of.",
        "Say by `[labels] stand` in the site dictionary where labels stand, or list the further labels there.";
    LabelUnknown = "label-unknown", Info:
        "A text beside a number with a general name that no `[[label]]` lists.",
        "Add a [[label]] to the site dictionary if it tells what was measured.";
    LateralityAttributeUnknown = "laterality-attribute-unknown", Caution:
        "An attribute of the side holds none of the words of the standard.",
        "Correct the attribute at its source.";
    LateralityConflict = "laterality-conflict", Blocking:
        "The report, or report and picture, name both sides for one value; no side was picked.",
        "Correct the report at its source; no side was picked.";
    LateralityMissing = "laterality-missing", Blocking:
        "Nothing says whose eye it is where the template looks for it.",
        "Have the report say right or left, or explain its codes in the site dictionary.";
    LateralityUnclear = "laterality-unclear", Blocking:
        "The side is given in a code that nobody explains.",
        "Add a [[term]] for the code to the site dictionary.";
    LeftOut = "left-out", Info:
        "A person left this exam out of the baseline: later exams are not compared with it.",
        "None; take it back if the exam shall serve again.";
    LeftUnread = "left-unread", Caution:
        "Something at the eye was left unread: VALUES LEFT UNREAD in the headline. Info where nothing says that it is of the eye.",
        "Look at the report itself; have its codes explained in the site dictionary (`unmapped` lists them), or say there what is not ours.";
    LineSeen = "line-seen", Info:
        "The same line over the same picture was read already; it counts once.",
        "Nothing.";
    LocalCodeUnknown = "local-code-unknown", Info:
        "A local code that nobody explains.",
        "Add a [[term]] to the site dictionary.";
    MaybeNerveAlone = "maybe-nerve-alone", Info:
        "So narrow a width is published for sheaths of children and for nerves without sheath.",
        "Compare with the patient's earlier values and the picture.";
    MergesUnsettled = "merges-unsettled", Caution:
        "Merges of patient ids contradict each other; none is applied.",
        "Take the wrong merge back; `patient list` shows them.";
    ModalityConflict = "modality-conflict", Blocking:
        "Several kinds of imaging are stated for one value; it is not used.",
        "Correct the report at its source.";
    ModalityMixed = "modality-mixed", Blocking:
        "The value is of another kind of imaging than the exam; it is not used.",
        "Nothing: widths of other kinds of imaging are shown, never compared.";
    ModalityUnstated = "modality-unstated", Info:
        "The report does not say with what kind of imaging it was measured; it is taken for ultrasound.",
        "Have the sender name the modality.";
    ModifierByContains = "modifier-by-contains", Info:
        "Site or side is tied by CONTAINS in place of HAS CONCEPT MOD; it was read all the same.",
        "Nothing.";
    ObliqueCaliper = "oblique-caliper", Caution:
        "The caliper lay oblique to the nerve; beyond the larger limit the value is not used.",
        "Measure again straight across.";
    ObservationSeen = "observation-seen", Info:
        "The same reading again, by its Observation UID; the first one counts.",
        "Nothing.";
    ObservationTimeUnreadable = "observation-time-unreadable", Caution:
        "The time of an observation cannot be read; that of the exam is used.",
        "Have the sender correct the time.";
    ObservationUidConflict = "observation-uid-conflict", Blocking:
        "One Observation UID with different values; none of them counts.",
        "Correct the report at its source.";
    ObservedAnotherDay = "observed-another-day", Blocking:
        "The value was observed on another day than the exam; it is kept apart.",
        "Nothing, unless it is of this exam: then correct its date.";
    ObservedBeforeExam = "observed-before-exam", Blocking:
        "The value was observed before the exam; it is kept apart.",
        "Nothing, unless it is of this exam: then correct its date.";
    ObservedOnSeveralDays = "observed-on-several-days", Blocking:
        "Values of one report were observed on several days, and nobody can tell which is the exam.",
        "Have the sender write one report for each day.";
    OffsetInvalid = "offset-invalid", Caution:
        "The offset from UTC is malformed and is not used.",
        "Have the sender correct the offset.";
    OperatorsDiffer = "operators-differ", Caution:
        "Reports or values of one exam name different operators; it counts as one of unknown operator.",
        "Measure one exam by one operator.";
    OtherSubject = "other-subject", Blocking:
        "The content says that the values are somebody else's; they are not used.",
        "Find out whose exam it is, correct the report at its source and send it again.";
    OwnResult = "own-result", Info:
        "A result of this program that came back; nothing is read from it.",
        "Nothing.";
    PatientIdMissing = "patient-id-missing", Blocking:
        "Sheath values without a patient id belong to nobody; quarantine.",
        "Correct the object at its source and send it again.";
    PixelSpacingUnreadable = "pixel-spacing-unreadable", Caution:
        "Pixel Spacing is not two lengths above zero and is not used.",
        "Correct the picture at its source.";
    PlaneConflict = "plane-conflict", Caution:
        "Two planes are named for one value.",
        "Correct the report at its source.";
    PlaneUnclear = "plane-unclear", Info:
        "The code of the plane is not explained.",
        "Add a [[term]] for it to the site dictionary.";
    PreliminarySuperseded = "preliminary-superseded", Info:
        "The final report took the place of the preliminary one, though it does not name it.",
        "Nothing.";
    PresentationLabelUnclear = "presentation-label-unclear", Blocking:
        "It cannot be told to which line of a presentation state a label belongs, or what its labels say.",
        "Have the viewer save each line with its label as one annotation, one group or one tracking id.";
    PresentationLineUnclear = "presentation-line-unclear", Blocking:
        "What is drawn for a label in a presentation state is not one line between two points, in pixels of one ultrasound picture.",
        "Have the viewer save the caliper as a line in pixels of the picture.";
    PresentationPictureDiffers = "presentation-picture-differs", Blocking:
        "A presentation state and the picture it is drawn over do not agree, or the picture gives no scale there; the line has no length.",
        "Look at picture and presentation state; measure again if they do not belong together.";
    PresentationPictureMissing = "presentation-picture-missing", Blocking:
        "The picture that a line of a presentation state is drawn over is not here; without it the line has no length.",
        "Have the picture sent, under the same patient id.";
    QuantityUnclear = "quantity-unclear", Blocking:
        "Several rules take this number, each for another quantity.",
        "Narrow the rules so that one is left.";
    ReadByLabel = "read-by-label", Caution:
        "Only a label that the site dictionary lists tells what was measured; no code does.",
        "Have the sender code what was measured.";
    ReadFromPresentationState = "read-from-presentation-state", Caution:
        "No report holds the value: it is the length of a line in a presentation state, worked out from the scale of its picture.",
        "Look at the picture with the line.";
    ReadingsMoved = "readings-moved", Info:
        "Readings are told under another exam now, or came from one.",
        "Nothing: the versions say which reading is where.";
    ReferenceCycle = "reference-cycle", Caution:
        "Content refers to itself in a circle; it is not followed.",
        "Correct the report at its source.";
    ReferenceDangling = "reference-dangling", Caution:
        "Content refers to an item that does not exist.",
        "Correct the report at its source.";
    ReferenceLineUnclear = "reference-line-unclear", Info:
        "Several lines, or none that is one, are drawn as the nerve's axis or the globe's edge; none is used.",
        "Nothing: the reported value stands.";
    RegionUnreadable = "region-unreadable", Caution:
        "Calibrated regions of a picture lack what a region must have and are not used.",
        "Correct the picture at its source.";
    RelationshipMissing = "relationship-missing", Caution:
        "A content item does not say how it relates to its parent.",
        "Have the sender write the relationship.";
    RelationshipNotUnderstood = "relationship-not-understood", Blocking:
        "A sheath value hangs in the tree by a relationship that no number can have; it is not used.",
        "Correct the report at its source.";
    RelationshipUnknown = "relationship-unknown", Caution:
        "A content item relates to its parent in a way that the standard does not list.",
        "Have the sender write a relationship of the standard.";
    RemarksDropped = "remarks-dropped", Info:
        "There were more remarks than are kept.",
        "See the remarks that were kept.";
    ReplacementCircle = "replacement-circle", Blocking:
        "Reports name each other as predecessor; none replaces another, and their values are shown and not used.",
        "Send one report that names them all as its predecessors.";
    ReportOfNoTime = "report-of-no-time", Caution:
        "The study holds several exams, and nobody can tell to which a report without a time belongs; it is shown and not used.",
        "Send them with observation or content time.";
    ReportsDifferUntimed = "reports-differ-untimed", Blocking:
        "Reports without times that cannot be of one width; they are shown and not pooled.",
        "Send them with observation or content time, or name the predecessor where one replaces another.";
    ReportsPooled = "reports-pooled", Caution:
        "Readings of several reports of one exam are used together.",
        "If one was made to replace another, it does not say so: send it with its predecessor named.";
    SamePatientElsewhere = "same-patient-elsewhere", Caution:
        "The same id, birth date and sex are stored under another issuer, or none; nothing was joined.",
        "If it is one person, join the ids by `patient merge`; else correct the issuer at its source.";
    SameUidOtherContent = "same-uid-other-content", Blocking:
        "The SOP Instance UID was received before with another content; quarantine.",
        "Find out which is right; a correction needs a UID of its own.";
    ScaleFromPixelSpacing = "scale-from-pixel-spacing", Caution:
        "The scale of the picture is that of Pixel Spacing alone, which ultrasound need not keep.",
        "Have the machine send calibrated regions.";
    SequenceSeveralItems = "sequence-several-items", Caution:
        "A sequence that may hold one item holds several; none is used.",
        "Correct the object at its source.";
    SeveralTimePoints = "several-time-points", Blocking:
        "The report holds values of several time points; they are not pooled.",
        "Have the sender write one report for each time point, or observation dates.";
    SexUnknown = "sex-unknown", Caution:
        "The sex is none of F, M and O and is left out.",
        "Correct the sex at its source.";
    SheathOrNerveUnclear = "sheath-or-nerve-unclear", Blocking:
        "A width of the optic nerve; nothing says whether the sheath is in it, or the report names both.",
        "Have the sender add a modifier for the sheath, or add a [[measure]] to the site dictionary.";
    SheathValueNotTaken = "sheath-value-not-taken", Blocking:
        "A width of the sheath that the template has no rule for.",
        "Add a [[measure]] to the template or to the site dictionary.";
    SideByWord = "side-by-word", Caution:
        "Only a word that the site dictionary lists tells the side; no code does.",
        "Have the sender add a coded laterality.";
    SopInstanceUidMissing = "sop-instance-uid-missing", Blocking:
        "The object has no SOP Instance UID, so nobody can tell it from others; quarantine.",
        "Correct the object at its source and send it again.";
    StatisticNotAValue = "statistic-not-a-value", Info:
        "A standard deviation or total of our quantity: no value of its own.",
        "Nothing.";
    StoredBytesMissing = "stored-bytes-missing", Blocking:
        "The stored bytes are damaged or gone.",
        "Have the object sent again, and check the disk if they are damaged.";
    StudyInstanceUidMissing = "study-instance-uid-missing", Blocking:
        "The object has no Study Instance UID, so it belongs to no exam; quarantine.",
        "Correct the object at its source and send it again.";
    SubjectDiffers = "subject-differs", Caution:
        "Name, birth date, sex or issuer in the content differ from the patient's beside the right id.",
        "Find out whether the report is this patient's.";
    SubjectNotPatient = "subject-not-patient", Blocking:
        "The report says that not the patient was measured; the value is not used.",
        "Nothing, unless it was the patient: then correct the report at its source.";
    Superseded = "superseded", Info:
        "Replaced by another report; kept and not used.",
        "Nothing.";
    TakenBack = "taken-back", Caution:
        "A person took readings back that had been entered or brought in by mistake.",
        "None; enter what was measured, or take it back if the readings were right.";
    TakenBackInPart = "taken-back-in-part", Caution:
        "A person took some readings of the exam back; its result rests on those that are left.",
        "Look whether what is left was measured in this exam; if it was not, take it back too.";
    TemplateNone = "template-none", Info:
        "No template reads this document.",
        "Add a template for this kind of report.";
    TemplateTie = "template-tie", Blocking:
        "Several templates fit the document equally well; none was picked.",
        "Give one of them a further condition under [fits].";
    TextCut = "text-cut", Info:
        "A text is longer than its kind may be and was cut.",
        "Nothing.";
    TextTooLong = "text-too-long", Caution:
        "An identifier is longer than it may be and is not used.",
        "Correct the object at its source.";
    TextUndecodable = "text-undecodable", Caution:
        "Bytes do not fit the declared character set and are shown as octal numbers.",
        "Compare the text with the sending system.";
    TimeInvalid = "time-invalid", Caution:
        "A time is malformed; midnight is used.",
        "Correct the time at its source.";
    Transcribed = "transcribed", Caution:
        "The values were copied by hand from an older record; a digit may be mistyped.",
        "Where the value decides, compare it with the record it was copied from.";
    TransferSyntaxUnsupported = "transfer-syntax-unsupported", Blocking:
        "The transfer syntax is none that is taken; quarantine.",
        "Have the sender use Implicit or Explicit VR Little Endian.";
    UidInvalid = "uid-invalid", Caution:
        "An identifier is not a valid UID and is left out.",
        "Correct the identifier at its source.";
    UnexplainedLeftOut = "unexplained-left-out", Info:
        "More codes and labels that nobody explains than are listed.",
        "Explain those that are listed and read the report again.";
    UnitBySite = "unit-by-site", Info:
        "The site dictionary says which unit is meant.",
        "Nothing.";
    UnitConflict = "unit-conflict", Blocking:
        "The unit's code and its meaning name different units; no unit was picked.",
        "Compare with the picture and correct the report at its source; no unit was picked.";
    UnitMissing = "unit-missing", Blocking:
        "The value has no unit; none was assumed.",
        "Have the sender write the unit; none was assumed.";
    UnitUnknown = "unit-unknown", Blocking:
        "The unit is not known; nothing was scaled.",
        "Have the sender write a UCUM unit, or explain this spelling by a [[term]] with `unit` in the site dictionary.";
    ValueDisagrees = "value-disagrees", Caution:
        "The report gives one number in several forms that differ; the first is used.",
        "Compare with the picture.";
    ValueMissing = "value-missing", Blocking:
        "There is no value, and perhaps a reason.",
        "See the reason that the report gives.";
    ValueNotRecognised = "value-not-recognised", Info:
        "A length at the eye that no rule takes.",
        "If it is a sheath, add a [[measure]] to the site dictionary.";
    ValueQualified = "value-qualified", Blocking:
        "The report qualifies the value, as beyond its range; it is not used.",
        "Measure again.";
    ValueQuoted = "value-quoted", Blocking:
        "The report says that the value is copied from an earlier exam or a document; it is kept apart.",
        "Nothing: the value counts in the exam it is of.";
    ValueRounded = "value-rounded", Info:
        "The value was rounded to the micrometre.",
        "Nothing.";
    ValueTooLong = "value-too-long", Caution:
        "The value has more characters than DICOM allows.",
        "Have the sender write shorter numbers.";
    ValueTypeMissing = "value-type-missing", Caution:
        "A content item has no value type and refers to no other; it is skipped.",
        "Correct the report at its source.";
    ValueTypeUnknown = "value-type-unknown", Caution:
        "A content item has a value type that the standard does not list; it is skipped.",
        "Correct the report at its source.";
    ValueUnreadable = "value-unreadable", Blocking:
        "A value is malformed, or cannot be a width; it was not repaired.",
        "Correct the report at its source; it was not repaired.";
    ValuesUnread = "values-unread", Caution:
        "Only one eye is used, and values that may be the other's are not: VALUES LEFT UNREAD in the headline.",
        "Look at the report for the other eye; have its codes explained in the site dictionary.";
}

impl Deref for RemarkCode {
    type Target = str;

    fn deref(&self) -> &str {
        self.word()
    }
}

impl fmt::Display for RemarkCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl PartialEq<&str> for RemarkCode {
    fn eq(&self, word: &&str) -> bool {
        self.word() == *word
    }
}

impl Ord for RemarkCode {
    fn cmp(&self, other: &Self) -> Ordering {
        self.word().cmp(other.word())
    }
}

impl PartialOrd for RemarkCode {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Serialize for RemarkCode {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

impl<'de> Deserialize<'de> for RemarkCode {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = std::borrow::Cow::<str>::deserialize(deserializer)?;
        Ok(RemarkCode::of(&word))
    }
}
