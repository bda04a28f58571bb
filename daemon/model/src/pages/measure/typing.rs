//! What stands in the fields of a measurement, letter by letter, and what it says.

use crate::domain::{Border, Device, Eye, Laterality, Measurement, ObjectReading, Plane, Quantity};
use crate::entered::{
    Corrected, DecimalMark, Fault, Field, Limits, READINGS_MAX, Subject, Typed, TypedReading, Unit,
    check, degrees, value,
};
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// Decimals of a depth, of which the report keeps the length alone: `3.0`, as it is mostly typed.
const DEPTH_DECIMALS: u8 = 1;

/// The fields of one reading.
#[derive(Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Row {
    /// Width, millimetres.
    pub value: String,
    /// Plane, a word; empty: not known.
    pub plane: String,
    /// Depth behind the globe, millimetres.
    pub depth: String,
    /// Angle, degrees.
    pub angle: String,
}

impl Row {
    fn is_empty(&self) -> bool {
        let all = [&self.value, &self.plane, &self.depth, &self.angle];
        all.into_iter().all(|text| text.trim().is_empty())
    }

    fn of(one: &Measurement) -> Row {
        let number = |text: Option<String>| text.unwrap_or_default();
        let angle = one.geometry.and_then(|geometry| geometry.angle_deg);
        Row {
            value: number(one.value_as_sent.clone()),
            plane: plane_word(one.plane).to_owned(),
            depth: number(one.depth().map(|depth| depth.digits(DEPTH_DECIMALS))),
            angle: number(angle.map(|angle| angle.to_string())),
        }
    }
}

/// A measurement as it stands in its fields.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Typing {
    /// Whose.
    pub subject: Subject,
    /// Day, `2026-05-07`.
    #[serde(default)]
    pub date: String,
    /// Time of day, `10:31`; empty: not known.
    #[serde(default)]
    pub time: String,
    /// Borders, a word; empty: not known.
    #[serde(default)]
    pub border: String,
    /// Who measured; empty: not known.
    #[serde(default)]
    pub operator: String,
    /// Maker of the machine or probe.
    #[serde(default)]
    pub maker: String,
    /// Its model.
    #[serde(default)]
    pub model: String,
    /// Its serial number.
    #[serde(default)]
    pub serial: String,
    /// Readings of the right eye.
    #[serde(default)]
    pub right: Vec<Row>,
    /// Readings of the left eye.
    #[serde(default)]
    pub left: Vec<Row>,
    /// The report that is corrected.
    #[serde(default)]
    pub corrects: Option<Corrected>,
    /// Why.
    #[serde(default)]
    pub reason: String,
}

/// What fields say, and what speaks against it.
pub struct Judged {
    /// The measurement; `None` where a field cannot be read.
    pub typed: Option<Typed>,
    /// What speaks against it. Readings are numbered as their rows stand.
    pub faults: Vec<Fault>,
}

impl Judged {
    /// What keeps it from being signed.
    pub fn blocking(&self) -> impl Iterator<Item = &Fault> {
        self.faults.iter().filter(|fault| fault.blocking)
    }
}

impl Typing {
    /// Nothing typed yet of a patient.
    #[must_use]
    pub fn of(subject: Subject) -> Self {
        Typing {
            subject,
            date: String::new(),
            time: String::new(),
            border: String::new(),
            operator: String::new(),
            maker: String::new(),
            model: String::new(),
            serial: String::new(),
            right: vec![Row::default(); READINGS_MAX],
            left: vec![Row::default(); READINGS_MAX],
            corrects: None,
            reason: String::new(),
        }
    }

