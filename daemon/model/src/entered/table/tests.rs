//! Tables as people have them: every row is accepted, or named with line, column and reason.

mod clinic;

use super::*;
use crate::domain::{Border, Millimetres, Plane};
use crate::entered::TypedReading;

fn signing() -> Signing {
    Signing {
        author: "Ilse Farnwick".to_owned(),
        at: DateTime::parse_from_rfc3339("2026-04-01T11:00:00+02:00").expect("a time"),
        reason: String::new(),
    }
}

fn read(text: impl AsRef<[u8]>, declared: &Declared) -> Table {
    table(text.as_ref(), declared, &signing(), &Limits::default())
}

fn exams() -> Declared {
    Declared::new(Unit::Mm, Shape::Exams)
}

fn readings() -> Declared {
    Declared::new(Unit::Mm, Shape::Readings)
}

fn told(table: &Table) -> Vec<String> {
    table.all_faults().iter().map(ToString::to_string).collect()
}

/// The only fault of a table.
fn fault(text: impl AsRef<[u8]>, declared: &Declared) -> String {
    let table = read(text, declared);
    let told = told(&table);
    assert_eq!(told.len(), 1, "{told:?}");
    told.into_iter().next().unwrap_or_default()
}

fn widths(typed: &Typed, eye: Eye) -> Vec<i64> {
    let of_eye = typed.readings(eye).iter();
    of_eye.map(|one| one.value.um()).collect()
}

#[test]
fn a_row_an_exam_with_several_columns() {
    let text = "patient_id,birth_date,date,time,right,right_2,left,left_2,plane,depth_mm,border,operator\n\
                0042,2019-03-02,2024-05-01,10:12,5.2,5.30,4.9,,transverse,3.0,outer,Oda Brack\n\
                \n\
                0042,2019-03-02,2025-05-01,,,,5.0,,,,,\n";
    let table = read(text, &exams());
    assert_eq!(told(&table), Vec::<String>::new());
    let [first, second] = table.exams.as_slice() else {
        panic!("{:?}", table.rows)
    };
    assert_eq!(
        (first.lines.as_slice(), second.lines.as_slice()),
        ([2].as_slice(), [4].as_slice())
    );
    let typed = &first.typed;
    assert_eq!(typed.subject.patient.id, "0042");
    assert_eq!(typed.right.len(), 2);
    assert_eq!(
        typed.right.get(1),
        Some(&TypedReading {
            value: Millimetres::from_um(5_300),
            decimals: 2,
            plane: Plane::Transverse,
            depth: Some(Millimetres::from_um(3_000)),
            angle_deg: None,
        })
    );
    assert_eq!(typed.border, Some(Border::Outer));
    assert_eq!(typed.operator.as_deref(), Some("Oda Brack"));
    assert_eq!(typed.transcribed.as_deref(), Some("line 2"));
    assert_eq!(typed.author, "Ilse Farnwick");
    assert_eq!(second.typed.time, None);
    assert_eq!(widths(&second.typed, Eye::Left), [5_000]);
    assert!(second.typed.right.is_empty());
}

#[test]
fn a_row_a_reading_joined_to_exams() {
    let text = "date;eye;value;patient_id;birth_date;time;Notes\r\n\
                01.05.2024;R;0,52;0042;02.03.2019;10:12;\"a; b\r\nc\"\r\n\
                01.05.2024;OD;0,53;0042;02.03.2019;10:12;\r\n\
                01.05.2024;left;0,49;0042;02.03.2019;10:12;\r\n\
                02.05.2024;L;0,50;0042;02.03.2019;10:12;\r\n";
    let mut declared = Declared::new(Unit::Cm, Shape::Readings);
    declared.separator = ';';
    declared.decimal = DecimalMark::Comma;
    declared.dates = "%d.%m.%Y".parse().unwrap();
    declared.columns.ignored.insert("Notes".to_owned());
    declared.issuer = "TARNHOLT".to_owned();
    let table = read(text, &declared);
    assert_eq!(told(&table), Vec::<String>::new());
    assert_eq!(table.exams.len(), 2);
    let first = &table.exams[0];
    // The second line of the file is inside a quoted field.
    assert_eq!(first.lines, [2, 4, 5]);
    assert_eq!(widths(&first.typed, Eye::Right), [5_200, 5_300]);
    assert_eq!(widths(&first.typed, Eye::Left), [4_900]);
    assert_eq!(first.typed.subject.patient.issuer, "TARNHOLT");
    assert_eq!(first.typed.transcribed.as_deref(), Some("lines 2 to 5"));
}

