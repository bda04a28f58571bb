//! Numbers, dates and checks of what is typed.

use super::check::{Field, Limits};
use super::{Dates, DecimalMark, Subject, Typed, TypedReading, Unit, check, value};
use crate::domain::{Device, Eye, Millimetres, PatientKey};
use chrono::{DateTime, NaiveDate, NaiveTime};

fn reading(um: i64) -> TypedReading {
    TypedReading::of(Millimetres::from_um(um), 1)
}

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a day")
}

fn typed() -> Typed {
    Typed {
        subject: Subject {
            patient: PatientKey {
                issuer: String::new(),
                id: "0042".to_owned(),
            },
            birth_date: day("2019-03-02"),
            sex: None,
            name: None,
            accession: None,
        },
        day: day("2026-04-01"),
        time: NaiveTime::from_hms_opt(10, 12, 0),
        right: vec![TypedReading::of(Millimetres::from_um(5_200), 1)],
        left: Vec::new(),
        border: None,
        operator: None,
        device: Device::default(),
        author: "Ilse Farnwick".to_owned(),
        signed_at: DateTime::parse_from_rfc3339("2026-04-01T11:00:00+02:00").expect("a time"),
        transcribed: None,
        corrects: None,
        reason: String::new(),
    }
}

#[test]
fn widths_are_read_as_declared_and_keep_their_digits() {
    let read = |text, unit, mark| value(text, unit, mark).map(|(mm, n)| (mm.um(), n));
    let (mm, cm) = (Unit::Mm, Unit::Cm);
    let (point, comma) = (DecimalMark::Point, DecimalMark::Comma);
    for (text, unit, mark, wanted) in [
        ("5.2", mm, point, (5_200, 1)),
        ("5.20", mm, point, (5_200, 2)),
        (" 5 ", mm, point, (5_000, 0)),
        ("5,2", mm, comma, (5_200, 1)),
        ("0.52", cm, point, (5_200, 1)),
        ("0,5", cm, comma, (5_000, 0)),
        ("0.5234", cm, point, (5_234, 3)),
        (".5", cm, point, (5_000, 0)),
    ] {
        assert_eq!(read(text, unit, mark), Ok(wanted), "{text}");
    }
    for (text, unit, mark, why) in [
        ("5,2", mm, point, "decimal mark is declared"),
        ("5.2", mm, comma, "decimal mark is declared"),
        ("1.234,5", mm, comma, "decimal mark is declared"),
        ("5.2 mm", mm, point, "no number"),
        ("-5.2", mm, point, "no number"),
        ("5.2e0", mm, point, "no number"),
        ("5..2", mm, point, "no number"),
        ("", mm, point, "no number"),
        (".", mm, point, "no number"),
        ("=5+0.2", mm, point, "formula"),
        ("5.23456", mm, point, "more digits"),
        ("٥.٢", mm, point, "no number"),
    ] {
        let said = read(text, unit, mark).unwrap_err();
        assert!(said.contains(why), "{text}: {said}");
    }
}

#[test]
fn digits_are_written_as_typed_and_never_become_another_value() {
    for (um, decimals, wanted) in [
        (5_200, 1, "5.2"),
        (5_200, 2, "5.20"),
        (5_200, 0, "5.2"),
        (5_000, 0, "5"),
        (5_000, 3, "5.000"),
        (5_234, 1, "5.234"),
        (980, 1, "0.98"),
    ] {
        let one = TypedReading::of(Millimetres::from_um(um), decimals);
        assert_eq!(one.digits(), wanted);
    }
}

