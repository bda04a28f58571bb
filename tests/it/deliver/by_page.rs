//! Dead deliveries on the page of the service: shown without the words of the receiver, tried again by
//! whoever runs it.

use super::{Hook, WORDS, list, put};
use crate::browser::{Answer, Browser};
use crate::harness::until;
use crate::typed::{PAGES, Ward};

const RETRY: &str = "/service/retry";

/// Posts the form of the page with one of its tokens.
fn retry(browser: &mut Browser, page: &Answer, fields: &[(&str, &str)]) -> Answer {
    let token = page.token(RETRY);
    let mut all = vec![("token", token.as_str())];
    all.extend(fields);
    browser.post(RETRY, &all)
}

#[test]
fn a_dead_delivery_is_tried_again_and_only_that_one() {
    let hook = Hook::new(|_| 422);
    let ward = Ward::at(hook.site_with(PAGES), &["operator", "clinician"]);
    put(&ward.site, &["tid1500", "amended-first"]);
    until("both dead", || {
        let dead = list(&ward.site, &["--state", "dead"]).len();
        dead >= 2 && dead == ward.site.all_results().len()
    });
    let all = list(&ward.site, &["--state", "dead"]);
    let mut operator = ward.signed_in("operator");
    let page = operator.get("/service");
    assert!(page.body.contains("http-422"), "{}", page.body);
    assert!(!page.body.contains(WORDS) && !page.body.contains("Kestrel"));
    // Nobody else may, and nothing is chosen by itself.
    assert_eq!(ward.signed_in("clinician").get("/service").status, 403);
    let nothing = retry(&mut operator, &page, &[("which", "chosen")]);
    assert_eq!(nothing.status, 422, "{}", nothing.body);
    assert_eq!(list(&ward.site, &["--state", "dead"]).len(), all.len());

    hook.answers(|_| 200);
    let number = all[0]["id"].to_string();
    let numbered = |one: &serde_json::Value| one["id"] == all[0]["id"];
    let page = operator.get("/service");
    let one = [("which", "chosen"), ("delivery", number.as_str())];
    let answer = retry(&mut operator, &page, &one);
    assert_eq!(
        (answer.status, answer.header("location")),
        (303, "/service?tried=1"),
        "{}",
        answer.body
    );
    until("the one", || hook.took().len() == 1);
    let dead = list(&ward.site, &["--state", "dead"]);
    assert_eq!(dead.len(), all.len() - 1);
    assert!(!dead.iter().any(numbered));
    let page = operator.get("/service?tried=1");
    let answer = retry(&mut operator, &page, &[("which", "all")]);
    let others = format!("/service?tried={}", all.len() - 1);
    assert_eq!(answer.header("location"), others, "{}", answer.body);
    until("the others", || hook.took().len() == all.len());
    until("none is dead", || {
        list(&ward.site, &["--state", "dead"]).is_empty()
    });
    assert!(!operator.get("/service").body.contains("http-422"));
}
