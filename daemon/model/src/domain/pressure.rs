//! The opening pressure that a person recorded with an exam.
//!
//! It is shown beside the exam. It is never turned into a width, nor a width into a pressure: the
//! slope between the two differs fourfold from person to person (lumbar infusion in 12
//! patients, J Neurosurg 1997).

use serde::{Deserialize, Serialize};
use std::fmt;

/// A unit of pressure, by its UCUM code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum PressureUnit {
    /// Centimetres of water.
    #[serde(rename = "cm[H2O]")]
    CmH2O,
    /// Millimetres of mercury.
    #[serde(rename = "mm[Hg]")]
    MmHg,
    /// Kilopascals.
    #[serde(rename = "kPa")]
    KPa,
    /// Millimetres of water.
    #[serde(rename = "mm[H2O]")]
    MmH2O,
}

impl PressureUnit {
    /// Every unit, in the order they are documented.
    pub const ALL: [PressureUnit; 4] = [
        PressureUnit::CmH2O,
        PressureUnit::MmHg,
        PressureUnit::KPa,
        PressureUnit::MmH2O,
    ];

    /// The UCUM code, used in commands and JSON.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            PressureUnit::CmH2O => "cm[H2O]",
            PressureUnit::MmHg => "mm[Hg]",
            PressureUnit::KPa => "kPa",
            PressureUnit::MmH2O => "mm[H2O]",
        }
    }

    /// Pascals of one unit, as UCUM defines `m[Hg]` = 133.322 kPa and `m[H2O]` = 9.80665 kPa.
    fn pascals(self) -> f64 {
        match self {
            PressureUnit::CmH2O => 98.0665,
            PressureUnit::MmHg => 133.322,
            PressureUnit::KPa => 1000.0,
            PressureUnit::MmH2O => 9.806_65,
        }
    }
}

/// The highest pressure that is taken, in cm of water. Higher than any that is survived; what is
/// higher has slipped in its unit. An engineering choice, no source.
const MOST_CM_H2O: f64 = 150.0;

/// A pressure that is not taken, with what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PressureError {
    /// The value is no number.
    #[error("{0:?} is no pressure; write digits with a decimal point, such as 32 or 32.5")]
    NoNumber(String),
    /// The unit is not known.
    #[error("{0:?} is no unit of pressure; write one of cm[H2O], mm[Hg], kPa, mm[H2O]")]
    NoUnit(String),
    /// The value is higher than any opening pressure.
    #[error("{0} is higher than any opening pressure; check the unit")]
    TooHigh(String),
}

/// An opening pressure: the digits as typed, and their unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OpeningPressure {
    value: String,
    unit: PressureUnit,
}

impl OpeningPressure {
    /// From what was typed.
    ///
    /// # Errors
    /// The value is not a plain number of zero or more, or is higher than any opening pressure; or
    /// the unit is unknown.
    pub fn typed(value: &str, unit: &str) -> Result<Self, PressureError> {
        let unit = PressureUnit::ALL
            .into_iter()
            .find(|one| one.code() == unit)
            .ok_or_else(|| PressureError::NoUnit(unit.to_owned()))?;
        let no_number = || PressureError::NoNumber(value.to_owned());
        let (whole, rest) = value.split_once('.').unwrap_or((value, "0"));
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if value.len() > 12 || !digits(whole) || !digits(rest) {
            return Err(no_number());
        }
        let pressure = OpeningPressure {
            value: value.to_owned(),
            unit,
        };
        match pressure.to(PressureUnit::CmH2O) {
            Some(cm) if cm <= MOST_CM_H2O => Ok(pressure),
            Some(_) => Err(PressureError::TooHigh(pressure.to_string())),
            None => Err(no_number()),
        }
    }

    /// The digits as typed.
    #[must_use]
    pub fn value(&self) -> &str {
        &self.value
    }

    /// Their unit.
    #[must_use]
    pub fn unit(&self) -> PressureUnit {
        self.unit
    }

