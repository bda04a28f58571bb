//! What people say in the forms of an exam and of a patient: shown before, refused where something newer
//! came, taken back, and never twice.

use super::roles::{token, ward};
use super::{PAGES, Ward};
use crate::browser::{Answer, Browser};
use crate::harness::until;
use crate::objects::Report;

/// The flagged exam.
fn flagged(ward: &Ward) -> String {
    let all = ward.site.results().into_iter();
    let mut flagged = all.filter(|(_, one)| one["assessment"]["flagged"] == true);
    flagged.next().expect("a flagged exam").0
}

/// A hidden field of a page, the first of its name.
fn hidden(page: &str, name: &str) -> String {
    let value = page.split(&format!("name=\"{name}\" value=\"")).nth(1);
    let value = value.unwrap_or_else(|| panic!("no {name}: {page}"));
    value.split('"').next().expect("its end").to_owned()
}

fn entries(ward: &Ward) -> usize {
    ward.site.json("entries", &["T-1", "--json"]).len()
}

/// Posts a form with a fresh token.
fn post(browser: &mut Browser, role: &str, path: &str, fields: &[(&str, &str)]) -> Answer {
    let token = token(browser, role);
    browser.post(path, &[&[("token", token.as_str())], fields].concat())
}

/// Looks at what an act would change and records it, answering what is asked. Returns what was shown.
/// The results of the act before may come in between: then it is looked at anew.
fn record(browser: &mut Browser, role: &str, path: &str, fields: &[(&str, &str)]) -> String {
    let page = path.rsplit_once('/').expect("a page").0.to_owned();
    for _ in 0..50 {
        let stamp = hidden(&browser.get(&page).body, "stamp");
        let all = [&[("stamp", stamp.as_str()), ("version", "1")], fields].concat();
        let shown = post(browser, role, path, &all);
        if shown.status == 409 {
            continue;
        }
        assert_eq!(shown.status, 200, "{path}: {}", shown.body);
        assert!(
            shown.body.contains("Nothing is recorded yet"),
            "{}",
            shown.body
        );
        let yes = shown.body.contains("name=\"yes\"");
        let yes = yes.then(|| hidden(&shown.body, "yes"));
        let stamp = hidden(&shown.body, "stamp");
        let mut all = vec![
            ("stamp", stamp.as_str()),
            ("version", "1"),
            ("shown", "yes"),
        ];
        all.extend(yes.as_deref().map(|yes| ("yes", yes)));
        all.extend(fields);
        let answer = post(browser, role, path, &all);
        match answer.status {
            303 => return shown.body,
            409 => {}
            _ => panic!("{path}: {} {}", answer.status, answer.body),
        }
    }
    panic!("{path}: something else comes all the time");
}

/// Every act by a form that is older than what stands: nothing is recorded, and what came is said in
/// words.
#[test]
fn a_form_that_is_older_than_what_stands_records_nothing_and_says_what_came() {
    let ward = ward(&["lead"], PAGES);
    let exam = flagged(&ward);
    let mut lead = ward.signed_in("lead");
    ward.site.ok("note", &[&exam, "of the night"]);
    let exam_page = format!("/exam/{exam}");
    let patient_page = format!("/patient/{exam}");
    let stamp = hidden(&lead.get(&exam_page).body, "stamp");
    assert_eq!(stamp, hidden(&lead.get(&patient_page).body, "stamp"));
    let mut acts: Vec<(String, Vec<(&str, &str)>)> = Vec::new();
    for (act, fields) in [
        ("acknowledge", vec![("version", "1")]),
        ("settle", vec![("outcome", "confirmed"), ("reason", "x")]),
        ("label", vec![("label", "well")]),
        ("pressure", vec![("value", "25"), ("unit", "cm[H2O]")]),
        ("note", vec![("reason", "x")]),
        ("second", vec![]),
        ("leave-out", vec![("reason", "x")]),
        ("leave-out", vec![("back", "yes")]),
        ("readings-back", vec![("reason", "x")]),
        ("readings-back", vec![("back", "yes")]),
        ("take-back", vec![("entry", "1")]),
    ] {
        acts.push((format!("{exam_page}/{act}"), fields));
    }
    for (act, fields) in [
        (
            "event",
            vec![("date", "2024-02-01"), ("kind", "csf_surgery")],
        ),
        (
            "event-back",
            vec![("date", "2024-02-01"), ("kind", "csf_surgery")],
        ),
        ("label", vec![("label", "well"), ("exam", exam.as_str())]),
        ("leave-out", vec![("reason", "x"), ("exam", exam.as_str())]),
    ] {
        acts.push((format!("{patient_page}/{act}"), fields));
    }
    // A label of another exam, and a note: said by somebody else, after the page was loaded.
    let other = ward.site.results().into_keys().find(|id| *id != exam);
    let other = other.expect("another exam");
    ward.site
        .ok("event", &["T-1", "2024-02-01", "csf_surgery", "--yes"]);
    ward.site
        .ok("label", &[&other, "after_decompression", "--yes"]);
    let said = entries(&ward);
    let mut all = |came: &[&str]| {
        for (path, fields) in &acts {
            let fields = [&[("stamp", stamp.as_str()), ("shown", "yes")], &fields[..]].concat();
            let answer = post(&mut lead, "lead", path, &fields);
            assert_eq!(answer.status, 409, "{path} {fields:?}: {}", answer.body);
            for words in came {
                assert!(
                    answer.body.contains(words),
                    "{path}: {words}: {}",
                    answer.body
                );
            }
            assert!(
                !answer.body.contains("after_decompression"),
                "{}",
                answer.body
            );
        }
        assert_eq!(entries(&ward), said, "something was recorded");
    };
    all(&["label: after decompression", "CSF surgery on 2024-02-01"]);
    // A version of a result that came with a further report.
    let stamp_now = said;
    let report = Report {
        patient: "T-1".into(),
        date: "20210401".into(),
        ..Report::numbered(9)
    };
    report.write(&ward.site.path("drop"));
    until("a fifth exam", || ward.site.results().len() == 5);
    all(&["a further report of this patient", ", which says: "]);
    assert_eq!(entries(&ward), stamp_now);
}

