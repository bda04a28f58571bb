//! The result as an HL7 v2.5.1 message ORU^R01, in UTF-8, one segment a line ending in CR.
//!
//! The side is part of every code (`diameter-right`), since v2.5.1 has no field for it beside a
//! value: a receiver that keeps code and value alone cannot mix up the eyes.

pub mod segment;

use super::codes::{self, Coded};
use super::facts::{self, Said, Topic};
use super::ids::{Of, uuid};
use super::values::{self, Row, Which};
use super::{Context, FormError};
use crate::domain::{Moment, Sex};
use crate::render::text;
use crate::results::{Change, Content, Envelope, cautions};
use chrono::{FixedOffset, NaiveDate, NaiveTime};
use segment::{Field, Segment, composite};
use serde::Serialize;

/// Between whom the message goes (MSH-3 to MSH-6) and what it is worth (MSH-11).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// MSH-3.
    pub sending_application: String,
    /// MSH-4.
    pub sending_facility: String,
    /// MSH-5.
    pub receiving_application: String,
    /// MSH-6.
    pub receiving_facility: String,
    /// MSH-11.
    pub processing: Processing,
}

/// Processing id (table 0103).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Processing {
    /// `P`.
    Production,
    /// `T`.
    Training,
    /// `D`.
    Debugging,
}

impl Default for Route {
    fn default() -> Self {
        Route {
            sending_application: "SHEATHLINE".to_owned(),
            sending_facility: String::new(),
            receiving_application: String::new(),
            receiving_facility: String::new(),
            processing: Processing::Production,
        }
    }
}

/// The message.
///
/// Values that the previous version sent and this one has not are sent as deleted (OBX-11 `D`).
///
/// # Errors
///
/// When context and result do not belong together.
pub fn oru_r01(result: &Envelope, context: &Context, route: &Route) -> Result<String, FormError> {
    context.check(result)?;
    let created = values::created(result)?
        .format("%Y%m%d%H%M%S+0000")
        .to_string();
    let content = &result.content;
    let exam = &content.exam;
    // A reminder is another message of the same version: its own id, or it would pass for a repeat.
    let named = if context.reminder {
        "hl7 reminder"
    } else {
        "hl7 message"
    };
    let id: String = uuid(&Of::Version(result), named).replace('-', "");
    // MSH-10 takes 20 characters.
    let control = id.get(..20).unwrap_or_default();
    let processing = match route.processing {
        Processing::Production => "P",
        Processing::Training => "T",
        Processing::Debugging => "D",
    };
    let performed = time(exam.performed_at);
    let (title, section, _) = values::report(&result.content);
    let filler = composite([exam.id.as_str(), route.sending_application.as_str()]);
    let status = status(result);
    let mut segments = vec![
        Segment::header()
            .text(3, &route.sending_application)
            .text(4, &route.sending_facility)
            .text(5, &route.receiving_application)
            .text(6, &route.receiving_facility)
            .text(7, &created)
            .field(9, composite(["ORU", "R01", "ORU_R01"]))
            .text(10, control)
            .text(11, processing)
            .text(12, "2.5.1")
            .text(18, "UNICODE UTF-8"),
        patient(result, context),
        Segment::new("ORC").text(1, "RE").field(3, filler.clone()),
        Segment::new("OBR")
            .text(1, "1")
            .field(3, filler)
            .field(4, code(title))
            .text(7, &performed)
            .text(18, exam.accession.as_deref().unwrap_or_default())
            .text(22, &created)
            .text(24, section)
            .text(25, status),
    ];
    let now = observations(result);
    let before = context.previous.as_deref().map(observations);
    let gone = before.into_iter().flatten().filter(|old| {
        let mut still = now.iter();
        !still.any(|new| new.code == old.code && new.group == old.group)
    });
    let gone = gone.map(|old| Observation {
        change: "",
        deleted: true,
        ..old
    });
    let reminder = context.reminder.then(|| {
        let said = Value::Code(codes::REMINDER);
        Observation::new(codes::KIND_OF_CHANGE, "reminder", said)
    });
    let all = now.iter().cloned().chain(reminder).chain(gone);
    let all: Vec<Observation> = all.collect();
    for (number, one) in (1..).zip(all) {
        segments.push(one.segment(number, status, &performed));
    }
    Ok(segments.iter().map(Segment::line).collect())
}

/// OBR-25 and OBX-11 (tables 0123, 0085).
fn status(result: &Envelope) -> &'static str {
    match (result.version, result.content.is_preliminary()) {
        (2.., _) => "C",
        (_, true) => "P",
        _ => "F",
    }
}

