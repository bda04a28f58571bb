//! What speaks against a typed measurement, field by field.

use super::{Typed, TypedReading};
use crate::domain::{Eye, Millimetres, Plane};
use crate::history::critical_factor;
use crate::normalise::plausible;
use chrono::{Datelike, TimeDelta};
use std::fmt;

/// Readings of one eye that can be typed.
pub const READINGS_MAX: usize = 5;

/// Deeper than a nerve is seen behind the globe, millimetres.
const DEEPEST: Millimetres = Millimetres::from_um(10_000);

/// Nobody is older than so many years.
const OLDEST: i32 = 125;

/// A clock may run so many minutes behind that of the scanner.
const CLOCKS_APART_MINUTES: i64 = 10;

/// Letters of a text of the reason.
const REASON_MAX: usize = 500;

/// What a typed measurement is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Widths that a sheath can have.
    pub plausible: (Millimetres, Millimetres),
    /// SD of one reading within one session, mm.
    pub sigma_w_mm: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            plausible: plausible::GATE,
            sigma_w_mm: crate::history::Apart::default().sigma_w_mm,
        }
    }
}

/// A field of a typed measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Field {
    /// Patient id.
    PatientId,
    /// Issuer of the patient id.
    Issuer,
    /// Birth date.
    BirthDate,
    /// Sex.
    Sex,
    /// Name.
    Name,
    /// Accession number.
    Accession,
    /// Day of the measurement.
    Day,
    /// Time of the measurement.
    Time,
    /// All readings of an eye together, and of both.
    Readings(Option<Eye>),
    /// The value of one reading, from 0.
    Value(Eye, usize),
    /// Its plane.
    Plane(Eye, usize),
    /// Its depth.
    Depth(Eye, usize),
    /// Its angle.
    Angle(Eye, usize),
    /// Borders.
    Border,
    /// Who measured.
    Operator,
    /// Maker of the machine.
    Manufacturer,
    /// Model of the machine.
    Model,
    /// Serial number of the machine.
    Serial,
    /// Who signs.
    Author,
    /// Reason.
    Reason,
}

impl fmt::Display for Field {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Field::PatientId => f.write_str("patient id"),
            Field::Issuer => f.write_str("issuer of the patient id"),
            Field::BirthDate => f.write_str("birth date"),
            Field::Sex => f.write_str("sex"),
            Field::Name => f.write_str("name"),
            Field::Accession => f.write_str("accession number"),
            Field::Day => f.write_str("date"),
            Field::Time => f.write_str("time"),
            Field::Readings(None) => f.write_str("readings"),
            Field::Readings(Some(eye)) => write!(f, "readings of the {} eye", eye.word()),
            Field::Value(eye, n) => write!(f, "{} eye, reading {}", eye.word(), n + 1),
            Field::Plane(eye, n) => write!(f, "{} eye, plane of reading {}", eye.word(), n + 1),
            Field::Depth(eye, n) => write!(f, "{} eye, depth of reading {}", eye.word(), n + 1),
            Field::Angle(eye, n) => write!(f, "{} eye, angle of reading {}", eye.word(), n + 1),
            Field::Border => f.write_str("borders"),
            Field::Operator => f.write_str("operator"),
            Field::Manufacturer => f.write_str("maker"),
            Field::Model => f.write_str("model"),
            Field::Serial => f.write_str("serial number"),
            Field::Author => f.write_str("author"),
            Field::Reason => f.write_str("reason"),
        }
    }
}

/// Something that speaks against a field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Which field.
    pub field: Field,
    /// What is wrong and what to do: a sentence that goes on from the name of the field.
    pub sentence: String,
    /// It cannot be signed like this; otherwise it is to be looked at once more.
    pub blocking: bool,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.field, self.sentence)
    }
}

struct Faults(Vec<Fault>);

impl Faults {
    fn block(&mut self, field: Field, sentence: impl Into<String>) {
        self.push(field, sentence, true);
    }

    fn doubt(&mut self, field: Field, sentence: impl Into<String>) {
        self.push(field, sentence, false);
    }

    fn push(&mut self, field: Field, sentence: impl Into<String>, blocking: bool) {
        self.0.push(Fault {
            field,
            sentence: sentence.into(),
            blocking,
        });
    }

    /// A text that DICOM can hold as it is (PS3.5 6.2).
    fn text(&mut self, field: Field, text: &str, most: usize) {
        let length = text.chars().count();
        if length > most {
            self.block(field, format!("has {length} letters; {most} are kept"));
        }
        if text.trim() != text {
            self.block(field, "begins or ends with a blank");
        }
        if text.contains('\\') || text.chars().any(char::is_control) {
            self.block(
                field,
                "holds a backslash, a line end or another control character",
            );
        }
    }

    fn optional(&mut self, field: Field, text: Option<&str>, most: usize) {
        match text {
            Some("") => self.block(field, "is empty; leave it out"),
            Some(text) => self.text(field, text, most),
            None => {}
        }
    }
}

