//! The list of columns against what it stands for.

use super::*;
use crate::assess::{AfterState, Basis, DecidedBy, Status};
use crate::domain::{
    Border, Derivation, Label, Laterality, Modality, OpeningPressure, Plane, PressureUnit,
    Quantity, Sex,
};
use crate::export::cell::Cell;
use crate::export::row::Held;
use crate::export::told::parameters_key;
use crate::render::samples;
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

fn words(values: &[impl Serialize]) -> Vec<String> {
    let words = values.iter().map(Cell::word);
    words.map(|word| word.written().into_owned()).collect()
}

#[test]
fn closed_lists_are_those_of_the_enums() {
    assert_eq!(lists::STATUSES, words(&Status::ALL));
    assert_eq!(lists::REASONS, words(&Reason::ALL));
    assert_eq!(lists::LABELS, words(&Label::ALL));
    assert_eq!(lists::AFTER_STATES, words(&AfterState::ALL));
    let bases = [Basis::Confirmed, Basis::Provisional, Basis::None];
    assert_eq!(lists::BASES, words(&bases));
    let deciders = [
        DecidedBy::Right,
        DecidedBy::Left,
        DecidedBy::Both,
        DecidedBy::SinceEvent,
    ];
    assert_eq!(lists::DECIDERS, words(&deciders));
    assert_eq!(lists::MODALITIES, words(&Modality::ALL));
    assert_eq!(lists::BORDERS, words(&[Border::Outer, Border::Inner]));
    let eyes = [Laterality::Right, Laterality::Left, Laterality::Unresolved];
    assert_eq!(lists::EYES, words(&eyes));
    let planes = [
        Plane::Transverse,
        Plane::Sagittal,
        Plane::Oblique,
        Plane::Unspecified,
    ];
    assert_eq!(lists::PLANES, words(&planes));
    let quantities = [
        Quantity::SheathDiameter,
        Quantity::EyeballTransverseDiameter,
        Quantity::DiscElevation,
        Quantity::NerveDiameter,
    ];
    assert_eq!(lists::QUANTITIES, words(&quantities));
    let derivations = [
        Derivation::Single,
        Derivation::Mean,
        Derivation::Median,
        Derivation::Minimum,
        Derivation::Maximum,
        Derivation::Selected,
    ];
    assert_eq!(lists::DERIVATIONS, words(&derivations));
    assert_eq!(of("exams", "sex").words, words(&[Sex::F, Sex::M, Sex::O]));
    let units = PressureUnit::ALL.map(PressureUnit::code);
    assert_eq!(of("exams", "opening_pressure_unit").words, units);
}

fn of(table: &str, column: &str) -> Described {
    let table = Table::ALL.into_iter().find(|one| one.name() == table);
    let columns = table.expect("a table").all_columns();
    let found = columns.into_iter().find(|one| one.name == column);
    found.expect("a column")
}

#[test]
fn every_table_has_a_key_and_names_that_lead_somewhere() {
    for table in Table::ALL {
        let columns = table.all_columns();
        assert!(columns.iter().any(|one| one.is_key), "{}", table.name());
        let names: BTreeSet<&str> = columns.iter().map(|one| one.name).collect();
        assert_eq!(names.len(), columns.len(), "{}", table.name());
        for foreign in table.foreign() {
            let there = foreign.table.columns();
            for (here, there_name) in foreign.fields.iter().zip(foreign.there) {
                let theirs = there.iter().find(|one| one.name == *there_name);
                assert_eq!(of(table.name(), here).kind, theirs.expect("a column").kind);
                assert!(theirs.expect("a column").is_key);
            }
        }
        for column in &columns {
            // The unit of a length stands in its name, and only there where it is one.
            assert_eq!(
                column.unit == Some("mm"),
                column.name.ends_with("_mm"),
                "{}",
                column.name
            );
        }
    }
}

