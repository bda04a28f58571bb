//! Typing, judging and the pages of a measurement.

use super::*;
use crate::domain::{Millimetres, PatientKey, Plane};
use crate::entered::{Corrected, Subject};
use crate::pages::testing::{fields_are_labelled, hostile};
use crate::reading::{Rules, read_object};
use crate::template::Templates;

fn subject() -> Subject {
    Subject {
        patient: PatientKey {
            issuer: "HOSP".to_owned(),
            id: "LC-1002".to_owned(),
        },
        birth_date: "2015-03-02".parse().unwrap(),
        sex: None,
        name: None,
        accession: None,
    }
}

fn row(value: &str) -> Row {
    Row {
        value: value.to_owned(),
        ..Row::default()
    }
}

fn typing() -> Typing {
    let mut typing = Typing::of(subject());
    typing.date = "2026-05-07".to_owned();
    typing.time = "10:31".to_owned();
    typing.right[0] = row("5.20");
    typing.right[3] = Row {
        plane: "sagittal".to_owned(),
        depth: "3".to_owned(),
        angle: "4.5".to_owned(),
        ..row("5.3")
    };
    typing
}

fn judge(typing: &Typing) -> Judged {
    let at = "2026-05-07T12:00:00+02:00".parse().unwrap();
    typing.judge("m.brightwell", at, &Limits::default())
}

#[test]
fn what_is_typed_is_what_is_signed() {
    let judged = judge(&typing());
    assert_eq!(judged.faults, []);
    let typed = judged.typed.expect("typed");
    assert_eq!(typed.right.len(), 2);
    assert_eq!(typed.right[0].digits(), "5.20");
    assert_eq!(typed.right[1].value, Millimetres::from_um(5_300));
    assert_eq!(typed.right[1].plane, Plane::Sagittal);
    assert_eq!(typed.right[1].depth, Some(Millimetres::from_um(3_000)));
    assert_eq!(typed.right[1].angle_deg, Some(4.5));
    assert!(typed.left.is_empty() && typed.operator.is_none());
    // To be corrected, the fields come back from the report as it is read; why is asked for.
    let bytes = crate::forms::entered::report(&typed).expect("a report");
    let rules = Rules::new(Templates::load(&[], &[]).expect("templates"));
    let reading = read_object(&bytes, None, "", &rules);
    let uids = typed.uids();
    let report = Corrected {
        study: uids.study,
        series: uids.series,
        instance: uids.instance,
    };
    let name = Some("Merrowdene^Iolo".to_owned());
    let again = Typing::correcting(&reading, report.clone(), name.clone());
    let mut again = again.expect("fields");
    assert_eq!(again.right[0].value, "5.20");
    assert_eq!(again.right[1].depth, "3.0");
    assert_eq!(
        judge(&again).faults[0].field,
        Field::Reason,
        "a correction says why"
    );
    again.reason = "typed 5.3 for 3.5".to_owned();
    let corrected = judge(&again).typed.expect("typed");
    assert_eq!(corrected.right, typed.right);
    assert_eq!(corrected.left, typed.left);
    assert_eq!((corrected.day, corrected.time), (typed.day, typed.time));
    assert_eq!(corrected.operator, typed.operator);
    assert_eq!(corrected.corrects, Some(report));
    assert_eq!(corrected.subject.name, name);
}

/// Each field that cannot be read is told under its own name, and nothing is guessed.
#[test]
fn nothing_is_guessed_of_a_field() {
    type Case<'a> = (&'a str, fn(&mut Typing), Field);
    let cases: [Case<'_>; 9] = [
        ("no day", |t| t.date.clear(), Field::Day),
        (
            "a day of another form",
            |t| t.date = "07.05.2026".to_owned(),
            Field::Day,
        ),
        (
            "no time of day",
            |t| t.time = "25:00".to_owned(),
            Field::Time,
        ),
        (
            "a comma",
            |t| t.left[1].value = "5,2".to_owned(),
            Field::Value(Eye::Left, 1),
        ),
        (
            "a unit",
            |t| t.left[0].value = "5.2 mm".to_owned(),
            Field::Value(Eye::Left, 0),
        ),
        (
            "a plane without a value",
            |t| t.left[2].plane = "sagittal".to_owned(),
            Field::Value(Eye::Left, 2),
        ),
        (
            "a plane of its own",
            |t| t.right[0].plane = "coronal".to_owned(),
            Field::Plane(Eye::Right, 0),
        ),
        (
            "an angle in words",
            |t| t.right[0].angle = "flat".to_owned(),
            Field::Angle(Eye::Right, 0),
        ),
        (
            "borders of its own",
            |t| t.border = "middle".to_owned(),
            Field::Border,
        ),
    ];
    for (what, change, field) in cases {
        let mut typing = typing();
        change(&mut typing);
        let judged = judge(&typing);
        assert!(judged.typed.is_none(), "{what}");
        let fields: Vec<Field> = judged.blocking().map(|fault| fault.field).collect();
        assert_eq!(fields, [field], "{what}");
    }
}

