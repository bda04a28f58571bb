use super::cells::{Cells, Counted};
use super::devices::Known;
use super::key::{MOST_DAYS, NoKey, Secret, WEEK};
use super::rules::{Action, action};
use super::{Deidentified, OLDEST};
use crate::export::cell::{Cell, Kind};
use crate::export::column::Class;
use crate::export::manifest::Summary;
use crate::export::row::{AgeUsed, Row, Transform};
use crate::export::tables::Table;
use chrono::{DateTime, NaiveDate, Utc};
use sheathline_model::domain::PatientKey;
use std::sync::LazyLock;

/// Drawn once for the tests.
const KEY: &str = "1f0c9b27d84e65a3f7128c0d9be45a6630c7d1e8f29b04a5566e7d8c1b2a3f40";

/// No machine is known.
static NONE: LazyLock<Known> = LazyLock::new(Known::default);

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
        version: Some(3),
        recorded_at: Some(noon("2024-05-18")),
        is_withdrawn: false,
        patient: Some(whose.clone()),
        rests_on_age: None,
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
        "/../../fixtures/export/deidentified.txt"
    );
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::write(file, &list).unwrap();
    }
    assert_eq!(list, std::fs::read_to_string(file).unwrap());
}

#[test]
fn nothing_that_names_somebody_is_left() {
    let (secret, whose) = (secret(), patient("0042"));
    let change = Deidentified::new(&secret, &NONE);
    for table in Table::ALL {
        let changed = change.change(row(table, &whose)).unwrap();
        assert!(changed.patient.is_none() && changed.rests_on_age.is_none());
        assert_eq!((changed.version, changed.recorded_at), (None, None));
        for (column, cell) in table.columns().iter().zip(&changed.cells) {
            let name = format!("{}.{}", table.name(), column.name);
            assert!(cell.is(column.kind), "{name} changed its kind");
            let is_told = cell.written().contains("Secret") || cell.written().contains("1.2.3");
            let may =
                matches!(column.class, Class::Code | Class::Technical) || column.name == "sex";
            assert!(!is_told || may, "{name} tells {}", cell.written());
            assert!(!matches!(cell, Cell::Instant(_)), "{name} is an instant");
            if matches!(cell, Cell::Date(_) | Cell::Clock(_)) {
                let is_own = ["performed_at", "earlier_date", "valid_on"].contains(&column.name);
                assert!(is_own, "{name} is no day of the patient's own");
                let back = whose_days(&secret, &whose);
                let expected = day("2024-05-17") - chrono::Days::new(back);
                assert!(cell.written().starts_with(&expected.to_string()), "{name}");
                assert!(!cell.written().contains("12:34"), "{name}");
            }
            if column.is_required && action(table, column) != Action::LeaveOut {
                assert!(*cell != Cell::Empty, "{name} must stay filled");
            }
        }
    }
}

fn whose_days(secret: &Secret, patient: &PatientKey) -> u64 {
    let date = day("2024-05-17");
    u64::try_from((date - (date - secret.shift(patient))).num_days()).unwrap()
}

/// A cell of a table, changed by itself.
fn told(table: Table, name: &str, cell: Cell, known: &Known) -> Cell {
    let (secret, mut one) = (secret(), row(table, &patient("1")));
    let at = table.columns().iter().position(|one| one.name == name);
    one.cells[at.unwrap()] = cell;
    let changed = Deidentified::new(&secret, known).change(one).unwrap();
    changed.cell(name).unwrap().clone()
}

/// Days that patients share, and what changed on such a day.
#[test]
fn nothing_tells_when_something_came_or_changed_here() {
    for table in Table::ALL {
        for column in table.all_columns() {
            let name = format!("{}.{}", table.name(), column.name);
            if [
                "received_at",
                "recorded_at",
                "row_version",
                "source",
                "observed_at",
            ]
            .contains(&column.name)
            {
                assert_eq!(action(table, &column), Action::LeaveOut, "{name}");
            }
            assert!(
                column.kind != Kind::Instant || action(table, &column) == Action::LeaveOut,
                "{name}"
            );
            if column.name == "remarks" {
                let codes = Cell::text("depth-off history-only stored-bytes-missing");
                let left = told(table, "remarks", codes, &NONE);
                assert_eq!(left, Cell::text("depth-off"), "{name}");
                let alone = told(table, "remarks", Cell::text("history-only"), &NONE);
                assert_eq!(alone, Cell::Empty, "{name}");
            }
        }
    }
}

#[test]
fn what_came_twice_is_told_once() {
    let secret = secret();
    let mut object = row(Table::Objects, &patient("1"));
    let columns = Table::Objects.columns().iter();
    let at = columns.clone().position(|one| one.name == "disposition");
    object.cells[at.unwrap()] = Cell::text("repeat");
    assert!(Deidentified::new(&secret, &NONE).change(object).is_none());
}

