//! A measurement that is typed: shown back, kept as a draft, signed once, corrected by an amended report.

use super::{Ward, pages_of};
use crate::browser::{Answer, Browser};
use crate::harness::{tool, until};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::sync::LazyLock;

/// A patient nobody knows.
pub(super) const NEW: [(&str, &str); 2] = [("patient_id", "N-7"), ("birth_date", "2015-03-02")];

const VALUES: [(&str, &str); 6] = [
    ("time", "10:31"),
    ("operator", "measurer"),
    ("right_value_1", "5.20"),
    ("right_value_2", "5.3"),
    ("left_value_1", "5.1"),
    ("right_plane_2", "sagittal"),
];

/// The same with a name.
pub(super) const NAMED: [(&str, &str); 3] = [NEW[0], NEW[1], ("name", "Merrowdene^Iolo")];

/// What a page says it showed.
fn stamp(page: &Answer) -> String {
    let value = page.body.split("name=\"stamp\" value=\"").nth(1);
    let value = value.and_then(|rest| rest.split('"').next());
    value.expect("a stamp").to_owned()
}

/// Posts a form that stands on a page, with its token.
pub(super) fn submit(
    browser: &mut Browser,
    page: &Answer,
    action: &str,
    fields: &[(&str, &str)],
) -> Answer {
    let token = page.token(action);
    let mut all = vec![("token", token.as_str())];
    let stamp = page.hidden(action, "stamp");
    all.extend(stamp.as_deref().map(|stamp| ("stamp", stamp)));
    all.extend(fields);
    browser.post(action, &all)
}

/// Days that lie so far back that no clock of a scanner matters, and not so far that somebody asks.
pub(super) static DAYS: LazyLock<[String; 2]> = LazyLock::new(|| {
    let today = chrono::Utc::now().date_naive();
    [200, 20].map(|days| (today - chrono::TimeDelta::days(days)).to_string())
});

fn with<'a>(more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let mut all = VALUES.to_vec();
    all.push(("date", &DAYS[1]));
    all.extend(more);
    all
}

/// Finds a patient and begins; returns where the draft is.
pub(super) fn begun(browser: &mut Browser, who: &[(&str, &str)]) -> String {
    let page = browser.get("/measure");
    let shown = submit(browser, &page, "/measure/find", who);
    assert_eq!(shown.status, 200, "{}", shown.body);
    let answer = submit(browser, &shown, "/measure/begin", who);
    assert_eq!(answer.status, 303, "{}", answer.body);
    answer.header("location").to_owned()
}

/// Signs; follows to the exam, once its result is made.
pub(super) fn exam_of(browser: &mut Browser, signed: &Answer) -> String {
    assert_eq!(signed.status, 303, "{}", signed.body);
    let wait = signed.header("location").to_owned();
    assert!(wait.starts_with("/measure/signed/2.25."), "{wait}");
    let mut exam = None;
    until("the result", || {
        let page = browser.get(&wait);
        assert!(page.body.contains("Signed and kept"), "{}", page.body);
        let link = page.body.split("<a href=\"/exam/").nth(1);
        exam = link.and_then(|rest| Some(rest.split('"').next()?.to_owned()));
        exam.is_some()
    });
    exam.expect("an exam")
}

/// The newest result of an exam, once the outbox has it.
pub(super) fn result_of(ward: &Ward, exam: &str) -> Value {
    let mut found = None;
    until("the result in the outbox", || {
        found = ward.site.results().remove(exam);
        found.is_some()
    });
    found.expect("a result")
}

