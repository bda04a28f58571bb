use super::*;
use crate::forms::tests::sample;

fn bundle(name: &str) -> Vec<Value> {
    let (result, context) = sample(name);
    entries(&transaction(&result, &context).unwrap())
}

fn entries(bundle: &Value) -> Vec<Value> {
    bundle["entry"].as_array().unwrap().clone()
}

fn of<'a>(entries: &'a [Value], code: &str) -> &'a Value {
    let found = entries
        .iter()
        .find(|entry| entry["resource"]["code"]["coding"][0]["code"] == code);
    found.unwrap()
}

#[test]
fn the_interpretation_names_a_change_or_is_left_out() {
    let entries = bundle("one-eye-out");
    let right = &of(&entries, "diameter-right")["resource"];
    assert_eq!(right["interpretation"][0]["coding"][0]["code"], "U");
    let left = &of(&entries, "diameter-left")["resource"];
    assert_eq!(left.get("interpretation"), None);
}

#[test]
fn every_version_updates_the_same_resources() {
    let (result, context) = sample("within");
    let mut next = result.clone();
    (next.version, next.key) = (3, "0123".to_owned());
    let requests = |result: &Envelope| -> Vec<Value> {
        let entries = entries(&transaction(result, &context).unwrap());
        let request = |entry: &Value| json!([entry["request"], entry["fullUrl"]]);
        entries.iter().map(request).collect()
    };
    let (old, new) = (requests(&result), requests(&next));
    let (origin_old, rest_old) = old.split_last().unwrap();
    let (origin_new, rest_new) = new.split_last().unwrap();
    assert_eq!(rest_old, rest_new);
    assert_ne!(origin_old, origin_new);
    let put = rest_old[1][0]["url"].as_str().unwrap();
    let value = format!("{}%2Fright%2F1", result.content.exam.id);
    assert_eq!(
        put,
        format!("Observation?identifier={OWN_SYSTEM}%7C{value}")
    );
}

#[test]
fn values_that_are_gone_are_entered_in_error() {
    let (result, mut context) = sample("one-eye-out");
    let mut before = result.clone();
    (before.version, before.supersedes) = (1, None);
    context.previous = Some(Box::new(before));
    let mut now = result;
    now.content.assessment.rows.left = None;
    let entries = entries(&transaction(&now, &context).unwrap());
    let left = of(&entries, "diameter-left");
    assert_eq!(left["resource"]["status"], "entered-in-error");
    assert_eq!(
        of(&entries, "diameter-right")["resource"]["status"],
        "corrected"
    );
    let report = &of(&entries, "25061-3")["resource"];
    let gone = left["fullUrl"].as_str().unwrap();
    assert!(!report["result"].to_string().contains(gone));
}

/// FHIR R4, dateTime: a time of day needs a time zone.
#[test]
fn a_time_without_a_zone_is_a_day() {
    let entries = bundle("within");
    let when = &of(&entries, "diameter-both")["resource"]["effectiveDateTime"];
    assert_eq!(when, "2023-04-11");
}

#[test]
fn text_of_a_report_cannot_leave_the_narrative() {
    let (mut result, context) = sample("within");
    result.why = vec!["<script>\u{202e}&\u{1}".to_owned()];
    let entries = entries(&transaction(&result, &context).unwrap());
    let div = of(&entries, "25061-3")["resource"]["text"]["div"].to_string();
    assert!(div.contains("&lt;script&gt;\u{fffd}&amp;\u{fffd}"), "{div}");
}

#[test]
fn our_systems_are_derived_like_everything_else() {
    let of = |purpose| format!("urn:oid:{}", uid(&Of::Software("sheathline"), purpose));
    assert_eq!(
        (of("identifiers").as_str(), of("codes").as_str()),
        (OWN_SYSTEM, element::OWN_CODES)
    );
}