/// A row that was left empty moves no fault to another row.
#[test]
fn a_fault_stands_at_the_row_that_was_typed() {
    let mut typing = typing();
    typing.right[3].value = "53".to_owned();
    typing.right[3].depth = "40".to_owned();
    let judged = judge(&typing);
    let blocking: Vec<Field> = judged.blocking().map(|fault| fault.field).collect();
    assert_eq!(
        blocking,
        [Field::Value(Eye::Right, 3), Field::Depth(Eye::Right, 3)]
    );
    let page = form(&page_of(typing, judged.faults), "T").into_string();
    assert!(page.contains("href=\"#right_value_4\"") && page.contains("id=\"right_value_4\""));
    assert!(page.contains("value=\"53\""), "as typed");
}

fn page_of(typing: Typing, faults: Vec<Fault>) -> Form {
    Form {
        draft: 7,
        whose: Whose {
            id: typing.subject.patient.id.clone(),
            issuer: typing.subject.patient.issuer.clone(),
            birth_date: Some(typing.subject.birth_date),
            sex: None,
            name: typing.subject.name.clone(),
            age_years: None,
        },
        unknown: false,
        typing,
        faults,
        problem: None,
        ask: None,
        saved_at: "2026-05-07T10:31:00Z".parse().unwrap(),
        proof: Proof::Password,
        limits: Limits::default(),
    }
}

/// The key Enter presses the first button: it must not sign.
#[test]
fn the_first_button_signs_nothing_and_the_password_is_asked_for() {
    let page = form(&page_of(typing(), Vec::new()), "T").into_string();
    let first = page.find("<button").unwrap();
    assert!(page[first..].starts_with("<button type=\"submit\" name=\"act\" value=\"save\""));
    assert!(page.contains("type=\"password\"") && page.contains("value=\"T\""));
    fields_are_labelled(&page);
    for (proof, asked) in [(Proof::Fresh, false), (Proof::SignIn, false)] {
        let mut view = page_of(typing(), Vec::new());
        view.proof = proof;
        let page = form(&view, "T").into_string();
        assert_eq!(page.contains("type=\"password\""), asked);
        let again = page.contains("href=\"/sign-in/openid?again=yes");
        assert_eq!(again, proof == Proof::SignIn);
    }
}

#[test]
fn the_patient_is_shown_back_and_an_unknown_one_says_so() {
    let whose = page_of(typing(), Vec::new()).whose;
    let mut view = Shown {
        sought: Sought::default(),
        candidates: vec![Candidate {
            whose,
            exams: 0,
            birth_date_untold: false,
        }],
    };
    let page = shown(&view, "T").into_string();
    assert!(page.contains("LC-1002") && page.contains("2015-03-02"));
    assert!(page.contains("Nobody with this id is known here"));
    fields_are_labelled(&page);
    view.candidates[0].exams = 3;
    let page = shown(&view, "T").into_string();
    assert!(page.contains("Known here by 3 exams") && !page.contains("Nobody with"));
}

#[test]
fn text_of_strangers_stays_text() {
    let (text, bad) = hostile();
    let mut typing = typing();
    for field in [
        &mut typing.operator,
        &mut typing.maker,
        &mut typing.model,
        &mut typing.serial,
        &mut typing.reason,
    ] {
        text.clone_into(field);
    }
    typing.right[0] = Row {
        value: text.to_owned(),
        plane: text.to_owned(),
        depth: text.to_owned(),
        angle: text.to_owned(),
    };
    typing.subject.name = Some(text.to_owned());
    let faults = judge(&typing).faults;
    let page = form(&page_of(typing, faults), text).into_string();
    assert!(!page.contains(bad), "{page}");
    let sought = Sought {
        id: text.to_owned(),
        issuer: text.to_owned(),
        birth_date: text.to_owned(),
        accession: text.to_owned(),
    };
    let view = Find {
        sought,
        problem: Some(text.to_owned()),
        drafts: Vec::new(),
    };
    let page = find(&view, "T").into_string();
    assert!(!page.contains(bad));
    fields_are_labelled(&page);
}

#[test]
fn the_page_that_waits_says_how_far_it_is() {
    let mut view = Signed {
        whose: None,
        report: "2.25.7".to_owned(),
        kept_at: "2026-05-07T10:31:00Z".parse().unwrap(),
        became: Became::Waits,
    };
    let page = |view: &Signed| signed(view).into_string();
    assert!(page(&view).contains("The result is being made"));
    assert!(page(&view).contains("href=\"/measure/signed/2.25.7\""));
    view.became = Became::Result {
        exam_id: "abc".to_owned(),
    };
    assert!(page(&view).contains("href=\"/exam/abc\""));
    view.became = Became::Quarantined("unit <unknown>".to_owned());
    assert!(page(&view).contains("in quarantine: <bdi>unit &lt;unknown&gt;"));
}
