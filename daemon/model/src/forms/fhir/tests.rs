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

#[test]
fn what_stands_beside_the_comparison_is_coded() {
    let (result, context) = crate::forms::tests::after_an_event();
    let entries = entries(&transaction(&result, &context).unwrap());
    let of = |code: &str| &of(&entries, code)["resource"];
    let component = |resource: &Value, code: &str| -> Value {
        let all = resource["component"].as_array().unwrap().iter();
        let found = all
            .clone()
            .find(|one| one["code"]["coding"][0]["code"] == code);
        found
            .unwrap_or_else(|| panic!("{code} in {resource}"))
            .clone()
    };
    let exam = of("result-status");
    assert_eq!(exam["interpretation"][0]["coding"][0]["code"], "U");
    let coded = |one: Value| one["valueCodeableConcept"]["coding"][0]["code"].clone();
    assert_eq!(coded(component(exam, "decided-by")), "since-event");
    assert_eq!(coded(component(exam, "basis")), "confirmed");
    assert_eq!(coded(component(exam, "doubt")), "nerve-suspected");
    assert_eq!(of("diameter-both").get("interpretation"), None);
    let last = of("since-last");
    assert_eq!(last["valueQuantity"]["value"], 0.35);
    assert_eq!(last["bodySite"]["text"], "Both optic nerve sheaths");
    assert_eq!(component(last, "last-at")["valueDateTime"], "2024-05-07");
    let event = of("after-event");
    assert_eq!(
        event["valueCodeableConcept"]["coding"][0]["code"],
        "widening-again"
    );
    assert_eq!(component(event, "nadir")["valueQuantity"]["value"], 0.612);
    assert_eq!(of("earlier-flags")["valueQuantity"]["value"], 5);
}

#[test]
fn a_number_has_three_decimals_at_most_and_a_tiny_one_a_bound() {
    for (name, _) in crate::results::samples::every() {
        let text = bundle(name)
            .into_iter()
            .map(|entry| entry.to_string())
            .collect::<String>();
        for part in text
            .split("\"value\":")
            .skip(1)
            .filter(|part| !part.starts_with('"'))
        {
            let number = part.split([',', '}']).next().unwrap();
            let decimals = number
                .split_once('.')
                .map_or(0, |(_, decimals)| decimals.len());
            assert!(decimals <= 3, "{name}: {number}");
        }
    }
    let tiny = quantity(3e-9, codes::ONE);
    assert_eq!(
        (&tiny["value"], &tiny["comparator"]),
        (&json!(0.001), &json!("<"))
    );
}
