//! Signing in and out, what holds a session and what ends it.

use super::{PASSWORD, Ward, run};
use crate::harness::until;
use serde_json::Value;

#[test]
fn nobody_sees_a_page_before_signing_in() {
    let ward = Ward::new(&["reader"]);
    let mut browser = ward.browser();
    for path in ["/", "/today"] {
        let answer = browser.get(path);
        assert_eq!(answer.status, 303, "{path}");
        assert!(answer.header("location").starts_with("/sign-in"), "{path}");
    }
    let answer = browser.sign_in("reader", "another password");
    assert_eq!(answer.status, 403);
    assert!(answer.body.contains("is not right"), "{}", answer.body);
    assert_eq!(browser.get("/today").status, 303);
    let answer = browser.sign_in("reader", PASSWORD);
    assert_eq!((answer.status, answer.header("location")), (303, "/today"));
    let answer = browser.get("/today");
    assert_eq!(answer.status, 200);
    assert!(answer.body.contains("<h1>Today</h1>"), "{}", answer.body);
    assert!(answer.body.contains("As of "), "the age of the data");
    assert!(answer.body.contains("reader"), "who is signed in");
}

/// A cookie that was stolen is worth nothing after its owner signs out.
#[test]
fn a_stolen_cookie_ends_with_the_session() {
    let ward = Ward::new(&["reader"]);
    let mut owner = ward.signed_in("reader");
    let mut thief = ward.browser();
    thief.cookies = owner.cookies.clone();
    assert_eq!(thief.get("/today").status, 200);
    let token = owner.get("/today").token("/sign-out");
    let answer = owner.post("/sign-out", &[("token", &token)]);
    assert_eq!(answer.status, 200);
    assert!(answer.header("clear-site-data").contains("cache"));
    assert_eq!(thief.get("/today").status, 303);
    assert_eq!(owner.get("/today").status, 303);
}

/// The id of a session changes when somebody signs in, and one that we did not make is never taken.
#[test]
fn a_session_cannot_be_fixed_beforehand() {
    let ward = Ward::new(&["reader"]);
    let mut victim = ward.browser();
    let planted = "AAAAAAAAAAAAAAAAAAAAAA".to_owned();
    victim
        .cookies
        .insert("sheathline".to_owned(), planted.clone());
    assert_eq!(victim.sign_in("reader", PASSWORD).status, 303);
    assert_ne!(victim.cookies["sheathline"], planted);
    let mut attacker = ward.browser();
    attacker.cookies.insert("sheathline".to_owned(), planted);
    assert_eq!(attacker.get("/today").status, 303);
    // Signing in anew ends the session before it.
    let mut before = ward.browser();
    before.cookies = victim.cookies.clone();
    assert_eq!(victim.sign_in("reader", PASSWORD).status, 303);
    assert_eq!(victim.get("/today").status, 200);
    assert_eq!(before.get("/today").status, 303);
}

#[test]
fn commands_end_sessions_and_roles_hold_at_once() {
    let ward = Ward::new(&["reader", "clinician", "auditor"]);
    let mut reader = ward.signed_in("reader");
    let mut clinician = ward.signed_in("clinician");
    ward.account("sign-out", &["reader"]);
    assert_eq!(reader.get("/today").status, 303);
    assert_eq!(reader.sign_in("reader", PASSWORD).status, 303);
    ward.account("roles", &["reader", "--role", "auditor"]);
    assert_eq!(reader.get("/today").status, 403, "no role to see patients");
    ward.account("end", &["clinician"]);
    assert_eq!(clinician.get("/today").status, 303);
    assert_eq!(clinician.sign_in("clinician", PASSWORD).status, 403);
    let listed = ward.account("list", &["--json"]);
    let listed: Vec<Value> = crate::harness::lines(&listed);
    let ended = listed.iter().find(|one| one["account"] == "clinician");
    assert_eq!(ended.expect("listed")["state"], "ended");
    // Nobody else gets its name.
    let password = ward.site.path("password");
    let args = [
        "clinician",
        "--role",
        "reader",
        "--password-file",
        password.to_str().expect("UTF-8"),
    ];
    assert!(!run(&ward.site, "add", &args).status.success());
}

