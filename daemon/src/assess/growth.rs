//! Age, and how much a sheath grows between two ages.

use super::Parameters;
use chrono::NaiveDate;

/// Days in a year, for times and ages.
const DAYS_PER_YEAR: f64 = 365.25;

/// Years from one day to another; negative when the second is earlier.
pub(super) fn years_between(from: NaiveDate, to: NaiveDate) -> f64 {
    (to - from).num_days() as f64 / DAYS_PER_YEAR
}

/// ln of the age in years, which counts only between `growth_min` and `growth_stop`.
pub(super) fn log_age(age_years: f64, parameters: &Parameters) -> f64 {
    age_years
        .clamp(parameters.growth_min, parameters.growth_stop)
        .ln()
}