/// A verdict on two readings belongs to the two that were shown.
#[test]
fn a_verdict_on_readings_that_are_no_more_the_newest_is_refused() {
    let ward = ward(&["clinician"], PAGES);
    let exam = flagged(&ward);
    let mut clinician = ward.signed_in("clinician");
    let (page, path) = (format!("/second/{exam}"), format!("/second/{exam}/judge"));
    ward.site.ok("second", &[&exam, "ask"]);
    ward.site
        .ok("second", &[&exam, "read", "--right-mm", "5.1"]);
    let stamp = hidden(&clinician.get(&page).body, "stamp");
    ward.site
        .ok("second", &[&exam, "read", "--right-mm", "6.4"]);
    let before = entries(&ward);
    let says = [("says", "agrees"), ("stamp", stamp.as_str())];
    let answer = post(&mut clinician, "clinician", &path, &says);
    assert_eq!(answer.status, 409, "{}", answer.body);
    assert!(
        answer.body.contains("second reading made"),
        "{}",
        answer.body
    );
    let answer = post(&mut clinician, "clinician", &path, &says[..1]);
    assert_eq!(answer.status, 422, "without a stamp: {}", answer.body);
    assert_eq!(entries(&ward), before);
    until("the new state", || {
        let stamp = hidden(&clinician.get(&page).body, "stamp");
        let says = [
            ("says", "differs"),
            ("reason", "by 1 mm"),
            ("stamp", &*stamp),
        ];
        post(&mut clinician, "clinician", &path, &says).status == 303
    });
    assert_eq!(entries(&ward), before + 1);
}

/// The same form twice, the same note from a second page: one entry, and whoever sent it sees that it
/// is there.
#[test]
fn a_note_that_is_sent_twice_is_kept_once_and_shown() {
    let ward = ward(&["clinician"], PAGES);
    let exam = flagged(&ward);
    let mut clinician = ward.signed_in("clinician");
    let (page, path) = (format!("/exam/{exam}"), format!("/exam/{exam}/note"));
    let first = clinician.get(&page);
    let fields = |page: &Answer| {
        [
            ("token", page.token(&path)),
            ("stamp", hidden(&page.body, "stamp")),
            ("version", hidden(&page.body, "version")),
            ("reason", "seen at the bedside".to_owned()),
        ]
    };
    let send = |browser: &mut Browser, fields: &[(&str, String)]| {
        let fields: Vec<_> = fields
            .iter()
            .map(|(name, text)| (*name, text.as_str()))
            .collect();
        browser.post(&path, &fields)
    };
    let sent = fields(&first);
    assert_eq!(send(&mut clinician, &sent).status, 303);
    // A double click, or back and sent again: the first one stands, and the way to it is shown.
    let again = send(&mut clinician, &sent);
    assert_eq!(again.status, 409, "{}", again.body);
    assert!(
        again
            .body
            .contains("What it recorded the first time stands"),
        "{}",
        again.body
    );
    assert!(
        again.body.contains(&format!("href=\"{page}\"")),
        "{}",
        again.body
    );
    // Back to an older page of another window.
    let other = clinician.get(&page);
    let stale = [
        ("token", other.token(&path)),
        sent[1].clone(),
        sent[2].clone(),
        sent[3].clone(),
    ];
    let answer = send(&mut clinician, &stale);
    assert_eq!(answer.status, 409);
    assert!(
        answer.body.contains("note: seen at the bedside"),
        "{}",
        answer.body
    );
    // Typed once more on a page that shows it.
    let shown = clinician.get(&page);
    let answer = send(&mut clinician, &fields(&shown));
    assert_eq!(answer.status, 200, "{}", answer.body);
    for words in [
        "It is recorded already",
        "has that note already",
        "seen at the bedside",
    ] {
        assert!(answer.body.contains(words), "{words}: {}", answer.body);
    }
    assert_eq!(entries(&ward), 1);
    // Another text is another note.
    let shown = clinician.get(&page);
    let mut fields = fields(&shown);
    fields[3].1 = "seen once more".to_owned();
    assert_eq!(send(&mut clinician, &fields).status, 303);
    assert_eq!(entries(&ward), 2);
}

