//! The closed sets of words that vocabulary, dictionaries and templates are written in.

use crate::domain::{Derivation, Eye, Quantity};
use serde::Deserialize;

/// A general word for a length, without what it is the length of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Concept {
    /// Diameter.
    Diameter,
    /// Width.
    Width,
    /// Thickness.
    Thickness,
    /// Short axis.
    ShortAxis,
    /// Minor axis.
    MinorAxis,
    /// Perpendicular axis.
    PerpendicularAxis,
    /// Distance between two points.
    Distance,
    /// Length.
    Length,
    /// Long axis.
    LongAxis,
    /// Major axis.
    MajorAxis,
    /// Length along a path.
    PathLength,
    /// Length of a line segment.
    LineLength,
    /// Height.
    Height,
    /// Depth.
    Depth,
}

impl Concept {
    /// Whether the word can mean the width of a nerve.
    #[must_use]
    pub fn may_be_a_width(self) -> bool {
        matches!(
            self,
            Concept::Diameter
                | Concept::Width
                | Concept::Thickness
                | Concept::ShortAxis
                | Concept::MinorAxis
                | Concept::PerpendicularAxis
                | Concept::Distance
        )
    }
}

/// A region of the body that matters here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Site {
    /// The optic nerve, with or without its sheath.
    OpticNerve,
    /// The optic disc, where the nerve leaves the eye.
    OpticDisc,
    /// The eye.
    Eye,
    /// The eye socket.
    Orbit,
}

/// Which part is meant, where a region alone leaves it open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Structure {
    /// The nerve with its sheath.
    Sheath,
    /// The nerve inside the sheath.
    Nerve,
    /// The eyeball.
    Eyeball,
    /// The optic disc.
    Disc,
}

impl Structure {
    /// The part that a quantity is measured on.
    #[must_use]
    pub fn of(quantity: Quantity) -> Structure {
        match quantity {
            Quantity::SheathDiameter => Structure::Sheath,
            Quantity::NerveDiameter => Structure::Nerve,
            Quantity::EyeballTransverseDiameter => Structure::Eyeball,
            Quantity::DiscElevation => Structure::Disc,
        }
    }
}

/// What a code says of the side. Only right and left are sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Right.
    Right,
    /// Left.
    Left,
    /// Both: a mean over both, or "applies to both".
    Bilateral,
    /// One of the two, not saying which.
    Unilateral,
}

impl Side {
    /// The eye, when it is one.
    #[must_use]
    pub fn eye(self) -> Option<Eye> {
        match self {
            Side::Right => Some(Eye::Right),
            Side::Left => Some(Eye::Left),
            Side::Bilateral | Side::Unilateral => None,
        }
    }
}

/// What a content item is for, told by its concept name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Finding Site.
    FindingSite,
    /// Laterality.
    Laterality,
    /// Laterality of a picture, which its measurements share.
    ImageLaterality,
    /// Topographical modifier: which part of the site.
    TopographicalModifier,
    /// Orientation or view: the plane.
    Orientation,
    /// Derivation: reading, mean, …
    Derivation,
    /// Selection Status: chosen among readings.
    SelectionStatus,
    /// Measurement method.
    Method,
    /// Which borders the caliper touched.
    Definition,
    /// Depth behind the globe.
    Depth,
    /// Angle between the caliper and the line straight across the nerve.
    Angle,
    /// Line drawn along the nerve's own axis.
    NerveAxis,
    /// Point drawn where the nerve leaves the globe.
    GlobePoint,
    /// Name of the person who measured.
    ObserverName,
    /// Maker of the machine.
    DeviceManufacturer,
    /// Model of the machine.
    DeviceModel,
    /// Serial number of the machine.
    DeviceSerial,
    /// Id of whoever was measured.
    SubjectId,
    /// Name of whoever was measured.
    SubjectName,
    /// Birth date of whoever was measured.
    SubjectBirthDate,
    /// Sex of whoever was measured.
    SubjectSex,
    /// Who issued the id above it.
    IdIssuer,
    /// Whether a patient, fetus, specimen or device was measured.
    SubjectClass,
    /// The value is copied from elsewhere.
    Quotation,
    /// Name that a measurement is followed by, which may name a side against the codes.
    TrackingIdentifier,
    /// Name of a time point, where one document holds several.
    TimePoint,
    /// The finding that a group is about, which may name a side or an earlier exam.
    Finding,
    /// Study Instance UID of the procedure that the values below belong to.
    ProcedureStudy,
    /// Study Date of the procedure that the values below belong to.
    ProcedureDate,
    /// Kind of imaging.
    Modality,
    /// The procedure that was reported, which may say the kind of imaging.
    Procedure,
}

