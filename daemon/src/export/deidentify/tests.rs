use super::cells::{Cells, Counted};
use super::key::{MOST_DAYS, NoKey, Secret};
use super::rules::action;
use super::{Deidentified, NO_DAY, OLDEST};
use crate::domain::PatientKey;
use crate::export::cell::{Cell, Kind};
use crate::export::column::Class;
use crate::export::row::{Row, Transform};
use crate::export::tables::Table;
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::BTreeSet;

/// Drawn once for the tests.
const KEY: &str = "1f0c9b27d84e65a3f7128c0d9be45a6630c7d1e8f29b04a5566e7d8c1b2a3f40";

fn secret() -> Secret {
    Secret::parse(KEY).unwrap()
}

fn patient(id: &str) -> PatientKey {
    PatientKey {
        issuer: "CLINIC".to_owned(),
        id: id.to_owned(),
    }
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn noon(text: &str) -> DateTime<Utc> {
    day(text).and_hms_opt(12, 34, 56).unwrap().and_utc()
}

/// A row whose every cell is filled with something that must not be told.
fn row(table: Table, whose: &PatientKey) -> Row {
    let fill = |kind| match kind {
        Kind::Text => Cell::text("word:Secret^Name 1.2.3"),
        Kind::Integer => Cell::Integer(4711),
        Kind::Number => Cell::Number(93.25),
        Kind::Flag => Cell::Flag(true),
        Kind::Date => Cell::Date(day("2024-05-17")),
        Kind::Clock => Cell::Clock(noon("2024-05-17").naive_utc()),
        Kind::Instant => Cell::Instant(noon("2024-05-17")),
    };
    Row {
        table,
        version: 1,
        recorded_at: noon("2024-05-18"),
        is_withdrawn: false,
        patient: Some(whose.clone()),
        cells: table
            .columns()
            .iter()
            .map(|column| fill(column.kind))
            .collect(),
    }
}

/// A new column stands in the list only after somebody has looked at what becomes of it.
#[test]
fn every_column_has_its_decision() {
    let mut list = String::new();
    for table in Table::ALL {
        for column in table.columns() {
            let action = action(table, column);
            list += &format!("{}.{}: {action:?}\n", table.name(), column.name);
        }
    }
    let file = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../fixtures/export/deidentified.txt"
    );
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::write(file, &list).unwrap();
    }
    assert_eq!(list, std::fs::read_to_string(file).unwrap());
}

#[test]
fn nothing_that_names_somebody_is_left() {
    let (secret, whose) = (secret(), patient("0042"));
    let change = Deidentified::new(&secret);
    for table in Table::ALL {
        let changed = change.change(row(table, &whose)).unwrap();
        assert!(changed.patient.is_none());
        for (column, cell) in table.columns().iter().zip(&changed.cells) {
            let name = format!("{}.{}", table.name(), column.name);
            assert!(cell.is(column.kind), "{name} changed its kind");
            let is_told = cell.written().contains("Secret") || cell.written().contains("1.2.3");
            let may = matches!(column.class, Class::Code | Class::Technical)
                || ["sex", "manufacturer", "model"].contains(&column.name);
            assert!(!is_told || may, "{name} tells {}", cell.written());
            if matches!(cell, Cell::Date(_) | Cell::Clock(_) | Cell::Instant(_)) {
                let back = whose_days(&secret, &whose);
                let expected = day("2024-05-17") - chrono::Days::new(back);
                assert!(cell.written().starts_with(&expected.to_string()), "{name}");
                assert!(!cell.written().contains("12:34"), "{name}");
            }
            if column.is_required {
                assert!(*cell != Cell::Empty, "{name} must stay filled");
            }
        }
    }
}

fn whose_days(secret: &Secret, patient: &PatientKey) -> u64 {
    let date = day("2024-05-17");
    u64::try_from((date - (date - secret.shift(patient))).num_days()).unwrap()
}

#[test]
fn what_belongs_to_nobody_stands_on_no_day() {
    let secret = secret();
    let mut one = row(Table::Operators, &patient("1"));
    one.patient = None;
    let changed = Deidentified::new(&secret).change(one).unwrap();
    assert_eq!(changed.recorded_at, NO_DAY);
}

#[test]
fn the_same_text_has_the_same_pseudonym_in_every_table() {
    let (secret, whose) = (secret(), patient("1"));
    let change = Deidentified::new(&secret);
    let exam = change.change(row(Table::Exams, &whose)).unwrap();
    for table in [Table::Measurements, Table::Assessments, Table::Baselines] {
        let other = change.change(row(table, &whose)).unwrap();
        assert_eq!(other.cell("exam_id"), exam.cell("exam_id"));
    }
    let object = change.change(row(Table::Objects, &whose)).unwrap();
    let value = change.change(row(Table::Measurements, &whose)).unwrap();
    assert_eq!(value.cell("object_id"), object.cell("object_id"));
    assert_ne!(object.cell("object_id"), Some(&Cell::Integer(4711)));
}

