//! Every address × every role and nobody: the answer is the one that the table of roles gives. The list
//! of addresses is read from the sources, so that a new one cannot be forgotten here.

use super::{PAGES, Ward};
use crate::browser::{Answer, Browser};
use crate::harness::until;
use crate::objects::Report;
use crate::tidy::root;
use sheathline_model::pages::layout::{Place, SCRIPT, STYLE};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

const ROLES: [&str; 6] = [
    "reader",
    "measurer",
    "clinician",
    "lead",
    "operator",
    "auditor",
];

/// Who may see, as the table of the manual says it.
const SEE: &[&str] = &["reader", "measurer", "clinician", "lead"];
const SAY: &[&str] = &["clinician", "lead"];
const TYPE: &[&str] = &["measurer"];
const CORRECT: &[&str] = &["measurer", "lead"];
const LEAD: &[&str] = &["lead"];
const CODES: &[&str] = &["lead", "operator"];
const SERVICE: &[&str] = &["operator"];
const DEEDS: &[&str] = &["auditor"];
/// Those who may see nobody: for them there is a glass to break, and for others there is none.
const GLASS: &[&str] = &["operator", "auditor"];
/// Whoever is signed in.
const ALL: &[&str] = &ROLES;

/// Who may send what where. Of what is posted nobody's answer is 401; what is open to everybody, also to
/// nobody, has no roles.
const TABLE: &[(&str, &str, Option<&[&str]>)] = &[
    ("GET", "/", Some(ALL)),
    ("GET", "STYLE", None),
    ("GET", "SCRIPT", None),
    ("GET", "/sign-in", None),
    ("POST", "/sign-in", None),
    ("GET", "/sign-in/openid", None),
    ("GET", "/sign-in/back", None),
    ("POST", "/sign-out", Some(ALL)),
    ("GET", "/break-glass", Some(GLASS)),
    ("POST", "/break-glass", Some(GLASS)),
    ("GET", "/today", Some(SEE)),
    ("GET", "/exam/{exam_id}", Some(SEE)),
    ("GET", "/exam/{exam_id}/result.pdf", Some(SEE)),
    ("GET", "/exam/{exam_id}/result.dcm", Some(SEE)),
    ("GET", "/exam/{exam_id}/picture/{number}", Some(SEE)),
    ("GET", "/patient/{exam_id}", Some(SEE)),
    ("POST", "/exam/{exam}/acknowledge", Some(SAY)),
    ("POST", "/exam/{exam}/label", Some(SAY)),
    ("POST", "/exam/{exam}/leave-out", Some(LEAD)),
    ("POST", "/exam/{exam}/note", Some(SAY)),
    ("POST", "/exam/{exam}/pressure", Some(SAY)),
    ("POST", "/exam/{exam}/readings-back", Some(LEAD)),
    ("POST", "/exam/{exam}/second", Some(SAY)),
    ("POST", "/exam/{exam}/settle", Some(SAY)),
    ("POST", "/exam/{exam}/take-back", Some(SAY)),
    ("POST", "/patient/{exam}/event", Some(SAY)),
    ("POST", "/patient/{exam}/event-back", Some(SAY)),
    ("POST", "/patient/{exam}/label", Some(SAY)),
    ("POST", "/patient/{exam}/leave-out", Some(LEAD)),
    ("GET", "/second/{exam_id}", Some(SAY)),
    ("POST", "/second/{exam_id}/take", Some(SAY)),
    ("POST", "/second/{exam_id}/sign", Some(SAY)),
    ("POST", "/second/{exam_id}/give-up", Some(SAY)),
    ("POST", "/second/{exam_id}/judge", Some(SAY)),
    ("GET", "/measure", Some(TYPE)),
    ("POST", "/measure/find", Some(TYPE)),
    ("POST", "/measure/begin", Some(TYPE)),
    ("GET", "/measure/{draft}", Some(CORRECT)),
    ("POST", "/measure/{draft}", Some(CORRECT)),
    ("GET", "/measure/correct/{exam_id}", Some(CORRECT)),
    ("POST", "/measure/correct/{exam_id}", Some(CORRECT)),
    ("GET", "/measure/signed/{report}", Some(SEE)),
    ("GET", "/bring-in", Some(LEAD)),
    ("POST", "/bring-in", Some(LEAD)),
    ("POST", "/bring-in/back", Some(LEAD)),
    ("GET", "/bring-in/{draft}", Some(LEAD)),
    ("POST", "/bring-in/{draft}", Some(LEAD)),
    ("GET", "/codes", Some(CODES)),
    ("POST", "/codes", Some(CODES)),
    ("GET", "/codes/draft.toml", Some(CODES)),
    ("GET", "/department", Some(SEE)),
    ("GET", "/department/table.csv", Some(SEE)),
    ("GET", "/service", Some(SERVICE)),
    ("POST", "/service/retry", Some(SERVICE)),
    ("GET", "/deeds", Some(DEEDS)),
    ("POST", "/deeds", Some(DEEDS)),
];

