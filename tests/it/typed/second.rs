//! A second reading: asked for, made without the first values, then both.

use super::Ward;
use super::signed::{DAYS, NAMED, begun, exam_of, result_of, submit};

/// An exam of which somebody asks for a second reading.
fn asked(ward: &Ward, ask: bool) -> String {
    let mut measurer = ward.signed_in("measurer");
    let draft = begun(&mut measurer, &NAMED);
    let page = measurer.get(&draft);
    let first = [
        ("date", DAYS[1].as_str()),
        ("right_value_1", "6.14"),
        ("left_value_1", "6.27"),
        ("act", "sign"),
    ];
    let signed = submit(&mut measurer, &page, &draft, &first);
    let exam = exam_of(&mut measurer, &signed);
    assert!(result_of(ward, &exam).to_string().contains("6.14"));
    if ask {
        ask_for(ward, &exam);
    }
    exam
}

fn ask_for(ward: &Ward, exam: &str) {
    let args = [exam, "ask", "--reason", "borderline"];
    ward.site.ok("second", &args);
}

#[test]
fn first_values_are_nowhere_until_the_second_reading_is_signed() {
    let ward = Ward::new(&["measurer", "clinician", "lead", "reader"]);
    let exam = asked(&ward, false);
    let second = format!("/second/{exam}");
    let act = |what: &str| format!("/second/{exam}/{what}");
    assert_eq!(ward.signed_in("reader").get(&second).status, 403);
    let mut clinician = ward.signed_in("clinician");
    assert!(clinician.get(&second).body.contains("Nobody asks"));
    ask_for(&ward, &exam);
    let page = clinician.get(&second);
    assert!(page.body.contains("asks for it") && !page.body.contains("6.14"));
    assert!(page.body.contains("Merrowdene"), "{}", page.body);
    let answer = submit(&mut clinician, &page, &act("take"), &[]);
    assert_eq!(answer.status, 303, "{}", answer.body);
    // Not in the page, and no way round it: not on the exam's page, nor on the patient's, nor below.
    let page = clinician.get(&second);
    assert!(
        page.body.contains("name=\"right_value_1\""),
        "{}",
        page.body
    );
    for path in ["exam", "patient", "measure/correct"] {
        for more in ["", "/result.pdf", "/x"] {
            let answer = clinician.get(&format!("/{path}/{exam}{more}"));
            assert_eq!(
                (answer.status, answer.header("location")),
                (303, second.as_str()),
                "{path}{more}"
            );
        }
    }
    for path in [second.as_str(), "/today"] {
        let body = clinician.get(path).body;
        assert!(
            !body.contains("6.14") && !body.contains("6.27"),
            "{path}: {body}"
        );
    }
    // Somebody else is not held up.
    let exam_page = format!("/exam/{exam}");
    assert_ne!(ward.signed_in("lead").get(&exam_page).status, 303);
    let wrong = submit(
        &mut clinician,
        &page,
        &act("sign"),
        &[("right_value_1", "62")],
    );
    assert!(wrong.body.contains("It cannot be signed") && wrong.body.contains("value=\"62\""));
    let good = [("right_value_1", "6.5"), ("left_value_1", "6.30")];
    let answer = submit(&mut clinician, &wrong, &act("sign"), &good);
    assert_eq!(answer.status, 303, "{}", answer.body);
    let page = clinician.get(&second);
    for part in ["6.14 mm", "6.50 mm", "+0.36 mm", "+0.03 mm", "(6.30)"] {
        assert!(page.body.contains(part), "{part}: {}", page.body);
    }
    assert!(
        page.body.contains("had not opened the first values here"),
        "{}",
        page.body
    );
    assert_ne!(clinician.get(&exam_page).status, 303);
    // Differing needs a reason; neither changes a value.
    let page = submit(&mut clinician, &page, &act("judge"), &[("says", "differs")]);
    assert!(
        page.body.contains("Say in what they differ"),
        "{}",
        page.body
    );
    let says = [("says", "differs"), ("reason", "another depth")];
    let answer = submit(&mut clinician, &page, &act("judge"), &says);
    assert_eq!(answer.status, 303, "{}", answer.body);
    let page = clinician.get(&second);
    assert!(page.body.contains("they differ") && page.body.contains("another depth"));
    let text = result_of(&ward, &exam).to_string();
    assert!(text.contains("6.14") && !text.contains("6.32"), "{text}");
}

/// What was given up can be taken up again, and other patients are not held up.
#[test]
fn a_second_reading_is_given_up() {
    let ward = Ward::new(&["measurer", "clinician"]);
    let exam = asked(&ward, true);
    let mut clinician = ward.signed_in("clinician");
    let second = format!("/second/{exam}");
    let page = clinician.get(&second);
    submit(&mut clinician, &page, &format!("{second}/take"), &[]);
    let page = clinician.get(&second);
    let answer = submit(&mut clinician, &page, &format!("{second}/give-up"), &[]);
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert!(clinician.get(&second).body.contains("Take it up"));
    assert_ne!(clinician.get(&format!("/exam/{exam}")).status, 303);
    // Nothing can be signed or judged out of turn.
    let page = clinician.get(&second);
    let token = page.token(&format!("{second}/take"));
    let sign = [("token", token.as_str()), ("right_value_1", "6.5")];
    assert_eq!(clinician.post(&format!("{second}/sign"), &sign).status, 404);
    let page = clinician.get(&second);
    let token = page.token(&format!("{second}/take"));
    let judge = [("token", token.as_str()), ("says", "agrees")];
    assert_eq!(
        clinician.post(&format!("{second}/judge"), &judge).status,
        422
    );
}