/// All that speaks against a typed measurement, blocking or not, in the order of its fields.
#[must_use]
pub fn check(typed: &Typed, limits: &Limits) -> Vec<Fault> {
    let mut faults = Faults(Vec::new());
    who(typed, &mut faults);
    when(typed, &mut faults);
    if typed.right.is_empty() && typed.left.is_empty() {
        faults.block(
            Field::Readings(None),
            "there is none of either eye; type one at least",
        );
    }
    for eye in Eye::BOTH {
        eye_readings(eye, typed.readings(eye), limits, &mut faults);
    }
    faults.optional(Field::Operator, typed.operator.as_deref(), 64);
    name_parts(Field::Operator, typed.operator.as_deref(), &mut faults);
    let device = &typed.device;
    faults.optional(Field::Manufacturer, device.manufacturer.as_deref(), 64);
    faults.optional(Field::Model, device.model.as_deref(), 64);
    faults.optional(Field::Serial, device.serial.as_deref(), 64);
    faults.optional(Field::Author, Some(&typed.author), 64);
    name_parts(Field::Author, Some(&typed.author), &mut faults);
    faults.text(Field::Reason, &typed.reason, REASON_MAX);
    faults.0
}

fn name_parts(field: Field, name: Option<&str>, faults: &mut Faults) {
    let name = name.unwrap_or_default();
    if name.contains('=') || name.matches('^').count() > 4 {
        faults.block(field, "holds \"=\" or more than four \"^\"");
    }
}

fn who(typed: &Typed, faults: &mut Faults) {
    faults.optional(Field::PatientId, Some(&typed.subject.patient.id), 64);
    faults.text(Field::Issuer, &typed.subject.patient.issuer, 64);
    faults.optional(Field::Name, typed.subject.name.as_deref(), 64);
    name_parts(Field::Name, typed.subject.name.as_deref(), faults);
    faults.optional(Field::Accession, typed.subject.accession.as_deref(), 16);
}

fn when(typed: &Typed, faults: &mut Faults) {
    let now = typed.signed_at.naive_local();
    if typed.subject.birth_date > now.date() {
        faults.block(Field::BirthDate, "lies in the future");
    } else if typed.day < typed.subject.birth_date {
        faults.block(
            Field::Day,
            format!(
                "{} lies before birth, {}; one of the two is mistyped",
                typed.day, typed.subject.birth_date
            ),
        );
    }
    if now.date().year() - typed.subject.birth_date.year() > OLDEST {
        faults.block(
            Field::BirthDate,
            format!(
                "{} is more than {OLDEST} years ago; look whether it is mistyped",
                typed.subject.birth_date
            ),
        );
    }
    let late = now.checked_add_signed(TimeDelta::minutes(CLOCKS_APART_MINUTES));
    let late = late.unwrap_or(now);
    if typed.day > late.date() {
        faults.block(Field::Day, format!("{} lies in the future", typed.day));
    } else if let Some(time) = typed.time
        && typed.day.and_time(time) > late
    {
        faults.block(
            Field::Time,
            format!("{} {} lies in the future", typed.day, time.format("%H:%M")),
        );
    }
    if typed.transcribed.is_none() && (now.date() - typed.day).num_days() > 366 {
        faults.doubt(
            Field::Day,
            "lies more than a year back; look whether the year is right",
        );
    }
}

fn eye_readings(eye: Eye, readings: &[TypedReading], limits: &Limits, faults: &mut Faults) {
    if readings.len() > READINGS_MAX {
        faults.block(
            Field::Readings(Some(eye)),
            format!(
                "there are {}; {READINGS_MAX} can be typed for one eye",
                readings.len()
            ),
        );
    }
    for (n, one) in readings.iter().enumerate() {
        let field = Field::Value(eye, n);
        if let Some(remark) = plausible::remark(one.value, limits.plausible) {
            faults.block(field, remark.text.trim_end_matches('.').to_owned());
        }
        if let Some(depth) = one.depth
            && (depth.um() < 0 || depth > DEEPEST)
        {
            faults.block(
                Field::Depth(eye, n),
                format!("{depth} is no depth behind the globe; write 0 to {DEEPEST}"),
            );
        }
        if let Some(angle) = one.angle_deg
            && !(0.0..=90.0).contains(&angle)
        {
            faults.block(
                Field::Angle(eye, n),
                format!("{angle} is no angle; write 0 to 90 degrees"),
            );
        }
    }
    spread(eye, readings, limits, faults);
}

/// Readings of one plane lie no further apart than reading error explains (ISO 5725-6).
fn spread(eye: Eye, readings: &[TypedReading], limits: &Limits, faults: &mut Faults) {
    let mut planes: Vec<Plane> = readings.iter().map(|one| one.plane).collect();
    planes.sort_unstable();
    planes.dedup();
    for plane in planes {
        let of_plane = readings.iter().filter(|one| one.plane == plane);
        let values: Vec<i64> = of_plane.map(|one| one.value.um()).collect();
        let (Some(least), Some(most)) = (values.iter().min(), values.iter().max()) else {
            continue;
        };
        let range = most.saturating_sub(*least);
        let widest = critical_factor(values.len()) * limits.sigma_w_mm;
        if range as f64 / 1000.0 > widest + 1e-9 {
            faults.doubt(
                Field::Readings(Some(eye)),
                format!(
                    "lie {} apart, and reading error explains {widest:.2} mm of {} readings; look \
                     whether one is mistyped",
                    Millimetres::from_um(range),
                    values.len()
                ),
            );
        }
    }
}