/// The session survives the daemon, as a form that somebody is filling in must.
#[test]
fn a_session_survives_a_restart() {
    let ward = Ward::new(&["reader"]);
    let browser = ward.signed_in("reader");
    let Ward { site, daemon, .. } = ward;
    daemon.kill();
    let daemon = site.serve();
    let mut again = super::Browser::new(super::pages_of(&daemon));
    again.cookies = browser.cookies;
    assert_eq!(again.get("/today").status, 200);
}

/// Who signed in, who was refused and who signed out stands in the audit trail.
#[test]
fn sign_ins_stand_in_the_audit_trail() {
    let ward = Ward::with(
        &["reader"],
        "audit = \"audit.xml\"\n[pages]\nlisten = \"127.0.0.1:0\"\n",
    );
    let mut browser = ward.signed_in("reader");
    ward.browser().sign_in("reader", "a wrong password");
    let token = browser.get("/today").token("/sign-out");
    browser.post("/sign-out", &[("token", &token)]);
    let trail = || std::fs::read_to_string(ward.site.path("audit.xml")).expect("a trail");
    until("the messages", || trail().contains("\"110123\""));
    let messages: Vec<String> = trail()
        .lines()
        .filter(|line| line.contains("csd-code=\"110114\""))
        .map(str::to_owned)
        .collect();
    let kinds = ["110122", "110122", "110123"];
    assert_eq!(messages.len(), 3, "{messages:#?}");
    for (message, kind) in messages.iter().zip(kinds) {
        assert!(
            message.contains(&format!("csd-code=\"{kind}\"")),
            "{message}"
        );
        assert!(message.contains("UserID=\"reader\""), "{message}");
        assert!(
            message.contains("NetworkAccessPointID=\"127.0.0.1\""),
            "{message}"
        );
    }
    assert!(messages[1].contains("EventOutcomeIndicator=\"4\""));
}

/// Where the site allows it, and with a reason; the audit trail has an emergency override.
#[test]
fn the_glass_breaks_with_a_reason_where_the_site_allows_it() {
    let ward = Ward::new(&["operator"]);
    assert_eq!(ward.signed_in("operator").get("/break-glass").status, 404);
    let ward = Ward::with(
        &["operator", "reader"],
        "audit = \"audit.xml\"\n[pages]\nlisten = \"127.0.0.1:0\"\nbreak_glass = true\n",
    );
    crate::objects::Report::numbered(1).write(&ward.site.path("drop"));
    until("a result", || !ward.site.all_results().is_empty());
    let result = ward.site.all_results().remove(0);
    let patient = result["patient"]["id"].as_str().expect("an id").to_owned();
    assert_eq!(ward.signed_in("reader").get("/break-glass").status, 404);
    let mut operator = ward.signed_in("operator");
    assert_eq!(operator.get("/today").status, 403);
    for (id, reason) in [
        (patient.as_str(), "short"),
        ("nobody", "called to the ward at night"),
    ] {
        let token = operator.get("/break-glass").token("/break-glass");
        let fields = [("token", token.as_str()), ("id", id), ("reason", reason)];
        let answer = operator.post("/break-glass", &fields);
        assert!(answer.body.contains("role=\"alert\""), "{}", answer.body);
    }
    let token = operator.get("/break-glass").token("/break-glass");
    let reason = "called to the ward at night <b>";
    let fields = [
        ("token", token.as_str()),
        ("id", &patient),
        ("reason", reason),
    ];
    let answer = operator.post("/break-glass", &fields);
    assert!(answer.body.contains("for 60 minutes"), "{}", answer.body);
    assert!(answer.body.contains("href=\"/exam/"), "{}", answer.body);
    // A form that served does nothing a second time.
    assert_eq!(operator.post("/break-glass", &fields).status, 409);
    let trail = || std::fs::read_to_string(ward.site.path("audit.xml")).expect("a trail");
    until("the message", || trail().contains("\"110127\""));
    assert_eq!(trail().matches("\"110127\"").count(), 1);
}