    /// The fields of a typed report as it was read, to be corrected by a further one; a reading keeps no
    /// name, so that of the report comes beside it. `None` where it names no patient, birth date or day.
    #[must_use]
    pub fn correcting(
        reading: &ObjectReading,
        corrects: Corrected,
        name: Option<String>,
    ) -> Option<Self> {
        let (patient, exam) = (reading.patient.as_ref()?, reading.exam.as_ref()?);
        let performed_at = exam.performed_at?;
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        let rows = |eye: Eye| {
            let of_eye = reading.measurements.iter().filter(|one| {
                one.quantity == Quantity::SheathDiameter && one.eye == Laterality::from(eye)
            });
            let mut rows: Vec<Row> = of_eye.map(Row::of).collect();
            rows.resize(READINGS_MAX.max(rows.len()), Row::default());
            rows
        };
        let border = reading.measurements.iter().find_map(|one| one.definition);
        Some(Typing {
            date: performed_at.date().to_string(),
            time: performed_at
                .time()
                .map_or(String::new(), |time| time.format("%H:%M:%S").to_string()),
            border: border_word(border).to_owned(),
            operator: text(&exam.operator),
            maker: text(&exam.device.manufacturer),
            model: text(&exam.device.model),
            serial: text(&exam.device.serial),
            right: rows(Eye::Right),
            left: rows(Eye::Left),
            corrects: Some(corrects),
            ..Typing::of(Subject {
                patient: patient.key.clone(),
                birth_date: patient.birth_date?,
                sex: patient.sex,
                name,
                accession: exam.accession.clone(),
            })
        })
    }

    /// The rows of an eye.
    #[must_use]
    pub fn rows(&self, eye: Eye) -> &[Row] {
        match eye {
            Eye::Right => &self.right,
            Eye::Left => &self.left,
        }
    }

    /// What the fields say when `author` signs them at `at`.
    #[must_use]
    pub fn judge(&self, author: &str, at: DateTime<FixedOffset>, limits: &Limits) -> Judged {
        let mut faults = Vec::new();
        let mut lacks = |field: Field, sentence: String| faults.push(block(field, sentence));
        let day = self.date.trim().parse::<NaiveDate>();
        if self.date.trim().is_empty() {
            lacks(
                Field::Day,
                "is empty; say on which day it was measured".to_owned(),
            );
        } else if day.is_err() {
            lacks(Field::Day, "is no day; write it as 2026-05-07".to_owned());
        }
        let time = time(self.time.trim());
        if time.is_err() {
            lacks(
                Field::Time,
                "is no time of day; write it as 10:31".to_owned(),
            );
        }
        let border = border(&self.border);
        if border.is_err() {
            lacks(Field::Border, "is none of the choices".to_owned());
        }
        if self.corrects.is_some() && self.reason.trim().is_empty() {
            lacks(
                Field::Reason,
                "is empty; say why the report is corrected".to_owned(),
            );
        }
        let mut rows_of = [Vec::new(), Vec::new()];
        let [right, left] = [Eye::Right, Eye::Left].map(|eye| {
            let (readings, rows, wrong) = readings(eye, self.rows(eye));
            faults.extend(wrong);
            if let Some(of) = rows_of.get_mut(usize::from(eye == Eye::Left)) {
                *of = rows;
            }
            readings
        });
        let (Ok(day), Ok(time), Ok(border), true) = (day, time, border, faults.is_empty()) else {
            return Judged {
                typed: None,
                faults,
            };
        };
        let filled = |text: &str| {
            Some(text.trim())
                .filter(|text| !text.is_empty())
                .map(str::to_owned)
        };
        let typed = Typed {
            subject: self.subject.clone(),
            day,
            time,
            right,
            left,
            border,
            operator: filled(&self.operator),
            device: Device {
                manufacturer: filled(&self.maker),
                model: filled(&self.model),
                serial: filled(&self.serial),
            },
            author: author.to_owned(),
            signed_at: at,
            transcribed: None,
            corrects: self.corrects.clone(),
            reason: self.reason.trim().to_owned(),
        };
        // A row that was left empty between two others moves the readings up, not the rows.
        let place = |eye: Eye, n: usize| {
            let rows = rows_of.get(usize::from(eye == Eye::Left));
            rows.and_then(|rows| rows.get(n)).copied().unwrap_or(n)
        };
        let faults = check(&typed, limits).into_iter().map(|fault| Fault {
            field: match fault.field {
                Field::Value(eye, n) => Field::Value(eye, place(eye, n)),
                Field::Plane(eye, n) => Field::Plane(eye, place(eye, n)),
                Field::Depth(eye, n) => Field::Depth(eye, place(eye, n)),
                Field::Angle(eye, n) => Field::Angle(eye, place(eye, n)),
                other => other,
            },
            ..fault
        });
        let faults = faults.collect();
        Judged {
            typed: Some(typed),
            faults,
        }
    }
}

