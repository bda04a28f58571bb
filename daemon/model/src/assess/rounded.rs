//! Numbers as they go into JSON: rounded, so that they are the same on every machine.

use serde::{Serialize, Serializer};

/// To so many decimals; never a minus zero.
fn to(value: f64, decimals: i32) -> f64 {
    let unit = 10_f64.powi(decimals);
    (value * unit).round() / unit + 0.0
}

pub(crate) fn plain<S: Serializer>(value: &f64, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_f64(to(*value, 6))
}

pub(crate) fn optional<S: Serializer>(value: &Option<f64>, s: S) -> Result<S::Ok, S::Error> {
    value.map(|value| to(value, 6)).serialize(s)
}

/// Six digits rather than six decimals: a tiny chance is not zero.
pub(crate) fn chance<S: Serializer>(value: &Option<f64>, s: S) -> Result<S::Ok, S::Error> {
    let digits = |value: f64| format!("{value:.5e}").parse::<f64>().unwrap_or(value);
    value.map(digits).serialize(s)
}

pub(crate) fn fine<S: Serializer>(value: &f64, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_f64(to(*value, 9))
}

pub(crate) fn pair<S: Serializer>(pair: &[f64; 2], s: S) -> Result<S::Ok, S::Error> {
    pair.map(|value| to(value, 9)).serialize(s)
}

pub(crate) fn pairs<S: Serializer>(pairs: impl AsRef<[[f64; 2]]>, s: S) -> Result<S::Ok, S::Error> {
    s.collect_seq(
        pairs
            .as_ref()
            .iter()
            .map(|pair| pair.map(|value| to(value, 9))),
    )
}

pub(crate) fn matrix<S: Serializer>(rows: &[Vec<f64>], s: S) -> Result<S::Ok, S::Error> {
    let rows = rows.iter();
    s.collect_seq(rows.map(|row| row.iter().map(|value| to(*value, 9)).collect::<Vec<_>>()))
}

/// Whether there is nothing to write.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde calls it")]
pub(crate) fn is_zero(value: &f64) -> bool {
    *value == 0.0
}