#[test]
fn a_measurement_is_shown_back_typed_and_signed_once() {
    let ward = Ward::new(&["measurer", "reader", "clinician"]);
    let mut browser = ward.signed_in("measurer");
    let page = browser.get("/measure");
    // One of the two identifiers alone finds nobody.
    let answer = submit(&mut browser, &page, "/measure/find", &NEW[..1]);
    assert!(answer.body.contains("one of the two alone finds nobody"));
    let answer = submit(&mut browser, &answer, "/measure/find", &NEW);
    assert!(answer.body.contains("Nobody with this id is known here"));
    assert!(answer.body.contains("N-7") && answer.body.contains("2015-03-02"));
    let draft = begun(&mut browser, &NEW);
    // What cannot be read is told, and kept as typed.
    let page = browser.get(&draft);
    let wrong = with(&[("act", "sign"), ("left_value_2", "5,4")]);
    let page = submit(&mut browser, &page, &draft, &wrong);
    assert!(page.body.contains("It cannot be signed like this"));
    assert!(page.body.contains("value=\"5,4\""));
    assert!(ward.site.results().is_empty());
    // Nobody else sees the draft, whatever their role.
    for other in ["reader", "clinician"] {
        let mut other = ward.signed_in(other);
        assert!([403, 404].contains(&other.get(&draft).status));
        assert_eq!(other.get("/measure").status, 403);
    }
    let good = with(&[("act", "sign")]);
    let token = page.token(&draft);
    let signed = submit(&mut browser, &page, &draft, &good);
    let exam = exam_of(&mut browser, &signed);
    let result = result_of(&ward, &exam);
    assert_eq!(result["patient"]["id"], "N-7");
    assert_eq!(
        result["assessment"]["reason"], "no_eligible_session",
        "{result}"
    );
    // Sent again: nothing a second time.
    let mut again = vec![("token", token.as_str())];
    again.extend(&good);
    assert_eq!(browser.post(&draft, &again).status, 409);
    // The same typed once more is the same report.
    let draft = begun(&mut browser, &NEW);
    let page = browser.get(&draft);
    let again = submit(&mut browser, &page, &draft, &good);
    assert_eq!(again.header("location"), signed.header("location"));
    assert_eq!(exam_of(&mut browser, &again), exam);
    assert_eq!(ward.site.all_results().len(), 1);
}

/// Until it is signed no page of a measurement holds a value of an earlier exam.
#[test]
fn earlier_values_are_not_shown_before_signing() {
    let ward = Ward::new(&["measurer"]);
    let mut browser = ward.signed_in("measurer");
    let draft = begun(&mut browser, &NEW);
    let page = browser.get(&draft);
    let earlier = [
        ("date", DAYS[0].as_str()),
        ("right_value_1", "6.14"),
        ("left_value_1", "6.27"),
        ("act", "sign"),
    ];
    let signed = submit(&mut browser, &page, &draft, &earlier);
    let exam = exam_of(&mut browser, &signed);
    let text = result_of(&ward, &exam).to_string();
    let values = ["6.14", "6.27"];
    assert!(values.iter().all(|value| text.contains(value)), "{text}");
    let page = browser.get("/measure");
    let other = [("patient_id", "N-7"), ("birth_date", "1999-01-01")];
    let answer = submit(&mut browser, &page, "/measure/find", &other);
    assert!(answer.body.contains("known here with another birth date"));
    assert!(!answer.body.contains(NEW[1].1), "the right one is not told");
    let shown = submit(&mut browser, &answer, "/measure/find", &NEW);
    assert!(
        shown.body.contains("Known here by 1 exam."),
        "{}",
        shown.body
    );
    let draft = begun(&mut browser, &NEW);
    let typed = browser.get(&draft);
    let page = browser.get(&draft);
    let checked = submit(&mut browser, &page, &draft, &with(&[("act", "check")]));
    for (page, name) in [(&shown, "shown"), (&typed, "typed"), (&checked, "checked")] {
        for value in values {
            assert!(!page.body.contains(value), "{name}: {value}\n{}", page.body);
        }
    }
}