/// The rest of a text up to the bracket that closes the one before it.
fn within(text: &str) -> &str {
    let mut depth = 1;
    let end = text.find(|letter| {
        match letter {
            '(' => depth += 1,
            ')' => depth -= 1,
            _ => {}
        }
        depth == 0
    });
    &text[..end.expect("it is closed")]
}

/// The words of a list of acts in a source.
fn acts(source: &str, list: &str) -> Vec<String> {
    let all = source.split(&format!("const {list}:")).nth(1);
    let all = all.and_then(|rest| rest.split("];").next());
    let all = all.unwrap_or_else(|| panic!("no list {list}"));
    let words = all.split("(\"").skip(1);
    words
        .map(|word| word.split('"').next().expect("its end").to_owned())
        .collect()
}

/// Every address that a source declares, with its method.
fn declared(source: &str, into: &mut BTreeSet<(String, String)>) {
    let source = source.split("#[cfg(test)]").next().unwrap_or_default();
    for rest in source.split(".route(").skip(1) {
        let whole = within(rest);
        let (path, methods) = match whole.trim_start().strip_prefix('"') {
            Some(literal) => {
                let (path, methods) = literal.split_once('"').expect("its end");
                (path.to_owned(), methods)
            }
            None => {
                // The comma behind the path: that of a call stands deeper.
                let mut depth = 0;
                let comma = whole.find(|letter| {
                    match letter {
                        '(' => depth += 1,
                        ')' => depth -= 1,
                        _ => {}
                    }
                    depth == 0 && letter == ','
                });
                let (path, methods) = whole.split_at(comma.expect("a comma"));
                let place = Place::ALL.into_iter();
                let mut place =
                    place.filter(|one| path.contains(&format!("Place::{one:?}.path()")));
                let path = match place.next() {
                    Some(place) => place.path(),
                    None if path.contains("STYLE.name") => "STYLE",
                    None if path.contains("SCRIPT.name") => "SCRIPT",
                    None => panic!("an address that this test cannot read: {path}"),
                };
                (path.to_owned(), methods)
            }
        };
        let paths: Vec<String> = match path.strip_suffix("/{act}") {
            Some("/exam/{exam}") => acts(source, "OF_EXAM"),
            Some("/patient/{exam}") => acts(source, "OF_PATIENT"),
            Some(other) => panic!("acts that this test does not know: {other}"),
            None => Vec::new(),
        };
        let paths = match path.strip_suffix("{act}") {
            Some(start) => paths.iter().map(|act| format!("{start}{act}")).collect(),
            None => vec![path],
        };
        let mut is_any = false;
        for (word, method) in [("get(", "GET"), ("post(", "POST")] {
            if methods.contains(word) {
                is_any = true;
                into.extend(paths.iter().map(|path| (method.to_owned(), path.clone())));
            }
        }
        assert!(is_any, "no method that this test can read: {whole}");
        for other in ["put(", "patch(", "delete(", "any(", "on(", "head("] {
            assert!(!methods.contains(other), "{whole}");
        }
    }
}

