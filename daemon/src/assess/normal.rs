//! The upper tail of the standard normal distribution.

/// Chance of a value of at least `z` by chance alone, to full precision also far out.
pub(super) fn upper_tail(z: f64) -> f64 {
    0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
}
