//! `[[baseline.operator]]` and `[[baseline.device]]`: what a site knows of who measures and with what.

use super::Config;
use super::peer::Row;
use super::raw::Raw;
use super::value::{Fault, quoted};
use sheathline_model::assess::{Entry, KnownOffset, Roster};
use std::collections::BTreeMap;
use toml::de::DeValue;

/// The table of operators.
pub(super) const OPERATOR: &str = "baseline.operator";
/// The table of devices.
pub(super) const DEVICE: &str = "baseline.device";

/// Longest name, characters: a person's name has at most five components of 64 (DICOM PS3.5 table
/// 6.2-1), a device three parts of 64.
const NAME_MAX: usize = 324;

/// `[[baseline.operator]]` and `[[baseline.device]]`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReaderSettings {
    /// Operators.
    pub operator: Vec<OperatorSettings>,
    /// Devices.
    pub device: Vec<DeviceSettings>,
}

/// One operator. Absent keys are `None`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OperatorSettings {
    /// As reports name them.
    pub name: String,
    /// Other spellings in reports.
    pub also: Vec<String>,
    /// How far they read above the others, mm.
    pub offset: Option<f64>,
    /// Its standard error, mm.
    pub standard_error: Option<f64>,
    /// SD of one reading of theirs, mm.
    pub sigma_w: Option<f64>,
}

/// One device. Absent keys are `None`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DeviceSettings {
    /// Maker, model and serial number, joined by `|`.
    pub name: String,
    /// The same as other reports tell them.
    pub also: Vec<String>,
    /// How far it reads above the others, mm.
    pub offset: Option<f64>,
    /// Its standard error, mm.
    pub standard_error: Option<f64>,
}

impl ReaderSettings {
    /// As the comparison takes them.
    #[must_use]
    pub fn roster(&self) -> Roster {
        let offset = |offset: Option<f64>, error: Option<f64>| {
            Some(KnownOffset {
                offset_mm: offset?,
                standard_error_mm: error?,
            })
        };
        let operators = self.operator.iter().map(|one| Entry {
            name: one.name.clone(),
            also: one.also.clone(),
            offset: offset(one.offset, one.standard_error),
            sigma_w: one.sigma_w,
        });
        let devices = self.device.iter().map(|one| Entry {
            name: one.name.clone(),
            also: one.also.clone(),
            offset: offset(one.offset, one.standard_error),
            sigma_w: None,
        });
        Roster {
            operators: operators.collect(),
            devices: devices.collect(),
        }
    }
}

/// A name as reports have it.
pub(super) fn reader(value: &DeValue<'_>) -> Result<String, Fault> {
    value
        .as_str()
        .map(str::trim)
        .filter(|said| (1..=NAME_MAX).contains(&said.chars().count()))
        .filter(|said| !said.chars().any(char::is_control))
        .map(str::to_owned)
        .ok_or_else(|| Fault::new("the name in quotes as reports have it, 1 to 324 characters"))
}

/// A device as `MAKER|MODEL|SERIAL`; parts that are not told are empty.
pub(super) fn device(value: &DeValue<'_>) -> Result<String, Fault> {
    let three = |said: &String| said.matches('|').count() >= 2;
    reader(value).ok().filter(three).ok_or_else(|| {
        Fault::new("maker, model and serial number in quotes as reports have them, joined by |")
    })
}

/// An offset needs its standard error, and a spelling belongs to one name.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, operators: &[Row], devices: &[Row]) {
    let roster = config.readers.roster();
    let operator = config.readers.operator.iter();
    let operator = operator.map(|one| (one.offset, one.standard_error));
    let device = config.readers.device.iter();
    let device = device.map(|one| (one.offset, one.standard_error));
    pairs(raws, OPERATOR, operator.zip(operators));
    pairs(raws, DEVICE, device.zip(devices));
    spellings(raws, OPERATOR, &roster.operators, operators);
    spellings(raws, DEVICE, &roster.devices, devices);
}

type Stated = (Option<f64>, Option<f64>);

fn pairs<'r>(raws: &mut [Raw<'_>], table: &str, rows: impl Iterator<Item = (Stated, &'r Row)>) {
    for ((offset, error), row) in rows {
        let (there, missing, example) = match (offset, error) {
            (Some(_), None) => ("offset", "standard_error", "0.05"),
            (None, Some(_)) => ("standard_error", "offset", "0.12"),
            _ => continue,
        };
        // A key with a mistake of its own is told already.
        let (Some(place), None) = (row.place(there), row.place(missing)) else {
            continue;
        };
        if let Some(raw) = raws.get_mut(row.layer) {
            raw.mistake(
                place,
                format!("[[{table}]] has {there} without {missing}"),
                format!("write both, as `calibrate --output` does, for example {missing} = {example}; or take {there} out"),
            );
        }
    }
}

