//! What a person types: a measurement of a scanner that sends nothing, and old values of a table.
//!
//! [`Typed`] is one exam as it was typed, [`check`] what speaks against it, [`table()`] a whole table of
//! them. What is signed becomes a report ([`crate::forms::entered`]) and goes the way of every other.

mod check;
mod records;
pub mod table;
mod uids;
mod written;

#[cfg(test)]
mod tests;

pub use check::{Fault, Field, Limits, READINGS_MAX, check};
pub use table::{Declared, Table, table};
pub use uids::Uids;
pub use written::{Dates, DecimalMark, Unit, degrees, value};

use crate::domain::{Border, Device, Eye, Millimetres, PatientKey, Plane, Sex};
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One reading of one eye.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TypedReading {
    /// The width.
    pub value: Millimetres,
    /// Decimals of the millimetres as typed, 0 to 3: `5.20` is finer than `5.2`.
    pub decimals: u8,
    /// Plane of the picture.
    #[serde(default)]
    pub plane: Plane,
    /// Depth behind the globe.
    #[serde(default)]
    pub depth: Option<Millimetres>,
    /// Angle between the caliper and the line straight across the nerve, degrees.
    #[serde(default)]
    pub angle_deg: Option<f64>,
}

impl TypedReading {
    /// A width of which nothing more is known.
    #[must_use]
    pub fn of(value: Millimetres, decimals: u8) -> Self {
        TypedReading {
            value,
            decimals,
            plane: Plane::Unspecified,
            depth: None,
            angle_deg: None,
        }
    }

    /// The digits in millimetres as they were typed; more where the value would become another.
    #[must_use]
    pub fn digits(&self) -> String {
        self.value.digits(self.decimals)
    }
}

/// The report that an amended one replaces.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Corrected {
    /// Its Study Instance UID; the amended report stays in it.
    pub study: String,
    /// Its Series Instance UID.
    pub series: String,
    /// Its SOP Instance UID.
    pub instance: String,
}

/// Whose measurement is typed. On a page it was found and shown back, and is not changed while somebody
/// types.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Subject {
    /// Issuer and id.
    pub patient: PatientKey,
    /// Birth date: the second identifier.
    pub birth_date: NaiveDate,
    /// Sex, if told.
    #[serde(default)]
    pub sex: Option<Sex>,
    /// Name, if told, in DICOM's order of parts or as people write it.
    #[serde(default)]
    pub name: Option<String>,
    /// Accession number, if any.
    #[serde(default)]
    pub accession: Option<String>,
}

/// One exam as a person typed it. `Debug` hides it.
#[derive(Clone, PartialEq)]
pub struct Typed {
    /// Whose.
    pub subject: Subject,
    /// The day it was measured.
    pub day: NaiveDate,
    /// The time of day, on the clock of the place; `None`: not known.
    pub time: Option<NaiveTime>,
    /// Readings of the right eye.
    pub right: Vec<TypedReading>,
    /// Readings of the left eye.
    pub left: Vec<TypedReading>,
    /// Between which borders it was measured, if known.
    pub border: Option<Border>,
    /// Who measured; `None`: not known.
    pub operator: Option<String>,
    /// With which machine, as far as known.
    pub device: Device,
    /// Who signs.
    pub author: String,
    /// When it was signed: what "future" means is told by this clock.
    pub signed_at: DateTime<FixedOffset>,
    /// Copied from an older record, and from where (`table 3, line 12`); `None`: signed as measured.
    pub transcribed: Option<String>,
    /// The report that this one replaces.
    pub corrects: Option<Corrected>,
    /// Why, if somebody says.
    pub reason: String,
}

impl fmt::Debug for Typed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Typed(hidden)")
    }
}

impl Typed {
    /// The readings of an eye.
    #[must_use]
    pub fn readings(&self, eye: Eye) -> &[TypedReading] {
        match eye {
            Eye::Right => &self.right,
            Eye::Left => &self.left,
        }
    }

    /// Whether whoever signs says that they measured.
    #[must_use]
    pub fn signed_by_operator(&self) -> bool {
        self.transcribed.is_none() && self.operator.as_deref() == Some(self.author.as_str())
    }

    /// The identifiers of its report.
    #[must_use]
    pub fn uids(&self) -> Uids {
        Uids::of(self)
    }
}
