//! What a site knows of who measured and with what: offsets, the scatter of an operator, spellings.
//!
//! A [`Roster`] is what the site has written down; [`Roster::apply`] writes it onto an exam before any
//! comparison. An offset enters as value - offset, and its squared standard error stands in place of
//! the variance between operators or between devices.

use super::{Exam, rounded};
use serde::{Deserialize, Serialize};

/// How far an operator or a device reads above the others.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownOffset {
    /// mm; above zero reads high.
    #[serde(serialize_with = "rounded::plain")]
    pub offset_mm: f64,
    /// Its standard error, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error_mm: f64,
}

/// What is known of the errors of one exam, from its operator and its device.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownErrors {
    /// Offset of the operator.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<KnownOffset>,
    /// Offset of the device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<KnownOffset>,
    /// SD of one reading of this operator, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sigma_w: Option<f64>,
}

impl KnownErrors {
    /// Whether nothing is known.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == KnownErrors::default()
    }

    /// How far the exam reads above the others, mm.
    #[must_use]
    pub fn offset_mm(&self) -> f64 {
        let known = [self.operator, self.device].into_iter().flatten();
        known.map(|one| one.offset_mm).sum()
    }

    /// Name and value of the first number that is none or below zero where it may not be.
    pub(super) fn unusable(&self) -> Option<(&'static str, f64)> {
        let of = |offset: Option<KnownOffset>, names: [&'static str; 2]| {
            let [name, error] = names;
            offset.map(|one| {
                [
                    (name, one.offset_mm, f64::NEG_INFINITY),
                    (error, one.standard_error_mm, 0.0),
                ]
            })
        };
        let offsets = [
            of(
                self.operator,
                [
                    "known.operator.offset_mm",
                    "known.operator.standard_error_mm",
                ],
            ),
            of(
                self.device,
                ["known.device.offset_mm", "known.device.standard_error_mm"],
            ),
        ];
        let sigma = self.sigma_w.map(|sd| ("known.sigma_w", sd, 1e-3));
        let all = offsets.into_iter().flatten().flatten().chain(sigma);
        all.map(|(name, value, least)| (name, value, value.is_finite() && value >= least))
            .find(|(_, _, usable)| !usable)
            .map(|(name, value, _)| (name, value))
    }
}

/// How operator and device of one exam counted, where a roster says something of them.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Counted {
    /// The name that the operator counts under, where it is another than the report's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator_as: Option<String>,
    /// The same of the device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device_as: Option<String>,
    /// What is known of their errors.
    #[serde(default, skip_serializing_if = "KnownErrors::is_empty")]
    pub known: KnownErrors,
}

impl Counted {
    /// Whether the roster says nothing of either.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Counted::default()
    }
}

/// One operator or one device, as the site knows it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Entry {
    /// The name it counts under.
    pub name: String,
    /// Other spellings of it in reports.
    pub also: Vec<String>,
    /// How far it reads above the others.
    pub offset: Option<KnownOffset>,
    /// SD of one reading, mm; of operators.
    pub sigma_w: Option<f64>,
}

impl Entry {
    fn is(&self, name: &str) -> bool {
        let names = [&self.name].into_iter().chain(&self.also);
        names.map(|one| one.trim()).any(|one| one == name)
    }
}

/// The operators and devices that a site knows something of.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Roster {
    /// Operators.
    pub operators: Vec<Entry>,
    /// Devices.
    pub devices: Vec<Entry>,
}

impl Roster {
    /// How an operator and a device count; of unknown ones nothing is known.
    #[must_use]
    pub fn counted(&self, operator: Option<&str>, device: Option<&str>) -> Counted {
        let find = |all: &'_ [Entry], name: Option<&str>| -> Option<Entry> {
            let name = name?.trim();
            all.iter().find(|entry| entry.is(name)).cloned()
        };
        let (who, what) = (find(&self.operators, operator), find(&self.devices, device));
        let other = |entry: &Option<Entry>, told: Option<&str>| {
            let name = entry.as_ref().map(|entry| entry.name.clone());
            name.filter(|name| Some(name.as_str()) != told)
        };
        Counted {
            operator_as: other(&who, operator),
            device_as: other(&what, device),
            known: KnownErrors {
                operator: who.as_ref().and_then(|entry| entry.offset),
                device: what.as_ref().and_then(|entry| entry.offset),
                sigma_w: who.as_ref().and_then(|entry| entry.sigma_w),
            },
        }
    }

    /// The exam with its operator and device under the names they count under, and with what is known
    /// of both.
    #[must_use]
    pub fn apply(&self, mut exam: Exam) -> Exam {
        let counted = self.counted(exam.known_operator(), exam.known_device());
        exam.known = counted.known;
        exam.operator = counted.operator_as.or(exam.operator);
        exam.device = counted.device_as.or(exam.device);
        exam
    }
}
