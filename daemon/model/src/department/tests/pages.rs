//! The report of an invented clinic as text and as a page.

use super::super::report::{LIMITS, PURPOSE, Report, page};
use super::clinic::{clinic, statistics};
use super::*;
use chrono::NaiveDate;

fn report(patients: &[Patient]) -> Report {
    let today = NaiveDate::from_ymd_opt(2025, 1, 2).unwrap();
    Report::of(&statistics(patients, Period::default()), today)
}

/// `DEPARTMENT_PAGE=FILE` writes the page, to look at it.
#[test]
fn a_page_loads_nothing_and_says_what_it_is_for() {
    let mut patients = clinic(3, 300, 0.3);
    // A name that a report may bear.
    let hostile = "<script>alert(1)</script>\u{202E}|\"x\"";
    for patient in patients.iter_mut().take(40) {
        for exam in &mut patient.history.exams {
            if exam.device.as_deref() == Some("Maker|Model|d2") {
                exam.device = Some(hostile.to_owned());
            }
        }
    }
    let report = report(&patients);
    let page = page(&report);
    if let Ok(path) = std::env::var("DEPARTMENT_PAGE") {
        let clean = super::super::report::page(&self::report(&clinic(3, 300, 0.3)));
        std::fs::write(path, clean).unwrap();
    }
    for word in [
        "<script", "http:", "https:", "url(", "@import", "src=", "href=", "\u{202E}",
    ] {
        assert!(!page.contains(word), "{word}");
    }
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    let text = report.text();
    for words in [PURPOSE, LIMITS, reference::LABEL] {
        assert!(page.contains(words) && text.contains(words));
    }
    // Every picture has a name and says the same in words.
    let pictures = page.matches("<svg").count();
    assert!(pictures >= 8, "{pictures}");
    assert_eq!(page.matches("role=\"img\"").count(), pictures);
    assert_eq!(page.matches("<desc id=").count(), pictures);
    let mut ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "ids are given once");
    // Nothing of a patient: neither an id nor the day of an exam.
    for patient in &patients {
        for exam in &patient.history.exams {
            assert!(!page.contains(&exam.id) && !text.contains(&exam.id));
        }
    }
    // Rows are as wide as their head.
    for table in report.sections.iter().filter_map(|one| one.table.as_ref()) {
        assert!(
            table.rows.iter().all(|row| row.len() == table.head.len()),
            "{:?}",
            table.head
        );
    }
}

/// What a terminal is told is ours: names drive nothing, turn nothing, begin no line and make no
/// table wider than a screen, however long they are.
#[test]
fn names_of_any_length_and_kind_do_no_harm_to_a_terminal() {
    let mut patients = clinic(3, 300, 0.3);
    let plain = report(&patients).text().lines().count();
    let long = "D\u{1B}]0;x\u{7}\u{202E}\u{200B}\nNo flags. ".repeat(70_000 / 20);
    for exam in patients.iter_mut().flat_map(|one| &mut one.history.exams) {
        if exam.device.as_deref() == Some("Maker|Model|d2") {
            exam.device = Some(long.clone());
        }
    }
    let report = report(&patients);
    let text = report.text();
    assert!(
        !text
            .chars()
            .any(|c| c != '\n' && crate::legible::misleads(c))
    );
    assert_eq!(text.lines().count(), plain);
    let tables = report.sections.iter().filter_map(|one| one.table.as_ref());
    let cells = tables.flat_map(|table| table.rows.iter().flatten());
    assert!(cells.into_iter().any(|cell| cell.len() > 65_535));
    assert!(text.contains("characters)"));
    let longest = text.lines().map(|line| line.chars().count()).max();
    assert!(longest < Some(4100), "{longest:?}");
}

#[test]
fn an_empty_department_says_what_is_missing() {
    let empty = report(&[]);
    let (page, text) = (page(&empty), empty.text());
    assert!(text.contains("0 exams of 0 patients"));
    assert!(text.contains("No control chart yet"));
    for wrong in ["NaN", "inf"] {
        assert!(
            !text.contains(&format!("{wrong} ")) && !page.contains(&format!(">{wrong}<")),
            "{wrong}"
        );
    }
    let lines = statistics(&[], Period::default());
    for line in lines.lines() {
        let text = serde_json::to_string(&line).unwrap();
        assert!(text.starts_with("{\"kind\":\""), "{text}");
    }
}
