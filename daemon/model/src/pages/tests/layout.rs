use crate::pages::layout::*;
use maud::html;

fn frame() -> Frame {
    Frame {
        title: "Today".to_owned(),
        here: Some(Place::Today),
        reader: Some(Reader {
            account: "m.brightwell".to_owned(),
            roles: vec!["clinician".to_owned()],
            places: vec![Place::Today, Place::Measure],
            token: "T0".to_owned(),
        }),
        age: Some(Age {
            made_at: "2024-05-07T10:31:00Z".parse().unwrap(),
            last_received: "2024-05-07T10:19:30Z".parse().ok(),
            waiting: 2,
            standing_still: None,
        }),
    }
}

#[test]
fn a_page_shows_only_places_that_may_be_opened_and_how_old_it_is() {
    let page = whole(&frame(), &html! { h1 { "Today" } });
    assert!(page.contains("href=\"/today\" aria-current=\"page\""));
    assert!(page.contains("href=\"/measure\""));
    assert!(!page.contains("/deeds"));
    assert!(page.contains("The last object came 11 min ago. 2 wait to be read"));
    assert!(!page.contains("stands still"));
    // Strict Content-Security-Policy: nothing inline.
    assert!(!page.contains("style=") && !page.contains("<style") && !page.contains(" on"));
}

#[test]
fn a_service_that_stands_still_is_told_in_words() {
    let mut frame = frame();
    if let Some(age) = &mut frame.age {
        age.standing_still = Some("The disk is <full>.".to_owned());
    }
    let page = whole(&frame, &html! {});
    assert!(
        page.contains("The service stands still.</strong> <bdi>The disk is &lt;full&gt;.</bdi>")
    );
}

#[test]
fn what_is_served_is_named_by_its_hash() {
    let name = &STYLE.name;
    assert!(
        name.starts_with("style-") && name.ends_with(".css") && name.len() == 26,
        "{name}"
    );
    assert!(SCRIPT.name.starts_with("script-") && SCRIPT.name.ends_with(".js"));
    assert!(STYLE.text.contains(".statement") && STYLE.text.contains(".whose"));
}

#[test]
fn times_are_never_told_longer_than_they_were() {
    for (minutes, read) in [
        (-5, "0 min"),
        (0, "0 min"),
        (99, "99 min"),
        (100, "1 h"),
        (2879, "47 h"),
        (2880, "2 days"),
    ] {
        assert_eq!(ago(chrono::TimeDelta::minutes(minutes)), read);
    }
}
