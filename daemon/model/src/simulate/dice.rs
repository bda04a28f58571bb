//! Seeded chance. `libm` instead of the system's functions, so that every machine rolls the same.

/// SplitMix64 (Fast splittable pseudorandom number generators, OOPSLA 2014,
/// doi:10.1145/2660193.2660195; from memory).
pub(crate) struct Dice(u64);

const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Dice {
    /// Dice of their own for every path of numbers.
    pub(crate) fn of(path: &[u64]) -> Self {
        Dice(
            path.iter()
                .fold(0, |state, part| mix((state ^ part).wrapping_add(STEP))),
        )
    }

    pub(crate) fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(STEP);
        mix(self.0)
    }

    /// Between 0 and 1, never either.
    pub(crate) fn uniform(&mut self) -> f64 {
        ((self.roll() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// A whole number below `n`; the unevenness is below n / 2^64.
    pub(crate) fn below(&mut self, n: u64) -> u64 {
        self.roll() % n.max(1)
    }

    /// Normal with mean 0, by the Box-Muller transform.
    pub(crate) fn normal(&mut self, sd: f64) -> f64 {
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        sd * radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }

    /// Student's t with 4 degrees of freedom, scaled to the given SD: gross values are common.
    pub(crate) fn heavy(&mut self, sd: f64) -> f64 {
        // Chi-square with 4 degrees is twice the sum of two exponential values; t4 has variance 2.
        let chi_square = -2.0 * (libm::log(self.uniform()) + libm::log(self.uniform()));
        self.normal(sd) / (chi_square / 4.0).sqrt() * std::f64::consts::FRAC_1_SQRT_2
    }
}