#[test]
fn columns_may_be_called_otherwise_and_a_name_in_another_unit_is_refused() {
    let mut declared = exams();
    let called = &mut declared.columns.called;
    called.insert(Column::PatientId, "MRN".to_owned());
    called.insert(Column::Width(Eye::Right, 1), "ONSD RE (mm)".to_owned());
    let text = "MRN,birth_date,date,ONSD RE (mm)\n1,2019-03-02,2024-05-01,5.2\n";
    assert_eq!(read(text, &declared).exams.len(), 1);
    declared.unit = Unit::Cm;
    assert!(fault(text, &declared).contains("speaks of mm, and the unit is declared as cm"));
    // Our own name is no longer the column's.
    let text = "patient_id,birth_date,date,ONSD RE (mm)\n1,2019-03-02,2024-05-01,5.2\n";
    declared.unit = Unit::Mm;
    let told = told(&read(text, &declared));
    assert!(
        told[0].contains("column patient_id: is no known column"),
        "{told:?}"
    );
    assert!(told[1].contains("no column MRN"), "{told:?}");
}

#[test]
fn a_first_line_that_is_not_understood_is_told_and_nothing_is_read() {
    let long = format!("{},birth_date,date,right\n", "x".repeat(2_000));
    for (text, why) in [
        ("", "the table is empty"),
        ("\n\n", "the table is empty"),
        ("patient_id,birth_date,date,right\n", "no row below"),
        (
            "patient_id,birth_date,date\n1,2019-03-02,2024-05-01\n",
            "no column right or left",
        ),
        (
            "birth_date,date,right\n2019-03-02,2024-05-01,5\n",
            "no column patient_id",
        ),
        (
            "patient_id,birth_date,date,right,Right\n",
            "column Right: is no known column",
        ),
        (
            "patient_id,birth_date,date,right,right\n",
            "column right: stands twice",
        ),
        (
            "patient_id,birth_date,date,right,\n",
            "column 5: has no name",
        ),
        (
            "patient_id,birth_date,date,eye,value\n",
            "column eye: is no known column",
        ),
        (
            "patient_id;birth_date;date;right\n1;2;3;4\n",
            "';' may be the one",
        ),
        (
            "patient_id\tbirth_date\tdate\tright\n",
            "'\\t' may be the one",
        ),
        (
            "\"patient_id,birth_date\n",
            "column 1: begins with a quote that nothing ends",
        ),
        (long.as_str(), "column 1: has 2000 letters"),
    ] {
        let table = read(text, &exams());
        assert!(table.rows.is_empty() && table.exams.is_empty(), "{text:?}");
        let told = told(&table);
        assert!(
            told.iter().any(|one| one.contains(why)),
            "{text:?}: {told:?}"
        );
        assert!(told.iter().all(|one| one.starts_with("line 1")), "{told:?}");
    }
}

#[test]
fn a_file_that_is_no_utf_8_is_refused_with_advice() {
    let text =
        "patient_id,birth_date,date,right,operator\n1,2019-03-02,2024-05-01,5.2,Bj\u{f6}rn\n";
    assert_eq!(read(format!("\u{feff}{text}"), &exams()).exams.len(), 1);
    let latin: Vec<u8> = text.chars().map(|letter| letter as u8).collect();
    let utf16 = |mark: &[u8], bytes: fn(u16) -> [u8; 2]| {
        let letters = text.encode_utf16().flat_map(bytes);
        mark.iter().copied().chain(letters).collect::<Vec<u8>>()
    };
    for (bytes, why) in [
        (latin, "line 2 is not UTF-8; it may be Latin-1"),
        (utf16(&[0xFF, 0xFE], u16::to_le_bytes), "UTF-16"),
        (utf16(&[0xFE, 0xFF], u16::to_be_bytes), "UTF-16"),
        (utf16(&[], u16::to_le_bytes), "UTF-"),
        (b"PK\x03\x04rest".to_vec(), "a spreadsheet's own file"),
    ] {
        let said = fault(&bytes, &exams());
        assert!(said.contains(why), "{said}");
        assert!(said.contains("CSV UTF-8"), "{said}");
    }
}