/// A table of labels mends many on one day; and who says something names somebody.
#[test]
fn of_what_people_said_only_what_counts_is_told_and_not_by_whom() {
    let secret = secret();
    let mut mended = row(Table::Entries, &patient("1"));
    let columns = Table::Entries.columns();
    let at = |name: &str| columns.iter().position(|one| one.name == name).unwrap();
    let told = Deidentified::new(&secret, &NONE)
        .change(mended.clone())
        .unwrap();
    let names = columns.iter().zip(&told.cells);
    let left: Vec<&str> = names
        .filter(|(_, cell)| **cell != Cell::Empty)
        .map(|(column, _)| column.name)
        .collect();
    assert_eq!(
        left,
        [
            "entry_id",
            "kind",
            "value",
            "result_version",
            "second_right_mm",
            "second_left_mm",
            "pressure",
            "pressure_unit",
            "patient_id",
            "exam_id",
            "exams",
            "study_instance_uid",
            "valid_on",
            "in_force",
        ]
    );
    mended.cells[at("in_force")] = Cell::Flag(false);
    assert!(Deidentified::new(&secret, &NONE).change(mended).is_none());
}

#[test]
fn maker_and_model_are_told_of_known_machines_alone() {
    let known = Known::parse("Tarnholt Imaging|Wren 3").unwrap();
    let secret = secret();
    let machine = |maker: &str, model: &str, known: &Known| {
        let mut one = row(Table::Devices, &patient("1"));
        for (column, cell) in Table::Devices.columns().iter().zip(&mut one.cells) {
            match column.name {
                "manufacturer" => *cell = Cell::text(maker),
                "model" => *cell = Cell::text(model),
                _ => {}
            }
        }
        let changed = Deidentified::new(&secret, known).change(one).unwrap();
        ["manufacturer", "model"].map(|name| changed.cell(name).unwrap().written().into_owned())
    };
    let known_one = machine("Tarnholt Imaging", "Wren 3", &known);
    assert_eq!(known_one, ["Tarnholt Imaging", "Wren 3"]);
    let ward = "Tarnholt Hospital Wren Ward";
    for (maker, model, list) in [
        (ward, "Wren 3", &known),
        ("Tarnholt Imaging", ward, &known),
        ("Tarnholt Imaging", "Wren 3", &*NONE),
    ] {
        let [told_maker, told_model] = machine(maker, model, list);
        assert!(
            told_model.starts_with('K') && told_model.len() == 25,
            "{told_model}"
        );
        let is_kept = list.has_maker(maker);
        assert_eq!(told_maker == maker, is_kept, "{told_maker}");
        assert!(is_kept || told_maker.starts_with('K'));
    }
    // The same text has the same pseudonym.
    assert_eq!(machine(ward, "1", &known), machine(ward, "1", &known));
    assert_ne!(machine(ward, "1", &known)[1], machine(ward, "2", &known)[1]);
}