fn spellings(raws: &mut [Raw<'_>], table: &str, entries: &[Entry], rows: &[Row]) {
    // Names first: a spelling that is also a name is the mistake.
    let mut whose: BTreeMap<&str, usize> = BTreeMap::new();
    for (at, entry) in entries.iter().enumerate() {
        whose.entry(&entry.name).or_insert(at);
    }
    for (at, (entry, row)) in entries.iter().zip(rows).enumerate() {
        for spelling in &entry.also {
            let first = *whose.entry(spelling).or_insert(at);
            let own_name = spelling == &entry.name;
            if first == at && !own_name {
                continue;
            }
            let (Some(raw), Some(place)) = (raws.get_mut(row.layer), row.place("also")) else {
                continue;
            };
            let other = entries.get(first).map_or("", |entry| entry.name.as_str());
            let what = if own_name {
                format!("[[{table}]] also repeats the name {}", quoted(spelling))
            } else {
                format!(
                    "[[{table}]] also has {}, which belongs to {} already",
                    quoted(spelling),
                    quoted(other)
                )
            };
            raw.mistake(place, what, "give each spelling to one name alone");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn roster(text: &str) -> Result<Roster, String> {
        let read = Config::from_text("x.toml", text);
        read.map(|config| config.readers.roster())
            .map_err(|mistakes| {
                let told: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
                told.join("\n")
            })
    }

    #[test]
    fn what_is_written_is_what_the_comparison_takes() {
        let text = "
            [[baseline.operator]]
            name = \"A\"
            also = [\"a\", \"A^\"]
            offset = -0.12
            standard_error = 0.05
            sigma_w = 0.25
            [[baseline.operator]]
            name = \"B\"
            also = [\"b\"]
            [[baseline.device]]
            name = \"M|X|1\"
            offset = 0.1
            standard_error = 0.04";
        let roster = roster(text).unwrap();
        let [a, b] = roster.operators.as_slice() else {
            panic!("two operators");
        };
        let offset = a.offset.unwrap();
        assert_eq!((offset.offset_mm, offset.standard_error_mm), (-0.12, 0.05));
        assert_eq!((a.sigma_w, a.also.len()), (Some(0.25), 2));
        assert_eq!((b.offset, b.sigma_w), (None, None));
        assert_eq!(roster.devices[0].name, "M|X|1");
    }

    /// Each with the words that name the table, the key and what to do.
    #[test]
    fn mistakes_are_refused() {
        for (text, told) in [
            (
                "[[baseline.operator]]\nalso = [\"a\"]",
                "must have the key name",
            ),
            ("[[baseline.operator]]\nname = \"\"", "the name in quotes"),
            (
                "[[baseline.operator]]\nname = \"A\"\noffset = 0.1",
                "[[baseline.operator]] has offset without standard_error",
            ),
            (
                "[[baseline.device]]\nname = \"M|X|1\"\nstandard_error = 0.1",
                "[[baseline.device]] has standard_error without offset",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\noffset = 3\nstandard_error = 0.1",
                "a number from -2 to 2",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\noffset = 0.1\nstandard_error = 0",
                "more than 0",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\nsigma_w = 0.0",
                "more than 0",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\n[[baseline.operator]]\nname = \"A\"",
                "name is \"A\", as in line 2 already",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\nalso = [\"B\"]\n[[baseline.operator]]\nname = \"B\"",
                "also has \"B\", which belongs to \"B\" already",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\nalso = [\"x\"]\n[[baseline.operator]]\nname = \"B\"\nalso = [\"x\"]",
                "also has \"x\", which belongs to \"A\" already",
            ),
            (
                "[[baseline.operator]]\nname = \"A\"\nalso = [\"A\"]",
                "repeats the name",
            ),
            ("[[baseline.device]]\nname = \"MODEL\"", "joined by |"),
            (
                "[[baseline.device]]\nname = \"M|X|1\"\nsigma_w = 0.2",
                "there is no key sigma_w in [[baseline.device]]",
            ),
        ] {
            let error = roster(text).unwrap_err();
            assert!(error.contains(told), "{text}: {error}");
            assert!(error.contains("x.toml:"), "{error}");
        }
    }
}
