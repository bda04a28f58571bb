//! Tables as spreadsheets and wards write them: read right, or refused with line, column and reason.

use super::*;

fn german() -> Declared {
    let mut declared = Declared::new(Unit::Cm, Shape::Exams);
    declared.separator = ';';
    declared.decimal = DecimalMark::Comma;
    declared.dates = "%d.%m.%Y".parse().unwrap();
    let called = &mut declared.columns.called;
    for (column, name) in [
        (Column::PatientId, "Patientennummer"),
        (Column::BirthDate, "Geburtsdatum"),
        (Column::Date, "Datum"),
        (Column::Width(Eye::Right, 1), "R1"),
        (Column::Width(Eye::Right, 2), "R2"),
        (Column::Width(Eye::Left, 1), "L1"),
        (Column::Width(Eye::Left, 2), "L2"),
    ] {
        called.insert(column, name.to_owned());
    }
    declared
}

const HEADER: &str = "Patientennummer;Geburtsdatum;Datum;R1;R2;L1;L2\r\n";

/// A byte order mark, CRLF, quotes round everything, days and months of one digit, empty lines and lines
/// of separators at the end, noughts before an id.
#[test]
fn a_table_of_a_spreadsheet_is_read_as_it_was_meant() {
    let text = format!(
        "\u{feff}{HEADER}\"0042\";\"02.03.2019\";\"2.5.2023\";\"0,52\";\"0,53\";\"0,51\";\"0,5\"\r\n\
         \r\n;;;;;;\r\n\r\n"
    );
    let table = read(&text, &german());
    assert_eq!(told(&table), Vec::<String>::new());
    let [exam] = table.exams.as_slice() else {
        panic!("{} exams", table.exams.len());
    };
    assert_eq!(exam.typed.subject.patient.id, "0042");
    assert_eq!(exam.typed.day.to_string(), "2023-05-02");
    assert_eq!(widths(&exam.typed, Eye::Right), [5_200, 5_300]);
    assert_eq!(widths(&exam.typed, Eye::Left), [5_100, 5_000]);
}

#[test]
fn what_cannot_be_meant_is_refused_with_line_column_and_reason() {
    for (row, why) in [
        (
            "42;02.03.19;02.05.2023;0,52;;;",
            "line 2, column Geburtsdatum: \"02.03.19\" is no date",
        ),
        (
            "42;;02.05.2023;0,52;;;",
            "line 2, column Geburtsdatum: is empty",
        ),
        (
            "42;02.03.1819;02.05.2023;0,52;;;",
            "more than 125 years ago",
        ),
        (
            "42;02.03.2024;02.05.2023;0,52;;;",
            "line 2, column Datum: 2023-05-02 lies before birth",
        ),
        (
            "42;02.03.2019;02.05.2023;5,2;;;",
            "line 2, column R1: 52 mm is outside",
        ),
        (
            "42;02.03.2019;02.05.2023;;;;0.52",
            "line 2, column L2: \"0.52\" has '.'",
        ),
        (
            "42;02.03.2019;02.05.2023;0,52 cm;;;",
            "line 2, column R1: \"0,52 cm\" is no number",
        ),
        (
            "42;02.03.2019;02.05.2023;;;;",
            "line 2: there is no value of either eye",
        ),
        (
            "42;02.03.2019;02.05.2023;0,52",
            "line 2: 4 fields where the first line names 7",
        ),
    ] {
        let said = fault(format!("{HEADER}{row}\r\n"), &german());
        assert!(said.contains(why), "{row}: {said}");
    }
    let mm = "patient_id,birth_date,date,right\n1,2019-03-02,2024-05-01,0.55\n";
    assert!(fault(mm, &exams()).contains("line 2, column right: 0.55 mm is outside"));
    let twice = "1,2019-03-02,2024-05-01,5.5\n".repeat(2);
    let said = fault(
        format!("patient_id,birth_date,date,right\n{twice}"),
        &exams(),
    );
    assert!(
        said.contains("line 3, column date: the same patient and time as line 2"),
        "{said}"
    );
}

/// Of two birth dates of one id nobody can tell which is right, nor whether it is one patient.
#[test]
fn an_id_with_two_birth_dates_is_refused() {
    let text = "patient_id,birth_date,date,right,issuer\n\
                1,2019-03-02,2024-05-01,5.2,A\n\
                1,2019-03-20,2024-06-01,5.2,A\n\
                1,2018-03-20,2024-06-01,5.2,B\n";
    let table = read(text, &exams());
    let said = told(&table);
    assert_eq!(said.len(), 1, "{said:?}");
    let why =
        "line 3, column birth_date: is not that of line 2, 2019-03-02, for the same patient id";
    assert!(said[0].starts_with(why), "{said:?}");
    assert_eq!(table.exams.len(), 2);
}

#[test]
fn a_day_that_a_spreadsheet_wrote_with_midnight_is_looked_at_once_more() {
    for (text, column) in [
        (
            "patient_id,birth_date,date,right\n1,2019-03-02,2024-05-01 00:00:00,5.2\n",
            "date",
        ),
        (
            "patient_id,birth_date,date,right,time\n1,2019-03-02,2024-05-01,5.2,00:00\n",
            "time",
        ),
    ] {
        let table = read(text, &exams());
        assert!(table.is_clean());
        let doubts = &table.exams[0].doubts;
        let said: Vec<String> = doubts.iter().map(ToString::to_string).collect();
        let why = format!("line 2, column {column}: the time is midnight");
        assert!(said.iter().any(|one| one.starts_with(&why)), "{said:?}");
    }
    let text = "patient_id,birth_date,date,right\n1,2019-03-02,2024-05-01 00:01,5.2\n";
    let doubts = &read(text, &exams()).exams[0].doubts;
    assert!(!doubts.iter().any(|one| one.reason.contains("midnight")));
}

#[test]
fn a_line_for_spreadsheets_is_told_as_that() {
    let text = "sep=,\npatient_id,birth_date,date,right\n1,2019-03-02,2024-05-01,5.2\n";
    let said = fault(text, &exams());
    assert_eq!(
        said,
        "line 1: is a line for spreadsheets and names no column; take it out"
    );
}
