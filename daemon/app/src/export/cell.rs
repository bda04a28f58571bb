//! One value of a table, and how it is written as text.

use chrono::{DateTime, NaiveDate, NaiveDateTime, SecondsFormat, Timelike, Utc};
use serde::Serialize;
use std::borrow::Cow;
use std::fmt;

/// What a column holds. Each is one type of Frictionless, of Parquet and of CSV.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// UTF-8.
    Text,
    /// A whole number.
    Integer,
    /// A binary number of 64 bits.
    Number,
    /// `true` or `false`.
    Flag,
    /// A day.
    Date,
    /// Date and time on the clock of a place, without offset; microseconds.
    Clock,
    /// A point in time, UTC; microseconds.
    Instant,
}

/// One value; its kind is that of its column.
#[derive(Clone, PartialEq)]
pub(crate) enum Cell {
    /// Not known. An empty text is not known either, since CSV cannot tell the two apart.
    Empty,
    /// [`Kind::Text`], not empty.
    Text(String),
    /// [`Kind::Integer`].
    Integer(i64),
    /// [`Kind::Number`].
    Number(f64),
    /// [`Kind::Flag`].
    Flag(bool),
    /// [`Kind::Date`].
    Date(NaiveDate),
    /// [`Kind::Clock`].
    Clock(NaiveDateTime),
    /// [`Kind::Instant`].
    Instant(DateTime<Utc>),
}

/// Cells hold patients' data, which must not reach a log.
impl fmt::Debug for Cell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Cell(hidden)")
    }
}

impl Cell {
    /// A text; empty ones are [`Cell::Empty`].
    pub(crate) fn text(text: impl Into<String>) -> Cell {
        match text.into() {
            text if text.is_empty() => Cell::Empty,
            text => Cell::Text(text),
        }
    }

    /// A text that may be missing.
    #[must_use]
    pub(crate) fn text_of(text: Option<&String>) -> Cell {
        text.map_or(Cell::Empty, Cell::text)
    }

    /// A number that may be missing; what is no number is not known.
    #[must_use]
    pub(crate) fn number(number: Option<f64>) -> Cell {
        let number = number.filter(|number| number.is_finite());
        number.map_or(Cell::Empty, Cell::Number)
    }

    /// How many.
    #[must_use]
    pub(crate) fn count(count: usize) -> Cell {
        i64::try_from(count).map_or(Cell::Empty, Cell::Integer)
    }

    /// The word of an enum, as it stands in JSON.
    #[must_use]
    pub(crate) fn word(value: &impl Serialize) -> Cell {
        match serde_json::to_value(value) {
            Ok(serde_json::Value::String(word)) => Cell::text(word),
            _ => Cell::Empty,
        }
    }

    /// The words of enums in one text, separated by spaces.
    #[must_use]
    pub(crate) fn words(values: &[impl Serialize]) -> Cell {
        let words: Vec<Cell> = values.iter().map(Cell::word).collect();
        let words: Vec<_> = words.iter().map(Cell::written).collect();
        Cell::codes(words.iter().map(AsRef::as_ref))
    }

    /// Codes in one text, separated by spaces.
    pub(crate) fn codes<'a>(codes: impl IntoIterator<Item = &'a str>) -> Cell {
        let codes: Vec<&str> = codes.into_iter().collect();
        Cell::text(codes.join(" "))
    }

    /// A time on a clock. A leap second counts as the last microsecond before it, so that it stays
    /// on its day.
    #[must_use]
    pub(crate) fn clock(at: NaiveDateTime) -> Cell {
        let at = match at.nanosecond() {
            1_000_000_000.. => at.with_nanosecond(999_999_000).unwrap_or(at),
            nanos => at.with_nanosecond(nanos - nanos % 1000).unwrap_or(at),
        };
        Cell::Clock(at)
    }

    /// As it stands in CSV: points in decimals, ISO 8601.
    #[must_use]
    pub(crate) fn written(&self) -> Cow<'_, str> {
        match self {
            Cell::Empty => Cow::Borrowed(""),
            Cell::Text(text) => Cow::Borrowed(text),
            Cell::Integer(number) => Cow::Owned(number.to_string()),
            Cell::Number(number) => Cow::Owned(number.to_string()),
            Cell::Flag(true) => Cow::Borrowed("true"),
            Cell::Flag(false) => Cow::Borrowed("false"),
            Cell::Date(date) => Cow::Owned(date.to_string()),
            Cell::Clock(at) => Cow::Owned(at.format("%Y-%m-%dT%H:%M:%S%.6f").to_string()),
            Cell::Instant(at) => Cow::Owned(at.to_rfc3339_opts(SecondsFormat::Micros, true)),
        }
    }

    /// A cell from what [`Cell::written`] made; `None` when it is not of that kind.
    #[must_use]
    pub(crate) fn read(kind: Kind, text: &str) -> Option<Cell> {
        if text.is_empty() {
            return Some(Cell::Empty);
        }
        Some(match kind {
            Kind::Text => Cell::text(text),
            Kind::Integer => Cell::Integer(text.parse().ok()?),
            Kind::Number => Cell::Number(text.parse().ok()?),
            Kind::Flag => Cell::Flag(text.parse().ok()?),
            Kind::Date => Cell::Date(text.parse().ok()?),
            Kind::Clock => Cell::Clock(text.parse().ok()?),
            Kind::Instant => Cell::Instant(DateTime::parse_from_rfc3339(text).ok()?.to_utc()),
        })
    }

    /// Whether it may stand in a column of that kind.
    #[cfg(test)]
    pub(crate) fn is(&self, kind: Kind) -> bool {
        matches!(
            (self, kind),
            (Cell::Empty, _)
                | (Cell::Text(_), Kind::Text)
                | (Cell::Integer(_), Kind::Integer)
                | (Cell::Number(_), Kind::Number)
                | (Cell::Flag(_), Kind::Flag)
                | (Cell::Date(_), Kind::Date)
                | (Cell::Clock(_), Kind::Clock)
                | (Cell::Instant(_), Kind::Instant)
        )
    }
}