    /// The same pressure in another unit; `None` when the digits, read back from elsewhere, are no
    /// number.
    #[must_use]
    pub fn to(&self, unit: PressureUnit) -> Option<f64> {
        let value: f64 = self.value.parse().ok()?;
        Some(value * (self.unit.pascals() / unit.pascals()))
    }

    /// What stands in a text: the pressure as typed, and the other of the two usual units.
    #[must_use]
    pub fn sentence(&self) -> String {
        let other = match self.unit {
            PressureUnit::MmHg => PressureUnit::CmH2O,
            _ => PressureUnit::MmHg,
        };
        let same = self.to(other);
        let same = same.map(|value| format!(" ({value:.1} {})", other.code()));
        format!(
            "Opening pressure {self}{} recorded with this exam. It is not compared with the width, \
             and neither is worked out from the other.",
            same.unwrap_or_default()
        )
    }
}

impl fmt::Display for OpeningPressure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.unit.code())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use PressureUnit::*;

    #[track_caller]
    fn converts(value: &str, from: PressureUnit, to: PressureUnit, expected: f64, tolerance: f64) {
        let pressure = OpeningPressure::typed(value, from.code()).unwrap();
        let found = pressure.to(to).unwrap();
        assert!(
            (found - expected).abs() <= tolerance,
            "{pressure} is {found} {}",
            to.code()
        );
    }

    /// The Unified Code for Units of Measure 2.1, table of other legacy units: `m[Hg]` = 133.322
    /// kPa, `m[H2O]` = 9.80665 kPa. The pairs are those that papers give side by side: 20 mm[Hg]
    /// and 25 cm[H2O] in Intensive Care Med 2018, doi:10.1007/s00134-018-5305-7, 200 mm[H2O] in BMC
    /// Neurol 2017, doi:10.1186/s12883-017-0964-5, 6.5 kPa in Anaesthesia 2017 (PMID 28177116).
    #[test]
    fn units_agree_with_ucum() {
        converts("1", MmHg, CmH2O, 1.35951, 0.000_005);
        converts("20", MmHg, CmH2O, 27.190, 0.005);
        converts("25", CmH2O, MmHg, 18.389, 0.005);
        converts("200", MmH2O, MmHg, 14.711, 0.005);
        converts("20", MmHg, KPa, 2.6664, 0.0005);
        converts("6.5", KPa, MmHg, 48.75, 0.02);
    }

    #[test]
    fn the_digits_stay_as_typed() {
        let pressure = OpeningPressure::typed("32.0", "cm[H2O]").unwrap();
        assert_eq!(pressure.to_string(), "32.0 cm[H2O]");
        let json = serde_json::to_string(&pressure).unwrap();
        assert_eq!(json, r#"{"value":"32.0","unit":"cm[H2O]"}"#);
        assert_eq!(
            serde_json::from_str::<OpeningPressure>(&json).unwrap(),
            pressure
        );
        let said = pressure.sentence();
        assert!(
            said.starts_with("Opening pressure 32.0 cm[H2O] (23.5 mm[Hg]) recorded"),
            "{said}"
        );
    }

    #[test]
    fn what_is_no_pressure_is_refused() {
        for value in [
            "", "32,5", "-3", "+3", "1e2", "32 ", ".5", "5.", "NaN", "inf", "1.2.3", "٣",
        ] {
            let refused = OpeningPressure::typed(value, "cm[H2O]");
            assert_eq!(
                refused,
                Err(PressureError::NoNumber(value.to_owned())),
                "{value}"
            );
        }
        assert!(matches!(
            OpeningPressure::typed("32", "cmH2O"),
            Err(PressureError::NoUnit(_))
        ));
        // 320 mm of water under the unit of centimetres.
        assert!(matches!(
            OpeningPressure::typed("320", "cm[H2O]"),
            Err(PressureError::TooHigh(_))
        ));
        assert!(OpeningPressure::typed("320", "mm[H2O]").is_ok());
    }
}