/// The only way to mend what was signed: a report that names the one it replaces.
#[test]
fn what_was_signed_is_corrected_by_an_amended_report() {
    let ward = Ward::new(&["measurer", "clinician", "lead"]);
    let mut browser = ward.signed_in("measurer");
    let draft = begun(&mut browser, &NAMED);
    let page = browser.get(&draft);
    assert!(
        !page.body.contains("class=\"age\">Draft saved"),
        "{}",
        page.body
    );
    let signed = submit(&mut browser, &page, &draft, &with(&[("act", "sign")]));
    let exam = exam_of(&mut browser, &signed);
    let wait = browser.get(signed.header("location")).body;
    assert!(wait.contains("Merrowdene"), "{wait}");
    let correct = format!("/measure/correct/{exam}");
    assert_eq!(ward.signed_in("clinician").get(&correct).status, 403);
    let page = browser.get(&correct);
    assert!(page.body.contains("Merrowdene"), "{}", page.body);
    let report = page
        .body
        .split("name=\"report\" value=\"")
        .nth(1)
        .expect("a report");
    let report = report.split('"').next().expect("its end").to_owned();
    let opened = submit(&mut browser, &page, &correct, &[("report", &report)]);
    assert_eq!(opened.status, 303, "{}", opened.body);
    let draft = opened.header("location").to_owned();
    let page = browser.get(&draft);
    assert!(page.body.contains("Correct a measurement") && page.body.contains("value=\"5.20\""));
    assert!(page.body.contains("Merrowdene"), "{}", page.body);
    let mut fields = with(&[("act", "sign"), ("left_value_1", "5.6")]);
    fields.retain(|field| *field != ("left_value_1", "5.1"));
    let page = submit(&mut browser, &page, &draft, &fields);
    assert!(page.body.contains("say why the report is corrected"));
    fields.push(("reason", "read 5.1 for 5.6"));
    let signed = submit(&mut browser, &page, &draft, &fields);
    assert_eq!(exam_of(&mut browser, &signed), exam);
    until("the amended result", || {
        let results = ward.site.results();
        results[&exam]["version"].as_u64() >= Some(2)
    });
    let result = ward.site.results().remove(&exam).expect("a result");
    let text = result.to_string();
    assert!(
        text.contains("5.6") && result["version"].as_u64() >= Some(2),
        "{text}"
    );
    // The name is still the patient's.
    let mut clinician = ward.signed_in("clinician");
    let page = clinician.get(&format!("/exam/{exam}"));
    assert!(page.body.contains("Merrowdene"), "{}", page.body);
    // Also before something is recorded.
    let label = format!("/exam/{exam}/label");
    let fields = [
        ("label", "well"),
        ("reason", "control"),
        ("stamp", &stamp(&page)),
    ];
    let shown = submit(&mut clinician, &page, &label, &fields);
    assert!(
        shown.body.contains("Nothing is recorded yet"),
        "{}",
        shown.body
    );
    assert!(shown.body.contains("Merrowdene"), "{}", shown.body);
    // Somebody who leads may correct what others signed.
    let page = ward.signed_in("lead").get(&correct);
    assert_eq!(page.status, 200);
    assert!(page.body.contains("Correct this report"), "{}", page.body);
}

/// A daemon that is killed at any step of signing: what was answered is kept, what was typed is there,
/// and signing once more makes one report.
#[test]
fn signed_means_kept_whenever_the_daemon_is_killed() {
    let mut kills = 0;
    for number in 1..=12 {
        let Ward {
            site,
            daemon,
            address,
        } = Ward::new(&["measurer"]);
        let mut browser = Browser::new(address);
        browser.sign_in("measurer", super::PASSWORD);
        let draft = begun(&mut browser, &NEW);
        let page = browser.get(&draft);
        let mut strace = tool("strace")
            .args(["-f", "-e", "trace=fsync,fdatasync", "-e"])
            .arg(format!("inject=fsync,fdatasync:signal=KILL:when={number}"))
            .args(["-o", "/dev/null", "-p", &daemon.pid().to_string()])
            .stderr(Stdio::piped())
            .spawn()
            .expect("strace runs");
        let mut said = BufReader::new(strace.stderr.take().expect("its words")).lines();
        assert!(said.any(|line| line.expect("text").contains("attached")));
        let signed = submit(&mut browser, &page, &draft, &with(&[("act", "sign")]));
        let killed = signed.status == 0;
        let _ = strace.kill();
        let _ = strace.wait();
        daemon.kill();
        let daemon = site.serve();
        let mut browser = Browser::new(pages_of(&daemon));
        browser.sign_in("measurer", super::PASSWORD);
        let page = browser.get(&draft);
        if killed {
            kills += 1;
            // Either the draft waits, with what was typed by then, or the report is kept.
            if page.status == 200 {
                let signed = submit(&mut browser, &page, &draft, &with(&[("act", "sign")]));
                exam_of(&mut browser, &signed);
            } else {
                assert_eq!(page.status, 404, "{number}");
            }
        } else {
            assert_eq!(
                page.status, 404,
                "{number}: signed, and its draft is still there"
            );
        }
        until("the one result", || site.all_results().len() == 1);
        drop(daemon);
        if !killed {
            break;
        }
    }
    assert!(kills >= 3, "{kills} kills prove nothing");
}
