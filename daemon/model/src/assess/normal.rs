//! The standard normal distribution: its upper tail, and the way back.

/// Chance of a value of at least `z` by chance alone, to full precision also far out.
pub(super) fn upper_tail(z: f64) -> f64 {
    0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
}

/// The value that is reached or exceeded with this chance, between -40 and 40; halving the interval
/// gives the same digits on every machine.
pub(super) fn upper_quantile(chance: f64) -> f64 {
    let (mut low, mut high) = (-40.0, 40.0);
    for _ in 0..64 {
        let middle = f64::midpoint(low, high);
        if upper_tail(middle) > chance {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Limit of the largest of so many differences, with the chance of one at `z`: the chance is shared out
/// among them (Bonferroni's inequality).
pub(super) fn limit_of_largest(z: f64, differences: usize) -> f64 {
    match differences {
        0 | 1 => z,
        n => upper_quantile(upper_tail(z) / n as f64),
    }
}