/// Readings are taken back by the lead alone, after it was shown what that changes; and count again.
#[test]
fn readings_are_taken_back_and_count_again() {
    let ward = ward(&["clinician", "lead"], PAGES);
    let exam = flagged(&ward);
    let (page, path) = (
        format!("/exam/{exam}"),
        format!("/exam/{exam}/readings-back"),
    );
    let mut clinician = ward.signed_in("clinician");
    let seen = clinician.get(&page).body;
    assert!(!seen.contains("/readings-back\""), "{seen}");
    let mut lead = ward.signed_in("lead");
    assert!(lead.get(&page).body.contains("id=\"readings-back\""));
    // Without a reason nothing is shown even.
    let stamp = hidden(&lead.get(&page).body, "stamp");
    let answer = post(&mut lead, "lead", &path, &[("stamp", &stamp)]);
    assert_eq!(answer.status, 422, "{}", answer.body);
    assert!(answer.body.contains("say what was wrong with the readings"));
    let shown = record(&mut lead, "lead", &path, &[("reason", "of another child")]);
    for words in [
        "its readings are taken back",
        "Rise found: ",
        "would lose its flag",
        "mm, expected ",
    ] {
        assert!(shown.contains(words), "{words}: {shown}");
    }
    assert!(!shown.contains("_expected"), "a bare word: {shown}");
    let reason = |ward: &Ward| ward.site.results()[&exam]["assessment"]["reason"].clone();
    until("it is withdrawn", || reason(&ward) == "withdrawn");
    let gone = lead.get(&page).body;
    assert!(gone.contains("id=\"readings-again\""), "{gone}");
    assert!(gone.contains("entered by mistake: taken back") && gone.contains("of another child"));
    for form in ["label", "note", "settle", "leave-out", "readings-back"] {
        assert!(
            !gone.contains(&format!("form id=\"{form}\"")),
            "{form}: {gone}"
        );
    }
    let seen = clinician.get(&page).body;
    assert!(
        !seen.contains("readings-again") && !seen.contains("/take-back\""),
        "{seen}"
    );
    // Posted all the same: neither by the form nor by the number of the entry.
    let stamp = hidden(&seen, "stamp");
    for (act, field) in [
        ("readings-back", ("back", "yes")),
        ("take-back", ("entry", "1")),
    ] {
        let fields = [("stamp", stamp.as_str()), ("shown", "yes"), field];
        let answer = post(
            &mut clinician,
            "clinician",
            &format!("{page}/{act}"),
            &fields,
        );
        assert_eq!(answer.status, 403, "{act}: {}", answer.body);
    }
    let shown = record(&mut lead, "lead", &path, &[("back", "yes")]);
    assert!(shown.contains("its readings count again"), "{shown}");
    until("it is told again", || reason(&ward).is_null());
    assert_eq!(ward.site.results()[&exam]["assessment"]["flagged"], true);
    let back = lead.get(&page).body;
    assert!(
        back.contains("counts again") && !back.contains("readings-again"),
        "{back}"
    );
    // By the button beside the entry as well.
    record(&mut lead, "lead", &path, &[("reason", "of another child")]);
    until("it is withdrawn", || reason(&ward) == "withdrawn");
    record(
        &mut lead,
        "lead",
        &format!("{page}/take-back"),
        &[("entry", "3")],
    );
    until("it is told again", || reason(&ward).is_null());
}

/// A button beside an entry takes it back: of one's own, and for the lead of anybody's.
#[test]
fn an_entry_is_taken_back_by_whoever_may() {
    let ward = ward(&["clinician", "lead"], PAGES);
    let exam = flagged(&ward);
    let page = format!("/exam/{exam}");
    let mut clinician = ward.signed_in("clinician");
    let mut lead = ward.signed_in("lead");
    record(
        &mut clinician,
        "clinician",
        &format!("{page}/label"),
        &[("label", "raised_confirmed")],
    );
    record(
        &mut lead,
        "lead",
        &format!("{page}/leave-out"),
        &[("reason", "a resident's first")],
    );
    let buttons = |body: &str| body.matches("/take-back\"").count();
    assert_eq!(buttons(&clinician.get(&page).body), 1, "their own label");
    assert_eq!(buttons(&lead.get(&page).body), 2);
    let stamp = hidden(&clinician.get(&page).body, "stamp");
    let fields = [("stamp", stamp.as_str()), ("shown", "yes"), ("entry", "2")];
    let answer = post(
        &mut clinician,
        "clinician",
        &format!("{page}/take-back"),
        &fields,
    );
    assert_eq!(answer.status, 403, "{}", answer.body);
    let shown = record(
        &mut clinician,
        "clinician",
        &format!("{page}/take-back"),
        &[("entry", "1")],
    );
    assert!(
        shown.contains("label: raised confirmed: taken back"),
        "{shown}"
    );
    record(
        &mut lead,
        "lead",
        &format!("{page}/take-back"),
        &[("entry", "2")],
    );
    assert_eq!(buttons(&lead.get(&page).body), 0);
    assert_eq!(entries(&ward), 4);
}
