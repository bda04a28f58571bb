//! Numbers that others have published, and arithmetic on them, row by row of
//! `fixtures/assess/published.toml`, through the real program.
//!
//! Each row names its source, what is put in, what must come out and how near. `PUBLISHED=9` takes only that
//! row.

mod functions;
mod questions;
mod reports;
mod row;

use crate::harness::fixture;
use row::{Found, Row};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fs;
use std::sync::Mutex;

/// How many rows there are.
const ROWS: u32 = 66;

#[derive(Deserialize)]
struct Table {
    row: Vec<Row>,
}

type Check = fn(&Row) -> Found;

/// How a row is put to the program, by the word in `check`.
const CHECKS: [(&str, Check); 22] = [
    ("asymmetry", questions::asymmetry),
    ("caliper", functions::caliper),
    ("change", questions::change),
    ("curve", reports::curve),
    ("cutoffs", reports::cutoffs),
    ("depth", functions::depth),
    ("exact change", questions::exact_change),
    ("eyeball", reports::eyeball),
    ("fall", reports::fall),
    ("growth", reports::growth),
    ("infant", reports::infant),
    ("nerve", reports::nerve),
    ("newborn", reports::newborn),
    ("no pressure", reports::never),
    ("norm", reports::norm),
    ("planes", reports::planes),
    ("pressure", functions::pressure),
    ("reading", reports::reading),
    ("reference change", questions::reference_change),
    ("repeatability", questions::repeatability),
    ("smallest", questions::smallest),
    ("washout", reports::washout),
];

/// The word for rows of arithmetic that the program does not do.
const OUTSIDE: &str = "outside";

fn table() -> Vec<Row> {
    let text = fs::read_to_string(fixture("assess/published.toml")).expect("the table");
    let table: Table = toml::from_str(&text).expect("a table of rows");
    table.row
}

/// What is wrong with a row, a line each.
fn wrong(row: &Row) -> Vec<String> {
    let checks: BTreeMap<&str, Check> = CHECKS.into();
    let mut wrong = row.incomplete();
    match checks.get(row.check.as_str()) {
        Some(check) => wrong.extend(row.compare(&check(row))),
        None if row.check == OUTSIDE => wrong.extend(row.is_outside()),
        None => wrong.push(format!("no check is called {:?}", row.check)),
    }
    let name = |line: &String| format!("row {}, {}: {line}", row.row, row.what);
    wrong.iter().map(name).collect()
}

#[test]
fn every_row_comes_out_as_published() {
    let rows = table();
    let numbers: Vec<u32> = rows.iter().map(|row| row.row).collect();
    assert_eq!(
        numbers,
        (1..=ROWS).collect::<Vec<u32>>(),
        "no row is left out"
    );
    let only = std::env::var("PUBLISHED").ok();
    let chosen = rows
        .iter()
        .filter(|row| only.as_ref().is_none_or(|one| *one == row.row.to_string()));
    let chosen: Vec<&Row> = chosen.collect();
    assert!(!chosen.is_empty(), "no row has the number {only:?}");
    let (queue, all) = (Mutex::new(chosen.iter()), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let next = queue.lock().expect("no panic").next();
                    let Some(row) = next else { break };
                    // One row that cannot be put to the program does not hide what is wrong with others.
                    let found = std::panic::catch_unwind(|| wrong(row));
                    let found =
                        found.unwrap_or_else(|_| vec![format!("row {} cannot be asked", row.row)]);
                    all.lock().expect("no panic").extend(found);
                }
            });
        }
    });
    let all = all.into_inner().expect("no panic");
    assert!(all.is_empty(), "{}", all.join("\n"));
}

/// A check that no row asks for is one that a row has lost.
#[test]
fn every_check_has_its_row() {
    let rows = table();
    for (check, _) in CHECKS {
        assert!(rows.iter().any(|row| row.check == check), "{check}");
    }
    let outside = rows.iter().filter(|row| row.check == OUTSIDE);
    assert_eq!(outside.count(), 3, "rows that the program has no part in");
}
