//! Declaring a table, and the pages of it.

use super::*;
use crate::entered::table::{Column, RowFault};
use crate::pages::measure::Proof;
use crate::pages::testing::{fields_are_labelled, hostile};

fn declaring() -> Declaring {
    Declaring {
        unit: "mm".to_owned(),
        dates: "iso".to_owned(),
        separator: "comma".to_owned(),
        decimal: "point".to_owned(),
        shape: "exams".to_owned(),
        ..Declaring::default()
    }
}

/// Neither unit nor shape has a default: either would make other values of a table.
#[test]
fn nothing_is_declared_by_itself() {
    let complete = declaring();
    assert!(complete.declared().is_ok());
    let cases: [fn(&mut Declaring); 5] = [
        |d| d.unit.clear(),
        |d| d.shape.clear(),
        |d| d.dates.clear(),
        |d| d.separator.clear(),
        |d| d.decimal.clear(),
    ];
    for forget in cases {
        let mut less = complete.clone();
        forget(&mut less);
        assert!(less.declared().is_err(), "{less:?}");
    }
    let page = start(&Start::default(), "T").into_string();
    assert!(page.contains("<option value=\"\" selected>choose</option>"));
    fields_are_labelled(&page);
}

#[test]
fn columns_are_matched_by_name_and_never_by_likeness() {
    let headers = ["patient_id", "Right eye", "left", "note"].map(str::to_owned);
    let mut declaring = declaring();
    declaring.match_by_name(&headers);
    assert_eq!(
        declaring.columns.get("left").map(String::as_str),
        Some("left")
    );
    assert_eq!(declaring.columns.get("Right eye"), None);
    // Chosen by somebody; what was chosen is not matched away.
    declaring
        .columns
        .insert("Right eye".to_owned(), "right".to_owned());
    declaring
        .columns
        .insert("note".to_owned(), NOT_READ.to_owned());
    declaring.match_by_name(&headers);
    let declared = declaring.declared().expect("declared");
    let right: Column = "right".parse().unwrap();
    assert_eq!(
        declared.columns.called.get(&right).map(String::as_str),
        Some("Right eye")
    );
    assert!(declared.columns.ignored.contains("note"));
    // The same column for two headers.
    declaring
        .columns
        .insert("note".to_owned(), "right".to_owned());
    assert!(declaring.declared().is_err());
}

/// Somebody says that the column called "right" holds the left eye: then nothing may take it for right.
#[test]
fn a_column_that_was_chosen_to_be_another_is_not_taken_by_its_name() {
    let mut declaring = declaring();
    declaring
        .columns
        .insert("right".to_owned(), "left".to_owned());
    declaring
        .columns
        .insert("left".to_owned(), "right".to_owned());
    let declared = declaring.declared().expect("declared");
    let of = |word: &str| declared.columns.called[&word.parse::<Column>().unwrap()].clone();
    assert_eq!(
        (of("left"), of("right")),
        ("right".to_owned(), "left".to_owned())
    );
    declaring.columns.remove("left");
    let declared = declaring.declared().expect("declared");
    assert_ne!(
        declared.columns.called[&"right".parse::<Column>().unwrap()],
        "right"
    );
}

fn view() -> Preview {
    Preview {
        draft: 4,
        file_name: "old.csv".to_owned(),
        sha256: "ab".repeat(32),
        bytes: 120,
        saved_at: "2026-05-07T10:31:00Z".parse().unwrap(),
        declaring: declaring(),
        headers: vec![Header {
            name: "right".to_owned(),
            chosen: "right".to_owned(),
        }],
        faults: Vec::new(),
        problem: None,
        lines: vec![
            Line {
                line: 2,
                as_it_stands: "A,2015-01-01,2020-01-01,4.9".to_owned(),
                state: State::Accepted("right 4.9 mm".to_owned()),
                doubts: Vec::new(),
            },
            Line {
                line: 3,
                as_it_stands: "A,2015-01-01,2020-13-01,4.9".to_owned(),
                state: State::Refused(vec![RowFault {
                    line: 3,
                    column: "date".to_owned(),
                    reason: "is no day".to_owned(),
                }]),
                doubts: Vec::new(),
            },
        ],
        page: (1, 1),
        counts: [1, 1, 0],
        exams: 1,
        doubts: 0,
        before: None,
        proof: Proof::Password,
    }
}

