//! Codes that travel with an answer. Each serialises as its stable snake case word; [`super::words`]
//! says each in plain English.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// What a reader must know about a comparison. Declared, and therefore sorted, by the alphabet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Notice {
    /// `interval_too_wide`, and yet the value lies above the interval. The answer is flagged.
    AboveWideInterval,
    /// An event lies between the last baseline exam and this one.
    AfterEvent,
    /// No birth date: no growth term, wider interval.
    AgeUnknown,
    /// A baseline value is so far under today's that the nerve may have been measured then.
    BaselineNerveSuspected,
    /// One or more of three or more baseline exams did not fit the others.
    BaselineSessionSetAside,
    /// The only two baseline exams disagree; the lower one is used.
    BaselineSessionsDisagree,
    /// Readings of this exam or of a baseline exam carry fewer decimals than the site's resolution.
    CoarseReadings,
    /// The border definition is known of some of the exams and unknown of others.
    DefinitionUnknown,
    /// The baseline was measured at another depth behind the globe.
    DepthDiffers,
    /// The device of this exam or of a baseline exam is unknown.
    DeviceUnknown,
    /// An event is dated on the day of this exam and was taken to follow it.
    EventSameDay,
    /// The difference between right and left is not the usual one.
    EyeAsymmetryChanged,
    /// The value lies so far from the patient's own level that something else may have been measured.
    FarFromOwnLevel,
    /// An eye has no baseline of its own and is predicted through the other.
    FellowEyeOnly,
    /// Readings of this exam outside the plausible range were not used.
    ImplausibleReadingDropped,
    /// The last baseline is from the first year of life and more than three months old.
    InfantGrowth,
    /// Of a value and the expected one, one may be of the nerve instead of its sheath.
    NerveSuspected,
    /// The last baseline exam is old.
    OldBaseline,
    /// The operator of this exam or of a baseline exam is unknown.
    OperatorUnknown,
    /// The plane is known of some readings and unknown of others.
    PlaneUnknown,
    /// Readings in planes that the other exams lack were left out.
    PlanesRestricted,
    /// Readings of this exam spread wider than reading error explains.
    RepeatsDisagree,
    /// All readings equal those of an earlier exam, in order.
    SameAsEarlierExam,
    /// Exchanging right and left explains both eyes better.
    SidesExchangedSuspected,
    /// An eye of this exam has a single reading.
    SingleReading,
    /// The baseline is one exam.
    SingleSessionBaseline,
    /// The baseline rests on exams that nobody has labelled.
    UnlabelledBaseline,
    /// It is wider than the narrowest exam since the last event by more than error. The answer is flagged.
    WideningAgain,
}

impl Notice {
    /// Every notice, by the alphabet.
    pub const ALL: [Notice; 28] = [
        Notice::AboveWideInterval,
        Notice::AfterEvent,
        Notice::AgeUnknown,
        Notice::BaselineNerveSuspected,
        Notice::BaselineSessionSetAside,
        Notice::BaselineSessionsDisagree,
        Notice::CoarseReadings,
        Notice::DefinitionUnknown,
        Notice::DepthDiffers,
        Notice::DeviceUnknown,
        Notice::EventSameDay,
        Notice::EyeAsymmetryChanged,
        Notice::FarFromOwnLevel,
        Notice::FellowEyeOnly,
        Notice::ImplausibleReadingDropped,
        Notice::InfantGrowth,
        Notice::NerveSuspected,
        Notice::OldBaseline,
        Notice::OperatorUnknown,
        Notice::PlaneUnknown,
        Notice::PlanesRestricted,
        Notice::RepeatsDisagree,
        Notice::SameAsEarlierExam,
        Notice::SidesExchangedSuspected,
        Notice::SingleReading,
        Notice::SingleSessionBaseline,
        Notice::UnlabelledBaseline,
        Notice::WideningAgain,
    ];

    /// Whether it is of the exam's own readings, and not of a comparison.
    #[must_use]
    pub fn is_of_the_exam(self) -> bool {
        matches!(
            self,
            Notice::ImplausibleReadingDropped
                | Notice::RepeatsDisagree
                | Notice::SameAsEarlierExam
                | Notice::SingleReading
        )
    }

    /// Whether it doubts that the patient's own sheath was measured, on the side that is named: such an
    /// exam is no baseline until a person has labelled it.
    #[must_use]
    pub fn is_doubt(self) -> bool {
        matches!(
            self,
            Notice::NerveSuspected | Notice::SameAsEarlierExam | Notice::SidesExchangedSuspected
        )
    }
}

