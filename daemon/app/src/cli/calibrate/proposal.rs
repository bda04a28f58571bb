//! The proposal as lines of a configuration.

use crate::config::ReaderSettings;
use sheathline_model::department::{Calibration, Predicted};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// Standard errors are written with three decimals and are never nought.
const LEAST_ERROR: f64 = 0.001;

/// The `[baseline]` table, and a table for each operator and device of whom there are data enough or
/// whom the configuration names already.
pub(super) fn text(found: &Calibration, readers: &ReaderSettings) -> String {
    let mut text = format!(
        "# Proposed by `sheathline calibrate` from {} pairs of stable exams of {} patients.\n\
         # Copy these lines into the configuration in place of its own, or put this file into conf.d\n\
         # beside it and take its own [[baseline.operator]] and [[baseline.device]] tables out.\n\
         [baseline]\n",
        found.pairs, found.patients
    );
    for p in &found.proposals {
        let share = 100.0 * p.data_share;
        // Writing to text cannot fail.
        let _ = writeln!(
            text,
            "{} = {:.3} # was {}; {share:.0} % from the data",
            p.name, p.proposed, p.now
        );
    }
    for row in rows(found, readers) {
        row.write(&mut text);
    }
    text
}

/// One table of an operator or a device.
struct Row<'a> {
    table: &'static str,
    name: &'a str,
    also: &'a [String],
    /// Offset, standard error, and how both are known.
    offset: Option<(f64, f64, String)>,
    sigma_w: Option<(f64, String)>,
}

fn rows<'a>(found: &'a Calibration, readers: &'a ReaderSettings) -> Vec<Row<'a>> {
    let mut offsets: BTreeMap<(&str, &str), (usize, &Predicted)> = BTreeMap::new();
    let mut scatters: BTreeMap<&str, (usize, f64)> = BTreeMap::new();
    for one in &found.offsets {
        if let (Some(name), Some(value)) = (one.of.name(), one.offset.yes()) {
            offsets.insert((one.of.kind(), name), (one.exams, value));
        }
    }
    for one in &found.scatters {
        if let (Some(name), Some(own)) = (one.of.name(), one.own.yes().filter(|own| own.apart)) {
            scatters.insert(name, (one.degrees_of_freedom, own.sigma_w));
        }
    }
    let offset = |kind: &'static str, name: &str, written: Option<(f64, f64)>| {
        let estimated = offsets.get(&(kind, name)).map(|(exams, value)| {
            let error = value.standard_error_mm.max(LEAST_ERROR);
            (value.offset_mm, error, format!("from {exams} exams"))
        });
        let kept = || written.map(|(mm, error)| (mm, error, "as it was".to_owned()));
        estimated.or_else(kept)
    };
    let of_kind = |kind: &'static str| {
        let estimated = offsets.keys().filter(move |(of, _)| *of == kind);
        estimated.map(|(_, name)| *name)
    };
    let mut rows = Vec::new();
    let written = readers.operator.iter().map(|one| one.name.as_str());
    let names = of_kind("operator").chain(scatters.keys().copied());
    let names: BTreeSet<&str> = names.chain(written).filter(|name| plain(name)).collect();
    for name in names {
        let own = readers.operator.iter().find(|one| one.name == name);
        let estimated = scatters.get(name);
        let estimated = estimated.map(|(df, sd)| (*sd, format!("from {df} degrees of freedom")));
        let kept = own.and_then(|one| Some((one.sigma_w?, "as it was".to_owned())));
        rows.push(Row {
            table: "baseline.operator",
            name,
            also: own.map_or(&[], |one| one.also.as_slice()),
            offset: offset(
                "operator",
                name,
                own.and_then(|one| one.offset.zip(one.standard_error)),
            ),
            sigma_w: estimated.or(kept),
        });
    }
    let written = readers.device.iter().map(|one| one.name.as_str());
    let names = of_kind("device").chain(written);
    let names: BTreeSet<&str> = names
        .filter(|name| plain(name) && name.matches('|').count() >= 2)
        .collect();
    for name in names {
        let own = readers.device.iter().find(|one| one.name == name);
        rows.push(Row {
            table: "baseline.device",
            name,
            also: own.map_or(&[], |one| one.also.as_slice()),
            offset: offset(
                "device",
                name,
                own.and_then(|one| one.offset.zip(one.standard_error)),
            ),
            sigma_w: None,
        });
    }
    rows
}

/// Whether the configuration takes it as a name.
fn plain(name: &str) -> bool {
    !name.chars().any(char::is_control)
}

impl Row<'_> {
    fn write(&self, text: &mut String) {
        let quoted = |name: &str| toml::Value::String(name.to_owned()).to_string();
        let _ = writeln!(text, "\n[[{}]]\nname = {}", self.table, quoted(self.name));
        if !self.also.is_empty() {
            let also: Vec<String> = self.also.iter().map(|name| quoted(name)).collect();
            let _ = writeln!(text, "also = [{}]", also.join(", "));
        }
        if let Some((mm, error, how)) = &self.offset {
            let _ = writeln!(
                text,
                "offset = {mm:.3} # {how}\nstandard_error = {error:.3}"
            );
        }
        if let Some((sd, how)) = &self.sigma_w {
            let _ = writeln!(text, "sigma_w = {sd:.3} # {how}");
        }
    }
}