#[test]
fn every_bad_row_is_named_and_keeps_the_others() {
    let good = "0042,2019-03-02,2024-05-01,10:12,5.2,4.9,,,";
    for (row, column, why) in [
        (",2019-03-02,2024-05-02,,5.2,,,,", "patient_id", "is empty"),
        (
            "1.23E+12,2019-03-02,2024-05-02,,5.2,,,,",
            "patient_id",
            "a spreadsheet has shortened",
        ),
        (
            "=A1,2019-03-02,2024-05-02,,5.2,,,,",
            "patient_id",
            "is a formula",
        ),
        (
            "#REF!,2019-03-02,2024-05-02,,5.2,,,,",
            "patient_id",
            "spreadsheet's error",
        ),
        ("1,,2024-05-02,,5.2,,,,", "birth_date", "is empty"),
        (
            "1,02.03.2019,2024-05-02,,5.2,,,,",
            "birth_date",
            "no date of the form YYYY-MM-DD",
        ),
        ("1,2019-03-02,,,5.2,,,,", "date", "is empty"),
        (
            "1,2019-03-02,2024-02-30,,5.2,,,,",
            "date",
            "no date of the form",
        ),
        (
            "1,2019-03-02,05/02/2024,,5.2,,,,",
            "date",
            "no date of the form",
        ),
        (
            "1,2019-03-02,2026-04-03,,5.2,,,,",
            "date",
            "lies in the future",
        ),
        (
            "1,2019-03-02,2019-03-01,,5.2,,,,",
            "date",
            "lies before birth",
        ),
        (
            "1,2030-03-02,2024-05-02,,5.2,,,,",
            "birth_date",
            "lies in the future",
        ),
        ("1,2019-03-02,2024-05-02,25:00,5.2,,,,", "time", "no time"),
        ("1,2019-03-02,2024-05-02,9:05,5.2,,,,", "time", "no time"),
        (
            "1,2019-03-02,2024-05-02T10:00,11:00,5.2,,,,",
            "time",
            "has a time already",
        ),
        (
            "1,2019-03-02,2024-05-02,,\"5,2\",,,,",
            "right",
            "decimal mark",
        ),
        ("1,2019-03-02,2024-05-02,,5.2 mm,,,,", "right", "no number"),
        ("1,2019-03-02,2024-05-02,,=5.2,,,,", "right", "formula"),
        ("1,2019-03-02,2024-05-02,,52,,,,", "right", "outside"),
        ("1,2019-03-02,2024-05-02,,0.52,,,,", "right", "outside"),
        ("1,2019-03-02,2024-05-02,,5.2,0.49,,,", "left", "outside"),
        (
            "1,2019-03-02,2024-05-02,,,,,,",
            "",
            "no value of either eye",
        ),
        ("1,2019-03-02,2024-05-02,,5.2,,axial,,", "plane", "no plane"),
        ("1,2019-03-02,2024-05-02,,5.2,,,30,", "depth_mm", "no depth"),
        (
            "1,2019-03-02,2024-05-02,,5.2,,,,both",
            "border",
            "outer or inner",
        ),
        (
            "1,2019-03-02,2024-05-02,,5.2,,,,outer,more",
            "",
            "10 fields where the first line names 9",
        ),
        (
            "1,2019-03-02,2024-05-02",
            "",
            "3 fields where the first line names 9",
        ),
        (
            "\"1\n2\",2019-03-02,2024-05-02,,5.2,,,,",
            "patient_id",
            "line end",
        ),
        ("1\"2,2019-03-02,2024-05-02,,5.2,,,,", "1", "holds a quote"),
        (
            "\"1\"2,2019-03-02,2024-05-02,,5.2,,,,",
            "1",
            "after its closing quote",
        ),
        (
            "0042,2019-03-02,2024-05-01,10:12,5.2,4.9,,,",
            "date",
            "the same patient and time as line 2",
        ),
        (
            "0042,2019-03-02,2024-05-01,10:12,5.3,4.9,,,",
            "date",
            "the same patient and time as line 2",
        ),
        (
            "0042,2019-03-03,2024-05-01,10:12,5.2,4.9,,,",
            "date",
            "line 2 has another exam",
        ),
    ] {
        let text = format!(
            "patient_id,birth_date,date,time,right,left,plane,depth_mm,border\n{good}\n{row}\n"
        );
        let table = read(&text, &exams());
        let told = told(&table);
        let place = match column {
            "" => "line 3: ".to_owned(),
            column => format!("line 3, column {column}: "),
        };
        assert!(
            matches!(told.as_slice(), [one] if one.starts_with(&place) && one.contains(why)),
            "{row}: {told:?}"
        );
        assert_eq!(table.rows.len(), 2, "{row}");
        assert_eq!(table.rows[0].outcome, Outcome::Accepted, "{row}");
        // Left out, the rest is clean.
        let mut declared = exams();
        declared.leave_out.insert(3);
        let rest = read(&text, &declared);
        assert!(rest.is_clean(), "{row}: {:?}", rest.all_faults());
        assert_eq!(rest.rows[1].outcome, Outcome::LeftOut);
        assert_eq!(rest.exams.len(), 1);
    }
}

