//! Labels from a CSV table (RFC 4180, or with semicolons or tabs as spreadsheets write it): all of it
//! or, with a mistake, nothing.

use super::said_by;
use sheathline_model::domain::Label;

/// Rows of a table. They are recorded in one change, and whoever sends waits for it.
const ROWS_MAX: usize = 20_000;

/// Columns that a table may have.
const COLUMNS: [&str; 5] = ["exam_id", "study_instance_uid", "label", "reason", "author"];

/// The label of a word; `None` for the word that takes it back.
pub fn word(text: &str) -> Result<Option<Label>, String> {
    if text == "none" {
        return Ok(None);
    }
    let label = Label::ALL.into_iter().find(|label| label.word() == text);
    label.map(Some).ok_or_else(|| {
        let words = Label::ALL.map(Label::word).join(", ");
        format!("{text:?} is no label; write one of {words}, or none")
    })
}

/// One row that reads well.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Its line, from 1.
    pub line: u64,
    /// The column by which it names the exam.
    pub by: &'static str,
    /// The exam; where a person names several at once, each of them.
    pub exams: Vec<String>,
    /// `None`: what was said is taken back.
    pub label: Option<Label>,
    /// Who says it, if the row does.
    pub author: Option<String>,
    /// Why, if the row says so.
    pub reason: Option<String>,
}

/// A mistake in a row, with its place.
pub fn mistake(line: u64, column: &str, what: &str) -> String {
    format!("line {line}, column {column}: {what}")
}

/// Where each column stands.
struct Places([Option<usize>; COLUMNS.len()]);

impl Places {
    fn of(names: &csv::StringRecord) -> Result<Places, Vec<String>> {
        let mut places = [None; COLUMNS.len()];
        let mut mistakes = Vec::new();
        for (n, name) in names.iter().enumerate() {
            let name = name.trim_start_matches('\u{feff}').trim();
            let known = COLUMNS.iter().position(|column| *column == name);
            match known.and_then(|known| places.get_mut(known)) {
                None => mistakes.push(mistake(
                    1,
                    &(n + 1).to_string(),
                    &format!(
                        "{name:?} is no column; columns are {}, separated by commas, semicolons or \
                         tabs",
                        COLUMNS.join(", ")
                    ),
                )),
                Some(Some(_)) => {
                    mistakes.push(mistake(1, name, "stands twice"));
                }
                Some(place) => *place = Some(n),
            }
        }
        let [exam, study, label, ..] = places;
        if mistakes.is_empty() && label.is_none() {
            mistakes.push("line 1: there is no column label".to_owned());
        }
        if mistakes.is_empty() && exam.is_none() && study.is_none() {
            mistakes.push("line 1: there is no column exam_id or study_instance_uid".to_owned());
        }
        if mistakes.is_empty() {
            Ok(Places(places))
        } else {
            Err(mistakes)
        }
    }

    /// The field of a column; empty where there is no such column.
    fn field<'r>(&self, record: &'r csv::StringRecord, column: usize) -> &'r str {
        let place = self.0.get(column).copied().flatten();
        place.and_then(|n| record.get(n)).unwrap_or_default()
    }
}

/// What stands between two columns: no name of ours holds any of the three.
fn separator(text: &str) -> u8 {
    let first = text.lines().next().unwrap_or_default();
    let found = [',', ';', '\t']
        .into_iter()
        .find(|one| first.contains(*one));
    match found {
        Some(';') => b';',
        Some('\t') => b'\t',
        _ => b',',
    }
}

/// Reads a table.
///
/// # Errors
/// Every mistake, with its line and column.
pub fn read(text: &str) -> Result<Vec<Row>, Vec<String>> {
    // Of lines that end in CR LF the reader counts one too few.
    let text = text.replace("\r\n", "\n");
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .delimiter(separator(&text))
        .from_reader(text.as_bytes());
    let places = match reader.headers() {
        Ok(names) => Places::of(names)?,
        Err(error) => return Err(vec![format!("line 1: no good CSV: {error}")]),
    };
    let (mut rows, mut mistakes) = (Vec::new(), Vec::new());
    for (n, record) in reader.records().enumerate() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                let what = match error.kind() {
                    csv::ErrorKind::UnequalLengths {
                        expected_len, len, ..
                    } => format!("{len} fields where the first line names {expected_len}"),
                    _ => format!("no good CSV: {error}"),
                };
                mistakes.push(format!("line {line}: {what}"));
                continue;
            }
        };
        // Spreadsheets write rows below the last one: nothing in them says anything.
        if record.iter().all(str::is_empty) {
            continue;
        }
        let line = record.position().map_or(0, csv::Position::line);
        if n == ROWS_MAX {
            let what = format!("more than {ROWS_MAX} rows; split the table");
            mistakes.push(format!("line {line}: {what}"));
            break;
        }
        match row(line, &places, &record) {
            Ok(row) => rows.push(row),
            Err(what) => mistakes.extend(what),
        }
    }
    if rows.is_empty() && mistakes.is_empty() {
        mistakes.push("there is no row below the first line".to_owned());
    }
    if mistakes.is_empty() {
        Ok(rows)
    } else {
        Err(mistakes)
    }
}

