//! What depth and angle of the caliper do to a value.

use super::Technique;
use crate::domain::{Millimetres, Remark, RemarkCode, Severity};
use crate::numbers::as_sent;
use crate::numbers::decimal::Decimal;
use crate::sr::tree::Measured;

/// Width straight across the nerve when the caliper lay at an angle to that line: reading times the
/// cosine (plane geometry). Only told, never put in the place of the reading.
#[must_use]
pub fn straight_across_mm(reading: Millimetres, angle_deg: f64) -> f64 {
    reading.mm() * libm::cos(angle_deg.to_radians())
}

/// By how many percent a caliper at this angle reads too wide.
#[must_use]
pub fn excess_percent(angle_deg: f64) -> f64 {
    (1.0 / libm::cos(angle_deg.to_radians()) - 1.0) * 100.0
}

/// The stated angle in degrees, without sign, when one can be read.
pub(super) fn angle(given: &[Option<Measured>], remarks: &mut Vec<Remark>) -> Option<f64> {
    let one = match given {
        [] => return None,
        [one] => one.as_ref(),
        _ => {
            remarks.push(Remark::of(
                RemarkCode::AngleUnclear,
                "Several angles contradict each other; none is used.",
            ));
            return None;
        }
    };
    let read = one.and_then(|measured| {
        let unit = measured.unit.as_ref()?;
        let text = as_sent(measured)?;
        Decimal::parse(&text).ok()?;
        let angle: f64 = text.trim().parse().ok()?;
        let in_degrees = unit
            .keys()
            .any(|key| key.scheme == "UCUM" && key.value == "deg");
        (in_degrees && angle.abs() <= 90.0).then_some(angle.abs())
    });
    if read.is_none() {
        remarks.push(Remark::of(
            RemarkCode::AngleUnclear,
            "The angle of the caliper is not a number of degrees up to 90; it is not used.",
        ));
    }
    read
}

impl Technique {
    /// What a stated depth calls for.
    pub(crate) fn depth_remark(&self, depth: Millimetres) -> Option<Remark> {
        // Whole micrometres, so that 3.25 is exactly 0.25 off.
        let wanted = Millimetres::from_mm(self.depth_mm)?;
        let off = Millimetres::from_um((depth.um() - wanted.um()).abs());
        let beyond = |limit: f64| Millimetres::from_mm(limit).is_some_and(|limit| off > limit);
        let text = format!("Measured {depth} behind the globe, {off} off the {wanted} wanted");
        if beyond(self.depth_max_off_mm) {
            let limit = self.depth_max_off_mm;
            let text = format!("{text}; above {limit} mm a value is not used.");
            Some(
                Remark::of(RemarkCode::DepthOff, text)
                    .with(Severity::Blocking)
                    .act("Measure again at the right depth."),
            )
        } else if beyond(self.depth_caution_mm) {
            Some(Remark::of(RemarkCode::DepthOff, format!("{text}.")))
        } else {
            None
        }
    }

    /// What a stated angle calls for.
    pub(crate) fn angle_remark(&self, value: Millimetres, angle_deg: f64) -> Option<Remark> {
        if angle_deg <= self.angle_caution_deg {
            return None;
        }
        let excess = value.mm() - straight_across_mm(value, angle_deg);
        let text = format!(
            "The caliper lay {angle_deg} degrees off the line across the nerve, so the value is \
             about {excess:.2} mm too wide ({value} x (1 - cos {angle_deg}))"
        );
        if angle_deg > self.angle_max_deg {
            let text = format!(
                "{text}; above {} degrees it is not used.",
                self.angle_max_deg
            );
            Some(
                Remark::of(RemarkCode::ObliqueCaliper, text)
                    .with(Severity::Blocking)
                    .act("Measure again straight across."),
            )
        } else {
            Some(Remark::of(RemarkCode::ObliqueCaliper, format!("{text}.")))
        }
    }
}