#[test]
fn days_are_read_in_the_declared_form_alone() {
    let read = |form: &str, text: &str| {
        let dates: Dates = form.parse().expect(form);
        dates.day(text).map(|day| day.to_string())
    };
    for (form, text, wanted) in [
        ("iso", "2024-05-01", Some("2024-05-01")),
        ("iso", "2024-5-1", None),
        ("iso", "01.05.2024", None),
        ("iso", "2024-02-30", None),
        ("iso", "2024-05-01 ", None),
        ("%d.%m.%Y", "01.05.2024", Some("2024-05-01")),
        ("%d.%m.%Y", "1.5.2024", Some("2024-05-01")),
        ("%d.%m.%Y", "1.5.24", None),
        ("%d.%m.%Y", "2024-05-01", None),
        ("%m/%d/%Y", "05/13/2024", Some("2024-05-13")),
        ("%m/%d/%Y", "13/05/2024", None),
        ("%Y%m%d", "20240501", Some("2024-05-01")),
        ("%Y%m%d", "2024051", None),
        ("%d.%m.%Y", "+1.5.2024", None),
    ] {
        assert_eq!(read(form, text).as_deref(), wanted, "{form} {text}");
    }
    for form in [
        "",
        "%d.%m.%y",
        "%d.%m",
        "%d.%m.%Y%Y",
        "dd.mm.yyyy",
        "%Y-%m-%d %H",
        "%",
    ] {
        assert!(form.parse::<Dates>().is_err(), "{form}");
    }
    assert_eq!("%d.%m.%Y".parse::<Dates>().unwrap().shown(), "DD.MM.YYYY");
}

#[test]
fn every_field_is_checked_and_doubts_do_not_block() {
    let told = |change: &dyn Fn(&mut Typed)| {
        let mut one = typed();
        change(&mut one);
        check(&one, &Limits::default())
            .into_iter()
            .map(|fault| (fault.field, fault.blocking))
            .collect::<Vec<_>>()
    };
    assert_eq!(told(&|_| {}), []);
    let block = |field| vec![(field, true)];
    let right = |n| Field::Value(Eye::Right, n);
    type Case = (fn(&mut Typed), Vec<(Field, bool)>);
    let cases: Vec<Case> = vec![
        (|t| t.subject.patient.id.clear(), block(Field::PatientId)),
        (
            |t| t.subject.patient.id = "a\\b".into(),
            block(Field::PatientId),
        ),
        (
            |t| t.subject.birth_date = day("2027-01-01"),
            block(Field::BirthDate),
        ),
        (
            |t| t.subject.birth_date = day("1820-01-01"),
            block(Field::BirthDate),
        ),
        (
            |t| t.subject.birth_date = day("2026-04-02"),
            block(Field::BirthDate),
        ),
        (
            |t| t.day = day("2019-03-01"),
            vec![(Field::Day, true), (Field::Day, false)],
        ),
        (|t| t.day = day("2026-04-02"), block(Field::Day)),
        (
            |t| t.time = NaiveTime::from_hms_opt(11, 11, 0),
            block(Field::Time),
        ),
        (|t| t.time = NaiveTime::from_hms_opt(11, 9, 0), vec![]),
        (|t| t.day = day("2025-03-01"), vec![(Field::Day, false)]),
        (|t| t.right.clear(), block(Field::Readings(None))),
        (
            |t| t.right = vec![reading(5_200); 6],
            block(Field::Readings(Some(Eye::Right))),
        ),
        (|t| t.right = vec![reading(52_000)], block(right(0))),
        (
            |t| t.right = vec![reading(5_200), reading(520)],
            vec![(right(1), true), (Field::Readings(Some(Eye::Right)), false)],
        ),
        (
            |t| t.right = vec![reading(5_200), reading(5_900)],
            vec![(Field::Readings(Some(Eye::Right)), false)],
        ),
        (
            |t| t.right[0].depth = Some(Millimetres::from_um(30_000)),
            block(Field::Depth(Eye::Right, 0)),
        ),
        (
            |t| t.right[0].angle_deg = Some(91.0),
            block(Field::Angle(Eye::Right, 0)),
        ),
        (
            |t| t.right[0].angle_deg = Some(f64::NAN),
            block(Field::Angle(Eye::Right, 0)),
        ),
        (|t| t.operator = Some(String::new()), block(Field::Operator)),
        (|t| t.operator = Some("a=b".into()), block(Field::Operator)),
        (|t| t.author = "x".repeat(65), block(Field::Author)),
        (|t| t.reason = "a\nb".into(), block(Field::Reason)),
        (
            |t| t.subject.accession = Some("x".repeat(17)),
            block(Field::Accession),
        ),
    ];
    for (n, (change, wanted)) in cases.into_iter().enumerate() {
        assert_eq!(told(&change), wanted, "case {n}");
    }
}
