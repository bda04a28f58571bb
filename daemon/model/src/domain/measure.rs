//! One value read from one NUM content item.

use super::{Caliper, Laterality, Millimetres, Modality, Moment, Remark};
use serde::{Deserialize, Serialize};

/// What was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Width of the optic nerve with its sheath: what this project is about.
    SheathDiameter,
    /// Width of the eyeball from side to side.
    EyeballTransverseDiameter,
    /// How far the optic disc stands out into the eye.
    DiscElevation,
    /// Width of the optic nerve alone, inside the sheath.
    NerveDiameter,
}

/// The plane of the picture in which the caliper was placed.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum Plane {
    /// Horizontal cut through the eye.
    Transverse,
    /// Vertical cut through the eye, front to back.
    Sagittal,
    /// Neither of the two.
    Oblique,
    /// The report does not say.
    #[default]
    Unspecified,
}

/// Whether the value is a reading or was made from readings.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum Derivation {
    /// One caliper reading. A NUM without a derivation is one.
    #[default]
    Single,
    /// Arithmetic mean of readings.
    Mean,
    /// Median of readings.
    Median,
    /// Smallest of the readings.
    Minimum,
    /// Largest of the readings.
    Maximum,
    /// One of the readings, chosen by the user or as "best value".
    Selected,
}

/// Which borders the caliper touched: outer reads about 0.8 mm wider than inner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Border {
    /// Outside the dark dural line.
    Outer,
    /// Inside the dura.
    Inner,
}

/// What is known of the caliper itself.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Geometry {
    /// Angle between the caliper and the line straight across the nerve, degrees: as stated or
    /// worked out from coordinates, the larger when both are known.
    pub angle_deg: Option<f64>,
    /// Caliper length worked out from its coordinates, millimetres.
    pub length_mm: Option<Millimetres>,
    /// Depth behind the globe worked out from coordinates, millimetres.
    pub depth_mm: Option<Millimetres>,
    /// By how much the caliper's own length is too wide for its angle, worked out from
    /// coordinates, millimetres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub excess_mm: Option<Millimetres>,
    /// Error of that for one pixel at each end of the caliper and of the axis, millimetres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub excess_error_mm: Option<Millimetres>,
}

/// One value read from one NUM content item, normalised.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// What was measured.
    pub quantity: Quantity,
    /// Whose: right, left, or unresolved.
    pub eye: Laterality,
    /// The value in millimetres; `None` when the report holds no readable value.
    pub value_mm: Option<Millimetres>,
    /// The digits as they stand in the report.
    pub value_as_sent: Option<String>,
    /// The smallest difference that its digits as sent can show, millimetres: `0.5` in centimetres is
    /// a step of 1 mm, `5.20` in millimetres one of 0.01 mm. A sender that leaves noughts out at the
    /// end makes a single value look coarser than it is, so an exam is told by all its values. `None`
    /// where there are no digits (a binary float, a fraction), and in what was read before this was
    /// kept.
    #[serde(default, rename = "step_mm", skip_serializing_if = "Option::is_none")]
    pub step: Option<Millimetres>,
    /// The unit code as it stands in the report.
    pub unit_as_sent: Option<String>,
    /// Plane of the picture.
    pub plane: Plane,
    /// Depth behind the globe as the report states it, millimetres.
    pub depth_mm: Option<Millimetres>,
    /// Reading or derived value.
    pub derivation: Derivation,
    /// Borders touched, when the report or the site's dictionary says.
    pub definition: Option<Border>,
    /// Kind of imaging. `unspecified` also in what was read before this was kept.
    #[serde(default)]
    pub modality: Modality,
    /// Whether the value may enter a baseline or an assessment.
    pub usable: bool,
    /// Where it stands: ordinals from the root, `1.3.2.1`.
    pub place: String,
    /// The `[[measure]]` that took it, `tid1500.toml:31`: file name and line in the template or
    /// site dictionary. Absent in what was read before this was kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    /// Concept name as sent: `value scheme`; of a line in a presentation state its label.
    pub concept: String,
    /// Caliper geometry, when something is known of it.
    pub geometry: Option<Geometry>,
    /// SOP Instance UIDs of the pictures it was read from, as far as the report says.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pictures: Vec<String>,
    /// Where the caliper was drawn, when the report says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caliper: Option<Caliper>,
    /// When it was measured, if the item or an enclosing one says.
    pub observed_at: Option<Moment>,
    /// Only the day of `observed_at` is told; its time is midnight for want of one.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub observed_day_only: bool,
    /// Time point it is filed under, where its report holds several and each has times of its own; empty
    /// for that of the report itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_point: Option<String>,
    /// Observation UID of the item: the same one twice is the same reading.
    pub observation_uid: Option<String>,
    /// What a reader must know about it.
    pub remarks: Vec<Remark>,
}

impl Measurement {
    /// Depth behind the globe: as the report states it, else as it was drawn.
    #[must_use]
    pub fn depth(&self) -> Option<Millimetres> {
        let drawn = self.geometry.and_then(|geometry| geometry.depth_mm);
        self.depth_mm.or(drawn)
    }

    /// Marks the value as kept but not to be used, with the reason.
    pub fn set_aside(&mut self, remark: Remark) {
        self.usable = false;
        self.remarks.push(remark);
    }
}