#[test]
fn a_table_with_a_refused_row_has_no_button_to_bring_it_in() {
    let mut view = view();
    let page = preview(&view, "T").into_string();
    assert!(!page.contains("value=\"bring\"") && page.contains("Leave out all 1 refused rows"));
    assert!(page.contains("column <bdi>date</bdi>: <bdi>is no day</bdi>"));
    assert!(
        page.contains(&"ab".repeat(32)),
        "the hash of what was taken"
    );
    fields_are_labelled(&page);
    view.lines.truncate(1);
    view.counts = [1, 0, 1];
    let page = preview(&view, "T").into_string();
    assert!(page.contains("value=\"bring\"") && page.contains("type=\"password\""));
    fields_are_labelled(&page);
    view.exams = 0;
    assert!(
        !preview(&view, "T")
            .into_string()
            .contains("value=\"bring\"")
    );
}

#[test]
fn a_table_is_taken_back_once_and_as_a_whole() {
    let page = |taken_back| {
        let view = Start {
            made: vec![made(taken_back)],
            ..Start::default()
        };
        start(&view, "T").into_string()
    };
    assert!(page(0).contains("Take back all of table 3"));
    assert!(!page(6).contains("Take back all of table 3"));
    fields_are_labelled(&page(0));
}

#[test]
fn text_of_strangers_stays_text() {
    let (text, bad) = hostile();
    let mut view = view();
    view.file_name = text.to_owned();
    view.declaring.issuer = text.to_owned();
    view.headers[0].name = text.to_owned();
    view.problem = Some(text.to_owned());
    let fault = RowFault {
        line: 1,
        column: text.to_owned(),
        reason: text.to_owned(),
    };
    view.faults = vec![fault.clone()];
    view.lines[0].as_it_stands = text.to_owned();
    view.lines[0].state = State::Accepted(text.to_owned());
    view.lines[0].doubts = vec![fault.clone()];
    view.lines[1].state = State::Refused(vec![fault]);
    let page = preview(&view, "T").into_string();
    assert!(!page.contains(bad), "{page}");
}

/// What people choose names for is the first line as the table is read, quotes and line ends included.
#[test]
fn lines_stand_as_they_are_read() {
    let text = b"\xEF\xBB\xBFpatient_id;\"a \"\"b\"\"\r\nc\"\r\n\r\nP1;x\r\n";
    let lines = crate::entered::table::lines(text, ';').expect("text");
    let told: Vec<(u64, Vec<&str>)> = lines
        .iter()
        .map(|(line, fields)| (*line, fields.iter().map(String::as_str).collect()))
        .collect();
    assert_eq!(
        told,
        [
            (1, vec!["patient_id", "a \"b\"\r\nc"]),
            (4, vec!["P1", "x"])
        ]
    );
    assert!(crate::entered::table::lines(b"\xFF\xFEa", ';').is_err());
}

/// Thousands of rows are kept long before their results are made.
#[test]
fn what_is_still_to_be_made_is_told_beside_the_tables() {
    let view = |rest| Start {
        made: vec![made(0)],
        rest,
        ..Start::default()
    };
    let told = start(
        &view(Rest {
            reports: 9_000,
            patients: 3,
            results: 64,
        }),
        "T",
    )
    .into_string();
    for part in ["9000 reports", "3 patients", "64 results", "is kept"] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let told = start(&view(Rest::default()), "T").into_string();
    assert!(!told.contains("still has to"), "{told}");
}

fn made(taken_back: usize) -> Made {
    Made {
        number: 3,
        at: "2026-05-07T10:31:00Z".parse().unwrap(),
        author: "l.farnwick".to_owned(),
        reason: "ward book 3".to_owned(),
        file_name: "old.csv".to_owned(),
        sha256: "cd".repeat(32),
        rows: 6,
        reports: 6,
        taken_back,
    }
}