#[test]
fn the_same_text_has_the_same_pseudonym_in_every_table() {
    let (secret, whose) = (secret(), patient("1"));
    let change = Deidentified::new(&secret, &NONE);
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
fn shifts_are_whole_weeks_that_differ_between_patients() {
    let secret = secret();
    let days: Vec<u64> = (0..4000)
        .map(|number| whose_days(&secret, &patient(&number.to_string())))
        .collect();
    let is_whole = |days: &u64| days.is_multiple_of(WEEK) && (WEEK..=MOST_DAYS).contains(days);
    assert!(days.iter().all(is_whole));
    // Of 52 shifts 4000 draws miss none but once in 10^32; each comes 77 times, SD 8.7.
    for weeks in 1..=MOST_DAYS / WEEK {
        let met = days.iter().filter(|&&one| one == WEEK * weeks).count();
        assert!((30..=130).contains(&met), "{weeks} weeks {met} times");
    }
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
    let change = Deidentified::new(&secret, &NONE);
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
    let change = Deidentified::new(&secret, &NONE);
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
    for (name, text, is_kept) in [
        ("value_as_sent", "0.56", true),
        ("value_as_sent", "5,6 Miller", false),
        ("unit_as_sent", "mm", true),
        ("unit_as_sent", "mm Miller", false),
        ("concept", "131184002 SCT", true),
        ("concept", "SHEATH-R 99LAKESIDE", false),
        ("template", "tid1500", true),
        ("template", "lakeside-cart-3", false),
    ] {
        assert_eq!(told(name, text) == text, is_kept, "{name}: {text}");
        assert!(is_kept || told(name, text).is_empty());
    }
}

/// Whole years, whole months below two years. Ages are counted in years of 365.25 days.
#[test]
fn ages_are_coarse() {
    let month = |months: f64| months / 12.0;
    for (years, expected) in [
        (0.0, 0.0),
        (0.0821, 0.0),
        (0.0834, month(1.0)),
        (0.7499, month(8.0)),
        (0.75, month(9.0)),
        (1.9999, month(23.0)),
        (2.0, 2.0),
        (2.9999, 2.0),
        (7.4562, 7.0),
        (89.99, 89.0),
        (90.0, OLDEST),
        (123.4, OLDEST),
    ] {
        let found = told(Table::Exams, "age_years", Cell::Number(years), &NONE);
        assert_eq!(found.written(), Cell::Number(expected).written(), "{years}");
    }
}

/// A comparison of a child; the numbers are 0.18 ln(age) above 4.8 at two years.
fn compared(first_age: Option<f64>) -> Row {
    let numbers = [
        ("measured_mm", 5.123_4),
        ("expected_mm", 4.937_21),
        ("sd_mm", 0.234_56),
        ("z", 0.793_7),
        ("lower_mm", 4.551_3),
        ("upper_mm", 5.323_1),
        ("change_mm", 0.186_19),
        ("change_percent", 3.771_2),
        ("smallest_change_mm", 0.385_9),
        ("probability_high", 0.213_7),
    ];
    let mut one = row(Table::Assessments, &patient("1"));
    for (column, cell) in Table::Assessments.columns().iter().zip(&mut one.cells) {
        if let Some((_, number)) = numbers.iter().find(|(name, _)| *name == column.name) {
            *cell = Cell::Number(*number);
        }
    }
    one.rests_on_age = first_age.map(|years| AgeUsed { years });
    one
}

/// What is expected of a child is worked out with its exact age, and would give it back.
#[test]
fn growth_gives_no_exact_age_back() {
    let secret = secret();
    let told = |first_age| {
        let changed = Deidentified::new(&secret, &NONE).change(compared(first_age));
        let changed = changed.unwrap();
        let names = [
            "measured_mm",
            "expected_mm",
            "sd_mm",
            "z",
            "lower_mm",
            "upper_mm",
            "change_mm",
            "change_percent",
            "smallest_change_mm",
            "probability_high",
        ];
        names.map(|name| changed.cell(name).unwrap().written().into_owned())
    };
    // Full grown: growth has no part.
    assert_eq!(told(None)[1..4], ["4.93721", "0.23456", "0.7937"]);
    let child = told(Some(3.1));
    let expected = [
        "5.1234", "4.9", "0.25", "0.8936", "4.5", "5.3", "0.2234", "4.5592", "0.4", "",
    ];
    assert_eq!(child, expected);
    let infant = told(Some(1.9));
    assert_eq!(infant[0], "5.1234");
    assert!(infant[1..].iter().all(String::is_empty), "{infant:?}");
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

/// Over what stands in the files, at every exam of a patient.
#[test]
fn small_cells_are_counted_over_what_is_exported() {
    let (secret, mut cells) = (secret(), Cells::default());
    let change = Deidentified::new(&secret, &NONE);
    // Six are 7 at one exam, two are 8; one of the six comes again at 12.
    let exams = [
        [7.9, 7.1],
        [7.2, 7.8],
        [7.0, 7.0],
        [7.5, 7.5],
        [7.3, 7.4],
        [7.6, 12.9],
        [8.1, 8.2],
        [8.9, 8.3],
    ];
    for (number, ages) in exams.iter().enumerate() {
        let whose = patient(&number.to_string());
        for age in ages {
            let mut exam = row(Table::Exams, &whose);
            let columns = Table::Exams.columns();
            let at = columns.iter().position(|one| one.name == "age_years");
            exam.cells[at.unwrap()] = Cell::Number(*age);
            cells.count(&change.change(exam).unwrap());
        }
    }
    let expected = Counted {
        patients: 8,
        cells: 3,
        small_cells: 2,
        patients_in_small_cells: 3,
        patients_alone: 1,
    };
    assert_eq!(cells.counted(), expected);
}

/// A folder of the rule before is taken, and known to be one.
#[test]
fn summaries_of_the_rule_before_are_read() {
    let before = r#"{"methods": [], "key_id": "00ff", "days_back": [1, 365], "oldest_years": 90.0,
        "patients": 3, "cells": 2, "small_cells": 2, "patients_in_small_cells": 3}"#;
    let summary: Summary = serde_json::from_str(before).unwrap();
    assert_eq!((summary.rule, summary.days_step), (1, 1));
}
