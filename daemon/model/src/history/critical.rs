//! How far readings of one width may lie apart.

/// Critical range of `n` readings in units of their SD, 95 % (ISO 5725-6); 10 for more than ten.
#[must_use]
pub fn critical_factor(n: usize) -> f64 {
    match n {
        0..=2 => 2.8,
        3 => 3.3,
        4 => 3.6,
        5 => 3.9,
        6 => 4.0,
        7 => 4.2,
        8 => 4.3,
        9 => 4.4,
        _ => 4.5,
    }
}
