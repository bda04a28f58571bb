//! The list of columns against what it stands for.

use super::*;
use crate::export::cell::Cell;
use crate::export::row::Held;
use crate::export::stored::{Ended, parameters_key};
use chrono::{DateTime, Utc};
use serde::Serialize;
use sheathline_model::annotations as people;
use sheathline_model::annotations::{
    Author, By, Entry, Judgement, Of, Outcome, Said, SecondReading,
};
use sheathline_model::assess::{AfterState, Basis, DecidedBy, Status};
use sheathline_model::domain::{
    About, Border, Derivation, Event, EventKind, Label, Laterality, Millimetres, Modality,
    OpeningPressure, Plane, PressureUnit, Quantity, Sex,
};
use sheathline_model::results::samples;
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
    assert_eq!(of("entries", "pressure_unit").words, units);
    assert_eq!(lists::ENTRIES, people::Kind::ALL.map(people::Kind::word));
    let labels = Label::ALL.map(Label::word);
    let said = [
        &labels[..],
        &EventKind::ALL.map(EventKind::word),
        &Outcome::ALL.map(Outcome::word),
        &Judgement::ALL.map(Judgement::word),
    ]
    .concat();
    assert_eq!(lists::SAID, said);
    let authors = [
        Author::Account(String::new()),
        Author::SystemUser(String::new()),
        Author::Unknown,
    ];
    assert_eq!(lists::AUTHORS, authors.each_ref().map(Author::kind));
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

fn told(version: u32) -> StoredResult {
    let mut content = samples::newest(&samples::flagged()).content;
    content.exam.opening_pressure = OpeningPressure::typed("32", "cm[H2O]").ok();
    StoredResult {
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
            rows.extend(of_result(&StoredResult { content, ..told(1) }));
        }
    }
    rows.extend(spoken().iter().map(|one| of_entry(one, 1, at(1))));
    let tables: BTreeSet<Table> = rows.iter().map(|row| row.table).collect();
    assert!(tables.len() >= 6, "{tables:?}");
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

/// One of each kind, and one that takes another back.
fn spoken() -> Vec<Spoken> {
    let about = About::of_study("2.25.9");
    let event = Event {
        date: at(1).date_naive(),
        kind: EventKind::Other,
    };
    let pressure = OpeningPressure::typed("32.5", "mm[Hg]").expect("a pressure");
    [
        Said::Label(about.clone(), Label::Well),
        Said::Event(event),
        Said::Pressure(about.clone(), pressure),
        Said::Nothing(people::Kind::Label, Of::Exam(about.clone())),
        Said::Settled(about.clone(), Outcome::RuledOut),
        Said::Acknowledged(about.clone(), 3),
        Said::SecondRead(
            about.clone(),
            SecondReading {
                right: [5600, 5800].map(Millimetres::from_um).into(),
                left: Vec::new(),
                ..SecondReading::default()
            },
        ),
        Said::LeftOut(about),
    ]
    .into_iter()
    .zip(1..)
    .map(|(said, id)| Spoken {
        entry: Entry {
            id,
            act: id,
            patient: PatientKey {
                issuer: "CLINIC".to_owned(),
                id: "1".to_owned(),
            },
            recorded_at: at(1),
            by: By {
                author: Author::SystemUser("nell".to_owned()),
                entered_by: "nell (uid 1000)".to_owned(),
                source: "command".to_owned(),
                reason: String::new(),
            },
            corrects: matches!(said, Said::Nothing(..)).then_some(1),
            said,
        },
        patient: PatientKey {
            issuer: "CLINIC".to_owned(),
            id: "2".to_owned(),
        },
        exam: (id == 1).then(|| ("E1".to_owned(), at(1).date_naive())),
        exams: usize::from(id == 1),
        ended: (id == 1).then(|| Ended {
            by: 4,
            at: at(2),
            is_taken_back: true,
        }),
    })
    .collect()
}

#[test]
fn only_what_counts_of_what_people_said_is_in_force() {
    let rows: Vec<Row> = spoken().iter().map(|one| of_entry(one, 1, at(1))).collect();
    let told = |name| -> Vec<String> {
        let cells = rows.iter().filter_map(|row| row.cell(name));
        cells.map(|cell| cell.written().into_owned()).collect()
    };
    let first_four = |name| told(name)[..4].to_vec();
    assert_eq!(first_four("in_force"), ["false", "true", "true", "false"]);
    assert_eq!(
        first_four("taken_back"),
        ["true", "false", "false", "false"]
    );
    assert_eq!(first_four("corrects"), ["", "", "", "1"]);
    assert_eq!(first_four("corrected_by"), ["4", "", "", ""]);
    assert_eq!(first_four("value"), ["well", "other", "", ""]);
    assert_eq!(first_four("pressure"), ["", "", "32.5", ""]);
    assert_eq!(first_four("valid_on"), ["2024-05-01", "2024-05-01", "", ""]);
    assert_eq!(told("patient_id"), ["2"; 8]);
    assert_eq!(told("given_patient_id"), ["1"; 8]);
    let kinds = ["settled", "acknowledged", "second_read", "left_out"];
    assert_eq!(told("kind")[4..], kinds);
    assert_eq!(told("value")[4..], ["ruled_out", "", "", ""]);
    assert_eq!(told("result_version")[4..], ["", "3", "", ""]);
    assert_eq!(told("second_right_mm")[4..], ["", "", "5.7", ""]);
    assert_eq!(told("second_left_mm")[4..], ["", "", "", ""]);
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
