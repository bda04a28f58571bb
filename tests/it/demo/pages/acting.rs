//! What people say in pages: shown first, asked about, recorded once, and refused to whoever may not.

use super::{Answer, Browser, Demo, behind};

/// The exam that a form of a page names before `act`.
fn exams(page: &Answer, act: &str) -> Vec<String> {
    let addresses = behind(&page.body, "action=\"/exam/");
    let ending = format!("/{act}");
    let named = addresses.iter().filter_map(|one| one.strip_suffix(&ending));
    named.map(str::to_owned).collect()
}

/// The first value of a hidden field.
fn value(page: &Answer, name: &str) -> String {
    let found = behind(&page.body, &format!("name=\"{name}\" value=\""));
    found.first().map_or(String::new(), |one| (*one).to_owned())
}

/// Posts to the page of an exam what stands on it, and more. A result that is made meanwhile is looked at
/// anew, as a person would.
fn say(browser: &mut Browser, exam: &str, act: &str, fields: &[(&str, &str)]) -> Answer {
    let mut answer = None;
    for _ in 0..20 {
        let page = browser.get(&format!("/exam/{exam}"));
        let (token, stamp) = (page.token(), value(&page, "stamp"));
        let version = value(&page, "version");
        let shown = [
            ("token", token.as_str()),
            ("stamp", stamp.as_str()),
            ("version", version.as_str()),
        ];
        let came = browser.post(
            &format!("/exam/{exam}/{act}"),
            &[&shown[..], fields].concat(),
        );
        let is_late = came.status == 409;
        answer = Some(came);
        if !is_late {
            break;
        }
    }
    answer.expect("an answer")
}

/// Sends the form of a page that asked, with or without a yes.
fn confirm(
    browser: &mut Browser,
    path: &str,
    asked: &Answer,
    fields: &[(&str, &str)],
    yes: &str,
) -> Answer {
    let (token, stamp) = (asked.token(), value(asked, "stamp"));
    let shown = [
        ("token", token.as_str()),
        ("stamp", stamp.as_str()),
        ("shown", "yes"),
        ("yes", yes),
    ];
    browser.post(path, &[&shown[..], fields].concat())
}

#[test]
fn what_is_said_in_pages_is_shown_asked_about_and_refused_to_others() {
    let demo = Demo::start();
    let mut clinician = demo.signed_in("clinician");
    let today = clinician.get("/today");
    let rises = exams(&today, "acknowledge");
    let [exam, other, ..] = rises.as_slice() else {
        panic!("two rises wait: {}", today.body)
    };

    // A reader may not, and nothing of a patient is told by the refusal.
    let mut reader = demo.signed_in("reader");
    let token = reader.get("/today").token();
    let refused = reader.post(
        &format!("/exam/{exam}/label"),
        &[("token", &token), ("label", "well"), ("stamp", "x")],
    );
    assert_eq!(refused.status, 403, "{}", refused.body);
    // Nor somebody without a token of their own session.
    let forged = clinician.post(&format!("/exam/{exam}/label"), &[("label", "well")]);
    assert_eq!(forged.status, 403);

    // A version that is not the newest one is not acknowledged.
    let path = format!("/exam/{exam}/acknowledge");
    let token = clinician.get("/today").token();
    let fields = [
        ("token", token.as_str()),
        ("version", "77"),
        ("back", "today"),
    ];
    let late = clinician.post(&path, &fields);
    assert_eq!(late.status, 409, "{}", late.body);
    assert!(late.has("since version 77 was shown"), "{}", late.body);
    let seen = say(&mut clinician, exam, "acknowledge", &[("back", "today")]);
    assert_eq!(seen.status, 303, "{}", seen.body);
    assert!(
        seen.head.contains("location: /today?recorded="),
        "{}",
        seen.head
    );
    assert!(!exams(&clinician.get("/today"), "acknowledge").contains(exam));

    // A flagged exam as baseline: shown, and asked about.
    let well = [("label", "well"), ("reason", "<b>seen</b>")];
    let label = format!("/exam/{exam}/label");
    let asked = say(&mut clinician, exam, "label", &well);
    assert_eq!(asked.status, 200, "{}", asked.body);
    assert!(asked.has("Nothing is recorded yet") && asked.has("is flagged and would"));
    assert!(asked.has("&lt;b&gt;seen&lt;/b&gt;") && !asked.has("<b>seen"));
    let yes = value(&asked, "yes");
    let no = confirm(&mut clinician, &label, &asked, &well, "");
    assert!(no.has("Nothing is recorded yet"), "{}", no.body);
    // Somebody else says something meanwhile.
    let mut lead = demo.signed_in("lead");
    let note = say(&mut lead, exam, "note", &[("reason", "child\r\ncried")]);
    assert_eq!(note.status, 303, "{}", note.body);
    let stale = confirm(&mut clinician, &label, &no, &well, &yes);
    assert_eq!(stale.status, 409, "{}", stale.body);
    assert!(stale.has("by lead: note: child cried"), "{}", stale.body);
    // Looked at anew, and said yes to.
    let asked = say(&mut clinician, exam, "label", &well);
    let yes = value(&asked, "yes");
    let mut done = confirm(&mut clinician, &label, &asked, &well, &yes);
    for _ in 0..20 {
        if done.status != 409 {
            break;
        }
        let asked = say(&mut clinician, exam, "label", &well);
        let yes = value(&asked, "yes");
        done = confirm(&mut clinician, &label, &asked, &well, &yes);
    }
    assert_eq!(done.status, 303, "{}", done.body);

    // Whoever leads mends it; then it is theirs.
    let mended = [("label", "raised_confirmed"), ("shown", "yes")];
    let done = say(&mut lead, exam, "label", &mended);
    assert_eq!(done.status, 303, "{}", done.body);
    let refused = say(&mut clinician, exam, "label", &well);
    assert_eq!(refused.status, 403, "{}", refused.body);
    assert!(refused.has("correct what others entered"));
    let refused = say(&mut clinician, exam, "leave-out", &[("reason", "x")]);
    assert_eq!(refused.status, 403);

    // The exam of another patient is none of this one's page.
    let page = clinician.get(&format!("/patient/{exam}"));
    let (token, stamp) = (page.token(), value(&page, "stamp"));
    let fields = [
        ("token", token.as_str()),
        ("stamp", stamp.as_str()),
        ("exam", exam.as_str()),
        ("exam", other.as_str()),
        ("label", "well"),
    ];
    let foreign = clinician.post(&format!("/patient/{exam}/label"), &fields);
    assert_eq!(foreign.status, 404, "{}", foreign.body);
    // Without what was shown nothing is taken.
    let token = clinician.get("/today").token();
    let blind = clinician.post(
        &format!("/exam/{exam}/pressure"),
        &[("token", &token), ("value", "30"), ("unit", "cm[H2O]")],
    );
    assert_eq!(blind.status, 422, "{}", blind.body);
}
