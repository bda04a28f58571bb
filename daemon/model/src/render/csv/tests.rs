use super::*;
use crate::results::samples;

fn lines(name: &str) -> Vec<String> {
    let known = samples::every().into_iter().find(|(one, _)| *one == name);
    let text = csv(&samples::newest(&known.unwrap().1));
    text.split_terminator("\r\n").map(str::to_owned).collect()
}

#[test]
fn a_row_for_each_value_and_each_assessment() {
    let lines = lines("flagged");
    let of = |kind: &str| lines.iter().filter(|line| line.starts_with(kind)).count();
    assert_eq!((of("reading,"), of("assessment,")), (6, 3));
    assert_eq!(lines.len(), 10);
    let columns = |line: &String| line.split(',').count();
    // No cell of this sample holds a comma but the last, which is quoted.
    assert!(
        lines
            .iter()
            .skip(1)
            .take(6)
            .all(|line| columns(line) == COLUMNS.len())
    );
    assert!(
        lines[1].contains(",right,5.9,5.9,mm,transverse,,single,2.25.31,1.1,,"),
        "{}",
        lines[1]
    );
}

#[test]
fn an_exam_without_a_value_has_its_answer() {
    let lines = lines("not-comparable");
    assert_eq!(lines.len(), 2);
    assert!(
        lines[1].contains(",not_comparable,false,no_usable_measurement,"),
        "{}",
        lines[1]
    );
}

/// RFC 4180, 2.5 to 2.7.
#[test]
fn cells_that_need_quotes_have_them() {
    let cells = ["a", "b,c", "d\"e", "f\r\ng", ""].map(str::to_owned);
    assert_eq!(line(&cells), "a,\"b,c\",\"d\"\"e\",\"f\r\ng\",\r\n");
}

/// A spreadsheet takes a cell that begins so for a formula (OWASP, "CSV Injection").
#[test]
fn no_text_of_a_report_begins_a_formula() {
    let mut result = crate::results::samples::newest(&crate::results::samples::flagged());
    result.content.patient.id = "=HYPERLINK(1)".to_owned();
    result.content.exam.operator = Some("@SUM(1,2)".to_owned());
    let csv = csv(&result);
    assert!(csv.contains(",'=HYPERLINK(1),"));
    assert!(csv.contains(",\"'@SUM(1,2)\","));
    for row in csv.lines().skip(1) {
        for cell in row
            .split(',')
            .filter(|cell| cell.starts_with(['=', '+', '-', '@']))
        {
            assert!(cell.parse::<f64>().is_ok(), "{cell}");
        }
    }
}