#[test]
fn shifts_differ_between_patients_and_stay_within_a_year() {
    let secret = secret();
    let days: Vec<u64> = (0..4000)
        .map(|number| whose_days(&secret, &patient(&number.to_string())))
        .collect();
    assert!(days.iter().all(|days| (1..=MOST_DAYS).contains(days)));
    // Of 365 days 4000 draws miss 0.006 on average; 5 missed would be no uniform draw.
    let met: BTreeSet<_> = days.iter().collect();
    assert!(met.len() >= 360, "{} different days", met.len());
}

#[test]
fn another_key_and_another_issuer_change_everything() {
    let (one, other) = (
        secret(),
        Secret::parse(&KEY.replace("1f0c", "2e1d")).unwrap(),
    );
    assert_ne!(one.id(), other.id());
    assert_ne!(one.patient(&patient("1")), other.patient(&patient("1")));
    assert_ne!(one.uid("1.2.3"), other.uid("1.2.3"));
    let elsewhere = PatientKey {
        issuer: "CLINIC0".to_owned(),
        id: "42".to_owned(),
    };
    let here = PatientKey {
        issuer: "CLINIC".to_owned(),
        id: "042".to_owned(),
    };
    assert_ne!(one.patient(&elsewhere), one.patient(&here));
}

#[test]
fn uids_are_uids_and_fingerprints_are_not() {
    let secret = secret();
    let uid = secret.uid("1.2.840.10008.1.1");
    assert!(uid.len() <= 64 && uid.starts_with("2.25."));
    let change = Deidentified::new(&secret);
    let mut object = row(Table::Objects, &patient("1"));
    let at = |name| {
        Table::Objects
            .columns()
            .iter()
            .position(|column| column.name == name)
            .unwrap()
    };
    object.cells[at("predecessors")] = Cell::text("1.2.3 1.2.4");
    object.cells[at("body_sha256")] = Cell::text("00ff".repeat(16));
    let changed = change.change(object).unwrap();
    let two = format!("{} {}", secret.uid("1.2.3"), secret.uid("1.2.4"));
    assert_eq!(changed.cell("predecessors"), Some(&Cell::text(two)));
    let hash = changed.cell("body_sha256").unwrap().written().into_owned();
    assert!(hash.starts_with('K') && !hash.contains("00ff00ff"));
}

#[test]
fn what_a_report_wrote_stays_only_where_it_is_no_text() {
    let (secret, whose) = (secret(), patient("1"));
    let change = Deidentified::new(&secret);
    let told = |name: &str, text: &str| {
        let mut one = row(Table::Measurements, &whose);
        let columns = Table::Measurements.columns();
        let at = columns
            .iter()
            .position(|column| column.name == name)
            .unwrap();
        one.cells[at] = Cell::text(text);
        let changed = change.change(one).unwrap();
        changed.cell(name).unwrap().written().into_owned()
    };
    assert_eq!(told("source", "dicom:LAKESIDE_CART"), "dicom");
    for (name, text, is_kept) in [
        ("value_as_sent", "0.56", true),
        ("value_as_sent", "5,6 Miller", false),
        ("unit_as_sent", "mm", true),
        ("unit_as_sent", "mm Miller", false),
        ("concept", "131184002 SCT", true),
        ("concept", "SHEATH-R 99LAKESIDE", false),
        ("template", "tid1500", true),
        ("template", "lakeside-cart-3", false),
        ("source", "folder", true),
    ] {
        assert_eq!(told(name, text) == text, is_kept, "{name}: {text}");
        assert!(is_kept || told(name, text).is_empty());
    }
}

#[test]
fn ages_are_capped() {
    let secret = secret();
    let changed = Deidentified::new(&secret)
        .change(row(Table::Exams, &patient("1")))
        .unwrap();
    assert_eq!(changed.cell("age_years"), Some(&Cell::Number(OLDEST)));
}

#[test]
fn keys_are_read_and_placeholders_refused() {
    assert!(Secret::parse(&format!("{KEY}\n")).is_ok());
    assert!(Secret::parse(&KEY.to_uppercase()).is_ok());
    assert_eq!(
        Secret::parse("abc").unwrap_err(),
        NoKey::Malformed { found: 3 }
    );
    assert!(Secret::parse(&KEY.replace('a', "g")).is_err());
    assert_eq!(
        Secret::parse(&"0".repeat(64)).unwrap_err(),
        NoKey::Guessable
    );
    assert_eq!(
        Secret::parse(&"deadbeef".repeat(8)).unwrap_err(),
        NoKey::Guessable
    );
    assert!(!format!("{:?}", secret()).contains("1f0c"));
}

#[test]
fn small_cells_are_counted_by_patient() {
    let (secret, mut cells) = (secret(), Cells::default());
    let change = Deidentified::new(&secret);
    // Six of one age, two of another; two exams each.
    for number in 0..8 {
        let whose = patient(&number.to_string());
        for _ in 0..2 {
            let mut exam = row(Table::Exams, &whose);
            let columns = Table::Exams.columns();
            let at = columns
                .iter()
                .position(|column| column.name == "age_years")
                .unwrap();
            exam.cells[at] = Cell::Number(if number < 6 { 7.9 } else { 8.1 });
            cells.count(&change.change(exam).unwrap());
        }
    }
    let expected = Counted {
        patients: 8,
        cells: 2,
        small_cells: 1,
        patients_in_small_cells: 2,
    };
    assert_eq!(cells.counted(), expected);
}
