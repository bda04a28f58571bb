//! Who signs shows who they are: by a sign-in of the last five minutes, the password, or a fresh sign-in at
//! the provider. No test waits: the time of the sign-in is set in the session.

use super::signed::{DAYS, NEW, begun, exam_of, submit};
use super::{PAGES, PASSWORD, Ward};
use crate::browser::{Answer, Browser};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{TimeDelta, Utc};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use sheathline_store::{Mode, Store, web_sessions};

/// Changes who is signed in, as the session keeps it.
fn set(ward: &Ward, browser: &Browser, change: impl Fn(&mut Value) + Send + 'static) {
    let store = Store::open(&ward.site.path("store.sqlite"), Mode::Guest).expect("opens");
    let id = URL_SAFE_NO_PAD.decode(&browser.cookies["sheathline"]);
    let hash: web_sessions::IdHash = Sha256::digest(id.expect("an id")).into();
    let done = store.write(move |tx| {
        let mut session = web_sessions::of_id(tx, &hash, Utc::now())?.expect("signed in");
        let mut content: Value = serde_json::from_str(&session.content).expect("JSON");
        change(&mut content["data"]["who"]);
        session.content = content.to_string();
        web_sessions::keep(tx, &hash, &session)
    });
    done.expect("kept");
}

fn signed_in_ago(ward: &Ward, browser: &Browser, seconds: i64) {
    let at = Utc::now() - TimeDelta::seconds(seconds);
    set(ward, browser, move |who| who["proved_at"] = json!(at));
}

/// Posts the draft to sign it, with a password or without.
fn sign(browser: &mut Browser, draft: &str, password: Option<&str>) -> Answer {
    let page = browser.get(draft);
    let mut fields = vec![
        ("act", "sign"),
        ("date", DAYS[1].as_str()),
        ("time", "10:31"),
        ("operator", "measurer"),
        ("right_value_1", "5.20"),
        ("left_value_1", "5.1"),
    ];
    fields.extend(password.map(|password| ("password", password)));
    submit(browser, &page, draft, &fields)
}

#[test]
fn the_password_is_asked_again_five_minutes_after_a_sign_in() {
    let ward = Ward::new(&["measurer"]);
    let mut browser = ward.signed_in("measurer");
    let draft = begun(&mut browser, &NEW);
    let asks = |page: &Answer| page.body.contains("type=\"password\"");
    assert!(!asks(&browser.get(&draft)), "signed in just now");
    signed_in_ago(&ward, &browser, 5 * 60);
    assert!(asks(&browser.get(&draft)));
    for password in [None, Some(""), Some("another password of a ward")] {
        let answer = sign(&mut browser, &draft, password);
        assert_eq!(answer.status, 200, "{password:?}");
        assert!(answer.body.contains("It is not signed"), "{}", answer.body);
        assert!(
            answer.body.contains("value=\"5.20\""),
            "what was typed stays"
        );
    }
    assert!(ward.site.results().is_empty());
    let signed = sign(&mut browser, &draft, Some(PASSWORD));
    exam_of(&mut browser, &signed);
    // A password that was shown to sign is no sign-in: the next one is asked for again.
    let other = [("patient_id", "N-8"), ("birth_date", "2015-03-03")];
    let draft = begun(&mut browser, &other);
    assert!(asks(&browser.get(&draft)));
    // Within the five minutes it is not.
    signed_in_ago(&ward, &browser, 3 * 60);
    let signed = sign(&mut browser, &draft, None);
    assert_eq!(signed.status, 303, "{}", signed.body);
}

#[test]
fn whoever_came_by_a_provider_signs_after_a_fresh_sign_in_alone() {
    let tables = format!(
        "{PAGES}public_url = \"http://127.0.0.1:8600\"\n\
         [pages.openid]\nissuer = \"https://id.example\"\n\
         [[pages.role]]\ngroup = \"ward\"\nroles = [\"measurer\"]\n"
    );
    let ward = Ward::with(&["measurer"], &tables);
    let mut browser = ward.signed_in("measurer");
    set(&ward, &browser, |who| {
        who["account"] = json!("openid:7");
        who["way"] = json!("open_id");
        who["roles"] = json!(["measurer"]);
    });
    let draft = begun(&mut browser, &NEW);
    signed_in_ago(&ward, &browser, 5 * 60);
    let page = browser.get(&draft);
    assert!(!page.body.contains("type=\"password\""), "{}", page.body);
    assert!(
        page.body.contains("href=\"/sign-in/openid?again=yes"),
        "{}",
        page.body
    );
    // The password of somebody's local account opens nothing here.
    for password in [None, Some(PASSWORD)] {
        let answer = sign(&mut browser, &draft, password);
        assert_eq!(answer.status, 200, "{password:?}");
        assert!(
            answer.body.contains("you signed in some time ago"),
            "{}",
            answer.body
        );
    }
    assert!(ward.site.results().is_empty());
    signed_in_ago(&ward, &browser, 0);
    let signed = sign(&mut browser, &draft, None);
    exam_of(&mut browser, &signed);
}
