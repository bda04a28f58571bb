//! Readers: one TOML value to one typed value, or what it must be instead.
//!
//! Each function returns a reader, so that the list of keys reads like a table.

mod network;

pub(super) use network::{
    address, ae_title, host, is_loopback, network, optional_host, url, url_host,
};

use super::Sha256Hex;
use crate::routes::hours::Hours;
use sheathline_model::sr::FallbackCharset;
use std::ops::Range;
use std::path::PathBuf;
use toml::de::DeValue;

/// Why a value cannot stand.
#[derive(Debug)]
pub(super) struct Fault {
    /// Completes "... but must be".
    pub(super) must_be: String,
    /// The way out, if there is a better one than the default.
    pub(super) instead: Option<Instead>,
    /// Where, if not the whole value.
    pub(super) span: Option<Range<usize>>,
    /// Whether the value may hold what no message should repeat.
    pub(super) is_secret: bool,
    /// The same of further entries of a list.
    pub(super) further: Vec<Fault>,
}

/// A way out of a fault.
#[derive(Debug)]
pub(super) enum Instead {
    /// A value, as TOML.
    Value(String),
    /// What to do, in words.
    Advice(&'static str),
}

impl Fault {
    pub(super) fn new(must_be: impl Into<String>) -> Self {
        Fault {
            must_be: must_be.into(),
            instead: None,
            span: None,
            is_secret: false,
            further: Vec::new(),
        }
    }

    pub(super) fn value(mut self, toml: Option<String>) -> Self {
        self.instead = toml.map(Instead::Value);
        self
    }

    /// The same fault of a value that no message repeats.
    pub(super) fn kept_secret(mut self) -> Self {
        self.is_secret = true;
        self
    }

    /// The same fault at one entry of a list.
    fn of_entry(self, span: Range<usize>, advice: &'static str) -> Self {
        Fault {
            instead: Some(Instead::Advice(advice)),
            span: Some(span),
            ..self
        }
    }
}

/// Limits of a number; both ends belong to it or neither does.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    low: f64,
    high: f64,
    ends: bool,
}

/// More than `low`, less than `high`.
pub(super) const fn inside(low: f64, high: f64) -> Limits {
    Limits {
        low,
        high,
        ends: false,
    }
}

/// From `low` to `high`, both allowed.
pub(super) const fn from_to(low: f64, high: f64) -> Limits {
    Limits {
        low,
        high,
        ends: true,
    }
}

impl Limits {
    fn hold(self, number: f64) -> bool {
        // Written so that "not a number" fails.
        if self.ends {
            self.low <= number && number <= self.high
        } else {
            self.low < number && number < self.high
        }
    }

    fn must_be(self) -> String {
        let Limits { low, high, ends } = self;
        if ends {
            format!("a number from {low} to {high}")
        } else {
            format!("a number more than {low} and less than {high}")
        }
    }
}

/// `true` or `false`.
pub(super) fn flag(value: &DeValue<'_>) -> Result<bool, Fault> {
    value
        .as_bool()
        .ok_or_else(|| Fault::new("true or false, without quotes"))
}

/// A number within limits; whole numbers need no `.0`.
pub(super) fn number(limits: Limits) -> impl Fn(&DeValue<'_>) -> Result<f64, Fault> {
    move |value| {
        let number = match value {
            DeValue::Float(float) => float.as_str().parse().ok(),
            DeValue::Integer(_) => integer(value).map(|whole| whole as f64),
            _ => None,
        };
        number
            .filter(|number| limits.hold(*number))
            .ok_or_else(|| Fault::new(limits.must_be()))
    }
}

/// A whole number from `low` to `high`.
pub(super) fn whole<T: TryFrom<i64>>(
    low: i64,
    high: i64,
) -> impl Fn(&DeValue<'_>) -> Result<T, Fault> {
    move |value| {
        integer(value)
            .filter(|whole| (low..=high).contains(whole))
            .and_then(|whole| T::try_from(whole).ok())
            .ok_or_else(|| Fault::new(format!("a whole number from {low} to {high}")))
    }
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// One of some words.
pub(super) fn word<T: Copy>(
    words: &'static [(&'static str, T)],
) -> impl Fn(&DeValue<'_>) -> Result<T, Fault> {
    move |value| {
        let said = value.as_str();
        let found = words.iter().find(|(word, _)| said == Some(word));
        found.map(|(_, meaning)| *meaning).ok_or_else(|| {
            let list: Vec<String> = words.iter().map(|(word, _)| quoted(word)).collect();
            // "warning" is "warn", but "remove" is not "move": only whole beginnings count.
            let near = words.iter().find(|(word, _)| {
                said.is_some_and(|said| said.starts_with(word) || word.starts_with(said))
            });
            let near = near.filter(|_| said != Some(""));
            Fault::new(list.join(" or ")).value(near.map(|(word, _)| quoted(word)))
        })
    }
}

/// A name of our own for something: letters, digits and dashes.
pub(super) fn plain_name(value: &DeValue<'_>) -> Result<String, Fault> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-';
    value
        .as_str()
        .filter(|said| (1..=64).contains(&said.len()) && said.chars().all(plain))
        .map(str::to_owned)
        .ok_or_else(|| Fault::new("1 to 64 letters, digits and dashes, in quotes"))
}

/// An issuer of patient ids, or empty: at most 64 characters, no backslash, nothing that does
/// not print (DICOM PS3.5 table 6.2-1, LO, as Issuer of Patient ID is).
pub(super) fn issuer(value: &DeValue<'_>) -> Result<String, Fault> {
    value
        .as_str()
        .map(|said| said.trim_matches(' '))
        .filter(|said| said.chars().count() <= 64)
        .filter(|said| !said.chars().any(|c| c == '\\' || c.is_control()))
        .map(str::to_owned)
        .ok_or_else(|| Fault::new("text in quotes, at most 64 characters, without backslash"))
}