fn row(line: u64, places: &Places, record: &csv::StringRecord) -> Result<Row, Vec<String>> {
    let [exam, study, label, reason, author] =
        [0, 1, 2, 3, 4].map(|column| places.field(record, column));
    let mut mistakes = Vec::new();
    let mut wrong = |column: &str, what: &str| mistakes.push(mistake(line, column, what));
    let (by, named) = match (exam, study) {
        ("", "") => {
            wrong(
                "exam_id",
                "neither exam_id nor study_instance_uid says which exam",
            );
            ("exam_id", "")
        }
        ("", study) => ("study_instance_uid", study),
        (exam, _) => ("exam_id", exam),
    };
    let label = word(label).map_err(|what| wrong("label", &what));
    let given = |text: &str, check: fn(&str) -> Result<String, String>| match text {
        "" => Ok(None),
        text => check(text).map(Some),
    };
    let reason = given(reason, said_by::reason).map_err(|what| wrong("reason", &what));
    let author = given(author, said_by::author).map_err(|what| wrong("author", &what));
    match (label, reason, author) {
        (Ok(label), Ok(reason), Ok(author)) if mistakes.is_empty() => Ok(Row {
            line,
            by,
            exams: vec![named.to_owned()],
            label,
            author,
            reason,
        }),
        _ => Err(mistakes),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_stand_in_any_order_and_a_row_may_name_who_and_why() {
        let text = "\u{feff}label,exam_id,author,reason\n\
                    well,E1,Dr Ilse Farnwick,\"seen, and well\"\n\
                    none,E2,,\n";
        let rows = read(text).unwrap();
        assert_eq!(rows.len(), 2);
        assert_eq!(
            (rows[0].line, rows[0].exams.as_slice()),
            (2, ["E1".to_owned()].as_slice())
        );
        assert_eq!(rows[0].label, Some(Label::Well));
        assert_eq!(rows[0].author.as_deref(), Some("Dr Ilse Farnwick"));
        assert_eq!(rows[0].reason.as_deref(), Some("seen, and well"));
        assert_eq!((rows[1].label, &rows[1].author), (None, &None));
        let by_study = read("study_instance_uid,label\n1.2.3,raised_confirmed\n").unwrap();
        assert_eq!(by_study[0].by, "study_instance_uid");
    }

    /// As spreadsheets of many countries save it: a mark of its encoding, semicolons or tabs, CR LF, a
    /// quoted name, and rows of nothing at the end.
    #[test]
    fn a_table_of_a_spreadsheet_is_read() {
        for separator in [";", "\t"] {
            let text = "\u{feff}\"exam_id\";label;reason\r\nE1; well ;\"gesehen; ohne Befund\"\r\n\
                        E2;raised_confirmed;Liquordruck 32,5 cm\r\n;;\r\n;;\r\n";
            let text = match separator {
                "\t" => text.replace("gesehen; ", "gesehen, ").replace(';', "\t"),
                _ => text.to_owned(),
            };
            let rows = read(&text).unwrap();
            assert_eq!(rows.len(), 2, "{rows:?}");
            assert_eq!((rows[0].line, rows[0].label), (2, Some(Label::Well)));
            let reasons: Vec<_> = rows.iter().map(|row| row.reason.as_deref()).collect();
            assert!(reasons[0].is_some_and(|one| one.ends_with("ohne Befund")));
            assert_eq!(reasons[1], Some("Liquordruck 32,5 cm"));
            let wrong = text.replace(" well ", "gesund");
            let mistakes = read(&wrong).unwrap_err();
            assert!(
                mistakes[0]
                    .starts_with("line 2, column label: \"gesund\" is no label; write one of "),
                "{mistakes:?}"
            );
        }
    }

    #[test]
    fn every_bad_row_is_told_with_line_column_and_reason() {
        let text = format!(
            "exam_id,study_instance_uid,label,reason\nE1,,wel,\n,,well,\nE2,,well,{}\nE3,,well\n\
             ,1.2.3,well,good\nE4,,,\n",
            "x".repeat(2001)
        );
        let mistakes = read(&text).unwrap_err();
        let starts = [
            "line 2, column label: \"wel\" is no label; write one of well, ",
            "line 3, column exam_id: neither",
            "line 4, column reason: has 2001 letters",
            "line 5: 3 fields where the first line names 4",
            "line 7, column label: \"\" is no label",
        ];
        assert_eq!(mistakes.len(), starts.len(), "{mistakes:?}");
        for (mistake, start) in mistakes.iter().zip(starts) {
            assert!(mistake.starts_with(start), "{mistake}");
        }
    }

    #[test]
    fn a_first_line_that_names_no_columns_of_ours_is_refused() {
        for (text, wanted) in [
            ("", "no column label"),
            ("exam_id\nE1\n", "no column label"),
            ("label\nwell\n", "no column exam_id or study_instance_uid"),
            (
                "exam_id|label\nE1|well\n",
                "separated by commas, semicolons or tabs",
            ),
            (
                "Untersuchung;Einordnung\nE1;well\n",
                "line 1, column 1: \"Untersuchung\" is no column; columns are exam_id, ",
            ),
            ("exam_id;label\n;\n;\n", "no row below"),
            ("exam_id,label,label\nE1,well,well\n", "stands twice"),
            ("exam_id,label,Notes\nE1,well,x\n", "\"Notes\" is no column"),
            ("exam_id,label\n", "no row below"),
        ] {
            let mistakes = read(text).unwrap_err();
            assert!(mistakes[0].contains(wanted), "{text:?}: {mistakes:?}");
        }
    }

    #[test]
    fn a_table_of_too_many_rows_is_refused_with_the_limit() {
        let whole = format!("exam_id,label\n{}", "E1,well\n".repeat(ROWS_MAX));
        assert_eq!(read(&whole).unwrap().len(), ROWS_MAX);
        let mistakes = read(&format!("{whole}E1,well\nE1,well\n")).unwrap_err();
        assert_eq!(
            mistakes,
            ["line 20002: more than 20000 rows; split the table"]
        );
    }
}