/// What names a person, a place or a moment must not pass as harmless (the safe harbour list of 45 CFR
/// 164.514(b)(2), from memory: names, dates, record, accession and serial numbers, unique numbers).
#[test]
fn columns_that_identify_say_so() {
    for table in Table::ALL {
        for column in table.columns() {
            let class = column.class;
            let ends = |end: &[&str]| end.iter().any(|end| column.name.ends_with(end));
            if ends(&["patient_id", "accession", "serial"]) || column.name == "operator" {
                assert_eq!(class, Class::DirectIdentifier, "{}", column.name);
            } else if ends(&["instance_uid", "observation_uid", "_sha256", "pictures"]) {
                assert_eq!(class, Class::Uid, "{}", column.name);
            } else if matches!(column.kind, Kind::Date | Kind::Clock | Kind::Instant) {
                assert_eq!(class, Class::Date, "{}", column.name);
            } else if ends(&["exam_id", "operator_id", "device_id"]) {
                assert_eq!(class, Class::Key, "{}", column.name);
            }
        }
    }
}

fn told(version: u32) -> Told {
    let mut content = samples::newest(&samples::flagged()).content;
    content.exam.opening_pressure = OpeningPressure::typed("32", "cm[H2O]").ok();
    Told {
        version,
        recorded_at: at(version),
        key: content.key().expect("JSON"),
        why: vec!["first result".to_owned()],
        arrivals: BTreeMap::new(),
        parameters_key: parameters_key(&content.parameters, &content.technique).expect("JSON"),
        content,
    }
}

fn at(hour: u32) -> DateTime<Utc> {
    format!("2024-05-01T{hour:02}:00:00Z")
        .parse()
        .expect("a time")
}

#[test]
fn cells_are_of_the_kind_of_their_columns_and_come_back_from_text() {
    let mut rows = of_result(&told(1));
    for (_, known) in samples::every() {
        for content in samples::all(&known) {
            rows.extend(of_result(&Told { content, ..told(1) }));
        }
    }
    let tables: BTreeSet<Table> = rows.iter().map(|row| row.table).collect();
    assert!(tables.len() >= 5, "{tables:?}");
    for row in rows {
        let (table, columns) = (row.table, row.table.all_columns());
        let cells = row.clone().all_cells();
        assert_eq!(cells.len(), columns.len());
        for (cell, column) in cells.iter().zip(&columns) {
            let name = column.name;
            assert!(cell.is(column.kind), "{name}");
            assert!(!column.is_required || *cell != Cell::Empty, "{name}");
            let text = cell.written();
            assert_eq!(
                Cell::read(column.kind, &text).as_ref(),
                Some(cell),
                "{name}"
            );
            if !column.words.is_empty() && *cell != Cell::Empty {
                assert!(column.words.contains(&text.as_ref()), "{name}: {text}");
            }
        }
        let again = Row::of_all_cells(table, cells).expect("its columns");
        assert_eq!(
            again,
            Row {
                patient: None,
                rests_on_age: None,
                ..row
            }
        );
    }
}

#[test]
fn only_what_a_version_changes_is_told_and_what_it_lacks_is_withdrawn() {
    let (first, mut second, third) = (told(1), told(2), told(3));
    let gone = second.content.measurements_used.pop().expect("a reading");
    second.content.exam.label = Some(Label::RaisedConfirmed);
    let mut held = Held::default();
    let all = held.next(of_result(&first), 1, at(1));
    assert_eq!(all.len(), of_result(&first).len());
    let changed = held.next(of_result(&second), 2, at(2));
    let mut named: Vec<(Table, bool)> = changed
        .iter()
        .map(|row| (row.table, row.is_withdrawn))
        .collect();
    named.sort_unstable();
    assert_eq!(named, [(Table::Measurements, true), (Table::Exams, false)]);
    let withdrawn = changed.iter().find(|row| row.is_withdrawn).expect("one");
    assert!(withdrawn.cells.contains(&Cell::text(&gone.value.place)));
    assert_eq!(
        (withdrawn.version, withdrawn.recorded_at),
        (Some(2), Some(at(2)))
    );
    assert!(held.next(of_result(&second), 3, at(3)).is_empty());
    // The reading comes back.
    let back = held.next(of_result(&third), 4, at(4));
    assert_eq!(back.len(), 2);
    assert!(back.iter().all(|row| !row.is_withdrawn));
    assert_eq!(held.current().count(), of_result(&third).len());
}

/// DICOM TM knows second 60 (PS3.5 table 6.2-1); the other end of the files does not.
#[test]
fn a_leap_second_stays_on_its_day() {
    let at = "1990-12-31T23:59:60.500".parse().expect("chrono reads it");
    assert_eq!(Cell::clock(at).written(), "1990-12-31T23:59:59.999999");
}
