//! Limits of technique: the configuration's `[technique]` table.

use serde::{Deserialize, Serialize};

/// How a caliper must have been placed for its value to be used.
///
/// A caliper that lies at an angle to the line straight across the nerve reads too wide by
/// 1/cos of that angle: 3.5 % at 15 degrees, 10 % at 25 (plane geometry).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Technique {
    /// Depth behind the globe at which the sheath is measured, mm.
    pub depth_mm: f64,
    /// A stated depth off by more than this is remarked, mm.
    pub depth_caution_mm: f64,
    /// A stated depth off by more than this is kept, not used, mm.
    pub depth_max_off_mm: f64,
    /// A stated angle above this is remarked, degrees.
    pub angle_caution_deg: f64,
    /// A stated angle above this is kept, not used, degrees.
    pub angle_max_deg: f64,
}

impl Default for Technique {
    fn default() -> Self {
        Technique {
            depth_mm: 3.0,
            depth_caution_mm: 0.25,
            depth_max_off_mm: 1.0,
            angle_caution_deg: 15.0,
            angle_max_deg: 22.0,
        }
    }
}
