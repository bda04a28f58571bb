//! A table of old values: looked at row by row, brought in as a whole, taken back as a whole.

use super::Ward;
use super::signed::submit;
use crate::browser::{Answer, Browser};
use crate::harness::until;

const TABLE: &str = "patient_id,birth_date,date,Right eye,left\n\
                     C-3,2015-03-02,2019-04-01,4.6,4.7\n\
                     C-3,2015-03-02,2020-13-01,4.7,4.8\n\
                     C-3,2015-03-02,2021-04-01,4.8,4.8\n";

const DECLARED: [(&str, &str); 5] = [
    ("unit", "mm"),
    ("shape", "exams"),
    ("dates", "iso"),
    ("separator", "comma"),
    ("decimal", "point"),
];

/// Posts the form of a table as a browser does.
fn upload(browser: &mut Browser, fields: &[(&str, &str)], file: Option<&str>) -> Answer {
    let mut body = String::new();
    for (name, value) in fields {
        body.push_str(&format!(
            "--B\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n"
        ));
    }
    if let Some(text) = file {
        body.push_str(&format!(
            "--B\r\nContent-Disposition: form-data; name=\"file\"; filename=\"old.csv\"\r\n\
             Content-Type: text/csv\r\n\r\n{text}\r\n"
        ));
    }
    body.push_str("--B--\r\n");
    let origin = format!("http://{}", browser.address);
    let headers = [
        ("Content-Type", "multipart/form-data; boundary=B"),
        ("Origin", origin.as_str()),
    ];
    browser.send("POST", "/bring-in", &headers, &body)
}

fn with<'a>(more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let mut all = DECLARED.to_vec();
    all.extend(more);
    all
}

/// The answer to a table with what is declared.
fn sent(browser: &mut Browser, file: Option<&str>) -> Answer {
    let page = browser.get("/bring-in");
    let token = page.token("/bring-in");
    let mut fields = vec![("token", token.as_str())];
    fields.extend(DECLARED);
    upload(browser, &fields, file)
}

fn taken(browser: &mut Browser, text: &str) -> String {
    let answer = sent(browser, Some(text));
    assert_eq!(answer.status, 303, "{}", answer.body);
    answer.header("location").to_owned()
}

/// The hash that a page shows of a table.
fn hash(page: &Answer) -> String {
    let value = page.body.split("name=\"sha256\" value=\"").nth(1);
    let value = value.and_then(|rest| rest.split('"').next());
    value.expect("a hash").to_owned()
}

#[test]
fn a_table_is_looked_at_brought_in_once_and_taken_back_as_a_whole() {
    let ward = Ward::new(&["lead", "clinician"]);
    assert_eq!(ward.signed_in("clinician").get("/bring-in").status, 403);
    let mut lead = ward.signed_in("lead");
    let draft = taken(&mut lead, TABLE);
    // A column of an unknown name is never taken by likeness.
    let page = lead.get(&draft);
    assert!(page.body.contains("is no known column"), "{}", page.body);
    assert!(!page.body.contains("value=\"bring\""));
    let columns = [("column_3", "right"), ("act", "look")];
    let answer = submit(&mut lead, &page, &draft, &with(&columns));
    assert_eq!(answer.status, 303, "{}", answer.body);
    let page = lead.get(&draft);
    let counted = |page: &Answer, told: &str| assert!(page.body.contains(told), "{}", page.body);
    counted(&page, "2 accepted, 1 refused, 0 left out");
    assert!(page.body.contains("2020-13-01") && !page.body.contains("value=\"bring\""));
    assert_eq!(ward.signed_in("clinician").get(&draft).status, 403);
    // Nothing is kept until somebody leaves the row out.
    let sign = [("act", "bring"), ("reason", "ward book 3")];
    let sha256 = hash(&page);
    let mut bring = with(&sign);
    bring.push(("sha256", &sha256));
    let page = submit(&mut lead, &page, &draft, &bring);
    counted(&page, "rows are refused");
    assert!(ward.site.results().is_empty());
    let out = [("shown", "3"), ("out", "3"), ("act", "look")];
    submit(&mut lead, &page, &draft, &with(&out));
    let page = lead.get(&draft);
    counted(&page, "2 accepted, 0 refused, 1 left out");
    let answer = submit(&mut lead, &page, &draft, &bring);
    assert_eq!(
        (answer.status, answer.header("location")),
        (303, "/bring-in"),
        "{}",
        answer.body
    );
    until("two results", || ward.site.results().len() == 2);
    // The same table again changes nothing.
    let draft = taken(&mut lead, TABLE);
    let page = lead.get(&draft);
    counted(&page, "Table 1 brought this file before");
    let again = [("column_3", "right"), ("act", "leave_refused")];
    submit(&mut lead, &page, &draft, &with(&again));
    let page = lead.get(&draft);
    counted(&page, "2 accepted, 0 refused, 1 left out");
    counted(&page, "it is here already");
    let answer = submit(&mut lead, &page, &draft, &bring);
    assert_eq!(answer.status, 303, "{}", answer.body);
    let page = lead.get("/bring-in");
    counted(&page, "Take back all of table 1");
    assert!(!page.body.contains("of table 2"));
    assert_eq!(ward.site.all_results().len(), 2);
    let answer = submit(&mut lead, &page, "/bring-in/back", &[("number", "1")]);
    assert_eq!(answer.status, 422, "a reason is asked for");
    let page = lead.get("/bring-in");
    let back = [("number", "1"), ("reason", "of another child")];
    let answer = submit(&mut lead, &page, "/bring-in/back", &back);
    assert_eq!(answer.status, 303, "{}", answer.body);
    let page = lead.get("/bring-in");
    assert!(
        !page.body.contains("Take back all of table 1"),
        "{}",
        page.body
    );
    until("further versions", || ward.site.all_results().len() == 4);
}

/// Nobody can put another table in the place of the one that was looked at, nor one without end.
#[test]
fn what_is_brought_in_is_what_was_looked_at() {
    let ward = Ward::new(&["lead"]);
    let mut lead = ward.signed_in("lead");
    let table = TABLE
        .replace("Right eye", "right")
        .replace("2020-13", "2020-03");
    let draft = taken(&mut lead, &table);
    let page = lead.get(&draft);
    let forged = with(&[("act", "bring"), ("reason", "x"), ("sha256", "00")]);
    assert_eq!(submit(&mut lead, &page, &draft, &forged).status, 422);
    // Without a token.
    assert_eq!(upload(&mut lead, &DECLARED, Some(&table)).status, 403);
    // 0: it closed before it had read everything.
    let large = sent(&mut lead, Some(&"x".repeat(5 << 20)));
    assert!([0, 413].contains(&large.status), "{}", large.status);
    assert!(sent(&mut lead, None).body.contains("Choose a file"));
    let utf16 = sent(&mut lead, Some("p\0a\0t\0"));
    assert!(utf16.body.contains("bytes of nought"), "{}", utf16.body);
    assert!(ward.site.results().is_empty());
}
