//! What is drawn and laid out, so that nothing stands on top of words.

use super::*;
use crate::department::report::{Report, Section};
use crate::pages::course::{self, Window};
use crate::pages::department::{self, Found};
use crate::pages::layout::cell;
use maud::html;

/// The elements of a name in a picture, each as its own text.
fn elements<'a>(picture: &'a str, name: &str) -> Vec<&'a str> {
    let begins = format!("<{name} ");
    let parts = picture.split(begins.as_str()).skip(1);
    parts.filter_map(|part| part.split('>').next()).collect()
}

/// A number of an element.
fn number(element: &str, name: &str) -> f64 {
    let begins = format!("{name}=\"");
    let value = element.split(begins.as_str()).nth(1).unwrap();
    value.split('"').next().unwrap().parse().unwrap()
}

#[test]
fn no_line_of_the_grid_crosses_the_words_of_an_eye() {
    let page = page(
        "spans-grid",
        Place::Today,
        &exam::html(&exam(&samples::flagged()), &tokens()),
    );
    let picture = page.split("class=\"spans\"").nth(1).unwrap();
    let picture = picture.split("</svg>").next().unwrap();
    let words = elements(picture, "text");
    let words: Vec<f64> = words
        .into_iter()
        .filter(|text| text.starts_with("x=\"0\""))
        .map(|text| number(text, "y"))
        .collect();
    let grid = elements(picture, "line");
    let grid: Vec<&str> = grid
        .into_iter()
        .filter(|line| line.contains("stroke=\"#ccc\""))
        .collect();
    assert!(words.len() == 3 && grid.len() >= 3);
    for line in grid {
        let (from, to) = (number(line, "y1"), number(line, "y2"));
        for base in &words {
            // Letters of 13 units: their height above, and what hangs below.
            assert!(
                to <= base - 11.0 || from >= base + 4.0,
                "{from} to {to} crosses words at {base}"
            );
        }
    }
}

#[test]
fn a_rise_hides_no_mark_and_its_word_lies_on_no_line() {
    let contents = samples::all(&samples::flagged());
    let contents: Vec<_> = contents.iter().collect();
    let (points, _) = course::points(&contents);
    let picture = course::picture(&points, &[], Window::of(&points, &[], "all", None));
    let picture = picture.into_string();
    let rises = points.iter().filter(|point| point.flagged).count();
    assert!(rises > 0);
    let triangles = elements(&picture, "path");
    assert_eq!(triangles.len(), rises);
    for triangle in triangles {
        assert!(triangle.contains("fill=\"none\""), "{triangle}");
    }
    // What was compared is a dot, flagged or not.
    assert_eq!(picture.matches("r=\"2.4\"").count(), points.len());
    assert_eq!(
        picture.matches("paint-order=\"stroke\">rise").count(),
        rises
    );
}

#[test]
fn the_axis_of_a_course_is_there_once_more_for_a_narrow_screen() {
    let contents = samples::all(&samples::flagged());
    let contents: Vec<_> = contents.iter().collect();
    let (points, _) = course::points(&contents);
    let picture = course::picture(&points, &[], Window::of(&points, &[], "all", None));
    let picture = picture.into_string();
    let (whole, axis) = picture.split_once("class=\"axis\"").unwrap();
    assert!(axis.contains("aria-hidden=\"true\""));
    for words in [">mm<", ">5.0<"] {
        assert!(whole.contains(words) && axis.contains(words), "{words}");
    }
}

#[test]
fn what_is_not_known_after_an_event_names_the_event() {
    let mut view = patient(&samples::flagged());
    for exam in &mut view.exams {
        exam.content.course.after_event = None;
    }
    view.events.clear();
    let none = page("after-none", Place::Today, &patient::html(&view, &tokens()));
    assert!(none.contains("No event is recorded."));
    view.events.push(crate::domain::Event {
        date: "2024-05-08".parse().unwrap(),
        kind: crate::domain::EventKind::ShuntRevision,
    });
    let one = page("after-one", Place::Today, &patient::html(&view, &tokens()));
    assert!(one.contains(
        "Nothing can be said yet: no exam lies close enough after the shunt revision of 2024-05-08."
    ));
    assert!(!one.contains("No event is recorded"));
}

