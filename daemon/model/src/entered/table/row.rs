//! One row: its fields as what they say, or why not.

use super::columns::{Column, Places, Shape};
use super::{Declared, RowFault, Signing};
use crate::domain::{Border, Device, Eye, Millimetres, PatientKey, Plane, Sex};
use crate::entered::records::Record;
use crate::entered::written::{self, Unit};
use crate::entered::{READINGS_MAX, Subject, Typed, TypedReading};
use chrono::{NaiveDate, NaiveTime};

/// The readings of one eye.
pub(super) type Readings = Vec<TypedReading>;

/// What makes rows one exam: all that they say of it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct What {
    issuer: String,
    id: String,
    day: NaiveDate,
    time: Option<NaiveTime>,
    accession: Option<String>,
    birth_date: NaiveDate,
    sex: Option<Sex>,
    name: Option<String>,
    border: Option<&'static str>,
    operator: Option<String>,
    device: [Option<String>; 3],
}

/// What a row says beside: one reading, or all of an exam.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Read {
    /// Number of the reading, where the table numbers them.
    pub(super) number: Option<u32>,
    /// Eye, which column of it, reading.
    readings: Vec<(Eye, u8, TypedReading)>,
}

impl Read {
    pub(super) fn readings(&self, eye: Eye) -> impl Iterator<Item = TypedReading> + '_ {
        let of = self.readings.iter().filter(move |(own, ..)| *own == eye);
        of.map(|(_, _, reading)| *reading)
    }

    /// The eye of a row that is one reading.
    pub(super) fn eye(&self) -> Option<Eye> {
        self.readings.first().map(|(eye, ..)| *eye)
    }

    /// The column of the n-th reading of an eye.
    pub(super) fn column(&self, eye: Eye, n: usize) -> Column {
        let mut of = self.readings.iter().filter(|(own, ..)| *own == eye);
        let number = of.nth(n).map_or(1, |(_, number, _)| *number);
        Column::Width(eye, number)
    }
}

impl What {
    /// The exam of rows that say this.
    pub(super) fn typed(
        &self,
        right: Readings,
        left: Readings,
        rows: &[(u64, Read)],
        signing: &Signing,
    ) -> Typed {
        let mut lines = rows.iter().map(|(line, _)| line.to_string());
        let first = lines.next().unwrap_or_default();
        let source = match lines.next_back() {
            None => format!("line {first}"),
            Some(last) => format!("lines {first} to {last}"),
        };
        let [manufacturer, model, serial] = self.device.clone();
        Typed {
            subject: Subject {
                patient: PatientKey {
                    issuer: self.issuer.clone(),
                    id: self.id.clone(),
                },
                birth_date: self.birth_date,
                sex: self.sex,
                name: self.name.clone(),
                accession: self.accession.clone(),
            },
            day: self.day,
            time: self.time,
            right,
            left,
            border: self.border.map(|border| match border {
                OUTER => Border::Outer,
                _ => Border::Inner,
            }),
            operator: self.operator.clone(),
            device: Device {
                manufacturer,
                model,
                serial,
            },
            author: signing.author.clone(),
            signed_at: signing.at,
            transcribed: Some(source),
            corrects: None,
            reason: signing.reason.clone(),
        }
    }
}

const OUTER: &str = "outer";

struct Fields<'a> {
    record: &'a Record,
    places: &'a Places,
    declared: &'a Declared,
    faults: Vec<RowFault>,
}

/// Reads a row.
pub(super) fn read(
    record: &Record,
    places: &Places,
    declared: &Declared,
) -> Result<(What, Read), Vec<RowFault>> {
    let line = record.line;
    if let Some((field, what)) = &record.wrong {
        return Err(vec![RowFault::new(line, field.to_string(), what)]);
    }
    if record.fields.len() != places.count {
        let what = format!(
            "{} fields where the first line names {}",
            record.fields.len(),
            places.count
        );
        return Err(vec![RowFault::new(line, "", what)]);
    }
    let mut fields = Fields {
        record,
        places,
        declared,
        faults: Vec::new(),
    };
    let what = fields.what();
    let read = match declared.shape {
        Shape::Readings => fields.one(),
        Shape::Exams => fields.all(),
    };
    match (what, read) {
        (Some(what), Some(read)) if fields.faults.is_empty() => Ok((what, read)),
        _ => Err(fields.faults),
    }
}