fn read_all(folder: &Path, into: &mut BTreeSet<(String, String)>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            read_all(&path, into);
        } else if path.extension().is_some_and(|end| end == "rs") {
            declared(&fs::read_to_string(&path).expect("readable"), into);
        }
    }
}

#[test]
fn every_address_stands_in_the_table_of_roles() {
    let mut found = BTreeSet::new();
    read_all(&root().join("daemon/app/src/pages"), &mut found);
    let told: BTreeSet<(String, String)> = TABLE
        .iter()
        .map(|(method, path, _)| ((*method).to_owned(), (*path).to_owned()))
        .collect();
    let missing: Vec<_> = found.difference(&told).collect();
    let gone: Vec<_> = told.difference(&found).collect();
    assert!(
        missing.is_empty() && gone.is_empty(),
        "not in the table: {missing:?}; in the table alone: {gone:?}"
    );
    assert_eq!(TABLE.len(), told.len(), "a row stands twice");
    // A planted address is found.
    let mut planted = BTreeSet::new();
    declared("Router::new().route(\"/x\", get(a).post(b))", &mut planted);
    assert_eq!(planted.len(), 2);
}

/// Four exams of T-1, the last one flagged.
pub(super) fn ward(roles: &[&str], more: &str) -> Ward {
    let ward = Ward::with(roles, more);
    for (n, tenths) in [(1, 0), (2, 1), (3, -1), (4, 6)] {
        let report = Report {
            patient: "T-1".into(),
            date: format!("202{n}0301"),
            tenths,
            ..Report::numbered(n)
        };
        report.write(&ward.site.path("drop"));
    }
    until("all exams", || ward.site.results().len() == 4);
    ward
}

/// A path with names in the place of its parts.
fn filled(path: &str, exam: &str) -> String {
    match path {
        "STYLE" => format!("/{}", STYLE.name),
        "SCRIPT" => format!("/{}", SCRIPT.name),
        path => path
            .replace("{exam_id}", exam)
            .replace("{exam}", exam)
            .replace("{number}", "0")
            .replace("{draft}", "77")
            .replace("{report}", "2.25.1"),
    }
}

fn send(browser: &mut Browser, method: &str, path: &str, token: &str) -> Answer {
    match (method, path) {
        ("GET", path) => browser.get(path),
        // A form with a file.
        (_, "/bring-in") => {
            let body = format!(
                "--cut\r\nContent-Disposition: form-data; name=\"token\"\r\n\r\n{token}\r\n--cut--\r\n"
            );
            let origin = format!("http://{}", browser.address);
            let headers = [
                ("Content-Type", "multipart/form-data; boundary=cut"),
                ("Origin", origin.as_str()),
            ];
            browser.send("POST", path, &headers, &body)
        }
        (_, path) => browser.post(path, &[("token", token)]),
    }
}

/// A token of whoever is signed in.
pub(super) fn token(browser: &mut Browser, role: &str) -> String {
    let home = match role {
        "operator" => "/service",
        "auditor" => "/deeds",
        _ => "/today",
    };
    browser.get(home).token("/sign-out")
}