#[test]
fn paper_has_no_boxes_to_choose_and_no_link_that_it_cannot_follow() {
    let view = patient(&samples::flagged());
    let all = page("paper", Place::Today, &patient::html(&view, &tokens()));
    let cells = all.matches("data-label=\"choose\"").count();
    let hidden = all.matches("<td class=\"no-print\" role=\"cell\" data-label=\"choose\"");
    assert_eq!(hidden.count(), cells);
    assert!(all.contains("<th class=\"no-print\" scope=\"col\" role=\"columnheader\">choose"));
    let view = exam(&samples::flagged());
    let one = page("paper-exam", Place::Today, &exam::html(&view, &tokens()));
    assert!(one.contains("<a class=\"no-print\" href=\"/patient/"));
}

#[test]
fn a_cell_that_holds_nothing_is_left_out_of_a_narrow_screen() {
    for (value, is_empty) in [("", true), ("-", true), ("-0.1", false), ("none", false)] {
        let text = cell("reason", &html! { (value) }).into_string();
        assert_eq!(text.contains("class=\"nil\""), is_empty, "{value}");
        let text = cell("reason", &html! { bdi { (value) } }).into_string();
        assert_eq!(text.contains("class=\"nil\""), is_empty, "{value}");
    }
}

#[test]
fn a_time_says_by_which_clock_it_is() {
    let mut view = exam(&samples::flagged());
    view.result.content.exam.performed_at.offset_s = None;
    let told = |view: &exam::View| page("clock", Place::Today, &exam::html(view, &tokens()));
    assert!(told(&view).contains("by the clock of the machine; its zone is not told"));
    view.result.content.exam.performed_at.offset_s = Some(3600);
    let told = told(&view);
    assert!(told.contains("with its offset from UTC") && told.contains("(UTC+01:00)"));
}

#[test]
fn every_part_of_the_department_is_reached_from_the_top_and_none_is_silent() {
    let section = |title| Section {
        title,
        words: vec!["Words.".to_owned()],
        ..Section::default()
    };
    let view = department::View {
        from: String::new(),
        to: String::new(),
        wrong: None,
        found: Some(Found {
            report: Report {
                title: "Measurement in the department".to_owned(),
                lead: Vec::new(),
                sections: vec![
                    section("Flags by operator"),
                    section("Widths after an event"),
                ],
            },
            calibration: None,
        }),
    };
    let page = page("contents", Place::Department, &department::html(&view));
    let (nav, rest) = page
        .split_once("aria-label=\"Parts of this page\"")
        .unwrap();
    assert!(!nav.contains("id=\"part-0\""));
    let links: Vec<&str> = rest.split("href=\"#").skip(1).collect();
    assert_eq!(links.len(), 2);
    for link in links {
        let id = link.split('"').next().unwrap();
        assert!(rest.contains(&format!(" id=\"{id}\"")), "{id}");
    }
    assert_eq!(page.matches("No exam of this period shows it.").count(), 2);
}

#[test]
fn an_axis_has_no_more_numbers_than_have_room() {
    let mut view = exam(&samples::flagged());
    for width in [5.9, 9.0, 12.0, 25.0, 60.0] {
        let rows = &mut view.result.content.assessment.rows;
        rows.right.as_mut().unwrap().measured_mm = width;
        let page = page("spans-wide", Place::Today, &exam::html(&view, &tokens()));
        let picture = page.split("class=\"spans\"").nth(1).unwrap();
        let picture = picture.split("</svg>").next().unwrap();
        let numbers = picture.matches("text-anchor=\"middle\"").count();
        assert!((1..=6).contains(&numbers), "{width} mm: {numbers}");
    }
}
