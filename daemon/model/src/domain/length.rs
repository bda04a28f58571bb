//! Lengths as whole micrometres, so that 5.0 - 4.6 is exactly 0.4.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A length in millimetres, kept as whole micrometres.
///
/// In JSON it is a number of millimetres (`5.62`).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Millimetres {
    um: i64,
}

impl Millimetres {
    /// The largest length that is still exact as a JSON number: one kilometre.
    pub const MAX: Millimetres = Millimetres { um: 1_000_000_000 };

    /// A length of whole micrometres.
    #[must_use]
    pub const fn from_um(um: i64) -> Self {
        Millimetres { um }
    }

    /// A length of so many millimetres, rounded to the nearest micrometre.
    ///
    /// `None` for NaN, infinities and lengths beyond [`Millimetres::MAX`] either way.
    #[must_use]
    pub fn from_mm(mm: f64) -> Option<Self> {
        // A report's 5.62 is no binary float; the nearest micrometre is what was written.
        let um = (mm * 1000.0).round();
        (um.is_finite() && um.abs() <= Self::MAX.um as f64).then_some(Millimetres { um: um as i64 })
    }

    /// Whole micrometres.
    #[must_use]
    pub const fn um(self) -> i64 {
        self.um
    }

    /// Millimetres as a binary float, for arithmetic that ends in an estimate.
    #[must_use]
    pub fn mm(self) -> f64 {
        self.um as f64 / 1000.0
    }

    /// The digits in millimetres with so many decimals, at most three; more where it would become another
    /// length.
    #[must_use]
    pub fn digits(self, decimals: u8) -> String {
        let um = self.um.unsigned_abs();
        let sign = if self.um < 0 { "-" } else { "" };
        let all = format!("{sign}{}.{:03}", um / 1000, um % 1000);
        let needed = match um % 1000 {
            0 => 0,
            rest if rest % 100 == 0 => 1,
            rest if rest % 10 == 0 => 2,
            _ => 3,
        };
        let decimals = usize::from(decimals.min(3)).max(needed);
        let shorter = 3 - decimals + usize::from(decimals == 0);
        all.get(..all.len() - shorter).unwrap_or(&all).to_owned()
    }

    /// How many decimals of a millimetre show differences of this size.
    #[must_use]
    pub fn decimals_of_step(self) -> u8 {
        match self.um {
            1..10 => 3,
            10..100 => 2,
            100..1000 => 1,
            _ => 0,
        }
    }
}

impl fmt::Display for Millimetres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm", self.mm())
    }
}

impl fmt::Debug for Millimetres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for Millimetres {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.mm())
    }
}

impl<'de> Deserialize<'de> for Millimetres {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mm = f64::deserialize(deserializer)?;
        Millimetres::from_mm(mm)
            .ok_or_else(|| serde::de::Error::custom(format!("{mm} is not a length in millimetres")))
    }
}