/// A sender as `explain` shows it, or its AE title alone.
pub(super) fn sender(value: &DeValue<'_>) -> Result<String, Fault> {
    let said = value
        .as_str()
        .map(str::trim)
        .filter(|said| !said.is_empty());
    said.map(str::to_owned).ok_or_else(|| {
        Fault::new("an AE title, or folder, web:ADDRESS, archive:NAME, entered or table, in quotes")
    })
}

/// What Specific Character Set may say, or empty for nothing.
pub(super) fn charset(value: &DeValue<'_>) -> Result<Option<FallbackCharset>, Fault> {
    let fault = || Fault::new("a defined term of Specific Character Set in quotes, or empty");
    let said = value.as_str().ok_or_else(fault)?.trim_matches(' ');
    if said.is_empty() {
        return Ok(None);
    }
    FallbackCharset::of(said).map(Some).ok_or_else(|| {
        // By sight, else by another name of the same encoding.
        let near = nearest(said, FallbackCharset::single_terms());
        let meant = near
            .first()
            .copied()
            .or_else(|| FallbackCharset::term_for(said));
        fault().value(meant.map(quoted))
    })
}

/// A value of a row that need not be there.
pub(super) fn some<T>(
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Option<T>, Fault> {
    move |value| read(value).map(Some)
}

/// A value without a default, so that a message needs an example.
pub(super) fn example<T>(
    toml: &'static str,
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<T, Fault> {
    move |value| {
        read(value).map_err(|fault| Fault {
            instead: fault
                .instead
                .or_else(|| Some(Instead::Value(toml.to_owned()))),
            ..fault
        })
    }
}

/// A list that is not empty.
pub(super) fn filled<T>(
    read: impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault> {
    move |value| {
        let items = read(value)?;
        if items.is_empty() {
            Err(Fault::new("a list with at least one entry"))
        } else {
            Ok(items)
        }
    }
}

/// The SHA-256 of a certificate.
pub(super) fn sha256(value: &DeValue<'_>) -> Result<Sha256Hex, Fault> {
    value.as_str().and_then(Sha256Hex::parse).ok_or_else(|| {
        Fault::new("64 hexadecimal digits in quotes, as openssl x509 -fingerprint -sha256 prints")
    })
}

/// A path.
pub(super) fn path(value: &DeValue<'_>) -> Result<PathBuf, Fault> {
    optional_path(value)?.ok_or_else(|| Fault::new("a path in quotes, not empty"))
}

/// A path; empty text means none.
pub(super) fn optional_path(value: &DeValue<'_>) -> Result<Option<PathBuf>, Fault> {
    let Some(said) = value.as_str() else {
        return Err(Fault::new("a path in quotes"));
    };
    if said.starts_with('~') {
        return Err(
            Fault::new("a path without ~, which only a shell knows").value(Some(quoted(&format!(
                "/home/name{}",
                said.trim_start_matches('~')
            )))),
        );
    }
    if said.chars().any(char::is_control) {
        // In TOML "C:\temp" holds a tab: single quotes keep the backslash.
        return Err(Fault::new(
            "a path without control characters; in single quotes a backslash stays one",
        ));
    }
    Ok((!said.is_empty()).then(|| PathBuf::from(said)))
}

/// A list of one kind of value, each at most once.
pub(super) fn list<T: PartialEq>(
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault> {
    move |value| {
        let Some(array) = value.as_array() else {
            return Err(Fault::new("a list in square brackets"));
        };
        let mut items = Vec::with_capacity(array.len());
        let mut faults = Vec::new();
        for element in array.iter() {
            match read(element.get_ref()) {
                Ok(item) if items.contains(&item) => faults.push(
                    Fault::new("a list that names each entry once")
                        .of_entry(element.span(), "take this entry out"),
                ),
                Ok(item) => items.push(item),
                Err(fault) => faults.push(
                    Fault::new(format!("a list where each entry is {}", fault.must_be))
                        .of_entry(element.span(), "correct this entry or take it out"),
                ),
            }
        }
        let mut faults = faults.into_iter();
        match faults.next() {
            None => Ok(items),
            Some(first) => Err(Fault {
                further: faults.collect(),
                ..first
            }),
        }
    }
}

/// A list, or its only entry by itself.
pub(super) fn one_or_list<T: PartialEq>(
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault> {
    move |value| match value {
        DeValue::Array(_) => list(&read)(value),
        _ => Ok(vec![read(value)?]),
    }
}

/// Hours of the day; empty text for all of them.
pub(super) fn hours(value: &DeValue<'_>) -> Result<Option<Hours>, Fault> {
    let must_be = "empty, or two times of the day as \"22:00-06:00\"";
    match value.as_str() {
        Some("") => Ok(None),
        Some(text) => Hours::parse(text).map(Some).ok_or(Fault::new(must_be)),
        None => Err(Fault::new(must_be)),
    }
}

/// `text` as a TOML string.
pub(super) fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// The candidates that `said` most likely was meant to be: none if none is close, several if
/// they are equally close.
pub(super) fn nearest<'c>(said: &str, candidates: impl Iterator<Item = &'c str>) -> Vec<&'c str> {
    let folded = |text: &str| text.to_lowercase().replace('-', "_");
    let said = folded(said);
    // One slip in three characters; more is another word.
    let mut closest = (said.chars().count() / 3).max(1);
    let mut near = Vec::new();
    for candidate in candidates {
        let slips = strsim::damerau_levenshtein(&said, &folded(candidate));
        if slips < closest {
            closest = slips;
            near.clear();
        }
        if slips == closest {
            near.push(candidate);
        }
    }
    near
}
