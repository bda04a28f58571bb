//! The pages as their readers get them. `PAGES_PICTURES=FOLDER` writes them there, to be looked at.

mod drawn;
mod layout;
mod shown;

use super::acting::May;
use super::exam::{self, Entry, Version};
use super::layout::{Age, Frame, Place, Reader, STYLE, Whose, choice, whole};
use super::patient::{self, Exam};
use super::picture::{Line, Picture};
use super::today::{self, Choices, Filter, List, Names, Period, Row, Waits};
use crate::domain::{Label, Moment, Point};
use crate::render::html::trends;
use crate::results::samples;
use maud::Markup;

/// A text that breaks out wherever one forgot to escape, and that can be found again.
fn hostile(name: &str) -> String {
    format!("</p><script>{name}</script>&amp;\"'\u{202E}\u{0}")
}

/// A token that is another one each time.
fn tokens() -> impl Fn() -> String {
    let next = std::cell::Cell::new(0);
    move || {
        next.set(next.get() + 1);
        format!("token-{}", next.get())
    }
}

/// A whole page as it is served, kept where that is asked for.
fn page(name: &str, place: Place, body: &Markup) -> String {
    let frame = Frame {
        title: name.to_owned(),
        here: Some(place),
        reader: Some(Reader {
            account: "m.brightwell".to_owned(),
            roles: vec!["clinician".to_owned(), "lead".to_owned()],
            places: Place::ALL.to_vec(),
            token: "T".to_owned(),
        }),
        age: Some(Age {
            made_at: "2024-05-07T10:45:00Z".parse().unwrap(),
            last_received: "2024-05-07T10:41:00Z".parse().ok(),
            waiting: 0,
            standing_still: None,
        }),
    };
    let page = whole(&frame, body);
    if let Some(folder) = std::env::var_os("PAGES_PICTURES") {
        let folder = std::path::Path::new(&folder);
        std::fs::create_dir_all(folder).unwrap();
        std::fs::write(folder.join(&STYLE.name), &STYLE.text).unwrap();
        let local = page.replace("href=\"/style", "href=\"style");
        std::fs::write(folder.join(format!("{name}.html")), local).unwrap();
    }
    page
}

fn whose() -> Whose {
    Whose {
        id: "P-0042".to_owned(),
        issuer: "Hollow Vale".to_owned(),
        birth_date: "2015-06-01".parse().ok(),
        sex: None,
        name: Some("Merrowdene^Ysolde".to_owned()),
        age_years: None,
    }
}

fn moment(text: &str) -> Moment {
    Moment {
        local: text.parse().unwrap(),
        offset_s: None,
    }
}

fn row(number: usize, waits: Option<Waits>) -> Row {
    Row {
        exam_id: format!("E{number:08x}"),
        version: 2,
        whose: Whose {
            id: format!("P-{number:04}"),
            ..whose()
        },
        performed_at: moment("2024-05-07T10:00:00"),
        first_at: "2024-05-07T10:31:00Z".parse().unwrap(),
        waits,
        status: "well above expected".to_owned(),
        why: Some("The interval is too wide.".to_owned()),
        eye: "both".to_owned(),
        measured_mm: Some(5.9),
        expected_mm: Some(4.93),
        change_mm: Some(0.97),
        operator: Some("Merrowdene^Iolo".to_owned()),
        doubts: vec!["SIDES MAY BE EXCHANGED".to_owned()],
        second: None,
    }
}

fn names(all: &[&str]) -> Names {
    Names {
        all: all.iter().map(|&one| one.to_owned()).collect(),
        has_more: false,
    }
}

fn today() -> today::View {
    let list = |rows: Vec<Row>| List {
        total: rows.len() as u64 + 3,
        rows,
        ..List::default()
    };
    today::View {
        now: "2024-05-07T10:45:00Z".parse().unwrap(),
        today: "2024-05-07".parse().unwrap(),
        recent: "2024-05-01".parse().unwrap(),
        filter: Filter {
            period: Period::Recent("2024-05-01".parse().unwrap()),
            operator: String::new(),
            device: String::new(),
            location: String::new(),
        },
        whole: None,
        choices: Choices {
            operators: names(&["Merrowdene^Iolo", "Quillfeather"]),
            devices: names(&["Brindle P2"]),
            locations: names(&[]),
        },
        rises: list(vec![
            row(1, Some(Waits::New)),
            row(2, Some(Waits::Withdrawn)),
        ]),
        not_compared: list(vec![row(3, None)]),
        first_exams: list(vec![row(6, None)]),
        unlabelled: list(vec![row(4, None), row(5, None)]),
        may_act: true,
        shown: "S".to_owned(),
    }
}

