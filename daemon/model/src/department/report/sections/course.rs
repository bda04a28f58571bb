//! Who is flagged, and how widths go on: after events, and with age.

use super::super::{Section, Table};
use super::{number, or_counts, share};
use crate::department::course::{BEFORE_DAYS, GROWTH_DAYS};
use crate::department::reference::Spread;
use crate::department::{Enough, Statistics};

pub(in crate::department::report) fn flags(found: &Statistics) -> Section {
    let rows = found.flags.iter().map(|one| {
        vec![
            one.of.words(),
            one.exams.to_string(),
            one.compared.to_string(),
            share(&one.flagged),
        ]
    });
    Section {
        title: "Flags by operator",
        words: vec![
            "Exams of any label, those that had a baseline, and of these those flagged, with 95 % intervals \
             (Wilson). Operators do not see the same patients: whoever is called at night sees more who are \
             ill. A share says nothing of who measures well."
                .to_owned(),
        ],
        table: some(
            vec!["operator", "exams", "compared", "flagged"],
            rows.collect(),
        ),
        pictures: Vec::new(),
    }
}

pub(in crate::department::report) fn recovery(found: &Statistics) -> Section {
    let rows = found.recovery.iter().map(|one| {
        let event = one.event.word().replace('_', " ");
        let days = format!("{event}, day {} to {}", one.from_days, one.to_days);
        spread_row(days, one.patients, &one.change)
    });
    Section {
        title: "Widths after an event",
        words: vec![format!(
            "Change against the last exam before the event, not more than {BEFORE_DAYS} days older, mm; \
             until the next event. Each patient counts once a row. Whoever is scanned again is not anybody: \
             those who did badly are scanned more often."
        )],
        table: some(
            vec![
                "event",
                "patients",
                "mean change (95 %)",
                "SD between patients",
            ],
            rows.collect(),
        ),
        pictures: Vec::new(),
    }
}

pub(in crate::department::report) fn growth(found: &Statistics) -> Section {
    let rows = found.growth.iter().map(|one| {
        let ages = format!("{} to {} years", one.from_years, one.to_years)
            .replace(" to 200 years", " years and over");
        spread_row(ages, one.patients, &one.a_year)
    });
    Section {
        title: "Growth of well patients",
        words: vec![format!(
            "Change in a year between a patient's first and last exam labelled well, {GROWTH_DAYS} days \
             apart or more, mm a year, by age at the first. Each patient counts once. Context only: the \
             comparison's own growth is a parameter of the configuration."
        )],
        table: some(
            vec![
                "age",
                "patients",
                "mean a year (95 %)",
                "SD between patients",
            ],
            rows.collect(),
        ),
        pictures: Vec::new(),
    }
}

fn spread_row(name: String, patients: usize, found: &Enough<Spread>) -> Vec<String> {
    vec![
        name,
        patients.to_string(),
        or_counts(found, |one| {
            number(Some((one.mean_mm, one.mean_interval)), 2)
        }),
        or_counts(found, |one| number(Some((one.sd_mm, one.sd_interval)), 2)),
    ]
}

/// A table, unless it would be empty.
fn some(head: Vec<&'static str>, rows: Vec<Vec<String>>) -> Option<Table> {
    (!rows.is_empty()).then_some(Table { head, rows })
}