fn patient(result: &Envelope, context: &Context) -> Segment {
    let patient = &result.content.patient;
    let universal = context.issuer_universal(result);
    let (entity, kind) = match universal {
        Some((entity, kind)) => (entity.as_str(), kind.as_str()),
        None => ("", ""),
    };
    let authority = [patient.issuer.as_str(), entity, kind];
    let name = context.agreed(result, |origin| origin.patient_name.as_ref());
    let born = patient
        .birth_date
        .map(|date| date.format("%Y%m%d").to_string());
    Segment::new("PID")
        .text(1, "1")
        .field(
            3,
            Field::from_components(vec![
                vec![patient.id.as_str()],
                vec![],
                vec![],
                authority.into(),
            ]),
        )
        .field(5, name.map_or_else(unnamed, |name| person(name)))
        .text(7, born.as_deref().unwrap_or_default())
        .text(8, patient.sex.map_or("", Sex::letter))
}

/// PID-5 is required; a name that is not known has the type `U`, unspecified (table 0200).
fn unnamed() -> Field {
    composite(["", "", "", "", "", "", "U"])
}

/// DICOM orders a name family, given, middle, prefix, suffix; XPN puts the suffix first. Of several
/// writings of the name the first, alphabetic one is sent.
fn person(name: &str) -> Field {
    let alphabetic = name.split('=').next().unwrap_or_default();
    let mut parts = alphabetic.split('^');
    let mut next = || parts.next().unwrap_or_default();
    let [family, given, middle, prefix, suffix] = [next(), next(), next(), next(), next()];
    composite([family, given, middle, suffix, prefix])
}

/// A time with as much zone as is known (TS).
fn time(at: Moment) -> String {
    let local = at.local.format("%Y%m%d%H%M%S").to_string();
    let offset = at.offset_s.and_then(FixedOffset::east_opt);
    offset.map_or(local.clone(), |offset| {
        local + &offset.to_string().replace(':', "")
    })
}

fn of_unit(unit: Coded) -> Field {
    composite([unit.value, unit.meaning, unit.scheme])
}

fn code(code: Coded) -> Field {
    composite([code.value, code.meaning, code.scheme])
}

/// What goes into OBX-5, with its type in OBX-2.
#[derive(Debug, Clone, PartialEq)]
enum Value {
    /// NM with its unit; SN where it is less than can be written.
    Number(f64, Coded),
    /// DT, or TS where the time is told.
    At(NaiveDate, Option<NaiveTime>),
    /// CWE.
    Code(Coded),
    /// TX.
    Text(String),
    /// ST.
    Short(String),
}

/// One OBX.
#[derive(Debug, Clone, PartialEq)]
struct Observation {
    /// Value, meaning and scheme of OBX-3, then those of the alternative.
    code: Vec<String>,
    /// OBX-4: `right`, `right.1`.
    group: String,
    value: Value,
    /// OBX-8.
    change: &'static str,
    /// OBX-14, when the value has a time of its own.
    at: Option<Moment>,
    deleted: bool,
}

impl Observation {
    fn new(code: Coded, group: impl Into<String>, value: Value) -> Self {
        Observation {
            code: [code.value, code.meaning, code.scheme]
                .map(str::to_owned)
                .into(),
            group: group.into(),
            value,
            change: "",
            at: None,
            deleted: false,
        }
    }

    /// A number of one row: its code with the row's name behind.
    fn of_row(code: Coded, which: Which, value: Value) -> Self {
        let mut one = Self::new(code, which.word(), value);
        one.code = vec![
            format!("{}-{}", code.value, which.word()),
            format!("{}, {}", code.meaning, which.row().meaning.to_lowercase()),
            code.scheme.to_owned(),
        ];
        one
    }

    /// Adds the standard code that says the same less precisely.
    fn also(mut self, code: Coded) -> Self {
        self.code
            .extend([code.value, code.meaning, code.scheme].map(str::to_owned));
        self
    }

    fn segment(&self, number: usize, status: &str, performed: &str) -> Segment {
        let (kind, value, unit) = match &self.value {
            Value::Number(number, unit) => match values::three(*number) {
                Some(digits) => ("NM", Field::text(&digits), of_unit(*unit)),
                // NM has no exponent; a chance that small is said as an upper bound (SN).
                None => ("SN", composite(["<", values::LEAST]), of_unit(*unit)),
            },
            Value::At(day, None) => (
                "DT",
                Field::text(&day.format("%Y%m%d").to_string()),
                Field::text(""),
            ),
            Value::At(day, Some(time)) => (
                "TS",
                Field::text(&day.and_time(*time).format("%Y%m%d%H%M%S").to_string()),
                Field::text(""),
            ),
            Value::Code(value) => ("CWE", code(*value), Field::text("")),
            Value::Text(text) => ("TX", Field::text(text), Field::text("")),
            Value::Short(text) => ("ST", Field::text(text), Field::text("")),
        };
        let at = self.at.map_or(performed.to_owned(), time);
        let status = if self.deleted { "D" } else { status };
        Segment::new("OBX")
            .text(1, &number.to_string())
            .text(2, kind)
            .field(3, composite(self.code.iter().map(String::as_str)))
            .text(4, &self.group)
            .field(5, value)
            .field(6, unit)
            .text(8, self.change)
            .text(11, status)
            .text(14, &at)
    }
}