impl<'a> Fields<'a> {
    fn wrong(&mut self, column: Column, reason: impl Into<String>) {
        let name = self.places.name(column);
        self.faults
            .push(RowFault::new(self.record.line, name, reason));
    }

    fn raw(&self, column: Column) -> Option<&'a str> {
        self.places.field(self.record, column)
    }

    /// A text; a spreadsheet's formula or error is none.
    fn text(&mut self, column: Column) -> Option<String> {
        let text = self.raw(column)?;
        if text.starts_with(['=', '@']) {
            self.wrong(column, "is a formula; save the table with values");
            return None;
        }
        let error = text.starts_with('#') && text.ends_with(['!', '?', 'A']);
        if error {
            self.wrong(
                column,
                format!("{text:?} is a spreadsheet's error, no value"),
            );
            return None;
        }
        Some(text.to_owned())
    }

    fn needed(&mut self, column: Column) -> Option<String> {
        if self.raw(column).is_none() {
            self.wrong(column, "is empty");
            return None;
        }
        self.text(column)
    }

    /// An id as it was, not as a spreadsheet writes large numbers.
    fn id(&mut self) -> Option<String> {
        let id = self.needed(Column::PatientId)?;
        let shortened = id.split_once(['E', 'e']).is_some_and(|(number, power)| {
            number.contains(['.', ','])
                && number.starts_with(|letter: char| letter.is_ascii_digit())
                && power.starts_with('+')
        });
        if shortened {
            self.wrong(
                Column::PatientId,
                format!("{id:?} is a number that a spreadsheet has shortened; its digits are lost"),
            );
            return None;
        }
        Some(id)
    }

    fn day(&mut self, column: Column, text: &str) -> Option<NaiveDate> {
        let day = self.declared.dates.day(text);
        if day.is_none() {
            self.wrong(
                column,
                format!(
                    "{text:?} is no date of the form {}",
                    self.declared.dates.shown()
                ),
            );
        }
        day
    }

    fn time(&mut self, column: Column, text: &str) -> Option<NaiveTime> {
        let forms = ["%H:%M", "%H:%M:%S"];
        let time = forms.iter().find_map(|form| {
            let time = NaiveTime::parse_from_str(text, form).ok()?;
            (time.format(form).to_string() == text).then_some(time)
        });
        if time.is_none() {
            self.wrong(column, format!("{text:?} is no time; write HH:MM"));
        }
        time
    }

    fn when(&mut self) -> Option<(NaiveDate, Option<NaiveTime>)> {
        let date = self.needed(Column::Date)?;
        let apart = self.raw(Column::Time);
        let (day, beside) = match date.split_once(['T', ' ']) {
            Some((day, time)) => (day.to_owned(), Some(time.to_owned())),
            None => (date, None),
        };
        let day = self.day(Column::Date, &day)?;
        let time = match (apart, beside) {
            (None, None) => None,
            (Some(time), None) => Some(self.time(Column::Time, time)?),
            (None, Some(time)) => Some(self.time(Column::Date, &time)?),
            (Some(_), Some(_)) => {
                self.wrong(Column::Time, "the date has a time already");
                return None;
            }
        };
        Some((day, time))
    }

    fn what(&mut self) -> Option<What> {
        let id = self.id();
        let issuer = self
            .text(Column::Issuer)
            .unwrap_or_else(|| self.declared.issuer.clone());
        let birth_date = self.needed(Column::BirthDate);
        let birth_date = birth_date.and_then(|text| self.day(Column::BirthDate, &text));
        let when = self.when();
        let sex = match self.text(Column::Sex).as_deref() {
            None => None,
            Some(text) => {
                let sex = Sex::of_letter(text);
                if sex.is_none() {
                    self.wrong(Column::Sex, format!("{text:?} is none; write F, M or O"));
                }
                sex
            }
        };
        let border = match self.text(Column::Border).as_deref() {
            None => None,
            Some("outer") => Some(OUTER),
            Some("inner") => Some("inner"),
            Some(text) => {
                self.wrong(
                    Column::Border,
                    format!("{text:?} is none; write outer or inner"),
                );
                None
            }
        };
        let accession = self.text(Column::Accession);
        let name = self.text(Column::Name);
        let operator = self.text(Column::Operator);
        let device = [Column::Manufacturer, Column::Model, Column::Serial];
        let device = device.map(|column| self.text(column));
        let (day, time) = when?;
        Some(What {
            issuer,
            id: id?,
            day,
            time,
            accession,
            birth_date: birth_date?,
            sex,
            name,
            border,
            operator,
            device,
        })
    }

    fn plane(&mut self) -> Plane {
        match self.text(Column::Plane).as_deref() {
            None => Plane::Unspecified,
            Some("transverse") => Plane::Transverse,
            Some("sagittal") => Plane::Sagittal,
            Some("oblique") => Plane::Oblique,
            Some(text) => {
                self.wrong(
                    Column::Plane,
                    format!("{text:?} is no plane; write transverse, sagittal or oblique"),
                );
                Plane::Unspecified
            }
        }
    }

    fn depth(&mut self) -> Option<Millimetres> {
        let text = self.raw(Column::Depth)?;
        match written::value(text, Unit::Mm, self.declared.decimal) {
            Ok((depth, _)) => Some(depth),
            Err(what) => {
                self.wrong(Column::Depth, what);
                None
            }
        }
    }

    fn angle(&mut self) -> Option<f64> {
        let text = self.raw(Column::Angle)?;
        match written::degrees(text, self.declared.decimal) {
            Ok(angle) => Some(angle),
            Err(what) => {
                self.wrong(Column::Angle, what);
                None
            }
        }
    }

    fn width(&mut self, column: Column) -> Option<TypedReading> {
        let text = self.raw(column)?;
        match written::value(text, self.declared.unit, self.declared.decimal) {
            Ok((value, decimals)) => Some(TypedReading::of(value, decimals)),
            Err(what) => {
                self.wrong(column, what);
                None
            }
        }
    }

    /// A row that is one reading.
    fn one(&mut self) -> Option<Read> {
        let eye = self.needed(Column::Eye);
        let eye = eye.and_then(|text| {
            let eye = eye_of(&text);
            if eye.is_none() {
                self.wrong(
                    Column::Eye,
                    format!("{text:?} names no eye; write right or left, R or L, OD or OS"),
                );
            }
            eye
        });
        if self.raw(Column::Value).is_none() {
            self.wrong(Column::Value, "is empty");
        }
        let number = self.raw(Column::Reading).and_then(|text| {
            let number = text.parse().ok();
            let number = number.filter(|n| (1..=READINGS_MAX).contains(&(*n as usize)));
            if number.is_none() {
                self.wrong(
                    Column::Reading,
                    format!("{text:?} is no number of a reading; write 1 to {READINGS_MAX}"),
                );
            }
            number
        });
        let (plane, depth, angle_deg) = (self.plane(), self.depth(), self.angle());
        let reading = self.width(Column::Value)?;
        let reading = TypedReading {
            plane,
            depth,
            angle_deg,
            ..reading
        };
        Some(Read {
            number,
            readings: vec![(eye?, 1, reading)],
        })
    }

    /// A row that is an exam.
    fn all(&mut self) -> Option<Read> {
        let (plane, depth, angle_deg) = (self.plane(), self.depth(), self.angle());
        let mut readings = Vec::new();
        let mut blank = true;
        for column in Column::of_shape(Shape::Exams) {
            let Column::Width(eye, number) = column else {
                continue;
            };
            blank &= self.raw(column).is_none();
            if let Some(reading) = self.width(column) {
                let reading = TypedReading {
                    plane,
                    depth,
                    angle_deg,
                    ..reading
                };
                readings.push((eye, number, reading));
            }
        }
        if blank {
            let fault = RowFault::new(
                self.record.line,
                "",
                "there is no value of either eye; fill one in, or leave the line out",
            );
            self.faults.push(fault);
        }
        Some(Read {
            number: None,
            readings,
        })
    }
}

/// An eye by the words and letters of the trade (OD and OS: oculus dexter and sinister; common practice,
/// no source).
fn eye_of(text: &str) -> Option<Eye> {
    match text.to_ascii_lowercase().as_str() {
        "right" | "r" | "od" => Some(Eye::Right),
        "left" | "l" | "os" => Some(Eye::Left),
        _ => None,
    }
}