/// How a value was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Made {
    /// One reading.
    Single,
    /// Arithmetic mean.
    Mean,
    /// Median.
    Median,
    /// Smallest.
    Minimum,
    /// Largest.
    Maximum,
    /// One reading chosen among several.
    Selected,
    /// Made in a way that cannot be compared with a reading.
    Unclear,
    /// Not a width at all: a standard deviation, a total.
    Statistic,
}

impl Made {
    /// The derivation, when it is one that can be used.
    #[must_use]
    pub fn derivation(self) -> Option<Derivation> {
        match self {
            Made::Single => Some(Derivation::Single),
            Made::Mean => Some(Derivation::Mean),
            Made::Median => Some(Derivation::Median),
            Made::Minimum => Some(Derivation::Minimum),
            Made::Maximum => Some(Derivation::Maximum),
            Made::Selected => Some(Derivation::Selected),
            Made::Unclear | Made::Statistic => None,
        }
    }
}

/// Who or what was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// The patient.
    Patient,
    /// A fetus, a specimen, a device: not the patient.
    Other,
}

/// Where a side or plane stands, seen from the number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stand {
    /// Below the number's own Finding Site.
    OwnSite,
    /// A modifier of the number.
    OwnModifier,
    /// The number's concept name.
    OwnConcept,
    /// Below the Finding Site of an enclosing item.
    EnclosingSite,
    /// A modifier of an enclosing item.
    EnclosingModifier,
    /// The concept name of an enclosing item.
    EnclosingConcept,
    /// The item that the number refers to as inferred from, or one around it.
    Referred,
    /// The picture the number was read from.
    Image,
    /// An attribute outside the tree: Laterality or Measurement Laterality.
    Header,
    /// A word that a site dictionary lists: a code meaning or a title.
    Word,
}

impl Stand {
    /// Every place, nearest first.
    pub const ALL: [Stand; 10] = [
        Stand::OwnSite,
        Stand::OwnModifier,
        Stand::OwnConcept,
        Stand::EnclosingSite,
        Stand::EnclosingModifier,
        Stand::EnclosingConcept,
        Stand::Referred,
        Stand::Image,
        Stand::Header,
        Stand::Word,
    ];
}

/// What a concept name says of the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Named {
    /// One of this project's quantities.
    Ours(Quantity),
    /// Known, and none of this project's quantities.
    NotOurs,
}

impl<'de> Deserialize<'de> for Named {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = String::deserialize(deserializer)?;
        if word == "not_ours" {
            return Ok(Named::NotOurs);
        }
        Quantity::deserialize(serde::de::value::StringDeserializer::new(word)).map(Named::Ours)
    }
}

/// A unit of length.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
pub enum Unit {
    /// Millimetre.
    #[serde(rename = "mm")]
    Millimetre,
    /// Centimetre.
    #[serde(rename = "cm")]
    Centimetre,
    /// Nanometre.
    #[serde(rename = "nm")]
    Nanometre,
    /// Micrometre.
    #[serde(rename = "um")]
    Micrometre,
    /// Decimetre.
    #[serde(rename = "dm")]
    Decimetre,
    /// Metre.
    #[serde(rename = "m")]
    Metre,
    /// International inch.
    #[serde(rename = "[in_i]")]
    Inch,
    /// International foot.
    #[serde(rename = "[ft_i]")]
    Foot,
}

/// What a name of a unit is the name of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NamedUnit {
    /// A unit of length.
    Ours(Unit),
    /// A unit of something else.
    NotOurs,
}

impl<'de> Deserialize<'de> for NamedUnit {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = String::deserialize(deserializer)?;
        if word == "not_ours" {
            return Ok(NamedUnit::NotOurs);
        }
        Unit::deserialize(serde::de::value::StringDeserializer::new(word)).map(NamedUnit::Ours)
    }
}

impl Unit {
    /// Every unit with its UCUM code.
    pub const ALL: [(Unit, &'static str); 8] = [
        (Unit::Nanometre, "nm"),
        (Unit::Micrometre, "um"),
        (Unit::Millimetre, "mm"),
        (Unit::Centimetre, "cm"),
        (Unit::Decimetre, "dm"),
        (Unit::Metre, "m"),
        (Unit::Inch, "[in_i]"),
        (Unit::Foot, "[ft_i]"),
    ];

    /// Its length in nanometres, exact: the inch is 25.4 mm and the foot twelve inches by
    /// definition.
    #[must_use]
    pub fn nanometres(self) -> i128 {
        match self {
            Unit::Nanometre => 1,
            Unit::Micrometre => 1_000,
            Unit::Millimetre => 1_000_000,
            Unit::Centimetre => 10_000_000,
            Unit::Decimetre => 100_000_000,
            Unit::Metre => 1_000_000_000,
            Unit::Inch => 25_400_000,
            Unit::Foot => 304_800_000,
        }
    }
}