fn block(field: Field, sentence: String) -> Fault {
    Fault {
        field,
        sentence,
        blocking: true,
    }
}

/// The readings of an eye, the rows they stand in, and what cannot be read.
#[must_use]
pub fn readings(eye: Eye, rows: &[Row]) -> (Vec<TypedReading>, Vec<usize>, Vec<Fault>) {
    let (mut readings, mut places, mut faults) = (Vec::new(), Vec::new(), Vec::new());
    for (n, row) in rows.iter().enumerate().filter(|(_, row)| !row.is_empty()) {
        if row.value.trim().is_empty() {
            let what = "is empty, and something else is said of this reading; type its value or empty \
                        its other fields";
            faults.push(block(Field::Value(eye, n), what.to_owned()));
            continue;
        }
        let mut read = |field: Field, text: &str| {
            let number = value(text, Unit::Mm, DecimalMark::Point);
            number.map_err(|what| faults.push(block(field, what))).ok()
        };
        let width = read(Field::Value(eye, n), &row.value);
        let depth = match row.depth.trim() {
            "" => Some(None),
            text => read(Field::Depth(eye, n), text).map(|(depth, _)| Some(depth)),
        };
        let angle = match row.angle.trim() {
            "" => Ok(None),
            text => degrees(text, DecimalMark::Point).map(Some),
        };
        let plane = plane(&row.plane);
        if let Err(what) = &angle {
            faults.push(block(Field::Angle(eye, n), what.clone()));
        }
        if plane.is_none() {
            let what = "is none of the choices".to_owned();
            faults.push(block(Field::Plane(eye, n), what));
        }
        if let (Some((width, decimals)), Some(depth), Ok(angle_deg), Some(plane)) =
            (width, depth, angle, plane)
        {
            places.push(n);
            readings.push(TypedReading {
                plane,
                depth,
                angle_deg,
                ..TypedReading::of(width, decimals)
            });
        }
    }
    (readings, places, faults)
}

fn time(text: &str) -> Result<Option<NaiveTime>, ()> {
    if text.is_empty() {
        return Ok(None);
    }
    let forms = ["%H:%M", "%H:%M:%S"];
    let mut read = forms
        .iter()
        .map(|form| NaiveTime::parse_from_str(text, form));
    read.find_map(Result::ok).map(Some).ok_or(())
}

/// Planes as they are chosen: the word, and what people read.
pub const PLANES: [(&str, &str); 4] = [
    ("", "not known"),
    ("transverse", "transverse"),
    ("sagittal", "sagittal"),
    ("oblique", "oblique"),
];

fn plane(word: &str) -> Option<Plane> {
    Some(match word {
        "" => Plane::Unspecified,
        "transverse" => Plane::Transverse,
        "sagittal" => Plane::Sagittal,
        "oblique" => Plane::Oblique,
        _ => return None,
    })
}

fn plane_word(plane: Plane) -> &'static str {
    match plane {
        Plane::Unspecified => "",
        Plane::Transverse => "transverse",
        Plane::Sagittal => "sagittal",
        Plane::Oblique => "oblique",
    }
}

/// Borders as they are chosen.
pub const BORDERS: [(&str, &str); 3] = [("", "not known"), ("outer", "outer"), ("inner", "inner")];

fn border(word: &str) -> Result<Option<Border>, ()> {
    Ok(match word {
        "" => None,
        "outer" => Some(Border::Outer),
        "inner" => Some(Border::Inner),
        _ => return Err(()),
    })
}

fn border_word(border: Option<Border>) -> &'static str {
    match border {
        None => "",
        Some(Border::Outer) => "outer",
        Some(Border::Inner) => "inner",
    }
}
