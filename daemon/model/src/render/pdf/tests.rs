use super::*;
use crate::render::html;
use crate::results::samples;

fn made(result: &Envelope, others: &[Content]) -> Vec<u8> {
    pdf(result, &html::trends(&result.content, others)).unwrap()
}

/// `RENDER_PAGES=FOLDER` keeps the sheets, to be looked at.
fn keep(name: &str, pdf: &[u8]) {
    if let Some(folder) = std::env::var_os("RENDER_PAGES") {
        let file = std::path::Path::new(&folder).join(format!("{name}.pdf"));
        std::fs::write(file, pdf).unwrap();
    }
}

fn pages(pdf: &[u8]) -> usize {
    let all = String::from_utf8_lossy(pdf);
    let (_, count) = all.split_once("/Count ").unwrap();
    let digits = count.split(|c: char| !c.is_ascii_digit()).next();
    digits.unwrap().parse().unwrap()
}

#[test]
fn every_sample_fits_on_one_sheet_and_is_the_same_twice() {
    for (name, known) in samples::every() {
        let others = samples::all(&known);
        let result = samples::newest(&known);
        let pdf = made(&result, &others);
        keep(name, &pdf);
        assert!(pdf.starts_with(b"%PDF-1."), "{name}");
        assert_eq!(pages(&pdf), 1, "{name}");
        assert!(pdf == made(&result, &others), "{name}");
    }
}

#[test]
fn what_does_not_fit_goes_on() {
    let mut result = samples::newest(&samples::flagged());
    let line = "A remark that is as long as remarks become when several things are odd. ".repeat(3);
    result.content.would_change = vec![line; 200];
    let pdf = made(&result, &[]);
    assert!(pages(&pdf) > 1);
}

#[test]
fn odd_letters_and_endless_words_do_no_harm() {
    let mut result = samples::newest(&samples::flagged());
    result.content.patient.id = "\u{202e}\u{0}\u{4e2d}\u{1f600}".to_owned();
    result.content.patient.issuer = "W".repeat(64);
    result.content.exam.operator = Some("x".repeat(5000));
    assert!(pages(&made(&result, &[])) >= 1);
}

#[test]
fn lines_are_no_wider_than_their_column() {
    let faces = Faces::get().unwrap();
    let face = faces.of(false);
    let text = "The quick brown fox jumps over the lazy dog, and Donaudampfschifffahrtsgesellschaft waits.";
    for width in [4.0, 40.0, 80.0, 300.0] {
        let lines = face.wrap(text, 10.0, width);
        assert!(
            lines
                .iter()
                .all(|line| { face.width(line, 10.0) <= width || line.chars().count() == 1 })
        );
        let letters = |text: &str| text.chars().filter(|c| *c != ' ').collect::<String>();
        assert_eq!(letters(&lines.concat()), letters(text));
    }
    // Liberation Sans has the widths of the usual sans serif: a digit is 0.556 of the size.
    assert!((face.width("5", 1000.0) - 556.0).abs() < 1.0);
}

/// A course of many exams takes two sheets at most; the statement and what it rests on stand on the first.
#[test]
fn a_long_course_has_its_answer_on_the_first_sheet() {
    for (name, known) in samples::long() {
        let others = samples::all(&known);
        let result = samples::newest(&known);
        assert!(result.content.assessment.flagged, "{name}");
        let pdf = made(&result, &others);
        keep(name, &pdf);
        assert!(pages(&pdf) <= 2, "{name}: {} sheets", pages(&pdf));
        let faces = Faces::get().unwrap();
        let trends = html::trends(&result.content, &others);
        let sheets = fitted(&result, &trends, faces);
        let first = sheets.pages.first().unwrap();
        let text: Vec<&str> = first
            .iter()
            .flat_map(|placed| &placed.line.parts)
            .map(|part| part.text.as_str())
            .collect();
        let text = text.join(" ");
        for said in ["Rise found", "Measure again straight across", "Each eye"] {
            assert!(text.contains(said), "{name}: {said}");
        }
    }
}
