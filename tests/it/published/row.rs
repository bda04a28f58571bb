//! One row of the table, and how what came out is held against it.

use serde::Deserialize;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;

/// What came out, by the names of `expected`; `Value::Null` for nothing is written as "none".
pub(super) type Found = BTreeMap<&'static str, Value>;

/// How the expected number is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Known {
    Published,
    Arithmetic,
    Practice,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Row {
    pub(super) row: u32,
    pub(super) what: String,
    #[serde(default)]
    given: BTreeMap<String, Value>,
    #[serde(default)]
    expected: BTreeMap<String, Value>,
    tolerance: Option<f64>,
    pub(super) check: String,
    known: Known,
    source: String,
    #[serde(default)]
    note: String,
    /// What of `given` was put in.
    #[serde(skip)]
    used: Mutex<BTreeSet<String>>,
}

impl Row {
    /// A thing that is put in, if the row has it.
    pub(super) fn get(&self, name: &str) -> Option<&Value> {
        let value = self.given.get(name)?;
        let mut used = self.used.lock().expect("no panic");
        used.insert(name.to_owned());
        Some(value)
    }

    fn needed(&self, name: &str) -> &Value {
        self.get(name)
            .unwrap_or_else(|| panic!("row {} needs {name:?}", self.row))
    }

    pub(super) fn text(&self, name: &str) -> &str {
        self.needed(name).as_str().expect("a text")
    }

    pub(super) fn number(&self, name: &str) -> f64 {
        self.needed(name).as_f64().expect("a number")
    }

    pub(super) fn list(&self, name: &str) -> &[Value] {
        self.needed(name).as_array().expect("a list")
    }

    pub(super) fn texts(&self, name: &str) -> Vec<&str> {
        let texts = self.list(name).iter();
        texts.map(|one| one.as_str().expect("a text")).collect()
    }

    pub(super) fn numbers(&self, name: &str) -> Vec<f64> {
        let number = |one: &Value| one.as_f64().expect("a number");
        self.list(name).iter().map(number).collect()
    }

    /// What a row must have whatever it checks.
    pub(super) fn incomplete(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        let source = &self.source;
        let practice = source.to_lowercase().contains("common practice, no source");
        if source.is_empty() || self.what.is_empty() {
            wrong.push("what is known, or its source, is missing".to_owned());
        }
        if practice != (self.known == Known::Practice) {
            wrong.push(format!(
                "{:?} does not fit the source {source:?}",
                self.known
            ));
        }
        wrong
    }

    /// A row that nothing can be put in for says why, and expects nothing.
    pub(super) fn is_outside(&self) -> Vec<String> {
        let says_why = !self.note.is_empty();
        let expects = !self.given.is_empty() || !self.expected.is_empty();
        if says_why && !expects {
            Vec::new()
        } else {
            vec!["a row outside the program says why, and expects nothing".to_owned()]
        }
    }

    /// What differs from what came out, and what was given and not put in.
    pub(super) fn compare(&self, found: &Found) -> Vec<String> {
        let mut wrong = Vec::new();
        let Some(tolerance) = self.tolerance.filter(|_| !self.expected.is_empty()) else {
            return vec!["a row expects something, within a tolerance".to_owned()];
        };
        for (name, expected) in &self.expected {
            let found = found.get(name.as_str());
            let holds = found.is_some_and(|found| match name.as_str() {
                "says" => contains(found, expected),
                _ => near(found, expected, tolerance),
            });
            if !holds {
                let found = found.map_or("nothing".to_owned(), Value::to_string);
                wrong.push(format!(
                    "{name} must be {expected} within {tolerance}; found {found}"
                ));
            }
        }
        let used = self.used.lock().expect("no panic");
        let left = self.given.keys().filter(|name| !used.contains(*name));
        wrong.extend(left.map(|name| format!("{name} was given and not put in")));
        wrong
    }
}

fn contains(found: &Value, expected: &Value) -> bool {
    let text = |value: &Value| value.as_str().map(str::to_owned);
    text(found)
        .zip(text(expected))
        .is_some_and(|(found, expected)| found.contains(&expected))
}

/// Whether numbers agree within the tolerance and all else is equal.
fn near(found: &Value, expected: &Value, tolerance: f64) -> bool {
    match (found, expected) {
        (Value::Array(found), Value::Array(expected)) => {
            found.len() == expected.len()
                && found
                    .iter()
                    .zip(expected)
                    .all(|(found, expected)| near(found, expected, tolerance))
        }
        _ => match (found.as_f64(), expected.as_f64()) {
            // A hair for the binary fractions of the table itself.
            (Some(found), Some(expected)) => (found - expected).abs() <= tolerance + 1e-12,
            _ => found == expected,
        },
    }
}

/// "none" for nothing.
pub(super) fn or_none(value: &Value) -> Value {
    match value {
        Value::Null => Value::from("none"),
        other => other.clone(),
    }
}

/// A table that expects something else, forgets an input or a source is found wrong.
#[test]
fn what_is_wrong_with_a_row_is_found() {
    let text = "row = 1\nwhat = \"x\"\ncheck = \"x\"\nknown = \"published\"\nsource = \"S 2020\"\n\
                tolerance = 0.01\ngiven = { a = 1.0 }\nexpected = { b = 2.0, c = [1.0, 3.0] }\n";
    let row = |text: &str| toml::from_str::<Row>(text).expect("a row");
    let found =
        |b: f64, c: [f64; 2]| Found::from([("b", Value::from(b)), ("c", c.to_vec().into())]);
    let good = row(text);
    assert_eq!(good.number("a"), 1.0);
    assert!(good.compare(&found(2.01, [1.0, 2.99])).is_empty());
    assert_eq!(good.compare(&found(2.02, [1.0, 3.0])).len(), 1);
    assert_eq!(good.compare(&found(2.0, [1.0, 3.02])).len(), 1);
    assert_eq!(good.compare(&Found::new()).len(), 2, "nothing came out");
    assert!(good.incomplete().is_empty());
    let unread = row(text);
    assert_eq!(
        unread.compare(&found(2.0, [1.0, 3.0])).len(),
        1,
        "a was not put in"
    );
    let no_source = row(&text.replace("S 2020", ""));
    assert_eq!(no_source.incomplete().len(), 1);
    let practice = row(&text.replace("S 2020", "Common practice, no source"));
    assert_eq!(practice.incomplete().len(), 1);
    assert_eq!(
        good.is_outside().len(),
        1,
        "no reason, and it expects something"
    );
    let no_tolerance = row(&text.replace("tolerance = 0.01\n", ""));
    assert_eq!(no_tolerance.compare(&found(2.0, [1.0, 3.0])).len(), 1);
}