fn entry(number: i64, what: &str, counts: bool) -> Entry {
    Entry {
        number,
        at: "2024-05-07T10:40:00Z".parse().unwrap(),
        by: "m.brightwell".to_owned(),
        what: what.to_owned(),
        reason: "Headache and vomiting.".to_owned(),
        counts,
        may_take_back: counts,
    }
}

/// The page of the newest exam of a sample.
fn exam(known: &crate::results::Known) -> exam::View {
    let result = samples::newest(known);
    let all = samples::all(known);
    let version = |number: u32, verdict: &str| Version {
        number,
        made_at: "2024-05-07T10:31:00Z".parse().unwrap(),
        headline: "Well above expected, both eyes".to_owned(),
        verdict: verdict.to_owned(),
        why: vec!["a report of this exam arrived".to_owned()],
    };
    let at = |column: f64, row: f64| Point { column, row };
    exam::View {
        whose: Whose {
            age_years: result.content.age_years(),
            ..whose()
        },
        trends: trends(&result.content, &all),
        rise: Some((Waits::New, "since 2024-05-07 10:31 UTC".to_owned())),
        versions: vec![version(2, "Rise found"), version(1, "No rise found")],
        entries: vec![
            entry(7, "acknowledged version 1", true),
            entry(5, "label: well", false),
        ],
        pictures: vec![Picture {
            title: "Picture 2.25.77, frame 1".to_owned(),
            href: None,
            size: [640, 480],
            lines: vec![Line {
                words: "right, 5.9 mm, used".to_owned(),
                ends: [at(250.0, 300.0), at(370.0, 320.0)],
                across: Some([at(251.0, 311.0), at(369.0, 309.0)]),
                at_depth: Some([at(240.0, 295.0), at(380.0, 293.0)]),
            }],
            depth_mm: 3.0,
            without: Vec::new(),
        }],
        may: May {
            label: true,
            leave_out: true,
            correct: true,
            take_back: true,
        },
        stamp: "stamp".to_owned(),
        is_typed: true,
        is_gone: false,
        has_taken_back: false,
        told: Some("Recorded: note.".to_owned()),
        result,
    }
}

fn patient(known: &crate::results::Known) -> patient::View {
    let all = samples::all(known);
    let exams: Vec<Exam> = all
        .into_iter()
        .map(|content| Exam {
            waits: content.assessment.flagged.then_some(Waits::New),
            content,
            version: 1,
            left_out: None,
        })
        .collect();
    patient::View {
        whose: whose(),
        by_exam: exams.last().unwrap().content.exam.id.clone(),
        exams,
        events: known.events.clone(),
        entries: vec![entry(7, "label: well", true)],
        span: String::new(),
        end: None,
        may: May {
            label: true,
            leave_out: true,
            correct: true,
            take_back: true,
        },
        stamp: "stamp".to_owned(),
        told: None,
    }
}

/// What a label of the exam is in a sample.
fn labelled(known: &crate::results::Known) -> Option<Label> {
    samples::newest(known).content.exam.label
}

/// A browser refuses a form whose `required` field is empty, and sends nothing (HTML, WHATWG, constraint
/// validation).
#[test]
fn a_choice_that_may_be_empty_is_not_asked_for_by_the_browser() {
    let sexes = [("", "not told"), ("F", "F")];
    let free = choice("sex", "sex", &sexes, None).into_string();
    assert!(
        !free.contains("required") && !free.contains("choose"),
        "{free}"
    );
    assert!(
        free.contains("<option value=\"\" selected>not told"),
        "{free}"
    );
    let said = choice("sex", "sex", &sexes, Some("F")).into_string();
    assert!(
        said.contains("<option value=\"F\" selected>") && !said.contains("required"),
        "{said}"
    );
    for options in [&[("mm", "mm")][..], &[("", "choose"), ("mm", "mm")]] {
        let unit = choice("unit", "unit", options, None).into_string();
        assert!(
            unit.contains("required") && unit.contains("choose"),
            "{unit}"
        );
        assert!(!unit.contains("value=\"mm\" selected"), "{unit}");
    }
}