/// Values, assessments and texts.
fn observations(result: &Envelope) -> Vec<Observation> {
    let content = &result.content;
    let study = content.exam.study_instance_uid.clone();
    let mut all = vec![Observation::new(
        codes::STUDY_INSTANCE_UID,
        "",
        Value::Short(study),
    )];
    let change = match result.change() {
        Change::NewRise => Some(codes::NEW_RISE),
        Change::WithdrawnRise => Some(codes::WITHDRAWN_RISE),
        Change::First | Change::Changed | Change::Reminder => None,
    };
    all.extend(change.map(|code| Observation::new(codes::KIND_OF_CHANGE, "", Value::Code(code))));
    all.extend(of_topic(&facts::exam(result), ""));
    for row in values::rows(content) {
        all.extend(of_row(&row, content));
    }
    for topic in facts::beside(content) {
        all.extend(of_topic(&topic, topic.name));
    }
    all.extend(texts(result));
    all
}

/// A fact that leads, and those that belong to it; one that is told several times is numbered.
fn of_topic(topic: &Topic, group: &str) -> Vec<Observation> {
    let value = |said: Said| match said {
        Said::Code(code) => Value::Code(code),
        Said::Number(number, unit) => Value::Number(number, unit),
        Said::At(day, time) => Value::At(day, time),
    };
    let group = match topic.which {
        Some(which) => format!("{group}.{}", which.word()),
        None => group.to_owned(),
    };
    let (code, said) = topic.lead;
    let mut lead = Observation::new(code, group.as_str(), value(said));
    lead.change = topic.significant.unwrap_or_default();
    let mut all = vec![lead];
    for (code, said) in &topic.facts {
        let told = topic.facts.iter().filter(|(other, _)| other == code);
        let before = all
            .iter()
            .filter(|one| one.code.first().is_some_and(|one| one == code.value));
        let group = match (told.count(), before.count()) {
            (0 | 1, _) => group.clone(),
            (_, before) => (before + 1).to_string(),
        };
        all.push(Observation::new(*code, group, value(*said)));
    }
    all
}

fn of_row(row: &Row<'_>, content: &Content) -> Vec<Observation> {
    let which = row.which;
    let number = |mm: f64| Value::Number(mm, codes::MILLIMETRE);
    let mut all = vec![Observation::new(
        codes::LATERALITY,
        which.word(),
        Value::Code(which.laterality()),
    )];
    let reading = match which {
        Which::Left => codes::READING_LEFT,
        _ => codes::READING_RIGHT,
    };
    for (at, one) in (1..).zip(&row.readings) {
        let mm = one.value.value_mm.map_or(f64::NAN, |length| length.mm());
        let mut observation =
            Observation::new(reading, format!("{}.{at}", which.word()), number(mm))
                .also(codes::DIAMETER);
        observation.at = one.value.observed_at;
        all.push(observation);
    }
    let Some(answer) = row.answer else { return all };
    let mut value = Observation::new(which.diameter(), which.word(), number(answer.measured_mm))
        .also(codes::DIAMETER);
    let Some(c) = answer.comparison else {
        all.push(value);
        return all;
    };
    value.change = values::row_direction(content, c.status).unwrap_or_default();
    all.push(value);
    all.push(Observation::of_row(
        codes::RESULT_STATUS,
        which,
        Value::Code(values::status(c.status)),
    ));
    all.extend(
        values::figures(&c).map(|(code, value, unit)| {
            Observation::of_row(code, which, Value::Number(value, unit))
        }),
    );
    all
}

/// What a person reads: the answer, what belongs to it, cautions, the version.
fn texts(result: &Envelope) -> Vec<Observation> {
    let content = &result.content;
    let mut numbered = std::collections::BTreeMap::new();
    let mut text = |code: Coded, text: String| {
        let count = numbered.entry(code.value).or_insert(0);
        *count += 1;
        Observation::new(code, count.to_string(), Value::Text(text))
    };
    let mut all = vec![text(codes::FINDING, text::summary_of(result))];
    all.extend(
        values::comments(content)
            .into_iter()
            .map(|line| text(codes::COMMENT, line)),
    );
    let said = content.cautions.iter().map(|caution| caution.text.as_str());
    let said = said.chain([cautions::NOT_A_DEVICE]);
    all.extend(said.map(|line| text(codes::CAUTION, line.to_owned())));
    all.push(text(codes::VERSION, values::version(result)));
    all
}

#[cfg(test)]
mod tests;
