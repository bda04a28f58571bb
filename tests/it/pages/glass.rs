//! The broken glass opens a person, by whichever of their ids.

use super::Ward;
use crate::harness::until;
use crate::objects::Report;
use chrono::Utc;
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::{Act, Pair, Statement};
use sheathline_store::identity::{self, Recorded};
use sheathline_store::{Mode, Store};

#[test]
fn a_person_of_several_ids_is_opened_as_one() {
    let ward = Ward::with(
        &["operator", "auditor"],
        "[pages]\nlisten = \"127.0.0.1:0\"\nbreak_glass = true\n",
    );
    for (n, patient) in [(1, "G-1"), (2, "G-2"), (3, "G-3")] {
        let report = Report {
            patient: patient.into(),
            ..Report::numbered(n)
        };
        report.write(&ward.site.path("drop"));
    }
    until("all exams", || ward.site.results().len() == 3);
    let (mut exams, mut issuer) = (["", "", ""].map(str::to_owned), String::new());
    for (exam, result) in ward.site.results() {
        let text = |key: &str| result["patient"][key].as_str().expect("text").to_owned();
        issuer = text("issuer");
        let id = text("id");
        let n: usize = id.trim_start_matches("G-").parse().expect("a number");
        exams[n - 1] = format!("/exam/{exam}");
    }
    let state = |act: Act| {
        let key = |id: &str| PatientKey {
            issuer: issuer.clone(),
            id: id.to_owned(),
        };
        let statement = Statement {
            pair: Pair {
                from: key("G-1"),
                into: key("G-2"),
            },
            act,
            stated_at: Utc::now(),
            source: "hl7:192.0.2.1".to_owned(),
        };
        let recorded = Recorded {
            statement,
            message: "1".to_owned(),
            who: String::new(),
            why: String::new(),
        };
        let store = Store::open(&ward.site.path("store.sqlite"), Mode::Guest).expect("opens");
        let stated = store.write(move |tx| identity::state(tx, &recorded, Utc::now()));
        assert!(stated.expect("stated"));
    };
    let glass = |who: &str, id: &str| {
        let mut browser = ward.signed_in(who);
        let token = browser.get("/break-glass").token("/break-glass");
        let fields = [
            ("token", token.as_str()),
            ("id", id),
            ("reason", "called to the ward at night"),
        ];
        let answer = browser.post("/break-glass", &fields);
        (browser, answer)
    };
    let (mut before, answer) = glass("operator", "G-1");
    assert!(answer.body.contains(&exams[0]), "{}", answer.body);
    assert!(!answer.body.contains(&exams[1]), "{}", answer.body);
    assert_eq!(
        exams.each_ref().map(|exam| before.get(exam).status),
        [200, 403, 403]
    );
    // Who was opened is a person: what is joined to them later belongs to them.
    state(Act::Merge);
    assert_eq!(
        exams.each_ref().map(|exam| before.get(exam).status),
        [200, 200, 403]
    );
    let (mut after, answer) = glass("auditor", "G-1");
    for shown in [&exams[0], &exams[1], "G-1", "G-2", "Also known as"] {
        assert!(answer.body.contains(shown), "{shown}: {}", answer.body);
    }
    assert!(!answer.body.contains(&exams[2]));
    assert_eq!(
        exams.each_ref().map(|exam| after.get(exam).status),
        [200, 200, 403]
    );
    // Taken back, they are two again.
    state(Act::Unmerge);
    assert_eq!(
        exams.each_ref().map(|exam| before.get(exam).status),
        [200, 403, 403]
    );
}