#[test]
fn rows_that_are_readings_name_their_eye_and_equal_ones_are_numbered() {
    let head = "patient_id,birth_date,date,eye,value,reading";
    let row = |rest: &str| format!("1,2019-03-02,2024-05-01,{rest}");
    let of = |rows: &[&str]| {
        let rows: Vec<String> = rows.iter().map(|rest| row(rest)).collect();
        read(format!("{head}\n{}\n", rows.join("\n")), &readings())
    };
    let said = |rows: &[&str]| told(&of(rows)).join(" / ");
    assert!(of(&["right,5.2,1", "right,5.2,2", "R,5.3,3", "OS,4.9,1"]).is_clean());
    assert!(said(&["right,5.2,", "right,5.2,"]).contains("line 3: the same as line 2"));
    assert!(said(&["right,5.2,1", "right,5.3,1"]).contains("line 2 is this reading"));
    assert!(said(&["both,5.2,"]).contains("column eye: \"both\" names no eye"));
    assert!(said(&["rechts,5.2,"]).contains("column eye: \"rechts\" names no eye"));
    assert!(said(&[",5.2,"]).contains("column eye: is empty"));
    assert!(said(&["right,,"]).contains("column value: is empty"));
    assert!(said(&["right,5.2,6"]).contains("column reading"));
    let six = ["R,5.0,", "R,5.1,", "R,5.2,", "R,5.3,", "R,5.4,", "R,5.45,"];
    assert!(said(&six).contains("column value: there are 6; 5 can be typed"));
    // The line that holds the reading is named, not the first of the exam.
    assert!(said(&["R,5.0,", "L,5.1,", "R,50,"]).contains("line 4, column value"));
}

#[test]
fn what_is_to_be_left_out_must_be_a_row() {
    let text = "patient_id,birth_date,date,right\n1,2019-03-02,2024-05-01,5.2\n";
    let mut declared = exams();
    declared.leave_out.insert(7);
    assert!(fault(text, &declared).contains("line 7: is to be left out, and no row begins"));
}

#[test]
fn doubts_are_told_with_their_place_and_do_not_keep_a_row_out() {
    let text = "patient_id,birth_date,date,right,right_2\n1,2019-03-02,2024-05-01,5.2,6.4\n";
    let table = read(text, &exams());
    assert!(table.is_clean());
    let doubts: Vec<String> = table.exams[0]
        .doubts
        .iter()
        .map(ToString::to_string)
        .collect();
    assert!(
        matches!(doubts.as_slice(), [one] if one.starts_with("line 2, column right: lie 1.2 mm apart")),
        "{doubts:?}"
    );
}

/// A field of a million bytes, a million columns, rows without end: told, and never kept.
#[test]
fn a_hostile_table_is_bounded() {
    let field = format!(
        "patient_id,birth_date,date,right\n{},2019-03-02,2024-05-01,5.2\n",
        "9".repeat(1_000_000)
    );
    assert!(
        fault(&field, &exams()).contains("line 2, column 1: has 1000000 letters; 1000 are read")
    );
    let quoted = format!(
        "patient_id,birth_date,date,right\n\"{},2019-03-02,2024-05-01,5.2\n",
        "9\n".repeat(500_000)
    );
    assert!(fault(&quoted, &exams()).contains("line 2, column 1: begins with a quote"));
    let wide = format!(
        "patient_id,birth_date,date,right\n1,2019-03-02,2024-05-01,5.2{}\n",
        ",".repeat(1_000_000)
    );
    assert!(fault(&wide, &exams()).contains("line 2, column 201: is one of 1000004"));
    let many = format!(
        "patient_id,birth_date,date,right\n{}",
        "1,2019-03-02,2024-05-01,5.2\n".repeat(ROWS_MAX + 100)
    );
    let said = fault(&many, &exams());
    assert_eq!(said, "line 20002: more than 20000 rows; split the table");
    // Twenty thousand rows of one exam are told one by one, not held against each other all.
    let one_exam = format!(
        "patient_id,birth_date,date,eye,value\n{}",
        (0..ROWS_MAX)
            .map(|n| format!("1,2019-03-02,2024-05-01,R,5.{n:03}\n"))
            .collect::<String>()
    );
    assert!(!read(&one_exam, &readings()).is_clean());
}

#[test]
fn the_same_table_again_gives_the_same_exams() {
    let text = "patient_id,birth_date,date,right\n1,2019-03-02,2024-05-01,5.2\n2,2018-03-02,2024-05-01,5.2\n";
    let more = format!("{text}1,2019-03-02,2024-05-02,5.3\n");
    let uids = |text: &str| {
        let table = read(text, &exams());
        let uids = table.exams.iter().map(|one| one.typed.uids());
        uids.collect::<Vec<_>>()
    };
    let (one, other) = (uids(text), uids(&more));
    assert_eq!(one.as_slice(), &other[..2]);
    assert!(!one.contains(&other[2]));
}