/// Why there is no comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// The equations could not be solved; the parameters are at fault.
    ArithmeticFailed,
    /// The exam is dated before the patient's birth.
    BeforeBirth,
    /// The exam is dated after it was received.
    DateImplausible,
    /// Every earlier exam measured between other borders.
    DefinitionDiffers,
    /// Reports under one patient id contradict each other about whose they are.
    IdentityContradictory,
    /// The change needed for a flag is wider than is worth comparing.
    IntervalTooWide,
    /// This exam was measured by CT, which has no comparison.
    MeasuredByCt,
    /// This exam was measured by MRI, which has no comparison.
    MeasuredByMri,
    /// This exam was measured neither by ultrasound nor by MRI or CT; there is no comparison.
    MeasuredOtherwise,
    /// Every earlier exam was made with another kind of imaging.
    ModalityDiffers,
    /// Every earlier exam is from the first weeks of life.
    NewbornBaselineExpired,
    /// No earlier exam may serve as baseline.
    NoEligibleSession,
    /// This exam has no reading that can be used.
    NoUsableMeasurement,
    /// No earlier exam shares a plane with this one.
    PlanesDiffer,
    /// The exam had a result, and no report of it holds sheath values any more.
    Withdrawn,
}

impl Reason {
    /// Every reason, by the alphabet.
    pub const ALL: [Reason; 15] = [
        Reason::ArithmeticFailed,
        Reason::BeforeBirth,
        Reason::DateImplausible,
        Reason::DefinitionDiffers,
        Reason::IdentityContradictory,
        Reason::IntervalTooWide,
        Reason::MeasuredByCt,
        Reason::MeasuredByMri,
        Reason::MeasuredOtherwise,
        Reason::ModalityDiffers,
        Reason::NewbornBaselineExpired,
        Reason::NoEligibleSession,
        Reason::NoUsableMeasurement,
        Reason::PlanesDiffer,
        Reason::Withdrawn,
    ];
}

/// Why an earlier exam was not used, of the reasons known here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unused {
    /// Labelled as taken after the pressure had been relieved.
    AfterDecompression,
    /// The exam is dated before the patient's birth.
    BeforeBirth,
    /// Newer exams fill the baseline.
    BeyondMaxSessions,
    /// It measured between other borders.
    DefinitionDiffers,
    /// Of the only two baseline exams, which disagree, it is the higher one.
    HigherOfTwo,
    /// A person left it out of the baseline.
    LeftOut,
    /// It was made with another kind of imaging.
    ModalityDiffers,
    /// It is from the first weeks of life.
    NewbornBaselineExpired,
    /// It might serve, but the assessed exam could not be compared.
    NoComparison,
    /// It has no reading that can be used.
    NoUsableMeasurement,
    /// It does not fit the other baseline exams.
    Outlier,
    /// It shares no plane with the assessed exam.
    PlanesDiffer,
    /// Labelled as taken while raised pressure was confirmed.
    RaisedConfirmed,
    /// It is of the same day.
    SameDay,
    /// Nobody has labelled it, and the site uses labelled exams only.
    Unlabelled,
    /// Nobody had labelled it, and it was itself above expected. Only in results of earlier versions.
    UnlabelledAboveExpected,
    /// Nobody has labelled it, and its own answer doubts what was measured.
    UnlabelledDoubted,
    /// Nobody has labelled it, there was nothing to compare it with, and a later exam lies below it by
    /// more than error: it may have been taken while the pressure was raised.
    UnlabelledFirstWider,
    /// Nobody has labelled it, and an event lies too near, before or after it.
    UnlabelledNearEvent,
    /// Nobody has labelled it, and another exam too near it, before or after, was flagged.
    UnlabelledNearFlagged,
    /// Nobody has labelled it, and it could itself not be compared.
    UnlabelledNotCompared,
    /// Nobody has labelled it, and it is too recent to be sure that no rise had begun.
    UnlabelledTooRecent,
    /// Nobody has labelled it, and it was itself well above expected.
    UnlabelledWellAboveExpected,
    /// It was taken too soon after an event.
    Washout,
}

impl Unused {
    /// With what an exam is excluded that a person left out: as it is written.
    pub const LEFT_OUT: &'static str = "left_out";

    /// Every reason, by the alphabet.
    pub const ALL: [Unused; 24] = [
        Unused::AfterDecompression,
        Unused::BeforeBirth,
        Unused::BeyondMaxSessions,
        Unused::DefinitionDiffers,
        Unused::HigherOfTwo,
        Unused::LeftOut,
        Unused::ModalityDiffers,
        Unused::NewbornBaselineExpired,
        Unused::NoComparison,
        Unused::NoUsableMeasurement,
        Unused::Outlier,
        Unused::PlanesDiffer,
        Unused::RaisedConfirmed,
        Unused::SameDay,
        Unused::Unlabelled,
        Unused::UnlabelledAboveExpected,
        Unused::UnlabelledDoubted,
        Unused::UnlabelledFirstWider,
        Unused::UnlabelledNearEvent,
        Unused::UnlabelledNearFlagged,
        Unused::UnlabelledNotCompared,
        Unused::UnlabelledTooRecent,
        Unused::UnlabelledWellAboveExpected,
        Unused::Washout,
    ];
}

/// Why an earlier exam was not used: one of ours, or the code that the exam was excluded with.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Why {
    /// Found by the comparison.
    Found(Unused),
    /// Given with the exam.
    Given(Cow<'static, str>),
}

/// An earlier exam that was not used.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct SetAside {
    /// Id of the exam.
    pub exam: String,
    /// Why it was not used.
    pub reason: Why,
}