#[test]
fn every_role_gets_the_answer_that_the_table_gives() {
    let ward = ward(&ROLES, &format!("{PAGES}break_glass = true\n"));
    let flagged = ward.site.results().into_iter();
    let flagged = flagged.filter(|(_, one)| one["assessment"]["flagged"] == true);
    let exam = flagged.map(|(id, _)| id).next().expect("a flagged exam");
    let before = ward.site.json("entries", &["T-1", "--json"]);
    let mut wrong = Vec::new();
    for (method, path, who) in TABLE {
        let mut nobody = ward.browser();
        let answer = send(&mut nobody, method, &filled(path, &exam), "");
        let to = answer.header("location").to_owned();
        let right = match (who, *method) {
            (None, _) => answer.status != 401,
            (Some(_), "GET") => answer.status == 303 && to.starts_with("/sign-in"),
            (Some(_), _) => answer.status == 401,
        };
        if !right {
            wrong.push(format!("nobody {method} {path}: {} {to}", answer.status));
        }
    }
    for role in ROLES {
        let mut browser = ward.signed_in(role);
        for (method, path, who) in TABLE {
            // It ends the session: each is told apart below.
            if ["/sign-out", "/sign-in"].contains(path) && *method == "POST" {
                continue;
            }
            let token = match *method {
                "GET" => String::new(),
                _ => token(&mut browser, role),
            };
            let answer = send(&mut browser, method, &filled(path, &exam), &token);
            let may = who.is_none_or(|who| who.contains(&role));
            let status = answer.status;
            let right = match (may, *method, *path) {
                // For whoever may see patients there is no glass.
                (false, _, "/break-glass") => status == 404,
                (false, ..) => status == 403 && !answer.body.contains("T-1"),
                // No provider is set up; no picture was sent; no draft and no such report is there.
                (true, _, path) if path.starts_with("/sign-in/") => [403, 404].contains(&status),
                // The report is none of their own.
                (true, "POST", "/measure/correct/{exam_id}") if role == "measurer" => status == 403,
                (true, "GET", path)
                    if ["{number}", "{draft}", "{report}"]
                        .iter()
                        .any(|one| path.ends_with(one)) =>
                {
                    status == 404
                }
                (true, "GET", "/" | "/sign-in") => [200, 303].contains(&status),
                (true, "GET", _) => status == 200,
                // An empty form: it is told what is missing, or that there is nothing of the kind.
                (true, ..) => [200, 303, 404, 422].contains(&status),
            };
            if !right {
                wrong.push(format!("{role} {method} {path}: {status}"));
            }
        }
        let token = token(&mut browser, role);
        let out = browser.post("/sign-out", &[("token", &token)]);
        if out.status != 200 {
            wrong.push(format!("{role} POST /sign-out: {}", out.status));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let after = ward.site.json("entries", &["T-1", "--json"]);
    assert_eq!(
        before.len(),
        after.len(),
        "an empty form recorded something"
    );
}

/// A label with everything that a form holds: whoever may not say it is refused, and nothing is kept.
#[test]
fn a_reader_who_posts_a_label_with_a_good_token_is_refused() {
    let ward = ward(&ROLES, PAGES);
    let exam = ward.site.results().into_keys().next().expect("an exam");
    let path = format!("/exam/{exam}");
    let mut clinician = ward.signed_in("clinician");
    let page = clinician.get(&path).body;
    let stamp = page.split("name=\"stamp\" value=\"").nth(1);
    let stamp = stamp.and_then(|rest| rest.split('"').next());
    let stamp = stamp.expect("a stamp").to_owned();
    let post = |browser: &mut Browser, role: &str| {
        let token = token(browser, role);
        let fields = [
            ("token", token.as_str()),
            ("stamp", &stamp),
            ("version", "1"),
            ("label", "raised_confirmed"),
            ("shown", "yes"),
        ];
        browser.post(&format!("{path}/label"), &fields)
    };
    for role in ["reader", "measurer", "operator", "auditor"] {
        let answer = post(&mut ward.signed_in(role), role);
        assert_eq!(answer.status, 403, "{role}: {}", answer.body);
        assert!(answer.body.contains("may not label or acknowledge"));
    }
    assert!(ward.site.json("entries", &["T-1", "--json"]).is_empty());
    let answer = post(&mut clinician, "clinician");
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert_eq!(ward.site.json("entries", &["T-1", "--json"]).len(), 1);
}
